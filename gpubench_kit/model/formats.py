"""Formats of what the kit writes, their version, how earlier ones named columns; and decisions kept in them.

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


#: Keys that change no verdict: prices, places and notes about what was measured.
_NO_DECISION = frozenset({"price", "driver", "room_c", "stability", "scene", "kind", "needs_restart"})


def decisions_of(
    sections: Mapping[str, Mapping[str, Any]], measured: Mapping[str, Iterable[Any]], *, pairs: Iterable[Any]
) -> dict[str, Any]:
    """Return decisions as flat keys, independent of the order in which they were written.

    Parameters
    ----------
    sections : name of a section -> its keys and values, as plain JSON values
    measured : name of a list -> its entries, each with a ``name``
    pairs : pairs that are compared, each a `Pair`

    Returns
    -------
    dict from a dotted key to a plain JSON value, sorted by key
    """
    flat: dict[str, Any] = {}
    for section, values in sections.items():
        flat |= _flat(values, section)
    for section, entries in measured.items():
        for entry in entries:
            # What of a card, bench, tuning or game can change a verdict.
            values = entry.model_dump(mode="json", exclude=set(_NO_DECISION))
            if "settings" in values:
                values["settings"].sort(key=lambda setting: setting["name"])
            flat[f"{section}.{entry.name}".rstrip(".")] = values
    flat["comparisons"] = sorted(
        " against ".join(f"{one.tuning} ({', '.join(filter(None, (one.card, one.bench)))})" for one in sides)
        for sides in ((pair.of, pair.against) for pair in pairs)
    )
    return dict(sorted(flat.items()))


def _flat(values: Mapping[str, Any], head: str) -> dict[str, Any]:
    """Return nested tables as dotted keys; lists of names are sets, so they are sorted."""
    flat: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, dict):
            flat |= _flat(value, f"{head}.{key}")
        else:
            flat[f"{head}.{key}"] = sorted(value) if isinstance(value, list) else value
    return flat


def changed_decisions(
    before: Mapping[str, Any], now: Mapping[str, Any], *, version: str = ""
) -> list[tuple[str, str, str]]:
    """Return the decisions that differ between two plans.

    Parameters
    ----------
    before, now : decisions as `ReviewPlan.decisions` gives them
    version : of the kit that kept those before; empty: 0.1.0

    Returns
    -------
    list of (what, before, now), for example ``("analysis.margin_pct", "2", "3")``; rules that
    changed with a version of the kit come first, as one
    """
    is_old = is_before_rules(version)
    changes = [(RULES, version or "0.1.0", RULES_VERSION)] if is_old else []
    for what in sorted(before.keys() | now.keys()):
        old, new = before.get(what), now.get(what)
        if old != new and not (is_old and is_changed_rule(what, old, new)):
            changes += _changes(what, old, new)
    return changes


def _changes(what: str, before: Any, now: Any) -> list[tuple[str, str, str]]:
    """Return what changed in one decision; entries of a list of tables are told key by key."""
    if isinstance(before, dict) and isinstance(now, dict):
        keys = sorted(key for key in before.keys() | now.keys() if before.get(key) != now.get(key))
        return [(f"{what}.{key}", _as_text(before.get(key)), _as_text(now.get(key))) for key in keys]
    if isinstance(before, dict) or isinstance(now, dict):
        old, new = ("not in the plan" if one is None else "in the plan" for one in (before, now))
        return [(what, old, new)]
    return [(what, _as_text(before), _as_text(now))]


def _as_text(value: Any) -> str:
    """Return a plain JSON value as a reader would write it."""
    if value is None or value == "":
        return "not given"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return ", ".join(_as_text(one) for one in value) or "none"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_as_text(one)}" for key, one in sorted(value.items())) or "none"
    return str(value)
