"""Findings whose sentences stand in the catalogue."""

from __future__ import annotations

from typing import Any

from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.catalogue import has, say


def note(
    key: str,
    /,
    *,
    check: str = "",
    found: float | None = None,
    limit: float | None = None,
    unit: str = "",
    line: str = "",
    **values: Any,
) -> Finding:
    """Return a note on what was noticed: its sentences are ``KEY.text`` and, where there is one, ``KEY.action``.

    Parameters
    ----------
    key : of the sentences
    check : name of the check; the last part of the key where not given
    found, limit, unit : as of `Finding`; the sentences may have places for them
    line : of the plan, set behind the action as it stands
    **values : what the places of both sentences are filled with
    """
    found, limit = (None if one is None else float(one) for one in (found, limit))
    values |= {"found": found, "limit": limit}
    action = say(f"{key}.action", **values) if has(f"{key}.action") else ""
    text, action = say(f"{key}.text", **values), f"{action} {line}".strip()
    return Finding(
        "note", check or key.rpartition(".")[2], text, found=found, limit=limit, unit=unit, action=action
    )
