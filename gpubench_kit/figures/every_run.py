"""Every run of a game as small multiples: frame times side by side on one scale, in the order of the evening."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.pieces import draw_pieces, longest_drawn, pieces_table
from gpubench_kit.figures.plots import Plot, key_lines, write_key
from gpubench_kit.figures.scales import Scale
from gpubench_kit.figures.sheet import PAGE_WIDTH, PICTURE_SIZE, Box, Heading, Sheet, open_sheet, sizes_of
from gpubench_kit.figures.style import Look, series_shape
from gpubench_kit.figures.subjects import SUBJECT, places_of, subject_names
from gpubench_kit.figures.text import clean, text_width, wrap
from gpubench_kit.file_names import slug
from gpubench_kit.logs.run_facts import RunFacts, Trace
from gpubench_kit.wording.numbers import count_text, duration_text, number_text
from gpubench_kit.wording.terms import names_text, scene_text

#: Cells in a row, and lines of text that a cell is high without its label: on a page.
_PAGE_CELLS, _PAGE_LINES = 4, 2.6


@dataclass(frozen=True)
class _Cell:
    """One run: its name, series, frame times, whether something was found in it, whether it enters verdicts."""

    run: str
    place: int
    trace: Trace
    is_marked: bool
    is_used: bool

    @property
    def role(self) -> str:
        """Colour of its frame times."""
        return f"series-{self.place % 8}" if self.is_used else "muted"


@dataclass(frozen=True)
class _Multiples:
    """All cells, the ends of their shared scales [s, ms], and the key of their colours."""

    cells: tuple[_Cell, ...]
    end_s: float
    top_ms: float
    key: tuple[tuple[str, int], ...]


def draw_every_run(facts: Iterable[RunFacts], plan, *, runs: pd.DataFrame, scene: tuple[str, str],
                   marked: Collection[str] = ()) -> DescribedFigure | None:  # fmt: skip
    """Draw the frame times of every run of a game and setting that has a log, left out or not.

    Parameters
    ----------
    facts : facts of the runs; see `gpubench_kit.logs.run_facts.RunFacts`
    plan : ReviewPlan, gives names and style
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting ('' for the only one)
    marked : runs in which something was found

    Returns
    -------
    DescribedFigure; None when no run of the game has a trace
    """
    by_run = {one.run: one for one in facts if one.trace is not None}
    rows = runs[(runs["game"] == scene[0]) & (runs["setting"] == scene[1]) & runs["run"].isin(by_run)]
    if not len(rows):
        return None
    rows = rows.sort_values("order_done" if rows["order_done"].notna().all() else "order", kind="stable")
    shown = [by_run[run] for run in rows["run"]]
    places, names = places_of(runs, plan), subject_names(runs, plan)
    keys = list(rows[SUBJECT].itertuples(index=False, name=None))
    used = runs.set_index("run")["used"].fillna(True).astype(bool)
    cells = tuple(
        _Cell(one.run, places[key], one.trace, one.run in marked, bool(used[one.run]))
        for one, key in zip(shown, keys, strict=True)
    )
    end_s, top_ms = max(one.duration_s for one in shown) or 1.0, longest_drawn([one.trace for one in shown])
    key = sorted(((names[one], places[one]) for one in set(keys)), key=lambda entry: entry[1])
    multiples = _Multiples(cells, end_s, top_ms, tuple(key))
    title = f"Every run: {scene_text(*scene)}"
    found = [cell.run for cell in cells if cell.is_marked]
    scales = f"Each box: 0 to {number_text(top_ms, decimals=0)} ms upward, 0 to {duration_text(end_s)} across."
    return DescribedFigure(
        name=slug("every-run", *scene),
        data=pieces_table(shown),
        caption=f"{title}, in the order of the evening, all on one scale.",
        alternative_text=f"{title}. {_told(shown, found)}",
        drawing=partial(_draw, heading=Heading(title, scales, _note(cells)), multiples=multiples),
        style=plan.style,
    )


def _note(cells: Sequence[_Cell]) -> str:
    """Return how to read marks and grey."""
    told = ["A triangle: something was found in this run."] if any(one.is_marked for one in cells) else []
    told += ["Grey: it does not enter verdicts."] if not all(one.is_used for one in cells) else []
    return " ".join(told)


def _told(shown: Sequence[RunFacts], found: Sequence[str]) -> str:
    """Return what the small multiples show: how many runs, the longest frame, the runs marked."""
    longest = max(shown, key=lambda one: one.longest_ms)
    told = f"{count_text(len(shown), 'run')}; the longest frame, {number_text(longest.longest_ms, decimals=0)} ms, "
    told += f"is in run {longest.run}, {number_text(longest.longest_at_s, decimals=0)} s in."
    return f"{told} Marked: {names_text(found)}." if found else f"{told} None is marked."


def _draw(look: Look, *, heading: Heading, multiples: _Multiples) -> Figure:
    """Return the figure."""
    sizes = sizes_of(look)
    per_row, lines = _grid(len(multiples.cells), is_picture=look.is_picture)
    n_rows = -(-len(multiples.cells) // per_row)
    width = (PICTURE_SIZE[0] if look.is_picture else PAGE_WIDTH) - 2 * sizes.margin
    entries = key_lines(multiples.key, sizes, width=width)
    above = (len(entries) + 0.4) * sizes.line
    sheet, box = open_sheet(look, heading, height=above + n_rows * (lines + 1.3) * sizes.line)
    for number, line in enumerate(entries):
        write_key(sheet, line, left=box.left, middle=box.top + (number + 0.5) * sizes.line)
    high, wide = (box.bottom - box.top - above) / n_rows, (box.width + sizes.gap) / per_row
    for number, cell in enumerate(multiples.cells):
        left, top = box.left + number % per_row * wide, box.top + above + number // per_row * high
        _draw_cell(sheet, Box(left, top, left + wide - sizes.gap, top + high), cell=cell, multiples=multiples)
    return sheet.figure


def _grid(count: int, *, is_picture: bool) -> tuple[int, float]:
    """Return cells in a row, and lines of text that the frame times of a cell are high."""
    if not is_picture:
        return _PAGE_CELLS, _PAGE_LINES
    return max(_PAGE_CELLS, round((3 * count) ** 0.5)), _PAGE_LINES


def _draw_cell(sheet: Sheet, box: Box, *, cell: _Cell, multiples: _Multiples) -> None:
    """Draw one run: its name above, frame times below, a mark where something was found."""
    sizes = sheet.sizes
    room = Box(box.left, box.top + 1.1 * sizes.line, box.right, box.bottom - 0.2 * sizes.line)
    sheet.rectangle(room, role="band", alpha=0.55)
    _write_label(sheet, box, cell)
    x, y = Scale(0.0, multiples.end_s, room.left, room.right), Scale(0.0, multiples.top_ms, room.bottom, room.top)
    draw_pieces(Plot(sheet, room, x, y), cell.trace, role=cell.role, width=0.7 * sizes.stroke)


def _write_label(sheet: Sheet, box: Box, cell: _Cell) -> None:
    """Write the name of a run after the mark of its tuning, with a triangle behind it where something was found."""
    sizes, middle = sheet.sizes, box.top + 0.55 * sheet.sizes.line
    sheet.marker((box.left + 0.6 * sizes.marker, middle), series_shape(cell.place), role=cell.role,
                 size=0.8 * sizes.marker)  # fmt: skip
    left = box.left + 1.7 * sizes.marker
    room = box.right - left - (1.8 * sizes.marker if cell.is_marked else 0.0)
    name = wrap(cell.run, room, size=sizes.text, lines=1, bold=cell.is_marked)[0]
    sheet.text((left, box.top + 0.85 * sizes.line), name, bold=cell.is_marked,
               role="ink" if cell.is_used else "muted")  # fmt: skip
    if cell.is_marked:
        behind = left + text_width(clean(name), sizes.text, bold=True) + 1.1 * sizes.marker
        sheet.marker((behind, middle), "v", role="ink", size=0.9 * sizes.marker)
