"""The marks of a chart of rows, the ground behind them, and what stands around them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from gpubench_kit.figures.rows import Axis, Mark
from gpubench_kit.figures.scales import Scale, horizontal_ticks, tick_place
from gpubench_kit.figures.sheet import Box, Sheet, Sizes
from gpubench_kit.figures.text import text_width, wrap

_BAR_SHARE = {"bar": 0.66, "inner": 0.3}
_PALE = 0.4


def draw_ground(sheet: Sheet, scale: Scale, *, lane: Box, axis: Axis) -> None:
    """Draw margin band, tick lines and the line at zero behind a lane of marks."""
    if axis.band is not None:
        low, high = (scale(scale.clamp(end)) for end in axis.band)
        sheet.rectangle(Box(low, lane.top, high, lane.bottom), role="band")
    places = [scale(value) for value, _ in horizontal_ticks(scale, sheet.sizes)]
    sheet.segments([(x, lane.top, x, lane.bottom) for x in places], role="rule", width=sheet.sizes.stroke / 2)
    if axis.zero and scale.inside(0.0):
        x = scale(0.0)
        sheet.line([x, x], [lane.top, lane.bottom], role="axis", width=sheet.sizes.stroke)


def draw_mark(sheet: Sheet, scale: Scale, *, mark: Mark, lane: Box) -> None:
    """Draw one mark with its interval in the middle of a lane; a missing value draws nothing."""
    if not math.isfinite(mark.value):
        return
    if mark.kind != "point":
        half = _BAR_SHARE[mark.kind] * lane.height / 2
        ends = sorted((scale(scale.clamp(0.0)), scale(scale.clamp(mark.value))))
        bar = Box(ends[0], lane.middle - half, ends[1], lane.middle + half)
        sheet.rectangle(bar, role=mark.role, alpha=_PALE if mark.kind == "bar" else 1.0)
    _draw_interval(sheet, scale, mark=mark, lane=lane)
    if mark.kind == "point" and scale.inside(mark.value):
        sheet.marker((scale(mark.value), lane.middle), mark.shape, role=mark.role, hollow=mark.is_hollow)


def draw_ticks(sheet: Sheet, scale: Scale, *, base: float, bounds: tuple[float, float]) -> None:
    """Write the tick texts on a base line, within horizontal bounds."""
    for value, text in horizontal_ticks(scale, sheet.sizes):
        x = tick_place(scale(value), text, size=sheet.sizes.text, bounds=bounds)
        sheet.text((x, base), text, role="muted", align="center")


def draw_axis(sheet: Sheet, scale: Scale, *, label: Sequence[str], box: Box, bounds=None) -> None:
    """Write ticks and the lines of the axis label from the top of a box; ``bounds`` may let the label spread."""
    line, (left, right) = sheet.sizes.line, bounds or (box.left, box.right)
    draw_ticks(sheet, scale, base=box.top + 0.9 * line, bounds=(box.left, box.right))
    for number, text in enumerate(label):
        x = tick_place((box.left + box.right) / 2, text, size=sheet.sizes.text, bounds=(left, right))
        sheet.text((x, box.top + (number + 1.9) * line), text, role="muted", align="center")


def hint_lines(axis: Axis, sizes: Sizes, *, width: float) -> list[tuple[str, str, str]]:
    """Return the texts above the marks (left, middle, right), in one line or two as they fit."""
    left = f"\u2190 {axis.left_text}" if axis.left_text else ""
    right = f"{axis.right_text} \u2192" if axis.right_text else ""
    used = [text_width(text, sizes.text) for text in (left, axis.band_text, right)]
    if not any(used):
        return []
    # The band need not lie in the middle: its text wants room to stand close to it.
    if sum(used) + 8 * sizes.gap <= width * 0.85 or min(sum(used[:2]), sum(used[1:])) == 0:
        return [(left, axis.band_text, right)]
    sides = [(left, "", right)] if used[0] + used[2] + sizes.gap <= width else [(left, "", ""), ("", "", right)]
    return [*sides, ("", axis.band_text, "")] if axis.band_text else sides


def draw_hints(sheet: Sheet, scale: Scale, *, axis: Axis, box: Box) -> None:
    """Write what lies to the left and right of zero, and what the band is, from the top of a box."""
    for number, (left, middle, right) in enumerate(hint_lines(axis, sheet.sizes, width=box.width)):
        base = box.top + (number + 0.8) * sheet.sizes.line
        left_end = right_end = 0.0
        if left or right:
            sheet.text((box.left, base), left, role="muted")
            sheet.text((box.right, base), right, role="muted", align="right")
            left_end, right_end = (text_width(text, sheet.sizes.text) + sheet.sizes.gap for text in (left, right))
        if middle:
            _draw_band_text(sheet, scale, axis=axis, base=base, bounds=(box.left + left_end, box.right - right_end))


def _draw_band_text(sheet: Sheet, scale: Scale, *, axis: Axis, base: float, bounds: tuple[float, float]) -> None:
    """Write what the band is, centred on the band as far as there is room."""
    text = wrap(axis.band_text, bounds[1] - bounds[0], size=sheet.sizes.text)[0]
    band = axis.band or (scale.low, scale.high)
    x = tick_place(scale(scale.clamp(sum(band) / 2)), text, size=sheet.sizes.text, bounds=bounds)
    sheet.text((x, base), text, role="muted", align="center")


def _draw_interval(sheet: Sheet, scale: Scale, *, mark: Mark, lane: Box) -> None:
    """Draw an interval; where it leaves the scale an arrow head points on."""
    if not (math.isfinite(mark.low) and math.isfinite(mark.high)):
        return
    y, role = lane.middle, mark.role if mark.kind == "point" else "ink"
    left, right = (scale(scale.clamp(end)) for end in (mark.low, mark.high))
    half = 0.2 * lane.height
    ends = ((left, mark.low, "<"), (right, mark.high, ">"))
    caps = [(x, y - half, x, y + half) for x, end, _ in ends if scale.inside(end)]
    sheet.segments([(left, y, right, y), *caps], role=role)
    for x, _, shape in (one for one in ends if not scale.inside(one[1])):
        sheet.marker((x, y), shape, role=role)
