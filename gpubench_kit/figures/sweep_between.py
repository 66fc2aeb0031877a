"""Two swept cards against each other: frame rate at equal power, or power at equal frame rate."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.row_layouts import draw_rows
from gpubench_kit.figures.rows import Axis, Block, Mark, Row, RowChart
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.file_names import slug
from gpubench_kit.wording.numbers import change_and_interval_text, change_text, percent_text
from gpubench_kit.wording.terms import VERDICT_MARKS, of_group

#: Reading -> what is told, unit of what is given, whether more is better, and the words below and above zero.
READINGS = {
    "rate_at_power": ("Frame rate at equal power", "W", True, ("slower", "faster")),
    "power_at_rate": ("Power at equal frame rate", "fps", False, ("takes less", "takes more")),
}


def draw_between(rows: pd.DataFrame, plan, *, reading: str, confidence: float) -> DescribedFigure | None:
    """Draw one card against another at a few equal powers, or frame rates, with ranges.

    Parameters
    ----------
    rows : rows of ``sweep_between`` of two cards on one bench in one group
    plan : ReviewPlan, gives the style
    reading : a key of `READINGS`
    confidence : that the ranges hold together with

    Returns
    -------
    DescribedFigure; None where nothing could be read
    """
    data = rows[(rows["reading"] == reading) & rows["change"].notna()].sort_values("given").reset_index(drop=True)
    if not len(data):
        return None
    first = next(data.itertuples())
    told, unit, _, _ = READINGS[reading]
    where = f"{first.of_card} against {first.against_card}{f' on {first.bench}' if first.bench else ''}"
    title = of_group(f"{told}: {where}", first.group)
    subtitle = f"Read off both sweeps; {percent_text(100 * confidence)} ranges, which hold together."
    block = Block(f"At equal {'power' if unit == 'W' else 'frame rate'}", tuple(map(_row, data.itertuples())))
    chart = RowChart(Heading(title, subtitle), (block,), _axis(data, reading))
    group = "" if first.group == "all" else first.group
    return DescribedFigure(
        name=slug(f"sweep-{reading.replace('_', '-')}", group, first.bench, first.of_card, first.against_card),
        data=data,
        caption=f"{title}, read off the fitted curves of both cards.",
        alternative_text=f"{title}. {'; '.join(_told(row) for row in data.itertuples())}.",
        drawing=partial(draw_rows, chart=chart),
        style=plan.style,
    )


def _row(row: Any) -> Row:
    """Return the row of one power, or frame rate."""
    role, shape, is_hollow = VERDICT_MARKS[_way(row)]
    change = change_text(row.change)
    return Row(_given(row), change, (Mark(row.change, row.ci_low, row.ci_high, role, shape, is_hollow),), change)


def _way(row: Any) -> str:
    """Return whether the whole range is for the better or the worse."""
    if row.ci_low <= 0 <= row.ci_high or not np.isfinite([row.ci_low, row.ci_high]).all():
        return "undecided"
    return "better" if (row.change > 0) == READINGS[row.reading][2] else "worse"


def _given(row: Any) -> str:
    """Return the power, or the frame rate, that both cards have."""
    return f"{row.given:g} {READINGS[row.reading][1]}"


def _told(row: Any) -> str:
    """Return one reading in words."""
    return f"at {_given(row)} {change_and_interval_text(row.change, row.ci_low, row.ci_high)}"


def _axis(data: pd.DataFrame, reading: str) -> Axis:
    """Return the axis, zero on it."""
    ends = np.array([*data["ci_low"], *data["ci_high"], *data["change"], 0.0], dtype=float)
    low, high = np.nanmin(ends), np.nanmax(ends)
    pad = 0.05 * (high - low) or 1.0
    told, _, _, (left, right) = READINGS[reading]
    label = f"{told.partition(' at ')[0].lower()} against {data['against_card'].iloc[0]} [%]"
    return Axis(low - pad, high + pad, label, zero=True, left_text=left, right_text=right)
