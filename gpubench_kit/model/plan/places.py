"""Places in ``plan.toml``, as its author would write them, and what the kit expects there."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from gpubench_kit.model.errors import shown
from gpubench_kit.model.plan.rules import CardLogs, Logs

#: Keys and positions from the top of a plan, as pydantic gives them.
Loc = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def place(loc: Loc, data: Mapping[str, Any]) -> str:
    """Return a place in the plan as its author would write it.

    Parameters
    ----------
    loc : keys and positions from the top, for example ``("tunings", 1, "changes")``
    data : the plan as parsed, for the names of list entries

    Examples
    --------
    >>> place(("tunings", 1, "changes"), {"tunings": [{"name": "factory"}, {"name": "quiet"}]})
    "[[tunings]] 2 'quiet', changes"
    """
    keys = [one for one in loc if one != "[key]"]
    parts = []
    if len(keys) > 1 and isinstance(keys[1], int):
        parts.append(f"[[{keys[0]}]] {_numbered(keys[:2], data)}")
        keys, entry = keys[2:], keys[:2]
        if (
            parts[0].startswith("[[games]]")
            and len(keys) > 1
            and keys[0] == "settings"
            and isinstance(keys[1], int)
        ):
            parts.append(f"[[games.settings]] {_numbered([*entry, *keys[:2]], data)}")
            keys = keys[2:]
    elif keys[:1] == ["logs"] and len(keys) > 1 and keys[1] not in Logs.model_fields:
        parts.append(f"[logs.{_key(keys[1])}]")
        keys = keys[2:]
    elif keys:
        head = f"[{_key(keys[0])}]"
        parts.append(f"[{head}]" if isinstance(data.get(keys[0]), list) else head)
        keys = keys[1:]
    return ", ".join([*parts, _dotted(keys)] if keys else parts)


def declared(loc: Loc, model: type[BaseModel]) -> tuple[type[BaseModel] | None, FieldInfo | None]:
    """Return what the kit expects at a place.

    Parameters
    ----------
    loc : keys and positions from the top
    model : model of the whole plan

    Returns
    -------
    model of the table that holds the last key (none inside free tables such as ``changes``), and the
    declaration of that key (none if it is unknown)
    """
    table: type[BaseModel] | None = model
    holder, field = table, None
    for name in key_names(loc):
        holder, field = table, table.model_fields.get(name) if table else None
        own_table = CardLogs if holder is Logs else None
        table = section_in(field.annotation) if field is not None else own_table
    return holder, field


def key_names(loc: Loc) -> list[str]:
    """Return the keys of a place, without positions and pydantic's mark for the key of a free table."""
    return [one for one in loc if isinstance(one, str) and one != "[key]"]


def section_in(annotation: Any) -> type[BaseModel] | None:
    """Return the section that a field holds, alone, optional or in a list; none for plain values."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if getattr(annotation, "__origin__", None) is dict:
        return None
    found = (section_in(one) for one in get_args(annotation))
    return next((one for one in found if one is not None), None)


def is_list(annotation: Any) -> bool:
    """Return whether a field holds a list of entries."""
    return getattr(annotation, "__origin__", None) is tuple


def _numbered(loc: list[str | int], data: Any) -> str:
    """Return the number of a list entry, from 1, and its name or id where it has one."""
    value = data
    for key in loc:
        value = value[key]
    name = (value.get("name") or value.get("id")) if isinstance(value, Mapping) else None
    number = f"{loc[-1] + 1}"
    return f"{number} {shown(name)}" if isinstance(name, str) and name else number


def _dotted(keys: list[str | int]) -> str:
    """Return the rest of a place: keys with dots, positions as ``item 2``."""
    text = ""
    for key in keys:
        text += f" item {key + 1}" if isinstance(key, int) else f".{_key(key)}"
    return text.lstrip(". ")


def _key(key: str | int) -> str:
    """Return a key as TOML would have it: in double quotes where needed."""
    text = str(key)
    return text if _BARE_KEY.fullmatch(text) else f'"{shown(text)[1:-1]}"'
