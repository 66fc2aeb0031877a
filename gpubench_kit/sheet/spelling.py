"""What a reviewer means in a run sheet: names in other capitals and blanks, numbers of runs that are rounds."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from gpubench_kit.model.errors import shown
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet.columns import SheetColumns
from gpubench_kit.sheet.rows import CAUSES, PURPOSES
from gpubench_kit.sheet.text import SheetCells

#: Words of sheets that were written for kit 0.1.0, by column.
_EARLIER_WORDS = {"excluded": {"foreign_load": "background_load"}}

#: Columns whose values tell the runs of one number apart.
_OF_RUN = ("card", "bench", "session", "game", "setting", "tuning")


@dataclass(frozen=True)
class Spelling:
    """How the cells of one sheet are meant.

    Attributes
    ----------
    meant : (column, cell) -> the name of the plan, or the word of the sheet, that it stands for
    of_run : columns that name a run beside its number, where numbers of runs are rounds; else empty
    findings : one note for each spelling that was taken for a name
    """

    meant: Mapping[tuple[str, str], str]
    of_run: tuple[str, ...]
    findings: tuple[Finding, ...]

    def row(self, cells: dict[str, Any]) -> dict[str, Any]:
        """Return a row as it is meant.

        Parameters
        ----------
        cells : cells of the row by column
        """
        meant = {name: self.meant.get((name, cell), cell) for name, cell in cells.items()}
        if self.of_run:
            number = str(int(meant["run"]))
            meant["round"] = meant.get("round") or number
            meant["run"] = " ".join(part for part in (*(meant[name] for name in self.of_run), number) if part)
        return meant


def find_spelling(cells: SheetCells, columns: SheetColumns, plan: ReviewPlan) -> Spelling:
    """Find out how the cells of a sheet are meant.

    Parameters
    ----------
    cells : the sheet
    columns : which column is which
    plan : the review's plan, whose names count

    Returns
    -------
    Spelling. A cell that is a name of the plan as it stands means that name. One that differs from a single name
    only in capitals, blanks or hyphens means that one; a name that two names of the plan resemble stays as it is.
    Whole numbers in the column ``run`` that begin anew for each game and tuning are rounds.
    """
    meant, findings = {}, []
    for column, known in _names(plan).items():
        if column in columns.place:
            place = columns.place[column]
            counted = Counter(row[place] for _, row in cells.rows if row[place])
            found = _taken_for(counted, known, earlier=_EARLIER_WORDS.get(column, {}))
            meant |= {(column, cell): name for cell, name in found.items()}
            findings += [
                _note(cells.file, column, cell, name=name, n=counted[cell]) for cell, name in found.items()
            ]
    of_run = _columns_of_run(cells, columns.place)
    if of_run:
        message = (
            f"{cells.file}: the numbers in column 'run' begin anew for each game and tuning and are taken as "
            f"rounds; runs are called by {' and '.join(of_run)} and number."
        )
        findings.append(
            Finding("note", "run_numbers_are_rounds", message, action="Give each run a name of its own.")
        )
    return Spelling(meant, of_run, tuple(findings))


def _names(plan: ReviewPlan) -> dict[str, list[str]]:
    """Return the names that each column can hold."""
    return {
        "tuning": [one.name for one in plan.tunings],
        "game": [one.name for one in plan.games],
        "card": [one.name for one in plan.cards],
        "bench": [one.name for one in plan.benches],
        "setting": [setting.name for game in plan.games for setting in game.settings],
        "purpose": list(PURPOSES),
        "excluded": list(CAUSES),
    }


def _plain(text: str) -> str:
    """Return a name in small letters with single blanks in place of blanks, hyphens and underscores."""
    return " ".join(text.casefold().replace("-", " ").replace("_", " ").split())


def _taken_for(cells: Iterable[str], known: Iterable[str], *, earlier: Mapping[str, str]) -> dict[str, str]:
    """Return the name that each cell is taken for, where it is not a name as it stands; earlier words count."""
    exact, alike = set(known), defaultdict(set)
    for name in exact:
        alike[_plain(name)].add(name)
    for word, name in earlier.items():
        alike[_plain(word)].add(name)
    return {
        cell: next(iter(alike[_plain(cell)]))
        for cell in cells
        if cell not in exact and len(alike.get(_plain(cell), ())) == 1
    }


def _note(file: str, column: str, cell: str, *, name: str, n: int) -> Finding:
    """Return the note on one spelling."""
    rows = "1 row" if n == 1 else f"{n} rows"
    message = f"{file}: {column} {shown(cell)} in {rows} is taken for {shown(name)}."
    return Finding("note", "name_spelt_otherwise", message, found=float(n))


def _columns_of_run(cells: SheetCells, place: Mapping[str, int]) -> tuple[str, ...]:
    """Return the columns that name a run beside its number; none where the column ``run`` holds names."""
    if not {"run", "game", "tuning"} <= place.keys():
        return ()
    runs = [row[place["run"]] for _, row in cells.rows]
    if len(set(runs)) == len(runs) or not all(run.isdecimal() and run.isascii() for run in runs):
        return ()
    given = [name for name in _OF_RUN if name in place]
    keys = {(*(_plain(row[place[name]]) for name in given), int(row[place["run"]])) for _, row in cells.rows}
    rounds = {(row[place["round"]] or row[place["run"]], row[place["run"]]) for _, row in cells.rows} if (
        "round" in place) else set()  # fmt: skip
    if len(keys) < len(runs) or any(one != number for one, number in rounds):
        return ()
    varying = [name for name in given if len({row[place[name]] for _, row in cells.rows}) > 1]
    return tuple(name for name in given if name in varying or name in ("game", "tuning"))
