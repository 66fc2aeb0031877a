"""A chart of rows for a narrow page: each label above its marks, so long names never squeeze the marks.

Where there are many rows and all labels are short, a row takes one line: label, marks, value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from matplotlib.figure import Figure

from gpubench_kit.figures.row_marks import draw_axis, draw_ground, draw_hints, draw_mark, draw_ticks, hint_lines
from gpubench_kit.figures.rows import Axis, Block, Row, RowChart
from gpubench_kit.figures.scales import Scale
from gpubench_kit.figures.sheet import PAGE_WIDTH, Box, Sheet, Sizes, open_sheet, sizes_of
from gpubench_kit.figures.style import Look
from gpubench_kit.figures.text import clean, text_width, wrap

_LABEL_LINES = 4
#: Charts taller than this [px] have their ticks at the top as well.
_TALL = 560
#: From so many blocks on a row takes one line, unless label and value together need more than this share of it.
_MANY_BLOCKS, _BESIDE_SHARE = 4, 0.5


@dataclass(frozen=True)
class _Beside:
    """Room for labels to the left of the marks and for values to the right [px]; none where they stand above."""

    label: float = 0.0
    value: float = 0.0

    @property
    def is_used(self) -> bool:
        """Whether labels and values stand beside the marks."""
        return self.label > 0


@dataclass(frozen=True)
class _Line:
    """A block's title, or a row (label lines, whether its value stands on a line of its own); height in px."""

    height: float
    texts: tuple[str, ...]
    row: Row | None = None
    value_below: bool = False


def draw_on_page(look: Look, chart: RowChart) -> Figure:
    """Return the chart for a page, as tall as needed."""
    sizes, axis = sizes_of(look), chart.axis
    room = PAGE_WIDTH - 2 * sizes.margin
    beside = _room_beside(chart.blocks, sizes, room=room)
    lines = _all_lines(chart.blocks, sizes, room=room, beside=beside)
    rows_height = sum(line.height for line in lines)
    label = wrap(axis.label, room, size=sizes.text, lines=2)
    head = len(hint_lines(axis, sizes, width=room)) + (rows_height > _TALL)
    above, below = head * sizes.line + sizes.gap / 2, (1 + len(label)) * sizes.line
    sheet, box = open_sheet(look, chart.heading, height=above + rows_height + below)
    left, right = box.left + beside.label, box.right - beside.value
    scale = Scale(axis.low, axis.high, left + sizes.marker, right - sizes.marker)
    draw_hints(sheet, scale, axis=axis, box=box)
    if rows_height > _TALL:
        draw_ticks(sheet, scale, base=box.top + (head - 0.2) * sizes.line, bounds=(left, right))
    y = box.top + above
    for line in lines:
        place = replace(box, top=y, bottom=y + line.height)
        if line.row is not None and beside.is_used:
            _draw_one_line(sheet, scale, row=line.row, axis=axis, box=place, beside=beside)
        else:
            _draw_line(sheet, scale, line=line, axis=axis, box=place)
        y += line.height
    draw_axis(sheet, scale, label=label, box=replace(box, top=y, left=left, right=right))
    return sheet.figure


def _room_beside(blocks: Sequence[Block], sizes: Sizes, *, room: float) -> _Beside:
    """Return the room that labels and short values take beside the marks, where rows are many and texts short."""
    rows = [row for block in blocks for row in block.rows]
    label, value = (
        max(text_width(clean(text), sizes.text) for text in texts) + sizes.gap
        for texts in ([row.label for row in rows], [row.short or row.text for row in rows])
    )
    is_fit = len(blocks) >= _MANY_BLOCKS and label + value <= _BESIDE_SHARE * room
    return _Beside(label, value) if is_fit else _Beside()


def _all_lines(blocks: Sequence[Block], sizes: Sizes, *, room: float, beside: _Beside) -> list[_Line]:
    """Return the lines of all blocks."""
    lines = []
    for block in blocks:
        title = wrap(block.title, room, size=sizes.text, lines=_LABEL_LINES, bold=True) if block.title else []
        space = 0.5 * sizes.line if lines else 0.0
        lines += [_Line(space + (len(title) + 0.25) * sizes.line, tuple(title))] if title else []
        if beside.is_used:
            lines += [_Line(1.2 * sizes.line, (), row) for row in block.rows]
        else:
            lines += [_row_line(row, sizes, room=room) for row in block.rows]
    return lines


def _row_line(row: Row, sizes: Sizes, *, room: float) -> _Line:
    """Return a row; its value stands below a label that leaves it no room."""
    value = text_width(clean(row.text), sizes.text)
    label = wrap(row.label, room, size=sizes.text, lines=_LABEL_LINES)
    below = bool(row.text) and text_width(label[-1], sizes.text) + value + 2 * sizes.gap > room
    height = (len(label) + below) * sizes.line + 2 * sizes.marker + 1.3 * sizes.gap
    return _Line(height, tuple(label), row, below)


def _draw_line(sheet: Sheet, scale: Scale, *, line: _Line, axis: Axis, box: Box) -> None:
    """Draw a title or a row into its box."""
    sizes = sheet.sizes
    if line.row is None:
        _write(sheet, line.texts, left=box.left, base=box.bottom - (len(line.texts) - 0.6) * sizes.line, bold=True)
        return
    base = box.top + 0.8 * sizes.line
    _write(sheet, line.texts, left=box.left, base=base, bold=False)
    count = len(line.texts) + line.value_below
    value = wrap(line.row.text, box.width, size=sizes.text)[0]
    sheet.text((box.right, base + (count - 1) * sizes.line), value, align="right")
    top = box.top + count * sizes.line + 0.2 * sizes.gap
    lane = Box(box.left, top, box.right, top + 2 * sizes.marker)
    draw_ground(sheet, scale, lane=lane, axis=axis)
    for mark in line.row.marks:
        draw_mark(sheet, scale, mark=mark, lane=lane)


def _draw_one_line(sheet: Sheet, scale: Scale, *, row: Row, axis: Axis, box: Box, beside: _Beside) -> None:
    """Draw a row into its box: label, marks and value on one line."""
    base = box.middle + 0.28 * sheet.sizes.line
    sheet.text((box.left, base), row.label)
    sheet.text((box.right, base), row.short or row.text, align="right")
    half = sheet.sizes.marker
    lane = Box(box.left + beside.label, box.middle - half, box.right - beside.value, box.middle + half)
    draw_ground(sheet, scale, lane=lane, axis=axis)
    for mark in row.marks:
        draw_mark(sheet, scale, mark=mark, lane=lane)


def _write(sheet: Sheet, texts: Sequence[str], *, left: float, base: float, bold: bool) -> None:
    """Write lines of text below each other."""
    for number, text in enumerate(texts):
        sheet.text((left, base + number * sheet.sizes.line), text, bold=bold)
