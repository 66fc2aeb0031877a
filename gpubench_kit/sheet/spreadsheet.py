"""A reviewer's own table to runs: where the heading is, what the rows are, which numbers are which metric's."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from gpubench_kit.model.errors import shown
from gpubench_kit.model.words import fold, known_unit, words_of
from gpubench_kit.sheet.headings import Meaning, Read, is_summary, is_words, meaning_of, number_in, role_of
from gpubench_kit.sheet.log_names import names_reference, names_tuning, word_set
from gpubench_kit.sheet.text import Grid

Cells = tuple[str, ...]

#: Share of a column's cells that are numbers, from which it is a column of numbers, or at most, of words.
_NUMBERS, _WORDS = 0.3, 0.2
_NUMBERED = re.compile(r"(.*?)[\s_#-]*(?:run|lauf|r|round|runde)?[\s_#-]*(\d{1,2})", re.IGNORECASE)


@dataclass(frozen=True)
class TypedRun:
    """One run of a table: its line, its cells by column of the run sheet, its numbers by column of the table."""

    line: int
    cells: Mapping[str, str]
    numbers: Mapping[str, Read]


@dataclass(frozen=True)
class TypedTable:
    """A table that was understood.

    Attributes
    ----------
    title : name of the sheet, or of the part of it
    runs : one for each run
    meanings : heading of each column of numbers -> metric and how sure it is
    notes : what was left out, and why
    doubts : what the table does not say: ``games``, ``tunings`` (which words are which), ``numbers`` (which metric)
    """

    title: str
    runs: tuple[TypedRun, ...]
    meanings: Mapping[str, Meaning]
    notes: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def n_values(self) -> int:
        """Number of values of the metrics found."""
        return sum(heading in self.meanings for run in self.runs for heading in run.numbers)


@dataclass
class _Body:
    """Rows below a heading: line, the name between rows above it, the cells."""

    head: Cells
    upper: Cells = ()
    title: str = ""
    rows: list[tuple[int, str, Cells]] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def column(self, place: int) -> list[str]:
        """Return the cells of one column."""
        return [cells[place] for _, _, cells in self.rows]

    def filled(self, place: int) -> list[str]:
        """Return the cells of a column of words, those below one that stands for several rows filled in."""
        last, out = "", []
        for cell in self.column(place):
            last = cell or last
            out.append(" ".join(last.split()))
        return out

    @property
    def number_columns(self) -> list[int]:
        """Places of the columns of numbers."""
        return [place for place in range(len(self.head)) if self._share(place, number_in) >= _NUMBERS]

    @property
    def word_columns(self) -> list[int]:
        """Places of the columns of words."""
        places = range(len(self.head))
        return [
            one for one in places if any(map(is_words, self.column(one))) and self._share(one, number_in) <= _WORDS
        ]

    def _share(self, place: int, test) -> float:
        """Return the share of rows whose cell passes a test."""
        return sum(bool(cell and test(cell)) for cell in self.column(place)) / max(1, len(self.rows))


def read_tables(grid: Grid) -> list[TypedTable]:
    """Find the tables of runs in a sheet.

    Parameters
    ----------
    grid : the sheet

    Returns
    -------
    list of TypedTable: usually one; none where no row of words stands above rows with numbers. A sheet with several
    headings that differ holds several tables
    """
    tables = []
    beside = [_without_empty_columns(part) for part in _side_by_side(list(grid.rows))]
    parts = [part for one in beside for part in _one_below_another(one)]
    for part in parts:
        body = _body_of(part)
        if body is not None and body.rows:
            table = _table_of(body, grid.title)
            tables += [table] if table.runs else []
    named = len(tables) > 1
    return [
        replace(
            one,
            title=f"{one.title}, row {one.runs[0].line}" if named else one.title,
            notes=(*grid.notes, *one.notes),
        )
        for one in tables
    ]


def _without_empty_columns(rows: list[tuple[int, Cells]]) -> list[tuple[int, Cells]]:
    """Return rows without columns that hold nothing, and without rows that then hold nothing."""
    width = len(rows[0][1]) if rows else 0
    kept = [place for place in range(width) if any(cells[place] for _, cells in rows)]
    return [
        (line, tuple(cells[place] for place in kept)) for line, cells in rows if any(cells[one] for one in kept)
    ]


def _side_by_side(rows: list[tuple[int, Cells]]) -> list[list[tuple[int, Cells]]]:
    """Return tables beside one another: parts between empty columns that each have a heading of their own."""
    width = len(rows[0][1]) if rows else 0
    empty = [place for place in range(width) if not any(cells[place] for _, cells in rows)]
    edges = [-1, *empty, width]
    spans = [(first + 1, last) for first, last in itertools.pairwise(edges) if last - first > 2]
    parts = [[(line, cells[first:last]) for line, cells in rows if any(cells[first:last])] for first, last in spans]
    whole = [part for part in parts if _heading_place(part) is not None and _has_words(part)]
    return parts if len(spans) > 1 and len(whole) == len(spans) else [rows]


def _has_words(part: list[tuple[int, Cells]]) -> bool:
    """Return whether a part has a column of words, so that it can name its own rows."""
    place = _heading_place(part)
    return place is not None and any(is_words(cells[0]) for _, cells in part[place + 1 :])


def _one_below_another(rows: list[tuple[int, Cells]]) -> list[list[tuple[int, Cells]]]:
    """Return tables below one another: a further heading that differs from the first begins another one."""
    starts, seen = [], None
    place = _heading_place(rows)
    while place is not None:
        head = tuple(fold(cell) for cell in rows[place][1] if cell)
        if seen is None or head != seen:
            starts.append(place)
            seen = seen or head
        further = _heading_place(rows[place + 1 :])
        place = None if further is None else place + 1 + further
    if len(starts) < 2:
        return [rows]
    bounds = [0, *starts[1:], len(rows)]
    return [_without_empty_columns(rows[first:last]) for first, last in itertools.pairwise(bounds)]


def _heading_place(rows: Sequence[tuple[int, Cells]]) -> int | None:
    """Return the place of the first row of words above a row with numbers; None where there is none."""
    for place, (_, cells) in enumerate(rows[:-1]):
        words = [cell for cell in cells if cell]
        below = next((one for _, one in rows[place + 1 :] if sum(map(bool, one)) >= 2 and not _is_units(one)), None)
        is_heading = len(words) >= 2 and all(map(is_words, words)) and not _is_units(cells)
        if (
            is_heading
            and below is not None
            and any(head and number_in(cell) for head, cell in zip(cells, below, strict=True) if cell)
        ):
            return place
    return None


def _is_units(cells: Cells) -> bool:
    """Return whether a row holds units and nothing else."""
    given = [cell.strip("[]() ") for cell in cells if cell]
    return bool(given) and all(known_unit(cell) is not None for cell in given)


def _body_of(rows: list[tuple[int, Cells]]) -> _Body | None:
    """Return the rows below the heading, without those that repeat it or sum up others."""
    place = _heading_place(rows)
    if place is None:
        return None
    head = rows[place][1]
    above = [cells for _, cells in rows[:place]]
    upper = above[-1] if above and _is_upper(above[-1], head) else ()
    titles = [cell for cells in above[: len(above) - bool(upper)] for cell in cells if cell]
    body = _Body(head, upper, title=titles[-1] if titles else "")
    section, is_parted = "", False
    for line, cells in rows[place + 1 :]:
        given = [cell for cell in cells if cell]
        if len(given) == 1 and cells[0] and is_words(cells[0]):
            section, is_parted = ("", is_parted) if is_summary(cells[0]) else (" ".join(cells[0].split()), True)
        elif [fold(cell) for cell in given] == [fold(cell) for cell in head if cell]:
            continue
        elif _is_units(cells):
            body.units = body.units or [cell.strip("[]() ") for cell in cells]
        elif any(is_words(cell) and is_summary(cell) and not names_tuning(fold(cell)) for cell in cells[:2]):
            body.notes.append(
                f"Row {line} ({shown(next(filter(is_words, cells)))}) sums up others and is left out."
            )
        else:
            body.rows.append((line, section, cells))
    if is_parted:
        first = body.title or ""
        body.rows = [(line, part or first, cells) for line, part, cells in body.rows]
    body.notes = _few(body.notes)
    return body


def _few(notes: list[str]) -> list[str]:
    """Return the first of many notes that say the same, with the number of the others."""
    return notes[:1] + [f"And {len(notes) - 1} more rows like it."] * (len(notes) > 1)


def _is_upper(cells: Cells, head: Cells) -> bool:
    """Return whether a row above the heading is the upper storey of it: its words stand above repeated ones."""
    given = [cell for cell in head if cell]
    return sum(map(bool, cells)) >= 2 and len({fold(cell) for cell in given}) < len(given)


def _table_of(body: _Body, sheet: str) -> TypedTable:
    """Return the runs of a table, whatever its shape."""
    units = _units_of(body)
    headings = dict(zip(range(len(body.head)), _unique(body.head), strict=True))
    roles = {place: role for place, head in enumerate(body.head) if head and (role := role_of(head))}
    numeric = [place for place in body.number_columns if roles.get(place) not in _COUNTING and body.head[place]]
    meanings = {place: meaning_of(body.head[place], units[place]) for place in numeric}
    wide = [
        place
        for place in numeric
        if not meanings[place].metric and not bool(words_of(body.head[place]) & _OTHER_PARTS)
    ]
    tunings = [place for place in wide if _is_tuning(body.head[place])]
    if body.upper:
        return _two_storeys(body, sheet, meanings, roles)
    if len(wide) >= 2 and (len(tunings) >= len(wide) / 2 or not any(one.metric for one in meanings.values())):
        return _wide(body, sheet, wide, units=units)
    place_of = {role: place for place, role in reversed(roles.items())}
    doubts = []
    free = [place for place in body.word_columns if place not in roles]
    if "tuning" not in place_of:
        likely = [one for one in free if _share_of_tunings(body.column(one)) > 0.5]
        place_of |= {"tuning": likely[0]} if likely else {}
        doubts += [] if likely else ["tunings"]
    has_sections = any(section for _, section, _ in body.rows)
    if "game" not in place_of and not has_sections:
        rest = [one for one in free if one != place_of.get("tuning")]
        place_of |= {"game": rest[0]} if rest else {}
        doubts.append("games")
    texts = {role: body.filled(place) for role, place in place_of.items() if role in _FILLED}
    metrics = [place for place, one in meanings.items() if one.metric]
    runs = []
    for index, (line, section, cells) in enumerate(body.rows):
        own = {role: column[index] for role, column in texts.items()} | ({"game": section} if section else {})
        own |= {role: cells[place_of[role]] for role in ("run", "round", "order", "note") if role in place_of}
        numbers = {headings[place]: found for place, found in _number_cells(body, cells, metrics, line)}
        runs += [TypedRun(line, own, numbers)] if numbers else []
    left = [headings[place] for place, one in meanings.items() if not one.metric]
    notes = [*body.notes, *([f"Columns left out: {', '.join(map(shown, left))}."] if left else [])]
    known = {headings[place]: one for place, one in meanings.items() if one.metric}
    return TypedTable(sheet, tuple(runs), known, tuple(notes), tuple(doubts))


_OTHER_PARTS = word_set("cpu processor prozessor min max")

#: Roles of columns whose numbers count rows.
_COUNTING = ("run", "round", "order", "session", "game", "tuning")


def _is_tuning(text: str) -> bool:
    """Return whether a text names a tuning, with or without the number of a run behind it."""
    parted = _NUMBERED.fullmatch(text.strip())
    stem = parted[1] if parted and parted[1].strip() else text
    return any(names_tuning(fold(one).strip()) for one in (text, stem)) or names_reference(text)


def _unique(head: Cells) -> list[str]:
    """Return headings, those that stand twice with their number."""
    count: Counter[str] = Counter()
    out = []
    for cell in head:
        count[cell] += 1
        out.append(cell if count[cell] == 1 else f"{cell} ({count[cell]})")
    return out


def _units_of(body: _Body) -> list[str]:
    """Return the unit of each column: of the row of units, else the one behind all its numbers."""
    units = body.units or [""] * len(body.head)
    for place in range(len(body.head)):
        behind = {found.unit for cell in body.column(place) if (found := number_in(cell)) and found.unit}
        if len(behind) == 1 and not units[place]:
            units[place] = behind.pop()
    return units


def _number_cells(body: _Body, cells: Cells, places: Iterable[int], line: int) -> Iterator[tuple[int, Read]]:
    """Yield the numbers of a row; what is no number is left empty with a note."""
    for place in places:
        found = number_in(cells[place]) if cells[place] else None
        if found:
            yield place, found
        elif cells[place] and cells[place] not in ("-", "–", "—", "n/a", "N/A"):
            body.notes.append(
                f"Row {line}: {shown(cells[place])} below {shown(body.head[place])} is no number: left empty."
            )


#: Columns of names, in which a merged or blank cell stands for the one above it.
_FILLED = ("game", "tuning", "setting", "session", "card")


def _share_of_tunings(cells: list[str]) -> float:
    """Return the share of a column's words that name tunings."""
    given = [cell for cell in cells if cell]
    return sum(map(_is_tuning, given)) / len(given) if given else 0.0


def _two_storeys(body: _Body, sheet: str, meanings: Mapping[int, Meaning], roles: Mapping[int, str]) -> TypedTable:
    """Return the runs of a table whose upper heading names the tunings."""
    upper, last = [], ""
    for cell in body.upper:
        last = cell or last
        upper.append(" ".join(last.split()))
    game = next((place for place in body.word_columns if roles.get(place, "game") == "game"), None)
    games = body.filled(game) if game is not None else [""] * len(body.rows)
    run = next((place for place, role in roles.items() if role in ("run", "round")), None)
    metrics = [place for place, one in meanings.items() if one.metric and upper[place]]
    runs = []
    for index, (line, section, cells) in enumerate(body.rows):
        found = dict(_number_cells(body, cells, metrics, line))
        for tuning in dict.fromkeys(upper[place] for place in found):
            numbers = {body.head[place]: one for place, one in found.items() if upper[place] == tuning}
            own = {"game": games[index] or section, "tuning": tuning}
            runs.append(TypedRun(line, own | ({"run": cells[run]} if run is not None else {}), numbers))
    known = {body.head[place]: meanings[place] for place in metrics}
    return TypedTable(sheet, tuple(runs), known, tuple(body.notes), () if game is not None else ("games",))


def _wide(body: _Body, sheet: str, wide: list[int], *, units: list[str]) -> TypedTable:
    """Return the runs of a table with a column for each tuning (or each game), of one metric."""
    first = next(iter(body.word_columns), None)
    names = body.filled(first) if first is not None else [section for _, section, _ in body.rows]
    texts = [body.title, sheet, body.head[first] if first is not None else ""]
    meanings = [meaning_of(text) for text in texts] + [meaning_of("", units[wide[0]])]
    meaning = next((one for one in meanings if one.metric), Meaning())
    is_turned = _share_of_tunings(names) > 0.5 and not any(_is_tuning(body.head[place]) for place in wide)
    doubts = [] if is_turned or any(_is_tuning(body.head[place]) for place in wide) else ["tunings"]
    runs = []
    for index, (line, section, cells) in enumerate(body.rows):
        for place, found in _number_cells(body, cells, wide, line):
            parted = None if is_turned else _NUMBERED.fullmatch(body.head[place].strip())
            numbered = parted if parted and parted[1].strip() and _is_many(body, wide, parted[1]) else None
            label = numbered[1].strip() if numbered else " ".join(body.head[place].split())
            own = {"game": label, "tuning": names[index]} if is_turned else {"game": names[index], "tuning": label}
            own |= {"run": numbered[2]} if numbered else {}
            runs.append(
                TypedRun(line, own | ({"game": section} if section and not is_turned else {}), {_VALUES: found})
            )
    doubts += [] if meaning.metric else ["numbers"]
    known = {_VALUES: meaning if meaning.metric else Meaning("avg_fps", "open")}
    return TypedTable(sheet, tuple(runs), known, tuple(body.notes), tuple(doubts))


#: What the numbers of a wide table are called.
_VALUES = "the numbers"


def _is_many(body: _Body, wide: list[int], stem: str) -> bool:
    """Return whether several headings are the same but for their numbers, which then count runs."""
    stems = [found[1].strip() for place in wide if (found := _NUMBERED.fullmatch(body.head[place].strip()))]
    return stems.count(stem.strip()) > 1
