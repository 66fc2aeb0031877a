"""Several plots below each other on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from gpubench_kit.figures.plots import Ends, Plot, key_lines, lay_plot, tick_room, write_key, write_x_axis
from gpubench_kit.figures.sheet import PAGE_WIDTH, PICTURE_SIZE, Box, Heading, Sheet, open_sheet, sizes_of
from gpubench_kit.figures.style import Look

#: Height of a lane with its title, in lines of text: on a page, and the least in a picture.
_PAGE_LANE, _LEAST_LANE = 6.8, 3.6


def open_lanes(look: Look, *, heading: Heading, x: Ends, lanes: Sequence[Ends],
               key: Sequence[tuple[str, int]] = ()) -> list[Plot]:  # fmt: skip
    """Return empty plots below each other, the x axis below the last one.

    Parameters
    ----------
    look : colours, sizes and shape
    heading : title, subtitle and note
    x : ends and label of the shared axis
    lanes : value axis of each lane, at least one
    key : name and series of each kind of line

    Returns
    -------
    list of `Plot`; in a picture fewer than asked for where they would be too low, which the picture says
    """
    sizes = sizes_of(look)
    width = (PICTURE_SIZE[0] if look.is_picture else PAGE_WIDTH) - 2 * sizes.margin
    entries = key_lines(key, sizes, width=width)
    above, below = len(entries) * sizes.line, 2 * sizes.line
    sheet, box = open_sheet(look, heading, height=above + below + len(lanes) * _PAGE_LANE * sizes.line)
    for number, line in enumerate(entries):
        write_key(sheet, line, left=box.left, middle=box.top + (number + 0.5) * sizes.line, is_line=True)
    room = replace(box, top=box.top + above, bottom=box.bottom - below)
    shown = min(len(lanes), max(1, int(room.height / (_LEAST_LANE * sizes.line))))
    if shown < len(lanes):
        text = f"{len(lanes) - shown} more on the page"
        sheet.text((box.right, box.bottom - 0.1 * sizes.line), text, role="muted", align="right")
        room = replace(room, bottom=room.bottom - sizes.line)
    plots = _lay_lanes(sheet, room, x=x, lanes=lanes[:shown])
    write_x_axis(plots[-1], x.label)
    return plots


def _lay_lanes(sheet: Sheet, room: Box, *, x: Ends, lanes: Sequence[Ends]) -> list[Plot]:
    """Return the plots, their value axes in line."""
    height = room.height / len(lanes)
    tops = [room.top + number * height for number in range(len(lanes))]
    boxes = [replace(room, top=top, bottom=top + height - 0.5 * sheet.sizes.line) for top in tops]
    pairs = list(zip(boxes, lanes, strict=True))
    indent = max(tick_room(box, lane, sizes=sheet.sizes) for box, lane in pairs)
    return [lay_plot(sheet, box, x=x, y=lane, indent=indent) for box, lane in pairs]
