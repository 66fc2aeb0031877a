"""Kinds of value that a plan or a run sheet can hold: names, texts, numbers, metric names.

Values are checked strictly: ``"2"`` in quotes is text, not the number 2.
"""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict
from pydantic_core import PydanticCustomError

from gpubench_kit.model.errors import listed, shown, suggestion
from gpubench_kit.model.metrics import METRICS

#: Control characters, halves of surrogate pairs, line and paragraph separators.
_NOT_IN_TEXT = ("Cc", "Cs", "Zl", "Zp")


class Section(BaseModel):
    """Base of all sections: unknown keys are faults, and values never change once checked."""

    model_config = ConfigDict(extra="forbid", frozen=True)


#: Percent as text, as the schema of a plan states it.
_PERCENT_TEXT = r"^\s*\d+([.,]\d+)?\s*%\s*$"

#: What a claim may speak of besides metrics: estimates that follow from power and prices; of all but the last less
#: is better.
ESTIMATES = ("running_cost", "total_cost", "break_even_time", "value_for_money")


def kit_error(problem: str, action: str = "") -> PydanticCustomError:
    """Return an error that carries the kit's own wording through pydantic.

    Parameters
    ----------
    problem : what was found and what is expected
    action : what the reader can do
    """
    return PydanticCustomError("kit", "{problem}", {"problem": problem, "action": action})


def check_text(text: str) -> str:
    """Return the text with composed letters (Unicode NFC); one line of any script, markup or signs is data.

    Raises
    ------
    PydanticCustomError : the text holds a control character
    """
    # Most texts are printable, which excludes all of these categories, and isprintable is fast.
    categories = () if text.isprintable() else map(unicodedata.category, text)
    place = next((place for place, one in enumerate(categories) if one in _NOT_IN_TEXT), None)
    if place is not None:
        problem = f"{shown(text)} holds the control character U+{ord(text[place]):04X} at place {place + 1}."
        raise kit_error(problem, "Write it as one line of plain text.")
    return unicodedata.normalize("NFC", text)


def check_name(text: str) -> str:
    """Return a name as `check_text` does; it may not be empty, or begin or end with a blank.

    Raises
    ------
    PydanticCustomError : no letters, blanks at an end, or a control character
    """
    if not text.strip():
        raise kit_error("the text is empty; a name or a sentence is expected.", "Fill it in.")
    if text != text.strip():
        problem = f"{shown(text)} begins or ends with a blank, so that no run sheet could match it."
        raise kit_error(problem, f"Write {shown(text.strip())}.")
    return check_text(text)


def check_amount(value: Any) -> float | str:
    """Return an amount as a number, or as percent: ``30.0``, ``3 %``.

    Raises
    ------
    PydanticCustomError : it is neither, below 0 or not finite
    """
    action = 'Write a positive number in the metric\'s unit, like 30, or percent in quotes, like "3 %".'
    if isinstance(value, str):
        found = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*%\s*", value)
        if found is None:
            raise kit_error(f"{shown(value)} was found; an amount is expected.", action)
        return f"{float(found[1].replace(',', '.')):.12f}".rstrip("0").rstrip(".") + " %"
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value < float("inf"):
        problem = f"{shown(value)} was found; a number of 0 or more is expected: the key says which way."
        raise kit_error(problem, action)
    return float(value)


def _known_metric(name: str) -> str:
    """Return the name of a metric that the kit knows."""
    if name not in METRICS:
        near = suggestion(name, METRICS)
        problem = f"{shown(name)} is not a metric" + ("." if near else f" (metrics: {listed(METRICS, most=99)}).")
        raise kit_error(problem, near or "Name one of them.")
    return name


def _date_of_text(value: Any) -> Any:
    """Return a date for an ISO date in quotes; anything else as it is."""
    if not isinstance(value, str):
        return value
    try:
        return datetime.date.fromisoformat(value)
    except ValueError:
        raise kit_error(f"{shown(value)} was found; a date is expected.", "Write date = 2026-11-02.") from None


Text = Annotated[str, Strict(), AfterValidator(check_text)]
Name = Annotated[str, Strict(), AfterValidator(check_name), Field(json_schema_extra={"minLength": 1})]
MetricName = Annotated[
    str, Strict(), AfterValidator(_known_metric), Field(json_schema_extra={"enum": sorted(METRICS)})
]
ClaimTopic = Annotated[
    str, Strict(), AfterValidator(lambda name: name if name in ESTIMATES else _known_metric(name)),
    Field(json_schema_extra={"enum": sorted([*METRICS, *ESTIMATES])}),
]  # fmt: skip
Truth = Annotated[bool, Strict()]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Positive = Annotated[float, Strict(), Field(allow_inf_nan=False, gt=0)]
NotNegative = Annotated[float, Strict(), Field(allow_inf_nan=False, ge=0)]
Percent = Annotated[float, Strict(), Field(allow_inf_nan=False, gt=0, lt=100)]
Count = Annotated[int, Strict(), Field(ge=0)]
#: A positive amount of a claim: a number in the metric's unit, or percent as text.
Amount = Annotated[
    Annotated[float, Field(ge=0)] | Annotated[str, Field(pattern=_PERCENT_TEXT)], BeforeValidator(check_amount)
]
Date = Annotated[datetime.date, Strict(), BeforeValidator(_date_of_text)]


#: Amounts where less is better, and where more is: of the better way, then of the worse.
OF_LESS, OF_MORE = ("saves_at_least", "costs_at_most"), ("gains_at_least", "loses_at_most")


def keys_for(topic: str) -> tuple[str, str]:
    """Return the keys of amounts that fit a metric or an estimate of cost.

    Parameters
    ----------
    topic : its name

    Returns
    -------
    tuple of two keys: where neither more nor less is better, those that say more and less of it
    """
    is_of_less = METRICS[topic].better == "lower" if topic in METRICS else topic in ESTIMATES[:-1]
    return OF_LESS if is_of_less else OF_MORE


def signed_amount(given: Mapping[str, Any]) -> tuple[str, str]:
    """Return why an amount with a sign is refused, and the lines to write in its place.

    Parameters
    ----------
    given : a claim as written, with ``by`` or ``by_pct``, or ``says = "at_least"`` or ``"at_most"``
    """
    says, found = given.get("says"), [key for key in ("by", "by_pct") if key in given]
    problem = (
        f"says = {shown(says)} with {found[0]} = {shown(given[found[0]])} was found; since version 0.2.0 an amount "
        "is positive and its key says which way."
        if found
        else f"says = {shown(says)} was found without an amount; a key like saves_at_least = 30 is expected."
    )
    amount = given[found[0]] if found else None
    if says not in ("at_least", "at_most") or not isinstance(amount, (int, float)) or isinstance(amount, bool):
        less, more = " or ".join(OF_LESS), " or ".join(OF_MORE)
        return problem, f"Write {less} where less is better, {more} where more is, and leave says and by out."
    lines = _lines(given, says, float(amount), is_percent=found[0] == "by_pct")
    return problem, f"Replace these keys by: {'; '.join(lines)}"


def _lines(given: Mapping[str, Any], says: str, amount: float, *, is_percent: bool) -> list[str]:
    """Return the lines that say the same with a positive amount; the two sides change places where they must."""
    better, worse = keys_for(given.get("metric", ""))
    is_of_less = better == "saves_at_least"
    fits = says == ("at_most" if is_of_less else "at_least")
    good = amount <= 0 if is_of_less else amount >= 0
    key = better if good == fits else worse
    size, sides = abs(amount), []
    if not fits:
        sides = [
            f"{one} = {_inline(given.get(other, {}))}" for one, other in (("of", "against"), ("against", "of"))
        ]
        size = abs(100 * (1 / (1 + amount / 100) - 1)) if is_percent and amount > -100 else size
    return [*sides, f'{key} = "{size:.4g} %"' if is_percent else f"{key} = {size:g}"]


def _inline(side: Any) -> str:
    """Return one side of a claim as an inline table."""
    pairs = side.items() if isinstance(side, Mapping) else ()
    return "{ " + ", ".join(f"{key} = {shown(value).replace(chr(39), chr(34))}" for key, value in pairs) + " }"
