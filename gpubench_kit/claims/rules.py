"""When a result bears a claim out, and when it speaks against it.

A claim is *supported* where the data show what it says, *contradicted* where they show the opposite,
else *not shown*. That a difference was not found is never taken for its absence.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from gpubench_kit.claims.targets import Amounts, Target
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.statistics.multiplicity import NO_VERDICT
from gpubench_kit.statistics.units import direction_of
from gpubench_kit.wording.numbers import is_missing
from gpubench_kit.wording.reasons import reason_words

_SMALL = "_but_small"


def supports(claim: Claim, target: Target) -> bool:
    """Return whether a result shows what a claim says.

    Parameters
    ----------
    claim, target : the claim, and one result that it must agree with

    Notes
    -----
    - ``better``, ``worse`` : the verdict (adjusted for the number of comparisons) is a real difference that way.
    - ``same`` : a difference as large as the margin is ruled out, by the verdict.
    - ``no_loss`` : a loss as large as the margin is ruled out and no real loss was found. Over ``every_game``
      the first holds at the level in each game without adjustment (Berger 1982).
    - an amount (``saves_at_least``, ``costs_at_most``, ``gains_at_least``, ``loses_at_most``) : the one-sided end
      of the interval lies on that side of it.

    A game that the claim names must agree by its own runs alone. What hangs on a flagged run supports
    no amount.

    References
    ----------
    Berger, R. L. (1982). Multiparameter hypothesis testing and acceptance sampling.
    doi:10.1080/00401706.1982.10487790
    """
    rule, row = _RULES[claim.kind], target.row
    if row.verdict == NO_VERDICT or not rule.shown(row, target.amounts, claim):
        return False
    return not target.is_named or rule.shown_alone(row, target.own, claim)


def contradicts(claim: Claim, target: Target) -> bool:
    """Return whether a result shows the opposite of what a claim says.

    Parameters
    ----------
    claim, target : the claim, and one result that it must agree with

    Notes
    -----
    - ``better``, ``worse`` : a real difference the other way.
    - ``no_loss`` : a real loss, of whatever size; ``loses_at_most`` says that a loss is smaller than an amount.
    - ``same`` : a real difference that lies entirely beyond the margin.
    - an amount : the one-sided end of the interval lies on the other side of it.

    A single game must agree by its own runs alone, since it would be named.
    """
    rule, row = _RULES[claim.kind], target.row
    if row.verdict == NO_VERDICT or not rule.refuted(row, target.amounts, claim):
        return False
    return target.own is None or rule.refuted_alone(row, target.own, claim)


def margin_ends(row: Any) -> tuple[float, float]:
    """Return the ends of the margin in the unit of a row's change: as far up as down on the log scale of a ratio.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    """
    upper = 100 * (1 / (1 - row.margin / 100) - 1) if row.scale == "ratio" else row.margin
    return -row.margin, upper


def is_flagged(row: Any) -> bool:
    """Return whether a verdict hangs on a run far from its fellows."""
    return "flagged_run" in reason_words(row.reason)


def _is_better(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the verdict is a real difference for the better, small or not."""
    return row.verdict.removesuffix(_SMALL) == "better"


def _is_worse(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the verdict is a real difference for the worse, small or not."""
    return row.verdict.removesuffix(_SMALL) == "worse"


def _lies_better(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the interval lies on the better side of zero."""
    return amounts.ci_low > 0 if direction_of(row.metric) > 0 else amounts.ci_high < 0


def _lies_worse(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the interval lies on the worse side of zero."""
    return amounts.ci_high < 0 if direction_of(row.metric) > 0 else amounts.ci_low > 0


def _is_same(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the verdict rules out a difference as large as the margin."""
    return row.verdict == "same_within_margin" or row.verdict.endswith(_SMALL)


def _lies_inside(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the interval lies inside the margin."""
    least, most = margin_ends(row)
    return amounts.equivalence_ci_low > least and amounts.equivalence_ci_high < most


def _is_beyond(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether a real difference lies entirely beyond the margin, adjusted as the verdict is."""
    is_real = row.verdict in ("better", "worse", "higher", "lower")
    is_beyond = row.p_beyond_adjusted <= 1 - row.confidence and not is_flagged(row)
    return bool(is_real and is_beyond) and _lies_beyond(row, amounts, claim)


def _lies_beyond(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the interval lies entirely beyond the margin."""
    least, most = margin_ends(row)
    return amounts.equivalence_ci_low > most or amounts.equivalence_ci_high < least


def _is_no_loss(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether a loss as large as the margin is ruled out, and no real loss was found."""
    if _is_worse(row, amounts, claim):
        return False
    if claim.over == "every_game" and not is_flagged(row):
        return bool(row.p_non_inferiority <= 1 - row.confidence)
    return not is_missing(row.no_loss) and bool(row.no_loss)


def _rules_out_loss(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the interval rules out a loss as large as the margin."""
    least, most = margin_ends(row)
    return (
        amounts.equivalence_ci_low > least if direction_of(row.metric) > 0 else amounts.equivalence_ci_high < most
    )


def _is_at_least(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the change is shown to be no less than the amount."""
    return amounts.equivalence_ci_low >= claim.amount and not is_flagged(row)


def _is_below(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the change is shown to be less than the amount."""
    return amounts.equivalence_ci_high < claim.amount and not is_flagged(row)


def _is_at_most(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the change is shown to be no more than the amount."""
    return amounts.equivalence_ci_high <= claim.amount and not is_flagged(row)


def _is_above(row: Any, amounts: Amounts, claim: Claim) -> bool:
    """Return whether the change is shown to be more than the amount."""
    return amounts.equivalence_ci_low > claim.amount and not is_flagged(row)


_Test = Callable[[Any, Amounts, Claim], bool]


class _Rule(NamedTuple):
    """What shows a claim, and what refutes it: by the verdict as given, and by a game's own runs alone."""

    shown: _Test
    shown_alone: _Test
    refuted: _Test
    refuted_alone: _Test


_RULES = {
    "better": _Rule(_is_better, _lies_better, _is_worse, _lies_worse),
    "worse": _Rule(_is_worse, _lies_worse, _is_better, _lies_better),
    "same": _Rule(_is_same, _lies_inside, _is_beyond, _lies_beyond),
    "no_loss": _Rule(_is_no_loss, _rules_out_loss, _is_worse, _lies_worse),
    "at_least": _Rule(_is_at_least, _is_at_least, _is_below, _is_below),
    "at_most": _Rule(_is_at_most, _is_at_most, _is_above, _is_above),
}
