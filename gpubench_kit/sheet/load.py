"""The run sheet: ``runs.csv`` (or ``.xlsx``) to a checked table of runs, all faults at once.

Names in other capitals and blanks are accepted with a note, and run numbers 1, 2, 3 of a game are its rounds.
"""

from __future__ import annotations

import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from gpubench_kit.model.errors import Fault, TableError, listed, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan
from gpubench_kit.model.questions import ASKED
from gpubench_kit.model.tables import RUN_SHEET, TYPED_VALUES, Finding
from gpubench_kit.sheet.checks import NamesInPlan, Placed, check_paths, check_together, place_rows
from gpubench_kit.sheet.rows import (
    CAUSES,
    KNOWN,
    PURPOSES,
    UNREAD,
    SheetColumns,
    as_proposed,
    check_rows,
    open_cells,
    read_columns,
)
from gpubench_kit.sheet.text import SheetCells, find_sheet, read_cells
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note
from gpubench_kit.wording.numbers import count_text

#: Words of sheets that were written for kit 0.1.0, by column.
_EARLIER_WORDS = {"excluded": {"foreign_load": "background_load"}}

#: Columns whose values tell the runs of one number apart.
_OF_RUN = ("card", "bench", "session", "game", "setting", "tuning")


def spelt_rows(
    cells: SheetCells, columns: SheetColumns, plan: ReviewPlan
) -> tuple[list[dict[str, Any]], list[Finding]]:
    """Return each row's cells as they are meant, by known column and ``line``, and a note for each spelling.

    Parameters
    ----------
    cells : the sheet
    columns : which column is which
    plan : the review's plan, whose names count

    Notes
    -----
    A cell that is a name of the plan as it stands means that name. One that differs from a single name only in
    capitals, blanks or hyphens means that one; a name that two names of the plan resemble stays as it is. Whole
    numbers in the column ``run`` that begin anew for each game and tuning are rounds. Letters are composed as in
    the plan (Unicode NFC).
    """
    places = {name: place for name, place in columns.place.items() if name not in UNREAD}
    rows: list[dict[str, Any]] = [
        {"line": line, **{name: unicodedata.normalize("NFC", row[place]) for name, place in places.items()}}
        for line, row in cells.rows
    ]
    findings = []
    names = {
        "tuning": [one.name for one in plan.tunings], "game": [one.name for one in plan.games],
        "card": [one.name for one in plan.cards], "bench": [one.name for one in plan.benches],
        "setting": [name for _, name in plan.scenes],
        "purpose": list(PURPOSES), "excluded": list(CAUSES),
    }  # fmt: skip
    of_run = _columns_of_run(rows, places)
    for column in (name for name in names if name in places):
        alike = defaultdict(set)
        for written, name in (*((one, one) for one in names[column]), *_EARLIER_WORDS.get(column, {}).items()):
            alike[_plain(written)].add(name)
        counted = Counter(row[column] for row in rows if row[column] and row[column] not in names[column])
        meant = {cell: next(iter(fit)) for cell in counted if len(fit := alike.get(_plain(cell), ())) == 1}
        for cell, name in meant.items():
            told: dict[str, Any] = {
                "file": cells.file,
                "column": column,
                "found_name": shown(cell),
                "name": shown(name),
            }
            findings.append(note("sheet.name_spelt_otherwise", found=counted[cell], n=counted[cell], **told))
        for row in rows if meant else ():
            row[column] = meant.get(row[column], row[column])
    if of_run:
        listed_columns = say("list.and").join(of_run)
        findings.append(note("sheet.run_numbers_are_rounds", file=cells.file, columns=listed_columns))
    for row in rows if of_run else ():
        number = str(int(row["run"]))
        row["round"] = row.get("round") or number
        row["run"] = " ".join(filter(None, (*(row[name] for name in of_run), number)))
    return rows, findings


def _plain(text: str) -> str:
    """Return a name in small letters with single blanks in place of blanks, hyphens and underscores."""
    return " ".join(text.casefold().replace("-", " ").replace("_", " ").split())


def _columns_of_run(rows: Sequence[Mapping[str, Any]], places: Iterable[str]) -> tuple[str, ...]:
    """Return the columns that name a run beside its number; none where the column ``run`` holds names."""
    given = [name for name in _OF_RUN if name in places]
    if not {"run", "game", "tuning"} <= set(places):
        return ()
    runs = [row["run"] for row in rows]
    if len(set(runs)) == len(runs) or not all(run.isdecimal() and run.isascii() for run in runs):
        return ()
    keys = {(*(_plain(row[name]) for name in given), int(row["run"])) for row in rows}
    if len(keys) < len(runs) or any((row.get("round") or row["run"]) != row["run"] for row in rows):
        return ()
    varying = [name for name in given if len({row[name] for row in rows}) > 1]
    return tuple(name for name in given if name in varying or name in ("game", "tuning"))


_MOST_ROWS = 100_000
#: Columns that go into the table of runs as they stand in the sheet.
_AS_WRITTEN = (
    "run", "tuning", "game", "purpose", "session", "launch", "tuning_change", "round", "order", "started_at",
    "frame_log", "sensor_log", "excluded", "replaces", "corrected", "game_version", "note",
)  # fmt: skip


@dataclass(frozen=True)
class RunSheet:
    """A checked run sheet.

    Attributes
    ----------
    file : name of the file
    runs : one row per run in sheet order, with what the plan says about it; see ``tables.RUN_SHEET``
    typed : numbers typed into the sheet; see ``tables.TYPED_VALUES``
    findings : what was noticed
    row_faults : what is wrong with rows that were left out, and which places are still asked, each fault once
    """

    file: str
    runs: pd.DataFrame
    typed: pd.DataFrame
    findings: tuple[Finding, ...]
    row_faults: tuple[Fault, ...] = ()


#: Where a run stands among the others; `check` goes on without.
_PLACE = ("round", "order")


def load_run_sheet(
    plan: ReviewPlan, *, for_report: bool = False, skip_bad_rows: bool = False, trusts_proposals: bool = False
) -> RunSheet:
    """Read the run sheet of a review and hold it against the plan.

    Parameters
    ----------
    plan : the review's plan, with its folder
    for_report : whether a tuning of the plan without any row, or a name in the plan that still waits for an answer,
        is a fault, too; planning and checking go on without
    skip_bad_rows : whether rows with faults are left out and become findings, as `check` does at the bench
        of the bench; a sheet that cannot be read at all is an error nonetheless
    trusts_proposals : whether open cells hold what is proposed beside their question marks; for questions about
        the logs alone, of which no result is made

    Returns
    -------
    RunSheet

    Raises
    ------
    TableError : the sheet cannot be read, or has faults; all of them are listed

    Notes
    -----
    Cells are text: nothing in them is evaluated, and numbers keep the resolution with which they were
    written. Where ``round`` or ``order`` is empty, the statistics treat the layout as not stated.
    """
    cells = read_cells(find_sheet(plan.folder), KNOWN)
    columns = read_columns(cells, logs_by_pattern=any(plan.logs.of_card(card.name).pattern for card in plan.cards))
    if len(cells.rows) > _MOST_ROWS:
        raise TableError(Fault(cells.file, f"{len(cells.rows)} rows; at most {_MOST_ROWS} are expected."))
    rows, spellings = spelt_rows(cells, columns, plan)
    rows = [as_proposed(row) for row in rows] if trusts_proposals else rows
    names = NamesInPlan(plan)
    waiting: list[tuple[int, Fault]] = []
    if skip_bad_rows:
        # A run of which only the place is asked is one without a place: what was recorded can be checked.
        places = [{name: row[name] for name in _PLACE if name in row} for row in rows]
        about = ({"line": row["line"], "run": row.get("run", "")} for row in rows)
        waiting = [fault for one, place in zip(about, places, strict=True)
                   for fault in open_cells(one | place, {"run": {one["run"]}}, file=cells.file)]  # fmt: skip
        rows = [row | {name: "" for name, cell in as_proposed(place).items() if cell != place[name]}
                for row, place in zip(rows, places, strict=True)]  # fmt: skip
    row_faults = [fault for row in rows for fault in open_cells(row, names.of_column, file=cells.file)]
    open_lines = {line for line, _ in row_faults}
    checked, faults = check_rows([row for row in rows if row["line"] not in open_lines], file=cells.file)
    placed, unknown = place_rows(checked, names, file=cells.file)
    unsound = {line for line, _ in faults}
    sound = [one for one in placed if one.row.line not in unsound]
    together = check_together(sound, [(row["line"], row.get("run", "")) for row in rows], file=cells.file)
    row_faults += [*faults, *unknown, *check_paths(checked, plan.folder, file=cells.file), *together]
    row_faults.sort(key=lambda one: one[0])
    sheet_faults = [*columns.faults, *_decimal_marks([one.row for one in placed], cells)]
    if not columns.is_complete:
        row_faults = []
    elif for_report:
        sheet_faults += names_open(plan)
        sheet_faults += tunings_without_runs((row["tuning"] for row in rows), plan)
    merged = _merged(fault for _, fault in sorted([*row_faults, *waiting], key=lambda one: one[0]))
    if sheet_faults or (row_faults and not skip_bad_rows):
        raise TableError([*sheet_faults, *merged])
    run_at = {row["line"]: row["run"] for row in rows} if row_faults else {}
    left_out = [
        Finding("stop", "run_sheet_row", f"{fault.where}: {fault.problem}", run=run_at[line], action=fault.action)
        for line, fault in row_faults
    ]
    at_fault = {line for line, _ in row_faults}
    placed = [one for one in placed if one.row.line not in at_fault]
    findings = (*cells.findings, *columns.findings, *spellings, *left_out, *_noticed(placed, plan))
    runs, typed = _tables(placed, names, is_workbook=not cells.separator)
    return RunSheet(cells.file, runs, typed, findings, tuple(merged))


def names_open(plan: ReviewPlan) -> list[Fault]:
    """Return a fault on names in the plan that still wait for an answer; nothing where none does.

    Parameters
    ----------
    plan : the review's plan
    """
    named = {
        "[[cards]]": [one.name for one in plan.cards],
        "[[tunings]]": [one.name for one in plan.tunings],
        "[[games]]": [one.name for one in plan.games],
    }
    places = ["[review], title"] * (plan.review.title == ASKED) + [
        f"{section} {place}, name"
        for section, names in named.items()
        for place, name in enumerate(names, start=1)
        if name == ASKED
    ]
    action = "Fill it in; games and tunings stand in runs.csv, too."
    where = f"{PLAN_FILE}, {'; '.join(places)}"
    return [Fault(where, "a question is still open.", action)] if places else []


def tunings_without_runs(tunings: Iterable[str], plan: ReviewPlan) -> list[Fault]:
    """Return a fault for each tuning of the plan that no row of the run sheet has.

    Parameters
    ----------
    tunings : tuning of each row
    plan : the review's plan
    """
    found = set(tunings)
    action = "Add its runs, or take the tuning out of the plan."
    return [
        Fault("runs.csv", f"tuning {shown(tuning.name)} of the plan has no run.", action)
        for tuning in plan.tunings
        if tuning.name not in found
    ]


def _decimal_marks(rows: Iterable[Any], cells: SheetCells) -> list[Fault]:
    """Return a fault where a comma could be a decimal or a thousands mark, and nothing tells which."""
    typed = [(row, name, number) for row in rows for name, number in row.numbers.items()]
    commas = [one for one in typed if "," in one[2].mark]
    points = [one for one in typed if "." in one[2].mark]
    if commas and points:
        found = f"{_cell(commas[0])} has a comma, {_cell(points[0])} has a point"
        problem = f"numbers are written with two decimal marks: {found}."
        return [Fault(cells.file, problem, "Use one decimal mark and no thousands marks.")]
    # In a sheet with semicolons or tabs the comma is the decimal mark; elsewhere the numbers have to show it.
    is_plain = cells.separator in (";", "\t") or not commas
    if is_plain or any(not one[2].thousands for one in commas):
        return []
    problem = f"the comma of {_cell(commas[0])} could be a decimal or a thousands mark."
    return [Fault(cells.file, problem, "Write numbers with a decimal point and without thousands marks.")]


def _cell(one: tuple[Any, str, Any]) -> str:
    """Return how messages name a cell."""
    return f"column {shown(one[1])} of run {shown(one[0].run)}"


def _merged(faults: Iterable[Fault]) -> list[Fault]:
    """Return faults of many rows as one where they say the same, so that a list stays readable."""
    places: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for fault in faults:
        column = fault.where.partition(", column ")[2].partition(" (")[0]
        places[column, fault.problem, fault.action].append(fault.where)
    each = []
    for (_, problem, action), where in places.items():
        more = f" and {count_text(len(where) - 3, 'more row')}" if len(where) > 3 else ""
        first, *rest = where[:3]
        each.append(Fault(first + "".join(f"; {one.partition(', ')[2]}" for one in rest) + more, problem, action))
    return each


def _noticed(placed: Sequence[Placed], plan: ReviewPlan) -> list[Finding]:
    """Return notes: names open or without runs, places in the order given twice, repeated runs that count."""
    findings = [
        Finding("note", "names_open", f"{one.where}: {one.problem}", action=one.action) for one in names_open(plan)
    ]
    present = {
        "game": {one.row.game for one in placed},
        "card": {one.card for one in placed},
        "tuning": {one.row.tuning for one in placed},
    }
    for what, entries in (("game", plan.games), ("card", plan.cards), ("tuning", plan.tunings)):
        absent = [entry.name for entry in entries if entry.name not in present[what]]
        if absent:
            told: dict[str, Any] = {"check": "without_runs", "names": listed(absent), "found": len(absent)}
            findings.append(note(f"sheet.without_runs.{what}", **told))
    first: dict[tuple, str] = {}
    twice = []
    used = [one for one in placed if one.row.is_used]
    for one in used:
        row = one.row
        if row.order is not None:
            earlier = first.setdefault((one.card, one.bench, row.session, row.order), row.run)
            twice += [(shown(earlier), shown(row.run))] if earlier != row.run else []
    if twice:
        first_two: dict[str, Any] = dict(zip(("earlier", "later"), twice[0], strict=True))
        findings.append(note("sheet.order_repeated", n=len(twice), found=len(twice), **first_two))
    # Nothing excludes a run that was repeated all the same: both count.
    runs_used = {one.row.run for one in used}
    for row in (one.row for one in used if one.row.replaces in runs_used):
        said = note("sheet.replaced_run_counts", named_run=shown(row.run), other=shown(row.replaces))
        findings.append(replace(said, run=row.run))
    return findings


_OF_PLAN = ("card", "model", "bench", "setting", "power_measured_at", "limited_by")
_OF_SETTING = ("group", "frames_counted", "generated_per_rendered", "frame_limit_fps")


def _tables(
    placed: Sequence[Placed], names: NamesInPlan, *, is_workbook: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one row per run with what the plan says about it, and the typed numbers, metrics in their order."""
    rows = []
    for one in placed:
        card, game = names.cards[one.card], names.games.get(one.row.game)
        setting = names.settings.get((one.row.game, one.setting))
        # Rows of thousands of runs: a tuple takes a sixth of what a dictionary does.
        rows.append((
            *(getattr(one.row, name) for name in _AS_WRITTEN),
            card.name, card.model, one.bench, one.setting, card.power_measured_at or "",
            game.limited_by if game else "",
            *(getattr(setting, name, None) for name in _OF_SETTING),
        ))  # fmt: skip
    runs = RUN_SHEET.frame(pd.DataFrame(rows, columns=[*_AS_WRITTEN, *_OF_PLAN, *_OF_SETTING]))
    order = {name: place for place, name in enumerate(METRICS)}
    numbers = [
        {"run": one.row.run, "metric": name, "value": number.value, "step": number.step}
        for one in placed
        for name, number in sorted(one.row.numbers.items(), key=lambda item: order[item[0]])
    ]
    typed = TYPED_VALUES.frame(numbers)
    if is_workbook:
        # A workbook keeps 61.0 as 61: what the column's finest number shows holds for all of them.
        typed["step"] = typed.groupby("metric")["step"].transform("min")
    return runs, typed
