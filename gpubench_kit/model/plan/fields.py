"""Kinds of value that a plan or a run sheet can hold: names, texts, numbers, metric names.

Values are checked strictly: ``"2"`` in quotes is text, not the number 2.
"""

from __future__ import annotations

import datetime
import re
import unicodedata
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

#: What a claim may speak of besides metrics: estimates that follow from power and prices.
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


def _known_topic(name: str) -> str:
    """Return the name of a metric, or of an estimate that a claim may speak of."""
    return name if name in ESTIMATES else _known_metric(name)


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
    str,
    Strict(),
    AfterValidator(_known_topic),
    Field(json_schema_extra={"enum": sorted([*METRICS, *ESTIMATES])}),
]
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
