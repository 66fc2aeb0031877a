"""What was decided before the data, as flat keys; and what differs between two such sets of decisions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import BaseModel

from gpubench_kit.model.formats import RULES, RULES_VERSION, is_before_rules, is_changed_rule
from gpubench_kit.model.plan.references import Pair, Subject

#: Keys that change no verdict: prices, places and notes about what was measured.
_NO_DECISION = frozenset({"price", "driver", "room_c", "stability", "scene", "kind", "needs_restart"})


def decisions_of(
    sections: Mapping[str, Mapping[str, Any]], measured: Mapping[str, Iterable[Any]], *, pairs: Iterable[Pair]
) -> dict[str, Any]:
    """Return decisions as flat keys, independent of the order in which they were written.

    Parameters
    ----------
    sections : name of a section -> its keys and values, as plain JSON values
    measured : name of a list -> its entries, each with a ``name``
    pairs : pairs that are compared

    Returns
    -------
    dict from a dotted key to a plain JSON value, sorted by key
    """
    flat: dict[str, Any] = {}
    for section, values in sections.items():
        flat |= _flat(values, section)
    for section, entries in measured.items():
        flat |= {f"{section}.{entry.name}".rstrip("."): _entry(entry) for entry in entries}
    flat["comparisons"] = sorted(f"{_subject(pair.of)} against {_subject(pair.against)}" for pair in pairs)
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


def _entry(entry: BaseModel) -> dict[str, Any]:
    """Return what of a card, bench, tuning or game can change a verdict."""
    values = entry.model_dump(mode="json", exclude=set(_NO_DECISION))
    if "settings" in values:
        values["settings"] = sorted(values["settings"], key=lambda setting: setting["name"])
    return values


def _subject(subject: Subject) -> str:
    """Return one side of a pair as text."""
    bench = f", {subject.bench}" if subject.bench else ""
    return f"{subject.tuning} ({subject.card}{bench})"


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
