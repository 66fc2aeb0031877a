"""Findings without the levels of tunings, for those who must not see a difference yet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from gpubench_kit.model.findings import Finding

#: Checks whose messages end with levels of tunings, in brackets -> whether their numbers are levels, too.
TELL_LEVELS = {
    "tuning_not_applied": True,
    "tuning_not_as_declared": True,
    "typed_values_equal": True,
    "unlike_fellows": False,
}


def without_levels(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings in which no level of a tuning stands beside that of another.

    Parameters
    ----------
    findings : as the checks made them

    Returns
    -------
    list of Finding; what was found, where, and what to do stays
    """
    return [_without_levels(one) if one.check in TELL_LEVELS else one for one in findings]


def _without_levels(finding: Finding) -> Finding:
    """Return a finding without the levels that end its message, and without numbers that are levels."""
    told = replace(finding, message=f"{finding.message.rpartition(' (')[0]}.")
    return replace(told, found=None, limit=None, unit="") if TELL_LEVELS[finding.check] else told
