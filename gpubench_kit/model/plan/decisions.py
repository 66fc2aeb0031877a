"""What a reviewer decided before the data, as flat keys that can be compared and hashed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import BaseModel

from gpubench_kit.model.plan.pairs import Pair, Subject

#: Keys that change no verdict: prices, places and notes about what was measured.
_NO_DECISION = frozenset({"price", "driver", "room_c", "stability", "scene", "kind", "needs_restart"})


def decisions_of(
    sections: Mapping[str, Mapping[str, Any]], measured: Mapping[str, Iterable[BaseModel]], *, pairs: Iterable[Pair]
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
