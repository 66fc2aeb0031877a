"""Charts of a sweep: frame rate, power and energy over the ladder, rate against power, two cards at equal power."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import Ladder, offset_text
from gpubench_kit.page.charts.from_tables import change_lanes
from gpubench_kit.page.charts.lanes import Lanes
from gpubench_kit.page.charts.marks import RIVAL, Axis, is_known, known_ends, value_text
from gpubench_kit.page.charts.plane import Mark, Plot, Series
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.sweep.measured import Failures
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_and_interval_text, percent_text
from gpubench_kit.wording.terms import capital, metric_of, of_group

#: Outcome of a setting -> the place of its colour; hollow where nothing is shown.
_PLACES = {"factory": 0, "inside": 2, "beyond": 3, "open": RIVAL, "failed": None}
#: Reading between two cards -> unit of what is given, whether more is better.
READINGS = {"rate_at_power": ("W", True), "power_at_rate": ("fps", False)}
_Ends = tuple[float | None, float | None, float | None]


@dataclass(frozen=True)
class SweptPart:
    """One line of settings of one card, bench and group, with the factory state.

    Attributes
    ----------
    settings : rows of ``sweep`` of the card, bench and group, as named tuples
    curves : rows of ``sweep_curves`` of the line
    answer : row of ``sweep_answers``
    ladder : of the card
    failures : what failed, by tuning
    title : the card and bench, where there are several; else empty
    """

    settings: tuple[Any, ...]
    curves: pd.DataFrame
    answer: Any
    ladder: Ladder
    failures: Mapping[str, Failures]
    title: str = ""

    @cached_property
    def measured(self) -> list[Any]:
        """Settings of this line, and the factory state."""
        return [row for row in self.settings if row.is_factory or row.line == self.answer.line]

    @cached_property
    def steps(self) -> list[Any]:
        """Settings in the order of the tests."""
        return sorted((row for row in self.measured if row.place is not pd.NA), key=lambda row: row.place)

    def row(self, tuning: str) -> Any:
        """Return the row of a setting; None where it is not there."""
        return next((row for row in self.settings if row.tuning == tuning), None)

    def curve(self, metric: str) -> pd.DataFrame:
        """Return the curve of a metric."""
        return self.curves[self.curves["metric"] == metric].sort_values("at")

    def offset(self, at: float) -> str:
        """Return a place of the ladder as its distance from the factory state."""
        return offset_text(self.ladder.change, at)

    def place_name(self, at: float) -> str:
        """Return a place of the ladder in words: the stepped change and its offset, or the factory state."""
        if at == 0 and not self.answer.line:
            return say("sweep.factory")
        return ", ".join(filter(None, (self.answer.line, f"{self.ladder.label} {self.offset(at)}")))

    def titled(self, text: str) -> str:
        """Return a title with the line, the card and the group where there is more than one."""
        where = ": ".join(filter(None, (", ".join(filter(None, (text, self.answer.line))), self.title)))
        return of_group(where, self.answer.group)


def parts_of(sweep: Sweep, plan: ReviewPlan) -> list[SweptPart]:
    """Return each line of settings of each card, bench and group, in order."""
    names, out = ["card", "bench", "group"], []
    for answer in sweep.answers.itertuples():
        key = [answer.card, answer.bench, answer.group]
        settings, curves = (table[(table[names] == key).all(axis=1)] for table in (sweep.settings, sweep.curves))
        failures = {tuning: one for (card, tuning), one in sweep.failures.items() if card == answer.card}
        title = ", ".join(
            filter(None, (answer.card * (len(plan.cards) > 1), answer.bench * (len(plan.benches) > 1)))
        )
        rows, own = tuple(settings.itertuples()), curves[curves["line"] == answer.line]
        out.append(SweptPart(rows, own, answer, sweep.ladders[answer.card], failures, title))
    return out


def together(parts: Sequence[SweptPart]) -> list[list[SweptPart]]:
    """Return the lines of one card, bench and group together."""
    groups: dict[tuple, list[SweptPart]] = {}
    for part in parts:
        groups.setdefault((part.answer.card, part.answer.bench, part.answer.group), []).append(part)
    return list(groups.values())


def outcome_of(row: Any) -> str:
    """Return the outcome of a row of ``sweep``: ``factory``, ``failed``, ``inside``, ``beyond`` or ``open``."""
    if row.is_factory:
        return "factory"
    if any(count is not pd.NA and count > 0 for count in (row.runs_failed, row.failures)):
        return "failed"
    return "inside" if is_true(row.is_inside) else "beyond" if is_true(row.is_beyond) else "open"


def is_true(value: Any) -> bool:
    """Return whether a truth value is there and true."""
    return value is not pd.NA and bool(value)


def rate_over_ladder(part: SweptPart) -> Plot | None:
    """Return the change of frame rate over the ladder: settings by outcome, fitted curve, band, margin and knee.

    Parameters
    ----------
    part : one line of settings

    Returns
    -------
    Plot; None where fewer than two settings were measured
    """
    shown = [row for row in part.measured if row.is_factory or is_known(row.fps_change)]
    if len(shown) < 2:
        return None
    answer, margin = part.answer, float(part.answer.margin)
    marks, knee = [Mark(say("charts.margin_line", margin=percent_text(margin)), y=-margin)], ""
    if np.isfinite(answer.knee):
        marks.append(Mark(say("charts.knee_line"), x=float(answer.knee)))
        low, high = map(part.offset, (answer.knee_ci_low, answer.knee_ci_high))
        is_range = answer.knee_ci_low < answer.knee_ci_high
        between = say("charts.knee_between", low=low, high=high) if is_range else ""
        knee = " " + say("charts.knee", at=part.offset(answer.knee), between=between)
    title = part.titled(_over_ladder(part, say("charts.rate")))
    y = Axis(say("charts.rate_change"), "%", decimals=1)
    return Plot(f"{title}.{knee}", _ladder_axis(part), y, _over(part, shown, "fps"), tuple(marks), height=240.0)


def power_over_ladder(part: SweptPart) -> list[Plot]:
    """Return board power and energy per frame over the ladder; nothing where no power was measured.

    Parameters
    ----------
    part : as in `rate_over_ladder`
    """
    shown = [row for row in part.measured if is_known(row.energy_per_frame_j)]
    factory = next((row for row in shown if row.is_factory), None)
    if len(shown) < 2 or factory is None:
        return []
    out = []
    for name, metric, unit in (("power", "board_w", "W"), ("energy", "energy_per_frame_j", "J")):
        label, level = say(f"sweep.tile.{name}"), float(getattr(factory, metric))
        series = _over(part, shown, name, level=level, unit=unit)
        title = part.titled(_over_ladder(part, label))
        out.append(Plot(title, _ladder_axis(part), Axis(label, unit), series, height=200.0))
    return out


def rate_against_power(parts: Sequence[SweptPart]) -> Plot | None:
    """Return frame rate against board power along the ladder, a curve for each line of settings.

    Parameters
    ----------
    parts : lines of one card, bench and group

    Returns
    -------
    Plot; None where no power was measured
    """
    known = [
        one for one in parts if len(one.curve("board_w")) and sum(is_known(r.board_w) for r in one.measured) > 1
    ]
    if not known:
        return None
    series = [one for place, part in enumerate(known, start=1) for one in _against(part, place, len(known) > 1)]
    x, y = Axis(say("charts.board_power"), "W"), Axis(capital(metric_of("avg_fps").label), "FPS")
    return Plot(known[0].titled(say("charts.rate_by_power")), x, y, tuple(series), height=260.0)


def between_cards(rows: pd.DataFrame, *, reading: str, confidence: float) -> Lanes | None:
    """Return one card against another at a few equal powers, or frame rates, with ranges.

    Parameters
    ----------
    rows : rows of ``sweep_between`` of two cards on one bench in one group
    reading : a key of `READINGS`
    confidence : that the ranges hold together with

    Returns
    -------
    Lanes; None where nothing could be read
    """
    data = rows[(rows["reading"] == reading) & rows["change"].notna()].sort_values("given")
    if not len(data):
        return None
    (unit, is_more_better), first = READINGS[reading], data.iloc[0]
    pair = say("answer.pair", of=first.of_card, against=first.against_card)
    pair = say("sweep.between.on", pair=pair, bench=first.bench) if first.bench else pair
    heading = of_group(f"{say(f'sweep.between.{reading}.head')}: {pair}", first.group)
    # Good or bad where the range is wholly on one side of zero.
    verdicts = [
        "undecided" if not is_known(row.ci_low, row.ci_high) or row.ci_low <= 0 <= row.ci_high
        else "better" if (row.change > 0) == is_more_better else "worse"
        for row in data.itertuples()
    ]  # fmt: skip
    named = [
        (say("charts.at", value=value_text(row.given, unit, decimals=0)), row)
        for row in data.assign(verdict=verdicts).itertuples()
    ]
    title = say("charts.ranges", what=heading, level=percent_text(100 * confidence))
    return replace(change_lanes(named, heading), title=title)


def _ladder_axis(part: SweptPart) -> Axis:
    """Return the axis of the ladder."""
    return Axis(say("charts.ladder_axis", change=part.ladder.label), part.ladder.unit or "", decimals=0)


def _over_ladder(part: SweptPart, what: str) -> str:
    """Return a title: what is shown over the ladder."""
    return say("charts.over", what=what, change=part.ladder.label)


def _over(
    part: SweptPart, rows: Sequence[Any], name: str, *, level: float | None = None, unit: str = "%"
) -> tuple[Series, ...]:
    """Return the fitted curve, and the settings of each outcome; in percent, or by the factory state's level."""

    def scaled(value: float | None) -> float | None:
        return value if level is None or value is None else level * (1 + value / 100)

    out, metric = [], {"fps": "avg_fps", "power": "board_w", "energy": "energy_per_frame_j"}[name]
    curve = part.curve(metric)[["at", "change", "ci_low", "ci_high"]].astype(float)
    known = [(at, *map(scaled, ends)) for at, *ends in curve.itertuples(index=False, name=None)]
    if known:
        band = tuple((at, low, high) for at, _, low, high in known if is_known(low, high))
        out.append(Series(say("charts.fitted"), 1, tuple(row[:2] for row in known), band=band))
    found: dict[str, list[tuple[Any, _Ends]]] = {}
    for row in sorted(rows, key=lambda one: abs(one.at)):
        change, low, high = (getattr(row, f"{name}_{end}") for end in ("change", "ci_low", "ci_high"))
        (low, high), change = known_ends(low, high), known_ends(change, None)[0]
        ends = (scaled(0.0), None, None) if row.is_factory else (scaled(change), scaled(low), scaled(high))
        found.setdefault(outcome_of(row), []).append((row, ends))
    for outcome, place in _PLACES.items():
        if listed := found.get(outcome):
            words = say(f"sweep.outcome.{outcome}")
            points = tuple((float(row.at), value) for row, (value, _, _) in listed if is_known(value))
            strokes = tuple(
                (float(row.at), low, high) for row, (_, low, high) in listed if is_known(low) and is_known(high)
            )
            told = tuple(_told(part, row, ends, words=words, unit=unit) for row, ends in listed)
            out.append(Series(words, place, points, "dots", intervals=strokes, labels=told))
    return tuple(out)


def _told(part: SweptPart, row: Any, ends: _Ends, *, words: str, unit: str) -> str:
    """Return one setting in words."""
    is_change = unit == "%" and not row.is_factory
    value = change_and_interval_text(*ends) if is_change else value_text(ends[0], unit)
    return f"{_step(part, row)}: {value}, {words}"


def _step(part: SweptPart, row: Any) -> str:
    """Return the offset of a setting, or that it is the factory state."""
    return say("sweep.outcome.factory") if row.is_factory else part.offset(row.at)


def _against(part: SweptPart, place: int, is_named: bool) -> Iterator[Series]:
    """Yield the curve and the settings of one line, rate against power, the factory state as the reference."""
    factory = next(row for row in part.measured if row.is_factory)
    rate, power = (part.curve(metric).set_index("at")["change"] for metric in ("avg_fps", "board_w"))
    both = rate.to_frame("rate").join(power.rename("power"), how="inner").astype(float)
    watts, rates = factory.board_w * (1 + both["power"] / 100), factory.avg_fps * (1 + both["rate"] / 100)
    name = part.answer.line or say("sweep.equal.no_other" if is_named else "charts.fitted")
    yield Series(name, place, tuple(zip(watts.tolist(), rates.tolist(), strict=True)))
    known = [row for row in part.measured if is_known(row.board_w, row.avg_fps)]
    for is_factory, words, colour in ((False, name, place), (True, say("sweep.outcome.factory"), 0)):
        listed = [row for row in known if bool(row.is_factory) == is_factory]
        points = tuple((float(row.board_w), float(row.avg_fps)) for row in listed)
        told = tuple(
            f"{_step(part, row)}: {value_text(row.board_w, 'W')}, {value_text(row.avg_fps, 'FPS')}"
            for row in listed
        )
        if points:
            yield Series(words, colour, points, "dots", labels=told)
