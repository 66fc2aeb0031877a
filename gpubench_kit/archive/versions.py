"""Manifests of every format version that is understood, in the newest format."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gpubench_kit.model.formats import current_manifest

_TEXTS = ("date", "first_start", "last_start", "primary", "low_definition")
_LISTS = ("cards", "benches", "tunings", "games")


def current(manifest: Mapping[str, Any]) -> dict[str, Any]:
    """Return a manifest in the newest format.

    Parameters
    ----------
    manifest : as read, of any format that is read

    Returns
    -------
    dict with ``measured`` whole: what an older version does not say is empty; columns under the names of now

    Notes
    -----
    Version 1 does not say when and under which conditions was measured. The reference is then the tuning that most
    verdicts are against, and benches have their names only.
    """
    manifest = current_manifest(manifest)
    measured = manifest.get("measured")
    measured = dict(measured) if isinstance(measured, dict) else {}
    texts = {name: measured.get(name) if isinstance(measured.get(name), str) else "" for name in _TEXTS}
    lists = {name: _dicts(measured.get(name)) for name in _LISTS}
    if not lists["tunings"]:
        lists["tunings"] = _tunings_of(manifest)
    return {**manifest, "measured": {**texts, **lists}}


def _dicts(found: Any) -> list[dict[str, Any]]:
    """Return the entries of a list that are what they should be."""
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _tunings_of(manifest: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the tuning that most overall verdicts are against, as the reference."""
    rows = _dicts(manifest["verdicts"].get("overall"))
    against = [row["against_tuning"] for row in rows if isinstance(row.get("against_tuning"), str)]
    if not against:
        return []
    return [{"name": max(sorted(set(against)), key=against.count), "reference": True, "card": ""}]
