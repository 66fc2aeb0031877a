"""Frame rate against power along the ladder of a sweep, one curve for each line of settings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from itertools import pairwise

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.plots import Ends, Plot, open_plot
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.style import Look, series_dash, series_shape
from gpubench_kit.figures.sweep_part import SweptPart, file_parts, titled
from gpubench_kit.file_names import slug
from gpubench_kit.statistics.sweep_ladder import offset_text
from gpubench_kit.wording.numbers import change_text, unit_text


def draw_rate_against_ladder_power(parts: Sequence[SweptPart], plan) -> DescribedFigure | None:
    """Draw frame rate against board power, one curve for each line of settings.

    Parameters
    ----------
    parts : lines of one card, bench and group
    plan : ReviewPlan, gives style

    Returns
    -------
    DescribedFigure; None where no power was measured
    """
    known = [part for part in parts if len(part.curve("board_w")) and part.measured["board_w"].notna().sum() > 1]
    if not known:
        return None
    title = titled("Frame rate against power along the ladder", known[0])
    heading = Heading(title, "Marks: settings. Lines: fitted curves.", "Higher and further left is thriftier.")
    data = pd.concat([part.measured for part in known]).drop_duplicates("tuning")
    return DescribedFigure(
        name=slug("rate-against-ladder-power", *file_parts(known[0])[:-1]),
        data=data.reset_index(drop=True),
        caption=f"{title}. Equal power is read straight up, equal frame rate straight across.",
        alternative_text=_against_alternative(known, title),
        drawing=partial(_draw_against, heading=heading, parts=tuple(known)),
        style=plan.style,
    )


def _draw_against(look: Look, *, heading: Heading, parts: tuple[SweptPart, ...]) -> Figure:
    """Return the figure of frame rate against power."""
    rows = [row for part in parts for row in part.measured.itertuples()]
    x = padded_range([row.board_w for row in rows], pad=0.1)
    y = padded_range([row.avg_fps for row in rows], pad=0.14)
    key = [(part.answer.line or "no other change", place + 1) for place, part in enumerate(parts)]
    plot = open_plot(look, heading=heading, x=Ends(*x, "board power [W]"), y=Ends(*y, "frames per second"),
                     key=key if len(parts) > 1 else ())  # fmt: skip
    for place, part in enumerate(parts, start=1):
        _draw_line_against(plot, part, place=place)
    named = {row.tuning: (row, part) for part in parts for row in _named_rows(part)}
    for row, part in named.values():
        text = "factory" if row.is_factory else offset_text(part.ladder.change, row.at)
        plot.label((plot.x(row.board_w), plot.y(row.avg_fps)), text)
    return plot.sheet.figure


def _draw_line_against(plot: Plot, part: SweptPart, *, place: int) -> None:
    """Draw the curve and the settings of one line."""
    factory = next(row for row in part.measured.itertuples() if row.is_factory)
    rate, power = (part.curve(metric).set_index("at")["change"] for metric in ("avg_fps", "board_w"))
    both = rate.to_frame("rate").join(power.rename("power"), how="inner")
    xs = [plot.x(factory.board_w * (1 + one / 100)) for one in both["power"]]
    ys = [plot.y(factory.avg_fps * (1 + one / 100)) for one in both["rate"]]
    plot.sheet.line(xs, ys, role=f"series-{place % 8}", dash=series_dash(place - 1))
    for piece in pairwise(zip(xs, ys, strict=True)):
        plot.block_line(*zip(*piece, strict=True))
    for row in part.measured.itertuples():
        if np.isfinite(row.board_w) and np.isfinite(row.avg_fps):
            series = 0 if row.is_factory else place
            mark = (plot.x(row.board_w), plot.y(row.avg_fps))
            plot.sheet.marker(mark, series_shape(series), role=f"series-{series % 8}")
            plot.block(*mark)


def _named_rows(part: SweptPart) -> Iterable:
    """Return the settings that are named: the factory state, the answer, the thriftiest and the ends."""
    rows = [row for row in part.measured.itertuples() if np.isfinite(row.board_w)]
    ends = {min(rows, key=lambda row: row.at).tuning, max(rows, key=lambda row: row.at).tuning}
    wanted = ends | {part.answer.lowest_tuning, part.answer.most_efficient_tuning}
    return [row for row in rows if row.is_factory or row.tuning in wanted]


def _against_alternative(parts: Sequence[SweptPart], title: str) -> str:
    """Return what the chart of frame rate against power shows."""
    told = []
    for part in parts:
        rows = [row for row in part.measured.itertuples() if not row.is_factory and np.isfinite(row.board_w)]
        low = min(rows, key=lambda row: row.board_w)
        name = f"{part.answer.line}: " if part.answer.line else ""
        told.append(f"{name}down to {unit_text(low.board_w, 'W')} with {change_text(low.fps_change)} frame rate")
    return f"{title}. {'; '.join(told)}."
