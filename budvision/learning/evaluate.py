"""Evaluate a model on rendered photographs that it has not seen: tables with counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import cv2
import numpy as np
import numpy.typing as npt

from budvision.learning.observe import BORDERLINE, HALF_DEAD, observe
from budvision.learning.scenes import FIRST_SEED, WORLD_KEYS, draw_scene
from budvision.learning.scoring import coverage_curve, verdict_scores
from budvision.learning.train import fit_verdict
from budvision.verdict.model import ALONE_DOUBT, SWAP_DOUBT, VerdictModel, names_to_ask
from budvision.verdict.propose import Proposer
from budvision.vocabulary import TISSUES, Verdict

__all__ = [
    "TARGETS",
    "all_strange",
    "evaluate_observations",
    "leave_one_world_out",
    "robustness",
    "settled_verdicts",
    "training_rows",
    "unsure_rows",
]

Columns = Mapping[str, npt.NDArray[Any]]

TARGETS: Final[Mapping[str, float]] = {
    "centre_primary": 0.995, "centre_secondary": 0.97, "centre_tertiary": 0.93,
    "overlap_primary": 0.93, "overlap_secondary": 0.91, "overlap_tertiary": 0.82,
    "exposed_right": 0.97, "right_known": 0.995, "right_left_out": 0.985, "called": 0.88,
    "dead_called_live": 0.005, "live_called_dead": 0.005, "unusable_refused": 0.99,
    "good_refused": 0.01,
}
"""What was asked for; shares."""
_CHANGED_SEED: Final = FIRST_SEED + 500_000_000


def training_rows(
    table: Columns,
) -> tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any]]:
    """Take the measured tissues out of observations.

    Parameters
    ----------
    table : mapping of str to ndarray
        From `load_observations`.

    Returns
    -------
    rows : ndarray of float64, shape (m, f)
    dead : ndarray of bool, shape (m,)
        Truth of the tissue that the region covers.
    photo : ndarray of intp, shape (m,)
        Index of the photograph.
    """
    good = _measured(table, table["dead_here"] >= 0)
    return table["row"][good].astype(np.float64), table["dead_here"][good] > 0, np.nonzero(good)[0]


def unsure_rows(table: Columns) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Take the rows (m, f) of tissues that people would leave unsure, and their photographs."""
    doubted = _measured(table, table["dead_here"] == HALF_DEAD)
    return table["row"][doubted].astype(np.float64), np.nonzero(doubted)[0]


def _measured(table: Columns, where: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return which tissues (n, 3) of `where` were measured on a usable photograph."""
    return np.asarray(table["usable"][:, None] & where & np.isfinite(table["row"]).all(axis=2))


def _say(model: VerdictModel, rows: npt.NDArray[Any]) -> tuple[Any, Any]:
    values = rows.astype(np.float64)
    return np.array([verdict.value for verdict in model.verdicts(values)]), model.p_dead(values)


def evaluate_observations(table: Columns, model: VerdictModel) -> dict[str, Any]:
    """Score a verdict model on observations it was not trained on.

    Parameters
    ----------
    table : mapping of str to ndarray
        From `load_observations`.

    Returns
    -------
    dict
        ``photos``, ``segmentation`` (per tissue; of flankers that show alone; and where the side
        of the cane base is known), ``gate`` (refusals by truth), ``verdicts``
        (all, per tissue and per depth, light, camera), ``regions`` (the same verdicts against
        the truth of the tissue that each region really covers, so without swaps), ``unsure``
        (tissues that people would leave unsure, and how many of them the model does) and
        ``curve``.
    """
    table = dict(table)
    table["found"] = table["found"] & ~all_strange(table, model)
    usable, found = table["usable"], table["found"]
    bad = ~usable & (table["why_not"] != BORDERLINE)
    judged = usable & found
    clear = table["clear"]
    segmentation: dict[str, Any] = {}
    for index, tissue in enumerate(TISSUES):
        shown = judged & (table["exposed_true"] & clear)[:, index]
        identified = shown & table["exposed_said"][:, index]
        overlap = table["overlap"][shown, index]
        segmentation[tissue.value] = {
            "n_exposed": int(shown.sum()),
            "centre_inside": _share(table["centre_inside"][shown, index]),
            "centre_inside_of_said": _share(table["centre_inside"][identified, index]),
            "overlap_median": (
                round(float(np.nanmedian(overlap)), 4) if np.isfinite(overlap).any() else None
            ),
        }
    exposed_right = (table["exposed_true"] == table["exposed_said"])[judged][clear[judged]]
    both = judged & (table["exposed_true"] & clear & table["exposed_said"])[:, 1:].all(axis=1)
    segmentation["exposed_right"] = _share(exposed_right)
    segmentation["n_both_flankers"] = int(both.sum())
    segmentation["swapped"] = _share(
        ~table["centre_inside"][both, 1:].any(axis=1)
        & (table["overlap"][both, 1:] < 0.2).all(axis=1)
    )
    segmentation["alone"] = _alone(table, judged)
    segmentation["based"] = {
        "exposed_right": _share(
            (table["exposed_true"] == table["based_said"])[judged][clear[judged]]
        ),
        **{
            tissue.value: _share(
                table["based_inside"][judged & (table["exposed_true"] & clear)[:, index], index]
            )
            for index, tissue in enumerate(TISSUES)
        },
    }
    causes = {}
    for cause in sorted(set(table["why_not"][bad].tolist())):
        of_it = table["why_not"] == cause
        causes[str(cause)] = {
            "n": int((of_it & bad).sum()), "refused": _share(~found[of_it & bad]),
        }
    gate = {
        "n_unusable": int(bad.sum()), "unusable_refused": _share(~found[bad]),
        "n_nobody_could_tell": int((~usable & ~bad).sum()),
        "n_good": int(usable.sum()), "good_refused": _share(~found[usable]), "by_cause": causes,
        "refused_good_because": _counts(table["reasons"][usable & ~found]),
    }
    named = judged[:, None] & table["exposed_true"] & clear & np.isfinite(table["row"]).all(axis=2)
    doubted = named & (table["dead"] == HALF_DEAD)
    named &= table["dead"] >= 0
    here = judged[:, None] & (table["dead_here"] >= 0) & np.isfinite(table["row"]).all(axis=2)
    result: dict[str, Any] = {
        "photos": int(usable.size), "segmentation": segmentation, "gate": gate,
        "verdicts": _verdict_table(table, model, named, table["dead"] > 0),
        "regions": {
            "all": _verdict_table(table, model, here, table["dead_here"] > 0, split=False)["all"]
        },
    }
    said = settled_verdicts(table, model)[doubted]
    result["unsure"] = {
        "n": int(doubted.sum()), "left_unsure": int((said == Verdict.UNSURE.value).sum())}
    _, p_dead = _say(model, table["row"][here])
    result["curve"] = coverage_curve(p_dead, table["dead_here"][here] > 0)
    return result


def _alone(table: Columns, judged: npt.NDArray[np.bool_]) -> dict[str, Any]:
    """Score the names of flankers where one is exposed, can be told, and one was found."""
    true, found, clear = (table[name][:, 1:] for name in ("exposed_true", "exposed_said", "clear"))
    one = judged & (true.sum(axis=1) == 1) & (found.sum(axis=1) == 1) & clear.all(axis=1)
    right = (true == found).all(axis=1)
    based = (true == table["based_said"][:, 1:]).all(axis=1)
    sure = one & (table["swap_doubt"] <= ALONE_DOUBT)
    return {
        "n": int(one.sum()), "right": _share(right[one]), "n_doubted": int((one & ~sure).sum()),
        "right_where_sure": _share(right[sure]), "right_where_based": _share(based[one]),
    }


def all_strange(table: Columns, model: VerdictModel) -> npt.NDArray[np.bool_]:
    """Say which photographs are refused as every measured tissue is unlike anything trained on.

    Where nothing was measured the answer is True: nothing is exposed, so nothing can be judged.
    """
    measured = np.isfinite(table["row"]).all(axis=2)
    strange = np.zeros(measured.shape, np.bool_)
    if measured.any():
        rows = table["row"][measured].astype(np.float64)
        strange[measured] = model.novelty.distance(rows) > model.novelty.limit
    return np.asarray((strange | ~measured).all(axis=1), np.bool_)


def _share(values: npt.ArrayLike) -> float | None:
    found = np.asarray(values)
    return round(float(np.mean(found)), 5) if found.size else None


def _counts(words: npt.NDArray[Any]) -> dict[str, int]:
    names, counts = np.unique(words, return_counts=True)
    return {str(name): int(count) for name, count in zip(names, counts, strict=True)}


def settled_verdicts(table: Columns, model: VerdictModel) -> npt.NDArray[Any]:
    """Return the verdict of each measured tissue, empty of the others.

    Where a person is asked for the name, or whether it is a bud at all, nothing is called yet:
    those count as unsure.
    """
    measured = np.asarray(np.isfinite(table["row"]).all(axis=2), np.bool_)
    verdicts_of = np.full(measured.shape, "", dtype="U8")
    if measured.any():
        verdicts_of[measured] = _say(model, table["row"][measured])[0]
    verdicts_of[measured & table["doubtful"]] = Verdict.UNSURE.value
    for one in np.flatnonzero(measured.any(axis=1) & (table["swap_doubt"] > SWAP_DOUBT)):
        verdicts = {TISSUES[column]: Verdict(verdicts_of[one, column])
                    for column in np.flatnonzero(measured[one])}
        for tissue in names_to_ask(verdicts, swap_doubt=float(table["swap_doubt"][one])):
            verdicts_of[one, TISSUES.index(tissue)] = Verdict.UNSURE.value
    return verdicts_of


def _verdict_table(
    table: Columns, model: VerdictModel, kept: npt.NDArray[Any], dead: npt.NDArray[Any], *,
    split: bool = True,
) -> dict[str, Any]:
    if not kept.any():
        return {"all": verdict_scores([], [], [])}
    verdict, p_dead = _say(model, table["row"][kept])
    truth = dead[kept]
    if split:
        verdict = settled_verdicts(table, model)[kept]
    result: dict[str, Any] = {"all": verdict_scores(verdict, p_dead, truth)}
    if not split:
        return result
    photo, tissue = np.nonzero(kept)
    result["tissue"] = {
        one.value: verdict_scores(
            verdict[tissue == index], p_dead[tissue == index], truth[tissue == index]
        )
        for index, one in enumerate(TISSUES)
    }
    for key in ("depth", "light", "camera", "cultivar"):
        column = table["world"][photo, WORLD_KEYS.index(key)]
        result[key] = {
            str(name): verdict_scores(verdict[column == name], p_dead[column == name],
                                      truth[column == name])
            for name in np.unique(column)
        }
    return result


def leave_one_world_out(
    table: Columns, *, rng: np.random.Generator, kinds: Sequence[str],
) -> dict[str, Any]:
    """Train the verdict without one light, cultivar colour or texture family, and test on it.

    Parameters
    ----------
    table : mapping of str to ndarray
        Observations.
    kinds : sequence of str
        Estimators, as `fit_verdict` takes them.

    Returns
    -------
    dict
        ``pooled`` scores over all that was left out, then one entry a world.

    Notes
    -----
    Of each choice the three most frequent names are left out in turn. Only the verdict model is
    trained again; the segmenter has seen all worlds.
    """
    rows, dead, photo = training_rows(table)
    result: dict[str, Any] = {}
    pooled: list[tuple[Any, Any, Any]] = []
    for key in ("light", "cultivar", "structure"):
        column = table["world"][photo, WORLD_KEYS.index(key)]
        names, counts = np.unique(column, return_counts=True)
        for name in names[np.argsort(-counts)][:3]:
            out = column == name
            model = fit_verdict(
                rows[~out], dead[~out], photo[~out], rng=rng, kinds=kinds, n_folds=3
            ).model
            verdict, p_dead = _say(model, rows[out])
            result[f"{key}: {name}"] = verdict_scores(verdict, p_dead, dead[out])
            pooled.append((verdict, p_dead, dead[out]))
    verdict, p_dead, truth = (np.concatenate(part) for part in zip(*pooled, strict=True))
    return {"pooled": verdict_scores(verdict, p_dead, truth), **result}


def _changes() -> dict[str, Any]:
    def gamma(image: Any, stops: float) -> Any:
        table = np.arange(256) / 255.0
        linear = np.where(table <= 0.04045, table / 12.92, ((table + 0.055) / 1.055) ** 2.4)
        linear = np.clip(linear * 2.0**stops, 0, 1)
        coded = np.where(
            linear <= 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4)
            - 0.055,
        )
        return cv2.LUT(image, np.rint(coded * 255).astype(np.uint8))

    def tint(image: Any) -> Any:
        table = np.arange(256)[:, None] * np.array([1.12, 1.0, 0.86])
        return cv2.LUT(image, np.clip(np.rint(table), 0, 255).astype(np.uint8)[None])

    def jpeg(image: Any) -> Any:
        _, data = cv2.imencode(".jpeg", image, [cv2.IMWRITE_JPEG_QUALITY, 60])
        return cv2.imdecode(data, cv2.IMREAD_COLOR)

    def half(image: Any) -> Any:
        return cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)

    return {
        "turned by 90 degrees": lambda image: np.rot90(image),
        "turned by 180 degrees": lambda image: np.rot90(image, 2),
        "mirrored": np.fliplr,
        "one stop darker": lambda image: gamma(image, -1.0),
        "one stop lighter": lambda image: gamma(image, 1.0),
        "half the size": half,
        "JPEG 60": jpeg,
        "warmer white balance": tint,
    }


def robustness(proposer: Proposer, *, n: int) -> dict[str, Any]:
    """Change photographs in ways that must not matter, and count what changes.

    Parameters
    ----------
    n : int
        Photographs; unusable ones are drawn but not counted.

    Returns
    -------
    dict
        For each change: ``n`` tissues called before and after, ``same`` share with the same
        verdict, ``flipped`` share that went from live to dead or back, ``called`` and ``right``
        after the change, ``refused`` share of photographs.
    """
    model = proposer.verdict
    changes = _changes()
    before: list[Any] = []
    after: dict[str, list[Any]] = {name: [] for name in changes}
    refused: dict[str, list[bool]] = {name: [] for name in changes}
    truth: list[Any] = []
    for seed in range(_CHANGED_SEED, _CHANGED_SEED + n):
        scene = draw_scene(seed)
        if not scene.usable:
            continue
        plain = observe(scene, seed=seed, segmenter=proposer.segmenter)
        if not plain.found:
            continue
        before.append(_words(model, plain.row))
        truth.append(plain.dead)
        for name, change in changes.items():
            image = np.ascontiguousarray(change(scene.image))
            labels = scene.labels
            if name.startswith(("turned", "mirrored")):
                labels = np.ascontiguousarray(change(labels))
            if name == "half the size":
                labels = cv2.resize(
                    labels, image.shape[1::-1], interpolation=cv2.INTER_NEAREST
                ).astype(np.uint8)
            changed = replace(scene, image=image, labels=labels)
            seen = observe(
                changed, seed=seed, segmenter=proposer.segmenter, full_px=scene.image.shape[1]
            )
            refused[name].append(not seen.found)
            after[name].append(_words(model, seen.row))
    first_said, dead = np.array(before), np.array(truth)
    result: dict[str, Any] = {}
    for name in changes:
        verdict = np.array(after[name])
        both = (verdict != "") & (first_said != "")
        sure = both & (verdict != Verdict.UNSURE.value)
        known = sure & (dead >= 0)
        result[name] = {
            "n": int(both.sum()), "same": _share(verdict[both] == first_said[both]),
            "flipped": _share((sure & (first_said != Verdict.UNSURE.value)
                               & (verdict != first_said))[both]),
            "called": _share(verdict[both] != Verdict.UNSURE.value),
            "right": _share((verdict[known] == "dead") == (dead[known] > 0)),
            "refused": _share(np.array(refused[name])),
        }
    return result


def _words(model: VerdictModel, rows: npt.NDArray[Any]) -> list[str]:
    words = [""] * len(rows)
    whole = np.isfinite(rows).all(axis=1)
    if whole.any():
        for index, verdict in zip(np.flatnonzero(whole), model.verdicts(rows[whole]), strict=True):
            words[int(index)] = verdict.value
    return words
