"""A sweep as charts: frame rate over the ladder with its band, and power and energy per frame over it."""

from __future__ import annotations

from functools import partial
from itertools import pairwise

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.lanes import open_lanes
from gpubench_kit.figures.plots import Ends, Plot, open_plot
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look
from gpubench_kit.figures.sweep_part import SweptPart, file_parts, knee_note, outcome_of, titled
from gpubench_kit.file_names import slug
from gpubench_kit.statistics.sweep_ladder import offset_text
from gpubench_kit.wording.numbers import change_and_interval_text, percent_text, unit_text

#: Outcome of a setting -> colour role, marker, whether hollow.
_MARKS = {
    "factory": ("series-0", "o", False),
    "inside": ("series-1", "o", False),
    "beyond": ("series-2", "s", False),
    "open": ("muted", "D", True),
    "failed": ("ink", "X", False),
}
_MARKS_TOLD = "● loss inside the margin, ■ loses more, ◇ neither shown, ✖ failed."
_OUTCOMES = {
    "inside": "inside the margin", "beyond": "loses more than the margin", "failed": "failed", "open": "not shown",
}  # fmt: skip


def draw_rate_over_ladder(part: SweptPart, plan) -> DescribedFigure | None:
    """Draw the change of frame rate over the ladder: settings, fitted curve, band, margin and knee.

    Parameters
    ----------
    part : one line of settings
    plan : ReviewPlan, gives margin, confidence and style

    Returns
    -------
    DescribedFigure; None where no setting was measured
    """
    shown = part.measured[part.measured["fps_change"].notna() | part.measured["is_factory"]]
    if len(shown) < 2:
        return None
    title = titled(f"Frame rate over the {part.ladder.label}", part)
    confidence = percent_text(100 * part.answer.confidence)
    band = f" Shade: {confidence} band." if part.curve("avg_fps")["ci_low"].notna().any() else ""
    told = f"Lines up: {confidence} intervals.{band} Dashed: margin −{percent_text(part.answer.margin)}."
    heading = Heading(title, told,
                      f"{_MARKS_TOLD}{knee_note(part)}")  # fmt: skip
    return DescribedFigure(
        name=slug("rate-over-ladder", *file_parts(part)),
        data=shown.reset_index(drop=True),
        caption=f"{title}. Change against the factory state.{knee_note(part)}",
        alternative_text=_rate_alternative(shown, part, title),
        drawing=partial(_draw_rate, heading=heading, part=part, rows=tuple(shown.itertuples())),
        style=plan.style,
    )


def draw_power_over_ladder(part: SweptPart, plan) -> DescribedFigure | None:
    """Draw board power and energy per frame over the ladder.

    Parameters
    ----------
    part, plan : as in `draw_rate_over_ladder`

    Returns
    -------
    DescribedFigure; None where no power was measured
    """
    shown = part.measured[part.measured["energy_per_frame_j"].notna()]
    if len(shown) < 2:
        return None
    title = titled(f"Power and energy per frame over the {part.ladder.label}", part)
    confidence = percent_text(100 * part.answer.confidence)
    band = " Shade: bands." if part.curve("energy_per_frame_j")["ci_low"].notna().any() else ""
    told = f"Lines up: {confidence} intervals against the factory state.{band}"
    heading = Heading(title, told, "Lower is thriftier.")
    best = part.answer.most_efficient_tuning
    return DescribedFigure(
        name=slug("power-over-ladder", *file_parts(part)),
        data=shown.reset_index(drop=True),
        caption=f"{title}. The curve of energy is that of power divided by that of frame rate.",
        alternative_text=_power_alternative(shown, part, title, best),
        drawing=partial(_draw_power, heading=heading, part=part, rows=tuple(shown.itertuples())),
        style=plan.style,
    )


def _draw_rate(look: Look, *, heading: Heading, part: SweptPart, rows: tuple) -> Figure:
    """Return the figure of frame rate over the ladder."""
    margin = -float(part.answer.margin)
    ends = [end for row in rows for end in (row.fps_change, row.fps_ci_low, row.fps_ci_high)]
    y = padded_range(ends, include=[0.0, 1.2 * margin], pad=0.1)
    x = padded_range([row.at for row in rows], include=[0.0], pad=0.06)
    plot = open_plot(look, heading=heading, x=Ends(*x, part.axis), y=Ends(*y, "change of frame rate [%]"))
    curve = part.curve("avg_fps")
    _draw_band(plot, curve)
    places = [plot.x(one) for one in x], [plot.y(margin)] * 2
    plot.sheet.line(*places, role="series-2", dash=(0, (6, 4)))
    plot.block_line(*places)
    _draw_knee(plot, part)
    _draw_curve(plot, curve)
    for row in rows:
        _draw_setting(
            plot, row, values=(row.fps_change if not row.is_factory else 0.0, row.fps_ci_low, row.fps_ci_high)
        )
    for row in rows:
        if row.tuning == part.answer.lowest_tuning and not row.is_factory:
            plot.label(
                (plot.x(row.at), plot.y(row.fps_change)), f"lowest: {offset_text(part.ladder.change, row.at)}"
            )
    plot.label((plot.x(x[0]), plot.y(margin)), "margin", role="muted", near_only=True)
    return plot.sheet.figure


def _draw_power(look: Look, *, heading: Heading, part: SweptPart, rows: tuple) -> Figure:
    """Return the figure of power and energy over the ladder."""
    lanes = (("board_w", "power", "board power [W]"), ("energy_per_frame_j", "energy", "energy per frame [J]"))
    factory = next(row for row in rows if row.is_factory)
    values = {metric: [_in_unit(row, name, getattr(factory, metric)) for row in rows] for metric, name, _ in lanes}
    ranges = {metric: padded_range([end for one in values[metric] for end in one], pad=0.12) for metric in values}
    x = padded_range([row.at for row in rows], include=[0.0], pad=0.06)
    plots = open_lanes(look, heading=heading, x=Ends(*x, part.axis),
                       lanes=[Ends(*ranges[metric], label) for metric, _, label in lanes])  # fmt: skip
    for plot, (metric, _, _) in zip(plots, lanes, strict=False):
        curve, scale = part.curve(metric), float(getattr(factory, metric))
        _draw_band(plot, curve, scale=scale)
        _draw_curve(plot, curve, scale=scale)
        for row, ends in zip(rows, values[metric], strict=True):
            _draw_setting(plot, row, values=ends)
    return plots[0].sheet.figure


def _draw_band(plot: Plot, curve: pd.DataFrame, *, scale: float | None = None) -> None:
    """Fill the band of a curve, in percent or in the unit of the factory state's value."""
    known = curve[np.isfinite(curve["ci_low"]) & np.isfinite(curve["ci_high"])]
    if len(known) > 1:
        high, low = (
            known[one] if scale is None else scale * (1 + known[one] / 100) for one in ("ci_high", "ci_low")
        )
        up = [(plot.x(at), plot.y(plot.y.clamp(end))) for at, end in zip(known["at"], high, strict=True)]
        down = [(plot.x(at), plot.y(plot.y.clamp(end))) for at, end in zip(known["at"], low, strict=True)]
        plot.sheet.area([*up, *down[::-1]], role="band")


def _draw_curve(plot: Plot, curve: pd.DataFrame, *, scale: float | None = None) -> None:
    """Draw a fitted curve, in percent or in the unit of the factory state's value."""
    values = curve["change"] if scale is None else scale * (1 + curve["change"] / 100)
    places, heights = [plot.x(at) for at in curve["at"]], [plot.y(plot.y.clamp(one)) for one in values]
    plot.sheet.line(places, heights, role="series-1")
    for piece in pairwise(zip(places, heights, strict=True)):
        plot.block_line(*zip(*piece, strict=True))


def _draw_knee(plot: Plot, part: SweptPart) -> None:
    """Draw an upright line at the knee."""
    if np.isfinite(part.answer.knee):
        x = plot.x(part.answer.knee)
        plot.sheet.line([x, x], [plot.box.top, plot.box.bottom], role="axis", dash=(0, (1.5, 2.5)))
        plot.label((x, plot.box.bottom - plot.sheet.sizes.line), "knee", role="muted", near_only=True)


def _draw_setting(plot: Plot, row, *, values: tuple[float, float, float]) -> None:
    """Draw one setting with its interval."""
    role, shape, hollow = _MARKS[outcome_of(row)]
    value, low, high = values
    x, y = plot.x(row.at), plot.y(plot.y.clamp(value))
    if np.isfinite(low) and np.isfinite(high):
        ends = [plot.y(plot.y.clamp(one)) for one in (low, high)]
        plot.sheet.segments([(x, ends[0], x, ends[1])], role=role)
        plot.block_line([x, x], ends)
    plot.sheet.marker((x, y), shape, role=role, hollow=hollow)
    plot.block(x, y)


def _in_unit(row, name: str, factory: float) -> tuple[float, float, float]:
    """Return value and interval of a setting in the unit of the metric."""
    if row.is_factory:
        return float(factory), np.nan, np.nan
    changes = (getattr(row, f"{name}_{end}") for end in ("change", "ci_low", "ci_high"))
    return tuple(float(factory * (1 + one / 100)) for one in changes)


def _rate_alternative(shown: pd.DataFrame, part: SweptPart, title: str) -> str:
    """Return what the chart of frame rate shows, from the factory state outward."""
    rows = sorted((row for row in shown.itertuples() if not row.is_factory), key=lambda row: abs(row.at))
    told = [
        f"{offset_text(part.ladder.change, row.at)}: "
        f"{change_and_interval_text(row.fps_change, row.fps_ci_low, row.fps_ci_high)}, {_OUTCOMES[outcome_of(row)]}"
        for row in rows
    ]
    return f"{title}. {'; '.join(told)}.{knee_note(part)}"


def _power_alternative(shown: pd.DataFrame, part: SweptPart, title: str, best: str) -> str:
    """Return what the chart of power and energy shows."""
    rows = sorted(shown.itertuples(), key=lambda row: abs(row.at))
    told = [
        f"{offset_text(part.ladder.change, row.at) if not row.is_factory else 'factory'}: "
        f"{unit_text(row.board_w, 'W')}, {unit_text(row.energy_per_frame_j, 'J')}"
        for row in rows
    ]
    return f"{title}. {'; '.join(told)}. Thriftiest: {best or 'not known'}."
