"""Formats of what the kit writes: its version, and how columns were called in earlier ones.

Reports, archives and manifests state their ``format_version``:

1. kit 0.1.0 in development: no word on when and under which conditions was measured;
2. kit 0.1.0: ``measured`` came in;
3. kit 0.2.0: columns carry the terms of statistics, and some facts another name (`RENAMED_COLUMNS`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

OLDEST_FORMAT, FORMAT_VERSION = 1, 3

#: Column of a table, or key of a manifest or of decisions kept, before format 3 -> its name since.
RENAMED_COLUMNS = {
    "low": "ci_low",
    "high": "ci_high",
    "same_low": "equivalence_ci_low",
    "same_high": "equivalence_ci_high",
    "strict_low": "own_ci_low",
    "strict_high": "own_ci_high",
    "strict_same_low": "own_equivalence_ci_low",
    "strict_same_high": "own_equivalence_ci_high",
    "strict_verdict": "own_verdict",
    "p_diff": "p_difference",
    "p_diff_adjusted": "p_difference_adjusted",
    "p_same": "p_equivalence",
    "p_same_adjusted": "p_equivalence_adjusted",
    "p_no_loss": "p_non_inferiority",
    "p_no_loss_adjusted": "p_non_inferiority_adjusted",
    "noise_low": "noise_ci_low",
    "fps_low": "fps_ci_low",
    "fps_high": "fps_ci_high",
    "power_low": "power_ci_low",
    "power_high": "power_ci_high",
    "energy_low": "energy_ci_low",
    "energy_high": "energy_ci_high",
    "knee_low": "knee_ci_low",
    "knee_high": "knee_ci_high",
    "difference_low": "difference_ci_low",
    "difference_high": "difference_ci_high",
    "before_low": "before_ci_low",
    "before_high": "before_ci_high",
    "now_low": "now_ci_low",
    "now_high": "now_ci_high",
    "thriftiest_tuning": "most_efficient_tuning",
    "may_be_thriftiest": "may_be_most_efficient",
    "power_point": "power_measured_at",
}

#: Decision of a plan before format 3 -> its name since.
_RENAMED_DECISIONS = {"checks.line_up_s": "checks.align_s"}

#: What the kit judges otherwise since this version is told as one change, whatever the plans say.
RULES_VERSION = "0.2.0"
RULES = f"rules changed with version {RULES_VERSION}"
#: Decisions whose default changed with that version: before, now.
_CHANGED_DEFAULTS = {"analysis.adjust": ("holm", "fdr_bh"), "analysis.looks": (1, 2)}


def current_columns(columns: Iterable[str]) -> tuple[str, ...]:
    """Return columns of a table of any format under the names that they have now, in the same order.

    A table that holds both names keeps both: it is no table of an earlier format.
    """
    columns = tuple(columns)
    return tuple(
        RENAMED_COLUMNS[one] if (one in RENAMED_COLUMNS and RENAMED_COLUMNS[one] not in columns) else one
        for one in columns
    )


def current_manifest(manifest: Mapping[str, Any]) -> dict[str, Any]:
    """Return a manifest under the names of now: results, corrections, what was measured, decisions.

    Parameters
    ----------
    manifest : content of ``manifest.json``, of any format; parts that are not what they should be stay as they are
    """
    current = dict(manifest)
    for part in ("verdicts", "previous", "measured"):
        if isinstance(current.get(part), Mapping):
            current[part] = {
                name: [_current_row(row) for row in rows] if isinstance(rows, list) else rows
                for name, rows in current[part].items()
            }
    if isinstance(current.get("decisions"), Mapping):
        current["decisions"] = current_decisions(current["decisions"])
    return current


def current_decisions(decisions: Mapping[str, Any]) -> dict[str, Any]:
    """Return decisions that a report or a file of looks kept, under the names of now.

    Parameters
    ----------
    decisions : as `ReviewPlan.decisions` gives them; cards and the like are tables of their own
    """
    return {_RENAMED_DECISIONS.get(name, name): _current_row(value) for name, value in decisions.items()}


def is_changed_rule(what: str, before: Any, now: Any) -> bool:
    """Return whether a decision differs by a default that changed with `RULES_VERSION`, or by a key that is new.

    Parameters
    ----------
    what : decision as a dotted key
    before, now : its value before that version, and since; None where there was none
    """
    section, _, key = what.partition(".")
    is_new = before is None and section in ("analysis", "exclude", "checks") and "." not in key
    return is_new or _CHANGED_DEFAULTS.get(what) == (before, now)


def is_before_rules(version: str) -> bool:
    """Return whether a version of the kit judged by the rules before `RULES_VERSION`; empty: before it was kept."""
    return version == "" or version.startswith("0.1.")


def _current_row(row: Any) -> Any:
    """Return a table of a manifest under the names of now; anything else as it is."""
    return dict(zip(current_columns(row), row.values(), strict=True)) if isinstance(row, Mapping) else row
