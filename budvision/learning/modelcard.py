"""The model's card: what it is, what it learned from, what was measured, beside what was asked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from budvision.errors import InputError
from budvision.language import plain_count
from budvision.language import plain_percent as percent
from budvision.learning.evaluate import TARGETS

__all__ = ["NOT_ON_REAL_BUDS", "SECTIONS", "check_card", "write_card"]

NOT_ON_REAL_BUDS: Final = "It has not been measured on photographs of real cut buds."
SECTIONS: Final = (
    "What it is for", "What it must not be used for", "How it was made", "What was measured",
    "By tissue, depth, light and camera", "What must not matter", "Worlds left out",
    "How sure it is", "Against two general recipes", "On drawings of another hand",
    "What is known to go wrong", "How to make it again",
)


def _table(head: list[str], rows: list[list[str]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows])


def _score_row(name: str, score: Mapping[str, Any]) -> list[str]:
    table = score["confusion"]
    return [
        name, str(score["n"]), percent(score["called"]), percent(score["right"], 2),
        f"{table['dead']['live']} of {sum(table['dead'].values())}",
        f"{table['live']['dead']} of {sum(table['live'].values())}",
    ]


_HEAD: Final = ["", "tissues", "called", "right of called", "dead called live", "live called dead"]


def _targets(metrics: Mapping[str, Any]) -> str:
    seen = metrics["held_out"]
    parts, gate = seen["segmentation"], seen["gate"]
    verdicts = seen["verdicts"]["all"]
    left_out = metrics["left_out"]["pooled"]
    rows = [
        ["centre of the " + name + " inside its true region",
         percent(parts[name]["centre_inside"]), percent(TARGETS[f"centre_{name}"])]
        for name in ("primary", "secondary", "tertiary")
    ]
    rows += [
        ["median overlap, " + name,
         "–" if parts[name]["overlap_median"] is None else f"{parts[name]['overlap_median']:.3f}",
         f"{TARGETS[f'overlap_{name}']:.2f}"]
        for name in ("primary", "secondary", "tertiary")
    ]
    alone, based = parts["alone"], parts["based"]
    rows += [
        [f"centre of the {name}, the side of the cane base known", percent(based[name]), "–"]
        for name in ("secondary", "tertiary")
    ]
    rows += [
        ["secondary and tertiary swapped, both exposed", percent(parts["swapped"]), "under 2 %"],
        ["exposed or not, right", percent(parts["exposed_right"]),
         percent(TARGETS["exposed_right"])],
        ["the same, the side of the cane base known", percent(based["exposed_right"]), "–"],
        [f"a flanker that shows alone named right ({alone['n']}, {alone['n_doubted']} of them "
         "doubted)", percent(alone["right"]), "–"],
        ["the same, where it is not doubted", percent(alone["right_where_sure"]), "–"],
        ["all of them, the side of the cane base known",
         percent(alone["right_where_based"]), "–"],
        ["verdict right among those called, known worlds", percent(verdicts["right"], 2),
         percent(TARGETS["right_known"])],
        ["the same, regions as found (without swaps)",
         percent(seen["regions"]["all"]["right"], 2), "–"],
        ["the same, worlds left out of the verdict's training", percent(left_out["right"], 2),
         percent(TARGETS["right_left_out"])],
        ["called rather than unsure, known worlds", percent(verdicts["called"]), "–"],
        ["called rather than unsure, worlds left out", percent(left_out["called"]),
         "at least " + percent(TARGETS["called"])],
        ["dead called live", percent(verdicts["dead_called_live"], 2), "under 0.5 %"],
        ["live called dead", percent(verdicts["live_called_dead"], 2), "under 0.5 %"],
        ["unusable or no cut bud, refused", percent(gate["unusable_refused"]),
         percent(TARGETS["unusable_refused"])],
        ["good photographs refused", percent(gate["good_refused"]), "under 1 %"],
    ]
    rows += [list(row) for row in metrics.get("speed", ())]
    return _table(["what", "measured", "asked for"], rows)


def write_card(metrics: Mapping[str, Any], *, label: str, facts: Mapping[str, str]) -> str:
    """Write the card of a model from its metrics.

    Parameters
    ----------
    metrics : mapping
        ``held_out``, ``left_out``, ``robustness``, ``recipes``, ``other_hand`` and ``training``,
        as `budvision.learning.rebuild` measures them; ``speed``, rows of the benchmarks, if any.
    label : str
        Name and version.
    facts : mapping of str to str
        ``made`` (date), ``command``, ``segmenter`` (one sentence on its training) and ``wrong``
        (what is known to go wrong, in sentences).

    Returns
    -------
    str
        Markdown; no section is empty.

    Raises
    ------
    InputError
        When a section would be empty.
    """
    seen, training = metrics["held_out"], metrics["training"]
    parts = {
        "What it is for": (
            "To propose live, dead or unsure for the primary, secondary and tertiary of a sliced "
            "dormant grapevine bud in a photograph, for a person to confirm or correct."
        ),
        "What it must not be used for": (
            "To count buds without a person's call, to judge whole buds, canes, leaves or other "
            "plants, or to stand in for local extension or licensed advice on pruning. Razor "
            "blades cut people; the bench page and the sampling sheet say how to hold one."
        ),
        "How it was made": (
            f"Made on {facts['made']}. {facts['segmenter']} The verdict model "
            f"({', '.join(training['kinds'])}, averaged) learned from "
            f"{plain_count(training['n_rows'], 'tissue')} "
            f"in {plain_count(training['n_photos'], 'rendered photograph')}, as the segmenter "
            f"itself outlined "
            f"them, {percent(training['share_dead'])} of them dead. All pictures were rendered: "
            "no open photographs of sliced grapevine buds exist. " + NOT_ON_REAL_BUDS
        ),
        "What was measured": (
            f"On {plain_count(seen['photos'], 'rendered photograph')} with seeds that nothing "
            f"was trained on.\n\n"
            + _targets(metrics)
            + "\n\nRefusals by what was wrong:\n\n"
            + _table(
                ["truth", "photographs", "refused"],
                [[cause.replace("_", " "), str(one["n"]), percent(one["refused"])]
                 for cause, one in seen["gate"]["by_cause"].items()],
            )
        ),
        "By tissue, depth, light and camera": "\n\n".join(
            f"{key.capitalize()}:\n\n" + _table(
                _HEAD, [_score_row(name.replace("_", " "), one)
                        for name, one in seen["verdicts"][key].items()])
            for key in ("tissue", "depth", "light", "camera")
        ),
        "What must not matter": (
            "The same photographs, changed. *Same* is the share of tissues whose verdict stayed; "
            "*flipped* went from live to dead or back.\n\n" + _table(
                ["change", "tissues", "same", "flipped", "called", "right of called", "refused"],
                [[name, str(one["n"]), percent(one["same"]), percent(one["flipped"], 2),
                  percent(one["called"]), percent(one["right"]), percent(one["refused"])]
                 for name, one in metrics["robustness"].items()],
            )
        ),
        "Worlds left out": (
            "The verdict model trained without one light, colour family or texture, and tested on "
            "it; the segmenter has seen all of them.\n\n" + _table(
                _HEAD, [_score_row(name, one) for name, one in metrics["left_out"].items()])
        ),
        "How sure it is": (
            f"Expected calibration error {seen['verdicts']['all']['calibration_error']:.3f} over "
            f"{plain_count(seen['verdicts']['all']['n'], 'tissue')} in 15 bins; in samples this "
            f"size the figure "
            "is biased upwards even for a perfectly calibrated model. Coverage against error, as "
            "the share of each class that may be called the other is widened:\n\n" + _table(
                ["allowed", "called", "wrong of called"],
                [[percent(one["alpha"]), percent(one["called"]), percent(one["wrong"], 2)]
                 for one in seen["curve"]],
            )
        ),
        "Against two general recipes": (
            "The primary's verdict on the same pictures, in the same run.\n\n" + _table(
                ["recipe", "photographs", "right"],
                [[name, str(one["n"]), percent(one["right"])]
                 for name, one in metrics["recipes"].items()],
            )
        ),
        "On drawings of another hand": _other_hand(metrics.get("other_hand")),
        "What is known to go wrong": facts["wrong"],
        "How to make it again": (
            f"    {facts['command']}\n\nThe files differ from run to run in their bytes; the "
            "figures agree within noise. `registry.toml` holds the hashes of these files."
        ),
    }
    text = f"# Model {label}\n\n{NOT_ON_REAL_BUDS} Every figure below comes from renders.\n"
    for section in SECTIONS:
        text += f"\n## {section}\n\n{parts[section].strip(chr(10))}\n"
    check_card(text, where=label)
    return text


def _other_hand(found: Mapping[str, Any] | None) -> str:
    if not found:
        return "Not measured in this build."
    verdicts, gate = found["verdicts"]["all"], found["gate"]
    rows = [_score_row("all", verdicts)]
    rows += [_score_row(name, one) for name, one in found["verdicts"]["tissue"].items()]
    parts = found["segmentation"]
    return (
        f"On {plain_count(found['photos'], 'photograph')} of a second renderer that shares no "
        f"code, texture or "
        "camera with the first and was never trained on. It was looked at when the kind of verdict "
        "model, limits of refusal, the rule for a flanker alone and the odds of exposed were "
        "chosen, so these figures are not wholly unseen."
        "\n\n"
        + _table(_HEAD, rows)
        + "\n\n" + _table(
            ["tissue", "exposed", "centre inside", "median overlap"],
            [[name, str(parts[name]["n_exposed"]), percent(parts[name]["centre_inside"]),
              "–" if parts[name]["overlap_median"] is None
              else f"{parts[name]['overlap_median']:.3f}"]
             for name in ("primary", "secondary", "tertiary")])
        + f"\n\nSwapped flankers: {percent(parts['swapped'])} of {parts['n_both_flankers']}. "
        f"Exposed or not, right: {percent(parts['exposed_right'])}. Unusable refused: "
        f"{percent(gate['unusable_refused'])} of {gate['n_unusable']}; good refused: "
        f"{percent(gate['good_refused'])} of {gate['n_good']}. Where the side of the cane base "
        f"is known: exposed or not, right {percent(parts['based']['exposed_right'])}; centre of "
        f"the secondary {percent(parts['based']['secondary'])}, of the tertiary "
        f"{percent(parts['based']['tertiary'])}; of {parts['alone']['n']} flankers alone "
        f"{percent(parts['alone']['right_where_based'])} named right, "
        f"{percent(parts['alone']['right'])} without."
    )


def check_card(text: str, *, where: str) -> None:
    """Raise InputError where a card lacks a section, leaves one empty or omits the warning."""
    for section in SECTIONS:
        head = f"\n## {section}\n"
        if head not in text:
            raise InputError(
                f"the section {section!r} is missing", where=where,
                expected="every section of the card", do="Write it.",
            )
        body = text.split(head, 1)[1].split("\n## ", 1)[0].strip()
        if len(body) < 12:
            raise InputError(
                f"the section {section!r} is empty", expected="a sentence or a table",
                where=where, do="Write it.",
            )
    if NOT_ON_REAL_BUDS not in text:
        raise InputError(
            "the card does not say what was not measured", expected=NOT_ON_REAL_BUDS,
            where=where, do="Add the sentence.",
        )
