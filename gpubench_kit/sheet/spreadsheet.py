"""A reviewer's own table to runs: every number has labels (headings, words of its row, titles) of one kind each."""

from __future__ import annotations

import itertools
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from gpubench_kit.model.errors import shown
from gpubench_kit.model.words import fold
from gpubench_kit.sheet.headings import (
    NUMBERED,
    Meaning,
    Read,
    are_tunings,
    counts_runs,
    crosses,
    is_left_out,
    is_resolution,
    is_summary,
    is_tuning,
    is_units,
    is_words,
    meaning_of,
    number_in,
    relative_numbers,
    role_of,
    runs_in_names,
    share_of_tunings,
    sums_up,
)
from gpubench_kit.sheet.log_names import names_tuning
from gpubench_kit.sheet.text import Grid
from gpubench_kit.wording.catalogue import say

Cells = tuple[str, ...]
Rows = list[tuple[int, Cells]]

#: Share of a column's cells that are numbers, from which it is a column of numbers, or at most, of words.
_NUMBERS, _WORDS = 0.3, 0.2
#: Roles of columns of names, in which a merged or blank cell stands for the one above it, and of those that count.
_FILLED = ("game", "tuning", "setting", "session", "card")
_COUNTING = ("run", "round", "order", "session")
#: What stands for a value that is missing.
_ABSENT = ("", "-", "–", "—", "n/a", "N/A")
_DATE = re.compile(r"\d{4}-\d\d-\d\d(?: 00:00(?::00)?)?")
#: What the numbers are called where no heading says it.
VALUES = "the numbers"


@dataclass(frozen=True)
class TypedRun:
    """One run of a table: its line, its cells by column of the run sheet, its numbers by heading."""

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
    left_out : rows and columns that are not taken, in words
    notes : cells that hold no number, rows that are hidden
    doubts : what the table does not say: ``games``, ``tunings`` (which words are which), ``numbers`` (of what)
    head : headings, by which sheets of one kind are known
    tuning : of all its runs, by the title above it or the name of its sheet; empty where these name none
    """

    title: str
    runs: tuple[TypedRun, ...]
    meanings: Mapping[str, Meaning]
    left_out: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    head: Cells = ()
    tuning: str = ""

    @property
    def n_values(self) -> int:
        """Number of values of the metrics found."""
        return sum(heading in self.meanings for run in self.runs for heading in run.numbers)


_NO_METRIC = Meaning()


@dataclass
class _Column:
    """A column of numbers: its heading, the name, run and day that its headings speak of, what its numbers are."""

    place: int
    heading: str
    name: str = ""
    run: str = ""
    day: str = ""
    meaning: Meaning = _NO_METRIC
    is_off: bool = False


@dataclass
class _Body:
    """Rows below a heading: line, the title above them, the cells."""

    head: Cells
    upper: Cells = ()
    counted: Cells = ()
    titles: list[str] = field(default_factory=list)
    rows: list[tuple[int, str, Cells]] = field(default_factory=list)
    units: Cells = ()
    sums: list[str] = field(default_factory=list)

    def column(self, place: int) -> list[str]:
        """Return the cells of one column."""
        return [cells[place] for _, _, cells in self.rows]

    def share(self, place: int, test: Callable[[str], object]) -> float:
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
    parts = [part for beside in _side_by_side(list(grid.rows)) for part in _one_below_another(_trimmed(beside))]
    tables, above = [], []
    for body in (body for part in parts if (body := _body_of(part)) and body.rows):
        table = _table_of(body, grid)
        read = ((one, fold(run.cells.get("tuning", "")), float(number.text))
                for run in table.runs for one, number in run.numbers.items())  # fmt: skip
        if relative := relative_numbers(read):
            own = ({one: n for one, n in run.numbers.items() if one not in relative} for run in table.runs)
            runs = (replace(run, numbers=held) for run, held in zip(table.runs, own, strict=True) if held)
            left = (say("draft.head.relative", heading=one) for one in sorted(relative))
            table = replace(table, runs=tuple(runs), left_out=(*table.left_out, *left))
        tables += [table] * bool(table.runs)
        above += ["".join(body.titles[-1:])] * bool(table.runs)
    if len(tables) < 2:
        return tables
    is_titled = all(above) and len(set(above)) == len(above)
    titles = above if is_titled else [f"{one.title}, row {one.runs[0].line}".removeprefix(", ") for one in tables]
    return [replace(one, title=title) for one, title in zip(tables, titles, strict=True)]


def _trimmed(rows: Rows) -> Rows:
    """Return rows without columns that hold nothing, and without rows that then hold nothing."""
    width = len(rows[0][1]) if rows else 0
    kept = [place for place in range(width) if any(cells[place] for _, cells in rows)]
    return [(line, short) for line, cells in rows if any(short := tuple(cells[place] for place in kept))]


def _side_by_side(rows: Rows) -> list[Rows]:
    """Return tables beside one another: parts between empty columns that each have a heading and words."""
    width = len(rows[0][1]) if rows else 0
    empty = [place for place in range(width) if not any(cells[place] for _, cells in rows)]
    spans = [(a + 1, b) for a, b in itertools.pairwise([-1, *empty, width]) if b - a > 2]
    parts = [[(line, cells[a:b]) for line, cells in rows if any(cells[a:b])] for a, b in spans]
    places = [_heading_place(part) for part in parts]
    are_whole = all(
        place is not None and any(is_words(cells[0]) for _, cells in part[place + 1 :])
        for part, place in zip(parts, places, strict=True)
    )
    return parts if len(spans) > 1 and are_whole else [rows]


def _one_below_another(rows: Rows) -> list[Rows]:
    """Return tables below one another: a further heading that differs from the first begins another one."""
    starts: list[int] = []
    seen: set[Cells] = set()
    place, first = _heading_place(rows), 0
    while place is not None:
        head = tuple(fold(cell) for cell in rows[place][1] if cell)
        above = [cell for _, cells in rows[max(0, place - 1) : place] for cell in cells if cell]
        title = above[0] if starts and len(above) == 1 else ""
        is_metric = bool(title and meaning_of(title).metric)
        if not seen or head not in seen or is_metric or _is_of_another(rows, first, place, title=title):
            starts.append(place - bool(title and head in seen))
            first = place
        seen = seen or {head}
        further = _heading_place(rows[place + 1 :])
        place = None if further is None else place + 1 + further
    bounds = [0, *starts[1:], len(rows)]
    return [rows] if len(starts) < 2 else [_trimmed(rows[a:b]) for a, b in itertools.pairwise(bounds)]


def _is_of_another(rows: Rows, start: int, place: int, *, title: str) -> bool:
    """Return whether a repeated heading begins another table: names follow again, under no title of a part."""
    # All words of a row are its name: a game below its heading again, with another tuning, is a further row.
    before, behind = (
        [tuple(map(fold, filter(is_words, cells))) for _, cells in part if is_words(cells[0]) and any(cells[1:])]
        for part in (rows[start + 1 : place], rows[place + 1 :])
    )
    firsts = [names[0] for names in before]
    is_part = role_of(title) in _COUNTING or (is_tuning(title) and share_of_tunings(rows[place][1][1:]) <= 0.5)
    return bool(before) and behind[: len(before)] == before and share_of_tunings(firsts) <= 0.5 and not is_part


def _heading_place(rows: Sequence[tuple[int, Cells]]) -> int | None:
    """Return the place of the first row of words above a row with numbers; None where there is none."""
    for place, (_, cells) in enumerate(rows[:-1]):
        words = [cell for cell in cells if cell]
        if (
            len(words) < 2
            or is_units(cells)
            or not all(is_words(cell) or meaning_of(cell).metric for cell in words)
        ):
            continue
        below = next((one for _, one in rows[place + 1 :] if sum(map(bool, one)) >= 2 and not is_units(one)), ())
        if any(head and cell and number_in(cell) for head, cell in zip(cells, below, strict=False)):
            return place
    return None


def _body_of(rows: Rows) -> _Body | None:
    """Return the rows below the heading, without those that repeat it or sum up others."""
    place = _heading_place(rows)
    if place is None:
        return None
    head, above = rows[place][1], [cells for _, cells in rows[:place]]
    given = [fold(cell) for cell in head if cell]
    # The upper storey of a heading: its words stand above repeated ones.
    upper = above.pop() if above and sum(map(bool, above[-1])) >= 2 and len(set(given)) < len(given) else ()
    head = tuple(cell or above_it for cell, above_it in zip(head, upper or head, strict=True))
    body = _Body(head, upper, titles=[cell for cells in above for cell in cells if cell])
    section = body.titles[-1] if body.titles else ""
    is_parted = False
    for line, cells in rows[place + 1 :]:
        words = [cell for cell in cells if cell]
        if len(words) == 1 and cells[0] and is_words(cells[0]):
            is_named = not is_summary(cells[0])
            section, is_parted = " ".join(cells[0].split()) * is_named, is_parted or is_named
        elif is_units(cells):
            body.units = body.units or tuple(cell.strip("[]() ") for cell in cells)
        elif (
            not body.rows
            and (role_of(cells[0]) in _COUNTING or meaning_of(cells[0]).metric)
            and all(cell.isdecimal() for cell in words[1:])
        ):
            body.counted, body.head = cells, (body.head[0], *_filled(body.head[1:]))
            body.titles += [cells[0]] * bool(meaning_of(cells[0]).metric)
        elif label := next(
            filter(_names_sum, (*cells[:2], *itertools.compress(cells[2:], map(role_of, head[2:])))), ""
        ):
            body.sums.append(f'row {line} "{label}"')
        elif [fold(cell) for cell in words] != given:
            body.rows.append((line, section, cells))
    # The last rows may hold sums or means of all rows above, whatever they are called.
    counting = [role_of(cell) in _COUNTING for cell in body.head]
    while body.rows:
        line, section, last = body.rows[-1]
        same = [cells for _, one, cells in body.rows if one == section]
        named = [place for place, cell in enumerate(last) if is_words(cell)]
        # Those of one tuning have its name too.
        parts = [[cells for cells in same if cells[place] == last[place]] for place in named]
        if not any(sums_up(part, counting) for part in (same, *parts)):
            break
        body.rows.pop()
        body.sums.append(f'row {line} "{next(filter(is_words, last), "")}"')
    if not is_parted:
        body.rows = [(line, "", cells) for line, _, cells in body.rows]
    return body


def _names_sum(cell: str) -> bool:
    """Return whether a cell says that its row sums up others."""
    return is_words(cell) and is_summary(cell) and not names_tuning(fold(cell))


def _filled(cells: Sequence[str]) -> list[str]:
    """Return cells, those that are blank below or beside one that stands for several filled in."""
    filled: list[str] = []
    for cell in cells:
        filled.append(" ".join(cell.split()) or (filled[-1] if filled else ""))
    return filled


def _columns_of(body: _Body) -> list[_Column]:
    """Return the columns of numbers with what their headings say."""
    upper = _filled(body.upper) if body.upper else [""] * len(body.head)
    times: Counter[str] = Counter()
    stems = Counter(found[1].strip() for cell in body.head if (found := NUMBERED.fullmatch(cell.strip())))
    days = [cell for cell in body.head if _DATE.fullmatch(cell)]
    columns = []
    for place, heading in enumerate(body.head):
        is_value = body.share(place, number_in) >= _NUMBERS and bool(heading or upper[place])
        numbered = NUMBERED.fullmatch(heading.strip())
        is_run = (
            numbered is not None and stems[numbered[1].strip()] > 1 and role_of(heading) in ("", "run", "round")
        )
        is_role = role_of(heading) in (*_COUNTING, "time", "game", "tuning") and not is_run
        if not is_value or is_role or (not meaning_of(heading).metric and counts_runs(body.rows, place)):
            continue
        behind = {read.unit for cell in body.column(place) if (read := number_in(cell))} - {""}
        unit = (body.units[place] if body.units else "") or (behind.pop() if len(behind) == 1 else "")
        times[heading] += not body.upper
        column = _Column(place, heading if times[heading] < 2 else f"{heading} ({times[heading]})")
        column.is_off = unit == "%" or ("%" in heading and not is_tuning(heading))
        for label in filter(None, (heading, upper[place])):
            meaning = meaning_of(label, unit if label == heading else "")
            if label == heading and heading in days[1:] + days[:1] * (len(days) > 1):
                column.run, column.day, label = str(days.index(heading) + 1), heading[:10], ""
            elif label == heading and numbered and is_run:
                column.run, label = numbered[3], numbered[1].strip()
                meaning = Meaning()
            if meaning.metric:
                column.is_off = unit == "%"
                is_first = not column.meaning.metric
                column.heading = label if is_first and label != heading else column.heading
                column.meaning = meaning if is_first else column.meaning
            elif is_left_out(label):
                column.is_off = True
            elif label:
                column.name = " ".join(label.split())
        if body.counted and not column.run and body.counted[place]:
            column.run = body.counted[place]
        columns.append(column)
    return columns


def _table_of(body: _Body, grid: Grid) -> TypedTable:
    """Return the runs of a table, whatever its shape."""
    columns = _columns_of(body)
    roles = {place: role for place, head in enumerate(body.head) if head and (role := role_of(head))}
    free = () if {"run", "round"} & set(roles.values()) else set(range(len(body.head))) - roles.keys()
    roles |= {place: "run" for place in free if not meaning_of(body.head[place]).metric and body.head[place]
              and counts_runs(body.rows, place)}  # fmt: skip
    roles |= {place: "setting" for place in range(len(body.head)) if body.share(place, is_resolution) > 0.5}
    values = {column.place for column in columns}
    words = [one for one in range(len(body.head)) if one not in values and (roles.get(one) in ("game", "tuning")
             or (body.share(one, is_words) > 0 and body.share(one, number_in) <= _WORDS))]  # fmt: skip
    bare = [one for one in columns if one.name and not one.is_off and not one.meaning.metric]
    has_metric = any(one.meaning.metric and not one.name for one in columns)
    is_tuned = 2 * sum(is_tuning(one.name) for one in bare) >= len(bare)
    is_wide = bool(body.upper) or bool(body.counted) or (len(bare) >= 2 and (is_tuned or not has_metric))
    runs_beside = any(one.run for one in columns)
    for column in columns:
        # A mean beside the runs that it is of, and a column of something else beside those of metrics.
        is_mean = is_summary(column.heading) and runs_beside and not column.run
        is_other = not column.meaning.metric and not column.run and not (is_wide and column.name)
        column.is_off = column.is_off or is_mean or is_other
    used = [one for one in columns if not one.is_off]
    names = [one.name for one in used if one.name] if is_wide else []
    texts, doubts, is_turned = _texts_of(body, roles, words, names=names)
    texts_above = (*reversed(body.titles), grid.title, *(body.head[one] for one in words[:1]))
    whole = next((said for text in texts_above if (said := meaning_of(text)).metric), None)
    if whole is None and used and body.units:
        whole = meaning_of("", body.units[used[0].place])
    known = {one.heading if one.meaning.metric else VALUES: one.meaning if one.meaning.metric else
             (whole if whole and whole.metric else Meaning("avg_fps", "open")) for one in used}  # fmt: skip
    runs, notes = [], list(grid.notes)
    counted = [place for place, role in roles.items() if role in ("run", "round")]
    has_runs = runs_beside or any(body.share(place, number_in) > _WORDS for place in counted)
    texts |= {} if has_runs else runs_in_names(texts.get("tuning", ()))
    doubts += ["numbers"] if not has_runs and "run" not in texts and runs_in_names(texts.get("game", ())) else []
    for index, (line, section, cells) in enumerate(body.rows):
        own = {role: column[index] for role, column in texts.items()}
        own |= {"game": section} if section and not own.get("game") and own.get("tuning") != section else {}
        own |= {role: cells[place] for place, role in roles.items() if role in (*_COUNTING, "time", "note")
                and role not in own and cells[place] and place not in values}  # fmt: skip
        found, faults = _numbers_of(cells, used, body.head, is_wide=is_wide)
        notes += [say("draft.head.no_number", line=line, found=cell, heading=head) for cell, head in faults]
        for (name, run, day), numbers in found.items():
            beside = {"game" if is_turned else "tuning": name, "run": run, "session": day}
            runs.append(TypedRun(line, own | {role: one for role, one in beside.items() if one}, numbers))
    left = [say("draft.head.column_off", heading=one.heading) for one in columns if one.is_off]
    more = len(body.sums) - 1
    sums = [say("draft.head.and_like_it", what=one, n=more) if more else one for one in body.sums[:1]]
    tuning = next(filter(is_tuning, (*reversed(body.titles), grid.title)), "") if "tunings" in doubts else ""
    return TypedTable(
        grid.title, tuple(runs), known, (*sums, *left), tuple(notes), tuple(doubts), body.head, tuning
    )


def _numbers_of(
    cells: Cells, used: Sequence[_Column], head: Cells, *, is_wide: bool
) -> tuple[dict[tuple[str, str, str], dict[str, Read]], list[tuple[str, str]]]:
    """Return the numbers of a row by heading, for each name, run and day of its columns, and cells without one."""
    found: dict[tuple[str, str, str], dict[str, Read]] = defaultdict(dict)
    faults = []
    for one in used:
        cell = cells[one.place]
        number = number_in(cell) if cell else None
        if number:
            heading = one.heading if one.meaning.metric else VALUES
            found[one.name if is_wide else "", one.run, one.day][heading] = number
        elif cell not in _ABSENT:
            faults.append((shown(cell), shown(head[one.place] or one.name)))
    return found, faults


def _texts_of(
    body: _Body, roles: Mapping[int, str], words: Sequence[int], *, names: Sequence[str]
) -> tuple[dict[str, list[str]], list[str], bool]:
    """Return the names that rows give by column of the run sheet, doubts, and whether columns are games."""
    place_of = {role: place for place, role in reversed(list(roles.items())) if place in words}
    free = [one for one in words if one not in place_of.values() or roles.get(one) == "setting"]
    has_sections = any(section for _, section, _ in body.rows)
    doubts: list[str] = []
    is_turned = False
    if names:
        first = place_of.get("game", next(iter(words), None))
        rows_are_tunings = first is not None and are_tunings(_filled(body.column(first)))
        is_turned = rows_are_tunings and not any(map(is_tuning, names))
        if first is None and not has_sections:
            doubts.append("games")
        elif first is not None:
            place_of = {role: one for role, one in place_of.items() if one != first}
            place_of["tuning" if is_turned else "game"] = first
        if not is_turned and not any(map(is_tuning, names)):
            doubts.append("tunings")
    elif "tuning" not in place_of:
        likely = [one for one in free if share_of_tunings(body.column(one)) > 0.5]
        place_of = {role: one for role, one in place_of.items() if one not in likely[:1]}
        place_of |= {"tuning": likely[0]} if likely else {}
        doubts += [] if likely else ["tunings"]
    if not names and "game" not in place_of and not has_sections:
        rest = [one for one in free if one not in place_of.values()]
        place_of |= {"game": rest[0]} if rest else {}
        doubts.append("games")
    texts = {role: _filled(body.column(one)) for role, one in place_of.items() if role in _FILLED}
    if place_of.get("tuning", -1) > place_of.get("game", len(body.head)):
        # A name that is merged within a game does not go on into the next one.
        pairs = zip(texts["game"], body.column(place_of["tuning"]), strict=True)
        parts = itertools.groupby(pairs, key=lambda one: fold(one[0]))
        texts["tuning"] = [cell for _, part in parts for cell in _filled([cell for _, cell in part])]
    for one in free:
        if "setting" not in texts and one not in place_of.values() and one not in roles and "game" in texts:
            texts |= {"setting": column} if crosses(column := _filled(body.column(one)), texts["game"]) else {}
    sections = [section for _, section, _ in body.rows]
    if "tunings" in doubts and not any(names) and all(map(is_tuning, sections)):
        texts["tuning"] = sections
        doubts.remove("tunings")
    return texts, doubts, is_turned
