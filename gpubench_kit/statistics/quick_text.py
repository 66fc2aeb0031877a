"""Sentences of a quick comparison: what may be said, and what to know about it."""

from __future__ import annotations

from collections.abc import Mapping

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.numbers import change_text, count_text, interval_text, percent_text, unit_text
from gpubench_kit.wording.reasons import REASON_TEXT


def quick_sentence(
    result: Mapping, metric: str, *, margin: float | None, more: int | None, names: tuple[str, str]
) -> str:
    """Return the sentence that the numbers allow.

    Parameters
    ----------
    result : change, ci_low, ci_high, equivalence_ci_low, equivalence_ci_high, verdict and reason, as in
    ``QuickComparison`` metric : name of the metric margin : smallest difference that matters; None for none more
    : further runs of each side that would decide; None for none or too many names : of both sides
    """
    label, unit = METRICS[metric].label, _change_unit(metric)
    of, against = names
    if result["verdict"] == "no_verdict":
        return f"No verdict on {label}. {REASON_TEXT[result['reason']]}"
    interval = f"95 % interval {interval_text(result['ci_low'], result['ci_high'], unit)}"
    if result["verdict"] == "same_within_margin":
        # The interval that is held against the margin: the wider one may reach past it.
        beyond, held = (
            _margin_text(margin, metric),
            interval_text(result["equivalence_ci_low"], result["equivalence_ci_high"], unit),
        )
        return f"No difference in {label} beyond {beyond} between {of} and {against} (90 % interval {held})."
    if result["verdict"] == "undecided":
        start = f"Not decided: {label} of {of} against {against} is uncertain ({interval})."
        return "".join((start, _ruled_out_text(result, metric, margin=margin), _more_text(margin, more)))
    size = change_text(abs(result["change"]), unit).lstrip("+")
    way = "higher" if result["change"] > 0 else "lower"
    small = (
        f", less than the {_margin_text(margin, metric)} that matter" if result["verdict"].endswith("small") else ""
    )
    judged = result["verdict"].removesuffix("_but_small")
    judged = f" ({judged})" if METRICS[metric].better != "neither" else ""
    return f"{label[:1].upper()}{label[1:]} of {of} is {size} {way} than of {against}{judged}{small} ({interval})."


def quick_caution(order: str, fewest: int, *, spread: float, metric: str) -> str:
    """Return what to know about a quick comparison.

    Parameters
    ----------
    order : as in `quick_comparison`
    fewest : runs of the side that has fewer
    spread : between restarts, from which on the difference says nothing; percent, or the unit
    metric : name of the metric
    """
    cautions = []
    if order == "not_known":
        cautions.append(
            "The order of the runs is not stated. If all runs of one side were done before all of the other, two "
            "restarts alone make 10-16 % false differences in one game, and 34-46 % over ten games."
        )
    if order == "back_to_back":
        size = change_text(spread, _change_unit(metric)).lstrip("+") if spread == spread else "any amount"
        cautions.append(f"Restarts that vary by {size} would explain this difference by themselves.")
    if fewest == 2:
        cautions.append(REASON_TEXT["two_runs_only"])
    return " ".join(cautions)


def _change_unit(metric: str) -> str:
    """Return the unit in which changes are written."""
    return "%" if METRICS[metric].scale == "ratio" else METRICS[metric].unit


def _margin_text(margin: float | None, metric: str) -> str:
    """Return the margin with its unit."""
    if METRICS[metric].scale == "ratio":
        return percent_text(margin)
    return unit_text(margin, METRICS[metric].unit)


def _ruled_out_text(result: Mapping, metric: str, *, margin: float | None) -> str:
    """Return which way a change of the margin is ruled out, as a sentence after a space; nothing without a margin.

    A one-sided test against the margin rules out what lies beyond that end of its interval.
    """
    if margin is None:
        return ""
    down, up = ("loss", "gain") if METRICS[metric].better == "higher" else ("fall", "rise")
    size = f"of {_margin_text(margin, metric)} or more is"
    if result["equivalence_ci_low"] > -margin:
        return f" A {down} {size} ruled out; a {up} of that size is not."
    if result["equivalence_ci_high"] < margin:
        return f" A {up} {size} ruled out; a {down} of that size is not."
    return f" Neither a {down} nor a {up} {size} ruled out."


def _more_text(margin: float | None, more: int | None) -> str:
    """Return how many runs would decide, as a sentence after a space; nothing without a margin."""
    if margin is None:
        return ""
    if more is None:
        return " Runs alone will hardly decide it."
    return f" {count_text(more, 'further run')} of each would decide it, with a chance of 80 %."
