"""Charts of a sweep: frame rate, power and energy over the ladder, rate against power, two cards at equal power."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.model.plan.ladder import Ladder, offset_text
from gpubench_kit.page.charts.lanes import Cell, Column, Lane, Lanes
from gpubench_kit.page.charts.marks import RIVAL, is_known, value_text
from gpubench_kit.page.charts.plot import Axis, Mark, Plot, Series
from gpubench_kit.wording.numbers import change_and_interval_text, change_text, percent_text
from gpubench_kit.wording.terms import of_group

#: Outcome of a setting -> its words, the place of its colour; hollow where nothing is shown.
_OUTCOMES = {
    "factory": ("factory", 0),
    "inside": ("inside the margin", 2),
    "beyond": ("loses more", 3),
    "open": ("not shown", RIVAL),
    "failed": ("failed", None),
}
#: Reading -> what it is, unit of what is given, whether more is better.
READINGS = {
    "rate_at_power": ("Frame rate at equal power", "W", True),
    "power_at_rate": ("Power at equal frame rate", "fps", False),
}


@dataclass(frozen=True)
class SweptPart:
    """The rows of one line of settings of one card, bench and group.

    Attributes
    ----------
    settings, curves, answer : rows of ``sweep`` (the factory state among them), of ``sweep_curves``, and
        the row of ``sweep_answers``
    ladder : of the card
    title : what stands behind the colon of a chart's title; empty for none
    """

    settings: pd.DataFrame
    curves: pd.DataFrame
    answer: Any
    ladder: Ladder
    title: str = ""

    @property
    def measured(self) -> pd.DataFrame:
        """Settings of this line, and the factory state."""
        return self.settings[self.settings["is_factory"] | (self.settings["line"] == self.answer.line)]

    def curve(self, metric: str) -> pd.DataFrame:
        """Return the curve of a metric."""
        rows = self.curves[(self.curves["metric"] == metric) & (self.curves["line"] == self.answer.line)]
        return rows.sort_values("at")


def outcome_of(row: Any) -> str:
    """Return the outcome of a row of ``sweep``: ``factory``, ``failed``, ``inside``, ``beyond`` or ``open``."""
    if row.is_factory:
        return "factory"
    if any(count is not pd.NA and count > 0 for count in (row.runs_failed, row.failures)):
        return "failed"
    if is_true(row.is_inside):
        return "inside"
    return "beyond" if is_true(row.is_beyond) else "open"


def _knee_note(part: SweptPart) -> str:
    """Return where the knee is; nothing where no bend is shown."""
    answer = part.answer
    if not np.isfinite(answer.knee):
        return ""
    low, high = (offset_text(part.ladder.change, one) for one in (answer.knee_ci_low, answer.knee_ci_high))
    between = f", between {low} and {high}" if answer.knee_ci_low < answer.knee_ci_high else ""
    return f" Knee: {offset_text(part.ladder.change, answer.knee)}{between}."


def _titled(text: str, part: SweptPart) -> str:
    """Return a title with the line, the card and the group where there is more than one."""
    line = f", {part.answer.line}" if part.answer.line else ""
    return of_group(f"{text}{line}{f': {part.title}' if part.title else ''}", part.answer.group)


def is_true(value: Any) -> bool:
    """Return whether a truth value is there and true."""
    return value is not pd.NA and bool(value)


def rate_over_ladder(part: SweptPart, *, width: float = 360.0) -> Plot | None:
    """Return the change of frame rate over the ladder: settings by outcome, fitted curve, band, margin and knee.

    Parameters
    ----------
    part : one line of settings
    width : whole width

    Returns
    -------
    Plot; None where fewer than two settings were measured
    """
    shown = part.measured[part.measured["fps_change"].notna() | part.measured["is_factory"]]
    if len(shown) < 2:
        return None
    curve = _curve(part, "avg_fps")
    series = [curve] if curve else []
    series += _by_outcome(shown, part, lambda row: (0.0, None, None) if row.is_factory else _change(row, "fps"))
    margin = float(part.answer.margin)
    marks = [Mark(f"margin −{percent_text(margin)}", y=-margin)]
    if is_known(part.answer.knee):
        marks.append(Mark("knee", x=float(part.answer.knee)))
    title = f"{_titled(f'Frame rate over the {part.ladder.label}', part)}.{_knee_note(part)}"
    y = Axis("Change of frame rate", "%", decimals=1)
    return Plot(title, _ladder_axis(part), y, tuple(series), tuple(marks), width, 260.0)


def power_over_ladder(part: SweptPart, *, width: float = 360.0) -> tuple[Plot, ...]:
    """Return board power and energy per frame over the ladder; nothing where no power was measured.

    Parameters
    ----------
    part, width : as in `rate_over_ladder`
    """
    shown = part.measured[part.measured["energy_per_frame_j"].notna()]
    factory = next((row for row in shown.itertuples() if row.is_factory), None)
    if len(shown) < 2 or factory is None:
        return ()
    out = []
    for metric, name, label, unit in (("board_w", "power", "Board power", "W"),
                                      ("energy_per_frame_j", "energy", "Energy per frame", "J")):  # fmt: skip
        level = float(getattr(factory, metric))
        curve = _curve(part, metric, level=level)
        series = [curve] if curve else []
        series += _by_outcome(shown, part, partial(_in_unit, name=name, level=level), unit=unit)
        title = _titled(f"{label} over the {part.ladder.label}", part)
        out.append(Plot(title, _ladder_axis(part), Axis(label, unit), tuple(series), (), width, 220.0))
    return tuple(out)


def rate_against_power(parts: Sequence[SweptPart], *, width: float = 360.0) -> Plot | None:
    """Return frame rate against board power along the ladder, a curve for each line of settings.

    Parameters
    ----------
    parts : lines of one card, bench and group
    width : whole width

    Returns
    -------
    Plot; None where no power was measured
    """
    known = [part for part in parts if len(part.curve("board_w")) and part.measured["board_w"].notna().sum() > 1]
    if not known:
        return None
    series = [one for place, part in enumerate(known, start=1) for one in _against(part, place, len(known) > 1)]
    title = _titled("Frame rate against power along the ladder", known[0])
    return Plot(title, Axis("board power", "W"), Axis("Average frame rate", "FPS"), tuple(series), (), width, 280.0)


def between_cards(rows: pd.DataFrame, *, reading: str, confidence: float, width: float = 360.0) -> Lanes | None:
    """Return one card against another at a few equal powers, or frame rates, with ranges.

    Parameters
    ----------
    rows : rows of ``sweep_between`` of two cards on one bench in one group
    reading : a key of `READINGS`
    confidence : that the ranges hold together with
    width : whole width

    Returns
    -------
    Lanes; None where nothing could be read
    """
    data = rows[(rows["reading"] == reading) & rows["change"].notna()].sort_values("given")
    if not len(data):
        return None
    first = next(data.itertuples())
    what, unit, is_more_better = READINGS[reading]
    where = f"{first.of_card} vs {first.against_card}{f' on {first.bench}' if first.bench else ''}"
    heading = of_group(f"{what}: {where}", first.group)
    lanes = tuple(
        Lane(f"at {value_text(row.given, unit, decimals=0)}", None, (_range(row, is_more_better),))
        for row in data.itertuples()
    )
    title = f"{heading}; {percent_text(100 * confidence)} ranges, which hold together"
    return Lanes(title, (Column(heading, "%", signed=True),), lanes, width)


def _ladder_axis(part: SweptPart) -> Axis:
    """Return the axis of the ladder."""
    return Axis(f"{part.ladder.label} against the factory state", part.ladder.unit or "", decimals=0)


def _curve(part: SweptPart, metric: str, *, level: float | None = None) -> Series | None:
    """Return a fitted curve with its band, in percent or in the unit of the factory state's level."""
    curve = part.curve(metric)
    if not len(curve):
        return None
    scaled = (lambda one: one) if level is None else (lambda one: level * (1 + one / 100))
    rows = curve[["at", "change", "ci_low", "ci_high"]].astype(float).itertuples(index=False, name=None)
    known = [(at, *map(scaled, ends)) for at, *ends in rows]
    points = tuple((at, change) for at, change, _, _ in known)
    band = tuple((at, low, high) for at, _, low, high in known if is_known(low, high))
    return Series("fitted curve", 1, points, band=band)


def _by_outcome(
    rows: pd.DataFrame,
    part: SweptPart,
    values_of: Callable[[Any], tuple[float | None, float | None, float | None]],
    *,
    unit: str = "%",
) -> Iterator[Series]:
    """Yield the settings of each outcome as dots with their intervals."""
    found: dict[str, list[Any]] = {}
    for row in sorted(rows.itertuples(), key=lambda one: abs(one.at)):
        found.setdefault(outcome_of(row), []).append(row)
    for outcome, (words, place) in _OUTCOMES.items():
        listed = [(row, *values_of(row)) for row in found.get(outcome, [])]
        if not listed:
            continue
        points = tuple((float(row.at), float(value)) for row, value, _, _ in listed if is_known(value))
        strokes = tuple(
            (float(row.at), low, high) for row, _, low, high in listed if is_known(low) and is_known(high)
        )
        told = tuple(_told(row, part, ends, words=words, unit=unit) for row, *ends in listed)
        yield Series(words, place, points, "dots", intervals=strokes, labels=told)


def _told(row: Any, part: SweptPart, ends: Sequence[float | None], *, words: str, unit: str) -> str:
    """Return one setting in words."""
    name = "factory" if row.is_factory else offset_text(part.ladder.change, row.at)
    if row.is_factory or unit != "%":
        return f"{name}: {value_text(ends[0], unit)}, {words}"
    return f"{name}: {change_and_interval_text(*ends)}, {words}"


def _change(row: Any, name: str) -> tuple[float | None, float | None, float | None]:
    """Return the change of a setting with its interval."""
    ends = (float(getattr(row, f"{name}_{end}")) for end in ("change", "ci_low", "ci_high"))
    change, low, high = (one if is_known(one) else None for one in ends)
    return change, low, high


def _in_unit(row: Any, name: str, level: float) -> tuple[float | None, float | None, float | None]:
    """Return value and interval of a setting in the unit of the metric."""
    if row.is_factory:
        return level, None, None
    value, low, high = (None if one is None else level * (1 + one / 100) for one in _change(row, name))
    return value, low, high


def _against(part: SweptPart, place: int, is_named: bool) -> Iterator[Series]:
    """Yield the curve and the settings of one line, rate against power."""
    factory = next(row for row in part.measured.itertuples() if row.is_factory)
    rate, power = (part.curve(metric).set_index("at")["change"] for metric in ("avg_fps", "board_w"))
    both = rate.to_frame("rate").join(power.rename("power"), how="inner").astype(float)
    watts, rates = factory.board_w * (1 + both["power"] / 100), factory.avg_fps * (1 + both["rate"] / 100)
    name = part.answer.line or ("no other change" if is_named else "fitted curve")
    yield Series(name, place, tuple(zip(watts.tolist(), rates.tolist(), strict=True)))
    measured = [row for row in part.measured.itertuples() if is_known(row.board_w, row.avg_fps)]
    yield from _settings(part, place, measured, name=name)


def _settings(part: SweptPart, place: int, rows: Iterable[Any], *, name: str) -> Iterator[Series]:
    """Yield the settings of a line as dots, the factory state in the colour of the reference."""
    own: list[Any] = []
    factory: list[Any] = []
    for row in rows:
        (factory if row.is_factory else own).append(row)
    for words, colour, listed in ((name, place, own), ("factory", 0, factory)):
        points = tuple((float(row.board_w), float(row.avg_fps)) for row in listed)
        told = tuple(
            f"{'factory' if row.is_factory else offset_text(part.ladder.change, row.at)}: "
            f"{value_text(row.board_w, 'W')}, {value_text(row.avg_fps, 'FPS')}"
            for row in listed
        )
        if points:
            yield Series(words, colour, points, "dots", labels=told)


def _range(row: Any, is_more_better: bool) -> Cell:
    """Return the range of one reading: good or bad where it is wholly on one side of zero."""
    low, high = (float(one) if pd.notna(one) else None for one in (row.ci_low, row.ci_high))
    if not is_known(low) or not is_known(high) or low <= 0 <= high:
        verdict = "undecided"
    else:
        verdict = "better" if (row.change > 0) == is_more_better else "worse"
    return Cell(centre=float(row.change), low=low, high=high, verdict=verdict, text=change_text(row.change))
