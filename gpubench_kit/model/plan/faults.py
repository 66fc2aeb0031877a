"""What pydantic found wrong with a plan, in the kit's wording; and the plan without the wrong parts.

pydantic reports all faults of the sections at once. The checks across sections need a whole plan, so
the wrong parts are taken out of a copy first; see `repaired`.
"""

from __future__ import annotations

import copy
import datetime
import re
from collections.abc import Callable, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from gpubench_kit.model.errors import Fault, listed, nearest, shown, suggestion
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
        if entry[0] == "games" and len(keys) > 1 and keys[0] == "settings" and isinstance(keys[1], int):
            parts.append(f"[[games.settings]] {_numbered([*entry, *keys[:2]], data)}")
            keys = keys[2:]
    elif keys[:1] == ["logs"] and len(keys) > 1 and keys[1] not in Logs.model_fields:
        parts.append(f"[logs.{_key(keys[1])}]")
        keys = keys[2:]
    elif keys:
        head = f"[{_key(keys[0])}]"
        parts.append(f"[{head}]" if isinstance(data.get(str(keys[0])), list) else head)
        keys = keys[1:]
    # The rest with dots, positions as ``item 2``.
    dotted = "".join(f" item {key + 1}" if isinstance(key, int) else f".{_key(key)}" for key in keys)
    return ", ".join([*parts, dotted.lstrip(". ")] if keys else parts)


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
    number = f"{int(loc[-1]) + 1}"
    return f"{number} {shown(name)}" if isinstance(name, str) and name else number


def _key(key: str | int) -> str:
    """Return a key as TOML would have it: in double quotes where needed."""
    text = str(key)
    return text if _BARE_KEY.fullmatch(text) else f'"{shown(text)[1:-1]}"'


_EXPECTED: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "string_type": lambda _: "text in quotes",
    "bool_type": lambda _: "true or false",
    "int_type": lambda _: "a whole number",
    "int_from_float": lambda _: "a whole number",
    "float_type": lambda _: "a number",
    "finite_number": lambda _: "a finite number",
    "date_type": lambda _: "a date such as 2026-11-02",
    "date_from_datetime_inexact": lambda _: "a date without a time of day",
    "literal_error": lambda ctx: f"one of {ctx['expected']}",
    "greater_than": lambda ctx: f"a number above {ctx['gt']:g}",
    "greater_than_equal": lambda ctx: f"a number of at least {ctx['ge']:g}",
    "less_than": lambda ctx: f"a number below {ctx['lt']:g}",
    "less_than_equal": lambda ctx: f"a number of at most {ctx['le']:g}",
    "string_pattern_mismatch": lambda _: "a colour such as '#2f6f8f'",
    "dict_type": lambda _: "a table such as { name = 1.0 }",
    "model_type": lambda _: "a table { ... }",
    "tuple_type": lambda _: "a list [ ... ]",
}

#: Key of a plan of kit 0.1.0 -> its name since, by the names around it.
_RENAMED_KEYS = {
    ("evening",): "session_plan",
    ("cards", "power_point"): "power_measured_at",
    ("checks", "line_up_s"): "align_s",
}

#: In place of needed keys and sections that are missing, so that all else can still be checked.
_STAND_INS: dict[str | int, Any] = {
    "review": {"title": "-"},
    "cards": [{"name": "-"}],
    "tunings": [{"name": "-", "reference": True}],
    "games": [{"name": "-"}],
    **dict.fromkeys(("title", "name", "id", "text", "column"), "-"),
    "hours": 1.0,
    "metric": "avg_fps",
    "of": {},
    "against": {},
}


def faults_of(error: ValidationError, data: Mapping[str, Any], *, model: type[BaseModel], file: str) -> list[Fault]:
    """Return one fault for each thing that pydantic found wrong with a plan.

    Parameters
    ----------
    error : what pydantic raised
    data : the plan as parsed
    model : model of the whole plan, which refused it
    file : name of the file, for the place of each fault
    """
    found, errors = [], error.errors(include_url=False)
    for one in errors:
        loc = one["loc"]
        inside = (other for other in errors if len(other["loc"]) > len(loc) and other["loc"][: len(loc)] == loc)
        if one["type"] == "too_short" and any(inside):
            # The list is empty only because its entries are at fault; they are reported.
            continue
        problem, action, loc = _described(one, model)
        where = place(loc, data)
        found.append(Fault(f"{file}, {where}" if where else file, problem, action))
    return list(dict.fromkeys(found))


def repaired(
    error: ValidationError, data: Mapping[str, Any], *, model: type[BaseModel]
) -> tuple[dict[str, Any], set[str]]:
    """Return a copy of the plan without what is wrong with it, and the keys that were touched.

    Parameters
    ----------
    error : what pydantic raised
    data : the plan as parsed
    model : model of the whole plan, which refused it

    Returns
    -------
    dict, to be checked again; set of ``section.key``, whose values can no longer be trusted. An unknown
    key counts as the key that it was most likely meant to be.
    """
    copied, touched, to_drop = copy.deepcopy(dict(data)), set(), set()
    for one in error.errors(include_url=False):
        loc = one["loc"]
        touched.add(_touched(one, model))
        stand_in = _stand_in(one["type"], loc)
        if stand_in is not None:
            _table_at(copied, loc)[loc[-1]] = copy.deepcopy(stand_in)
        else:
            to_drop.add(loc[:-1] if loc[-1] == "[key]" or one["type"] == "missing" else loc)
    # From the back, so that positions in lists still hold while entries are taken out.
    for loc in sorted(to_drop, key=lambda loc: [(isinstance(key, int), key) for key in loc], reverse=True):
        holder = _table_at(copied, loc) if loc else None
        if isinstance(holder, list):
            holder.pop(int(loc[-1]))
        elif isinstance(holder, dict):
            holder.pop(loc[-1], None)
    return copied, touched


def _described(error: Mapping[str, Any], model: type[BaseModel]) -> tuple[str, str, Loc]:
    """Return problem, action and place of one error of pydantic."""
    kind, loc = error["type"], error["loc"]
    holder, field = declared(loc, model)
    # In [logs] a key of no card whose value is no table is an unknown one too.
    is_key_of_logs = kind == "model_type" and loc[0] == "logs" and len(loc) == 2 and field is None
    if kind == "extra_forbidden" or is_key_of_logs:
        return *_unknown_key(loc, holder, error["input"]), loc[:-1]
    if kind in ("missing", "too_short") and field is not None:
        return *_missing(kind, loc, field), loc[:-1]
    if kind == "kit":
        return error["ctx"]["problem"], error["ctx"]["action"], loc
    return *_wrong_value(error, field), loc


def _unknown_key(loc: Loc, holder: type[BaseModel] | None, value: Any) -> tuple[str, str]:
    """Return problem and action for a key that the kit does not know, or calls otherwise since version 0.2.0."""
    key, name = shown(loc[-1]), _RENAMED_KEYS.get(tuple(key_names(loc)))
    if name:
        line = f"[{name}] in place of [{loc[-1]}]" if len(loc) == 1 else f"{name} = {_as_toml(value)}"
        return f"{key} is called {shown(name)} since version 0.2.0.", f"Write: {line}"
    known = list(holder.model_fields) if holder else []
    what = "unknown key" if len(loc) > 1 else "unknown section or key"
    return f"{what} {key}.", suggestion(str(loc[-1]), known) or f"Known here: {listed(known, most=40)}."


def _missing(kind: str, loc: Loc, field: FieldInfo) -> tuple[str, str]:
    """Return problem and action for a needed key, section or list entry that is not there."""
    key = str(loc[-1])
    if len(loc) == 1:
        key = f"[[{key}]]" if is_list(field.annotation) else f"[{key}]"
    if kind == "too_short":
        return f"{key} is empty; at least one entry is expected.", f"Meaning: {field.description}."
    example = f" For example: {key} = {_as_toml(field.examples[0])}." if field.examples else ""
    return f"{key} is missing.", f"Meaning: {field.description}.{example}"


def _wrong_value(error: Mapping[str, Any], field: FieldInfo | None) -> tuple[str, str]:
    """Return problem and action for a value of the wrong kind or size."""
    kind, loc, found = error["type"], error["loc"], error["input"]
    expected = _EXPECTED.get(kind, lambda _: f"something else ({error['msg']})")(error.get("ctx", {}))
    if kind == "model_type" and len(loc) == 1:
        expected = f"one table, [{loc[0]}] in single brackets,"
    elif kind == "tuple_type" and len(loc) == 1:
        expected = f"a list of tables, each with [[{loc[0]}]] in double brackets above it,"
    allowed = re.findall(r"'([^']*)'", expected) if kind == "literal_error" else []
    action = suggestion(found, allowed) if isinstance(found, str) else ""
    if not action and field is not None and isinstance(loc[-1], str):
        action = f"Meaning: {field.description}."
    return f"{shown(found)} was found; {expected} is expected.", action


def _touched(error: Mapping[str, Any], model: type[BaseModel]) -> str:
    """Return the ``section.key`` that an error makes untrustworthy."""
    names = key_names(error["loc"])
    if tuple(names) in _RENAMED_KEYS:
        names[-1] = _RENAMED_KEYS[tuple(names)]
    elif error["type"] == "extra_forbidden":
        holder, _ = declared(error["loc"], model)
        names[-1] = nearest(names[-1], list(holder.model_fields) if holder else []) or names[-1]
    return ".".join(names[:2])


def _stand_in(kind: str, loc: Loc) -> Any:
    """Return what stands in for a needed part, so that entries keep their numbers; none: it can go."""
    if kind == "missing":
        value = _STAND_INS.get(loc[-1])
        is_of_list = len(loc) > 1 and isinstance(loc[-2], int)
        return f"(entry {int(loc[-2]) + 1})" if value == "-" and is_of_list else value
    if len(loc) == 1 and kind in ("too_short", "tuple_type", "model_type"):
        return _STAND_INS.get(loc[-1])
    return {} if kind == "model_type" and isinstance(loc[-1], int) else None


def _table_at(data: Any, loc: Loc) -> Any:
    """Return the table or list of a copied plan that holds a place; None where it is gone already."""
    for key in loc[:-1]:
        try:
            data = data[key]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def _as_toml(value: Any) -> str:
    """Return an example as TOML."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_as_toml(one)}" for key, one in value.items()) + " }"
    return f'"{value}"' if isinstance(value, (str, datetime.date)) else str(value)
