"""A chart of rows for a picture: labels left, values right, in as many columns as it takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from matplotlib.figure import Figure

from gpubench_kit.figures.row_marks import draw_axis, draw_ground, draw_hints, draw_mark, hint_lines
from gpubench_kit.figures.rows import Axis, Block, Row, RowChart
from gpubench_kit.figures.scales import Scale
from gpubench_kit.figures.sheet import PICTURE_SIZE, Box, Sheet, Sizes, open_sheet, sizes_of
from gpubench_kit.figures.style import Look
from gpubench_kit.figures.text import clean, text_width, wrap
from gpubench_kit.wording.numbers import count_text

#: Ways to fit rows into a picture, tried in turn: columns, whether text is small.
_WAYS = ((1, False), (1, True), (2, True), (3, True))
_SMALL = 0.8
#: Height of a row in lines of text: least with text of full size, least with small text, most.
_PITCH = {False: 1.3, True: 1.0}
_MOST_PITCH = 4.6
#: A picture of so few lines is drawn with larger text, as far as labels leave the marks their room.
_FEW_LINES, _LARGER, _LARGEST, _LABEL_SHARE = 7, 1.4, 1.6, 0.3
#: Height of a block's title in lines of text.
_TITLE_LINES = 1.85
#: Lines that the axis takes, and the space above the first row.
_BELOW, _ABOVE = 2.4, 0.6


@dataclass(frozen=True)
class _Line:
    """A block's title (``row`` is None) or a row."""

    text: str
    row: Row | None = None


@dataclass(frozen=True)
class _Column:
    """Places of one column [px]: the whole box, the plot in it and the hints above; whether values are short."""

    box: Box
    plot: Box
    hints: Box
    scale: Scale
    is_short: bool


def draw_in_picture(look: Look, chart: RowChart) -> Figure:
    """Return the chart as a picture; rows for which there is no room are counted on it."""
    look = _legible_from_afar(look, chart)
    sheet, box = open_sheet(look, chart.heading, height=PICTURE_SIZE[1])
    for count, is_small in _WAYS:
        sizes = _small(sizes_of(look)) if is_small else sizes_of(look)
        hints = len(hint_lines(chart.axis, sizes, width=box.width / (2 * count)))
        room = box.height - (_BELOW + _ABOVE + hints) * sizes.line
        columns, left_out = _in_columns(
            chart.blocks, count=count, line=sizes.line, room=room, least=_PITCH[is_small]
        )
        if not left_out:
            break
    sheet.sizes = sizes
    if left_out:
        text = f"{count_text(left_out, 'more row')}: see the table"
        sheet.text((box.right, box.bottom - 0.2 * sizes.line), text, role="muted", align="right")
        box = replace(box, bottom=box.bottom - sizes.line)
    gap = 3 * sizes.gap
    width = (box.width - gap * (len(columns) - 1)) / len(columns)
    parts = [replace(box, left=box.left + place * (width + gap)) for place in range(len(columns))]
    parts = [replace(part, right=part.left + width) for part in parts]
    placed = [_column(lines, chart.axis, sizes=sizes, box=part, is_short=len(columns) > 1)
              for lines, part in zip(columns, parts, strict=True)]  # fmt: skip
    pitch = min(_pitch(column, lines, sizes=sizes) for column, lines in zip(placed, columns, strict=True))
    for column, lines in zip(placed, columns, strict=True):
        _draw_column(sheet, column, lines=lines, axis=chart.axis, pitch=pitch)
    return sheet.figure


def _legible_from_afar(look: Look, chart: RowChart) -> Look:
    """Return the look with larger text where there are few rows, so that a film on a phone can be read."""
    larger = replace(look, scale=max(look.scale, min(look.scale * _LARGER, _LARGEST)))
    size, room = sizes_of(larger).text, _LABEL_SHARE * PICTURE_SIZE[0]
    rows = [row for block in chart.blocks for row in block.rows]
    texts = [text for row in rows for text in (row.label, row.text)]
    is_short = all(text_width(clean(text), size) <= room for text in texts)
    return larger if is_short and len(rows) + len(chart.blocks) <= _FEW_LINES else look


def _small(sizes: Sizes) -> Sizes:
    """Return sizes for many rows."""
    return replace(sizes, text=_SMALL * sizes.text, line=_SMALL * sizes.line, marker=_SMALL * sizes.marker)


def _in_columns(blocks: Sequence[Block], *, count: int, line: float, room: float, least: float):
    """Return the lines of each column, evenly filled, and how many rows found no place."""
    capacity = room - (count == _WAYS[-1][0]) * line  # room for the note on rows left out
    pieces = [_lines(block, capacity=capacity / line, least=least) for block in blocks]
    if len(pieces) == 1:
        pieces = [[one] for one in pieces[0]]
    heights = [_height(piece, least=least) * line for piece in pieces]
    for limit in (min(capacity, sum(heights) / count + max(heights) / 2), capacity):
        columns, placed = _filled(pieces, heights, count=count, limit=limit)
        if placed == len(pieces):
            break
    wanted = sum(len(block.rows) for block in blocks)
    return columns, wanted - sum(one.row is not None for column in columns for one in column)


def _filled(pieces: Sequence[list[_Line]], heights: Sequence[float], *, count: int, limit: float):
    """Return pieces put into columns one after the other, and how many found a place."""
    columns: list[list[_Line]] = [[]]
    filled = 0.0
    for number, (piece, height) in enumerate(zip(pieces, heights, strict=True)):
        is_full = bool(columns[-1]) and filled + height > limit
        if is_full and len(columns) == count:
            return columns, number
        if is_full:
            columns.append([])
            filled = 0.0
        columns[-1].extend(piece)
        filled += height
    return columns, len(pieces)


def _lines(block: Block, *, capacity: float, least: float) -> list[_Line]:
    """Return the lines of a block, no more than fit into a column where there is a title."""
    rows = [_Line(row.label, row) for row in block.rows]
    return [_Line(block.title), *rows[: max(1, int((capacity - _TITLE_LINES) / least))]] if block.title else rows


def _height(lines: Sequence[_Line], *, least: float) -> float:
    """Return the least height of lines, in lines of text."""
    return sum(_TITLE_LINES if line.row is None else least for line in lines)


def _column(lines: Sequence[_Line], axis: Axis, *, sizes: Sizes, box: Box, is_short: bool) -> _Column:
    """Return the places of a column: labels and values take what they need, up to a share."""
    rows = [line.row for line in lines if line.row is not None]
    texts = [row.short if is_short and row.short else row.text for row in rows]
    labels = min(max(text_width(clean(row.label), sizes.text) for row in rows) + 1, 0.4 * box.width)
    values = min(max(text_width(clean(text), sizes.text) for text in texts) + 1, 0.36 * box.width)
    left, right = box.left + labels + sizes.gap, box.right - values - sizes.gap
    hints = box if is_short else replace(box, left=left, right=right)
    top = box.top + sizes.line * (len(hint_lines(axis, sizes, width=hints.width)) + _ABOVE)
    scale = Scale(axis.low, axis.high, left + sizes.marker, right - sizes.marker)
    return _Column(box, Box(left, top, right, box.bottom - _BELOW * sizes.line), hints, scale, is_short)


def _pitch(column: _Column, lines: Sequence[_Line], *, sizes: Sizes) -> float:
    """Return the height of a row [px] with which a column is filled, up to the most."""
    titles = sum(line.row is None for line in lines)
    room = column.plot.height - titles * _TITLE_LINES * sizes.line
    return min(room / (len(lines) - titles), _MOST_PITCH * sizes.line)


def _draw_column(sheet: Sheet, column: _Column, *, lines: Sequence[_Line], axis: Axis, pitch: float) -> None:
    """Draw one column."""
    sizes, box, top = sheet.sizes, column.box, column.plot.top
    draw_hints(sheet, column.scale, axis=axis, box=column.hints)
    for line in lines:
        bottom = top + (pitch if line.row is not None else _TITLE_LINES * sizes.line)
        _draw_line(sheet, column, line=line, axis=axis, ends=(top, bottom))
        top = bottom
    label = wrap(axis.label, box.width, size=sizes.text)
    draw_axis(sheet, column.scale, label=label, box=replace(column.plot, top=top), bounds=(box.left, box.right))


def _draw_line(sheet: Sheet, column: _Column, *, line: _Line, axis: Axis, ends: tuple[float, float]) -> None:
    """Draw a title or a row between two heights."""
    sizes, box, plot = sheet.sizes, column.box, column.plot
    if line.row is None:
        text = wrap(line.text, box.width, size=sizes.text, bold=True)[0]
        sheet.text((box.left, ends[1] - 0.35 * sizes.line), text, bold=True)
        return
    lane = replace(plot, top=ends[0], bottom=ends[1])
    most = 2 if lane.height > 2.3 * sizes.line else 1
    label = wrap(line.text, plot.left - box.left - sizes.gap, size=sizes.text, lines=most)
    first = lane.middle + (0.3 - (len(label) - 1) / 2) * sizes.line
    for number, text in enumerate(label):
        sheet.text((box.left, first + number * sizes.line), text)
    text = line.row.short if column.is_short and line.row.short else line.row.text
    value = wrap(text, box.right - plot.right - sizes.gap, size=sizes.text)[0]
    sheet.text((box.right, lane.middle + 0.3 * sizes.line), value, align="right")
    draw_ground(sheet, column.scale, lane=lane, axis=axis)
    middle = lane.middle
    marks = replace(lane, top=max(lane.top, middle - sizes.line), bottom=min(lane.bottom, middle + sizes.line))
    for mark in line.row.marks:
        draw_mark(sheet, column.scale, mark=mark, lane=marks)
