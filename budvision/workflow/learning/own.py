"""Put somebody's own classifier to work: a model of the season like any other."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from budvision.errors import InputError, VerificationError
from budvision.language import plain_count
from budvision.store.session import Season, now
from budvision.workflow.learning.train import TrainReport, gather_lessons, load_base
from budvision.workflow.learning.write import copy_segmenter, write_model

if TYPE_CHECKING:
    from budvision.learning.estimator import OwnModel
    from budvision.verdict.registry import ModelEntry

__all__ = ["keep_estimator"]


def keep_estimator(
    season: Season, estimator: Any, *, name: str, note: str = "", base: str | Path | None = None,
) -> TrainReport:
    """Fit a scikit-learn classifier on the season's calls and keep it as a model of the season.

    Parameters
    ----------
    estimator : scikit-learn classifier
        With `predict_proba`, of types that `verdict.persist` keeps; it is cloned.
    name : str
        The model's name without version: small letters, digits and underscores.
    note : str
        A sentence for the list of models.
    base : str or Path, optional
        The model whose segmenter finds the tissues, and beside which this one is measured; the
        default model when left out.

    Returns
    -------
    TrainReport
        A candidate: it proposes only when a person promotes it (`budvision models promote`).

    Raises
    ------
    InputError
        When the name is none, the estimator gives no probabilities, or its file would hold types
        that could run foreign code (forests, boosting, networks, neighbours).
    NothingToDoError
        When there are too few calls.
    """
    from budvision.learning.estimator import fit_estimator

    if not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", name):
        raise InputError(f"the name is {name!r}", where="estimator", do="Choose another name.",
                         expected="up to 40 small letters, digits and underscores")
    model, entry = load_base(season, base)
    lessons = gather_lessons(season, base=model, entry=entry)
    made = fit_estimator(estimator, lessons.examples, base=model)
    metrics = {
        "base": entry.label, "estimator": repr(estimator), "n_tissues": made.n_tissues,
        "n_canes": made.n_canes,
        "canes_left_out": {"base": made.before.as_dict(), "tuned": made.after.as_dict()},
    }
    used, folder = write_model(
        season, name, _files(made, metrics, entry), feature_version=made.model.feature_version,
        note=note or f"{type(estimator).__name__} on "
                     f"{plain_count(made.n_tissues, 'called tissue')}.",
        facts={"metrics": metrics, "base": entry.label})
    return TrainReport(used.label, str(folder), metrics)


def _files(
    made: OwnModel, metrics: dict[str, Any], base: ModelEntry
) -> Callable[[Path, str], None]:
    from budvision.learning.estimator_card import estimator_card
    from budvision.verdict.persist import load_verdict, save_verdict

    def fill(part: Path, label: str) -> None:
        copy_segmenter(base, part)
        save_verdict(made.model, part / "verdict.skops")
        try:
            load_verdict(part / "verdict.skops")
        except VerificationError as error:  # what could not be loaded again is never listed
            raise InputError(
                f"{metrics['estimator']} cannot be kept: {error.what}", where="estimator",
                expected="linear models, discriminant analysis, naive Bayes or support vectors, "
                "whose files hold numbers only", do="Try it by all means; keep one of those.",
            ) from error
        (part / "metrics.json").write_text(json.dumps(metrics, indent=1) + "\n", encoding="utf-8")
        (part / "CARD.md").write_text(
            estimator_card(label, metrics, made=now()), encoding="utf-8")

    return fill
