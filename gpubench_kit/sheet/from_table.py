"""A draft from a reviewer's own table: games, tunings, rounds and typed values, each doubt a question."""

from __future__ import annotations

import itertools
import re
import statistics
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from gpubench_kit.model.errors import Fault, TableError, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.questions import Choice, Question
from gpubench_kit.model.words import fold, known_unit, unit_stated, words_of
from gpubench_kit.sheet.draft import Cell, Draft, DraftRow, order_choices, with_names, with_reference
from gpubench_kit.sheet.headings import CANDIDATES, FRAME_MS, Read, meaning_of, number_in, runs_in_names
from gpubench_kit.sheet.log_names import TRY
from gpubench_kit.sheet.name_factors import is_slip, same_word_question
from gpubench_kit.sheet.questions import choice, named, question
from gpubench_kit.sheet.rows import CAUSES
from gpubench_kit.sheet.spreadsheet import TypedRun, TypedTable, read_tables
from gpubench_kit.sheet.text import Grid
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.terms import capital

#: Answers that leave a column out, and that make a review of each table.
NONE, EACH = "none", "each"
#: Where power was measured, by the answer that names it.
_POINTS = {"board_w": "board_sensor", "chip_w": "chip_sensor", "wall_w": "wall"}
_NUMBERS = ("avg_fps", "low_1pct_fps", "board_w", "wall_w")
#: A value this many times above or below the usual one of its game is likely a slip.
_FAR = 5.0
#: None of them is larger than the one before it.
_FALLING = ("avg_fps", "low_1pct_fps", "low_0p1pct_fps")
#: What the runs of one number share.
_CELL = ("card", "game", "tuning", "setting", "session")


def draft_from_grids(grids: Sequence[Grid], source: str, answers: Mapping[str, str]) -> Draft:
    """Draft a review from the sheets of a table file.

    Parameters
    ----------
    grids : the sheets
    source : name of the file
    answers : answers so far, by key

    Returns
    -------
    Draft. Of several tables none is taken before the answer which, or that each is a review; tables of one kind
    without a column for games, or for tunings, are proposed to be these

    Raises
    ------
    TableError : no table of runs was found
    """
    tables = [table for grid in grids for table in read_tables(grid)]
    if not tables:
        raise TableError(_no_table(grids, source))
    tables = _with_metrics_above(_with_tunings_above(tables))
    if len(tables) == 1:
        return _draft(tables[0], source, answers)
    count: Counter[str] = Counter()
    names = []
    for number, one in enumerate(tables, start=1):
        name = one.title or f"table {number}"
        count[name] += 1
        names.append(name if count[name] == 1 else f"{name} ({count[name]})")
    first: list[Question] = []
    lacks = [one for one in ("game", "tuning") if all(f"{one}s" in table.doubts for table in tables)]
    is_alike = len({one.head for one in tables}) == 1 and len(set(names)) == len(count)
    if lacks and is_alike and not any(meaning_of(one.title).metric for one in tables):
        column = lacks[0]
        first = [question(f"sheets_are_{column}s", {"n": len(tables), "names": names})]
        if answers.get("sheets_are") != "tables":
            runs = [replace(run, cells={**run.cells, column: one.title}) for one in tables for run in one.runs]
            doubts = tuple(doubt for doubt in tables[0].doubts if doubt != f"{column}s")
            notes = tuple(note for one in tables for note in one.notes)
            whole = replace(tables[0], title="", runs=tuple(runs), doubts=doubts, notes=notes)
            draft = _draft(whole, source, answers)
            rows = draft.rows
            if answers.get("sheets_are") != f"{column}s":
                rows = tuple(row.with_cell(column, row.cells[column]._replace(is_asked=True)) for row in rows)
            return replace(draft, rows=rows, first=tuple(first))
    choices = [
        Choice(say("ask.which_table.table", name=shown(name)[1:-1], n=one.n_values), name)
        for name, one in zip(names, tables, strict=True)
    ]
    about = {"source": source, "n": len(tables), "first": names[0]}
    both = say("ask.which_table.both") if len(names) == 2 else say("ask.which_table.all", n=len(names))
    which = question("which_table", about, choices=(*choices, *[Choice(both, EACH)] * (EACH not in names)))
    if answers.get("which_table") == EACH and EACH not in names:
        parts = tuple((name, {"which_table": name}) for name in names)
        return Draft(source, (), first=(*first, which), parts=parts)
    if answers.get("which_table") not in names:
        return Draft(source, (), head=(which.text,), first=(*first, which))
    draft = _draft(tables[names.index(answers["which_table"])], source, answers)
    return replace(draft, first=(*first, which))


def _no_table(grids: Sequence[Grid], source: str) -> Fault:
    """Return why no table of runs was found."""
    pairs = (cell for grid in grids for _, cells in grid.rows for cell in cells
             if len(parts := re.split(r"\s*[/|]\s*", cell)) == 2 and all(map(number_in, parts)))  # fmt: skip
    two = next(pairs, "")
    if two:
        problem = f"cells hold two numbers, such as {shown(two)}."
        return Fault(source, problem, "Give each number a column of its own, with a heading that names it.")
    problem = "no table of results was found: no row of words stands above rows with names and numbers."
    action = "Name the columns in the first row, for example: game, tuning, run, avg fps, 1% low"
    return Fault(source, problem, action)


def _with_tunings_above(tables: list[TypedTable]) -> list[TypedTable]:
    """Return tables of one kind, each titled by another tuning, as one; other tables as they are."""
    tunings = {fold(one.tuning) for one in tables} - {""}
    if len(tables) < 2 or len(tunings) < len(tables) or len({one.head for one in tables}) > 1:
        return tables
    runs = [replace(run, cells={**run.cells, "tuning": one.tuning}) for one in tables for run in one.runs]
    doubts = tuple(doubt for doubt in tables[0].doubts if doubt != "tunings")
    notes, left_out = ((text for one in tables for text in getattr(one, part)) for part in ("notes", "left_out"))
    return [
        replace(tables[0], title="", runs=tuple(runs), doubts=doubts, notes=tuple(notes), left_out=tuple(left_out))
    ]


def _with_metrics_above(tables: list[TypedTable]) -> list[TypedTable]:
    """Return tables of the same runs, each of another metric that its title states, as one; others as they are.

    Runs are the same where all their names and numbers are; of rows of one name only those beside one another are.
    """
    stated = [{one.metric for one in table.meanings.values() if one.certainty == "stated"} for table in tables]
    keys = [[tuple(sorted((role, fold(cell)) for role, cell in run.cells.items())) for run in table.runs]
            for table in tables]  # fmt: skip
    if any(len(set(own)) < len(own) for own in keys):
        keys = [[(*key, ("line", str(run.line))) for key, run in zip(own, table.runs, strict=True)]
                for own, table in zip(keys, tables, strict=True)]  # fmt: skip
    is_one_each = all(len(own) == len(table.meanings) == 1 for own, table in zip(stated, tables, strict=True))
    if len(tables) < 2 or not is_one_each or len(set().union(*stated)) < len(tables):
        return tables
    if any(len(set(own)) < len(own) or set(own) != set(keys[0]) for own in keys):
        return tables
    numbers: dict[tuple[tuple[str, str], ...], dict[str, Read]] = defaultdict(dict)
    for own, table in zip(keys, tables, strict=True):
        for key, run in zip(own, table.runs, strict=True):
            numbers[key][table.title] = next(iter(run.numbers.values()))
    runs = tuple(replace(run, numbers=numbers[key]) for key, run in zip(keys[0], tables[0].runs, strict=True))
    meanings = {table.title: next(iter(table.meanings.values())) for table in tables}
    notes, left_out = (
        tuple(text for one in tables for text in getattr(one, part)) for part in ("notes", "left_out")
    )
    return [replace(tables[0], title="", runs=runs, meanings=meanings, notes=notes, left_out=left_out)]


def _draft(table: TypedTable, source: str, answers: Mapping[str, str]) -> Draft:
    """Return the draft of one table."""
    if answers.get("roles") == "turned":
        turned = [{**run.cells, "game": run.cells.get("tuning", ""), "tuning": run.cells.get("game", "")}
                  for run in table.runs]  # fmt: skip
        table = replace(table, runs=tuple(map(lambda run, cells: replace(run, cells=cells), table.runs, turned)))
    if "numbers" in table.doubts and answers.get("numbers_of_games") == "no":
        parted = runs_in_names([run.cells["game"] for run in table.runs])
        own = ({"game": game, "run": run} for game, run in zip(parted["tuning"], parted["run"], strict=True))
        runs = (replace(run, cells={**run.cells, **cells}) for run, cells in zip(table.runs, own, strict=True))
        table = replace(table, runs=tuple(runs))
    table = replace(
        table, runs=tuple(run for run in table.runs if run.cells.get("game") or run.cells.get("tuning"))
    )
    metrics, later = _metrics_of(table, answers)
    comma, decimals, comma_note = _commas(table, answers)
    takes: list[Question] = []
    waiting = tuple(heading for heading in table.meanings if heading not in metrics
                    and answers.get(f"column.{heading}") != NONE)  # fmt: skip
    rows = []
    for run in table.runs:
        cells = _cells_of(run, table, answers, takes)
        numbers = {**{heading: metrics[heading].replace("chip_w", "board_w") for heading in metrics},
                   **{heading: heading for heading in waiting}}  # fmt: skip
        for heading, column in numbers.items():
            value = _value(run.numbers.get(heading), heading, decimals)
            if value and metrics.get(heading) == FRAME_MS:
                column, value = "avg_fps", f"{1000 / float(value):.9g}"
            if value:
                cells[column] = Cell(value)
        rows.append(DraftRow(say("draft.why.row", line=run.line), cells))
    rows, slips, slips_of_names = _without_slips(rows, answers)
    named_draft = with_names(Draft(source, tuple(rows), is_typed=True), answers)
    rows, order_why, asks_running = _with_rounds(named_draft.rows, table.runs, answers)
    sizes = Counter(tuple(row.value(one) for one in _CELL) for row in rows)
    order = [] if order_why or max(sizes.values(), default=0) < 2 else [
        question("typed_order", {"blocks": order_choices(named_draft.names("tuning"))})]  # fmt: skip
    running = [question("running", {"n": len(rows)})] * asks_running
    draft = replace(
        named_draft, rows=tuple(rows), head=tuple(_head(table, source, metrics)), waiting=waiting,
        notes=(*table.notes, *slips, *comma_note, *named_draft.notes), side=tuple(_side(rows, order_why)),
        questions=(*slips_of_names, *_doubt_questions(table), *takes, *running, *order),
        later=(*comma, *later),
        plan_lines=_plan_lines(metrics, answers, asks_order=bool(order)),
    )  # fmt: skip
    return with_reference(draft, answers)


def _without_slips(
    rows: Sequence[DraftRow], answers: Mapping[str, str]
) -> tuple[list[DraftRow], list[str], list[Question]]:
    """Return rows with likely slips asked: a note on each lost point, and a question for each rare name.

    A value far from the others of its game has lost its point; a rare name may be meant as a frequent one.
    """
    values: dict[tuple[str, str], list[float]] = defaultdict(list)
    typed = [(place, column, float(cell.value)) for place, row in enumerate(rows)
             for column, cell in row.cells.items() if column in METRICS and cell.value]  # fmt: skip
    for place, column, value in typed:
        values[fold(rows[place].value("game")), column].append(value)
    out, notes = list(rows), []
    for place, column, value in typed:
        others = values[fold(rows[place].value("game")), column]
        usual = statistics.median(others)
        if len(others) > 2 and not usual / _FAR < value < usual * _FAR and usual > 0:
            cell = out[place].cells[column]
            out[place] = out[place].with_cell(column, cell._replace(is_asked=True))
            said = {"row": capital(out[place].source), "column": column, "typed": cell.value, "usual": usual}
            notes.append(say("draft.head.point_missing", **said))
    for place, row in enumerate(out):
        found = [(float(row.cells[one].value), one) for one in _FALLING if one in row.cells]
        lower = next((below for above, below in itertools.pairwise(found) if below[0] > above[0]), None)
        if lower is not None:
            # Which of them is right, nothing tells.
            for one in (one for _, one in found):
                out[place] = out[place].with_cell(one, row.cells[one]._replace(is_asked=True))
            notes.append(say("draft.head.low_above", row=capital(row.source), low=lower[0], column=lower[1]))
    questions = []
    for column in ("game", "tuning"):
        count = Counter(fold(row.value(column)) for row in rows)
        written = {fold(row.value(column)): row.value(column) for row in reversed(rows)}
        names = [one for one, _ in count.most_common() if one]
        for rare in names:
            meant = next((one for one in names if is_slip(rare, one, (count[rare], count[one]))), "")
            if not meant:
                continue
            asked = same_word_question((written[rare], written[meant]), (count[rare], count[meant]), "row")
            questions.append(asked)
            answer = answers.get(asked.key, "")
            cell = Cell(written[meant], is_asked=not answer)
            is_meant = answer != written[rare]
            out = [
                row.with_cell(column, cell) if is_meant and fold(row.value(column)) == rare else row for row in out
            ]
    return out, notes, questions


def _head(table: TypedTable, source: str, metrics: Mapping[str, str]) -> list[str]:
    """Return what was found in the table, and what was left out."""
    counts = Counter(heading for run in table.runs for heading in run.numbers)
    labels = {one: METRICS[metrics[one]].label if metrics.get(one) in METRICS else f'"{one}"' for one in counts}
    said = [say("draft.head.values_more" if nth else "draft.head.values", n=counts[one], label=labels[one])
            for nth, one in enumerate(table.meanings)]  # fmt: skip
    where = say("draft.head.sheet", source=source, title=table.title) if table.title else source
    names = {one: {fold(run.cells.get(one, "")) for run in table.runs} - {""} for one in ("game", "tuning", "card")}
    found = [count_text(len(held), one) for one, held in names.items() if one != "card" or held]
    held = {"where": where, "values": ", ".join(said), "runs": len(table.runs), "found": ", ".join(found)}
    left = [say("draft.head.left_out", columns=", ".join(table.left_out))] if table.left_out else []
    return [say("draft.head.table", **held), *left]


def _side(rows: Sequence[DraftRow], order_why: str) -> list[str]:
    """Return what stands beside the table."""
    whys = Counter(row.cells["round"].why for row in rows if row.cells["round"].why)
    round_whys = [why for why, _ in whys.most_common(1) if why != say("draft.why.number_in_table")]
    order = [say("draft.side.order", why=say(f"draft.by.{order_why}"))] if order_why else []
    return [*(say("draft.side.round", why=why) for why in round_whys), *order]


def _metrics_of(table: TypedTable, answers: Mapping[str, str]) -> tuple[dict[str, str], list[Question]]:
    """Return the metric of each column that is sure, and a question for each that is not."""
    stated = Counter(one.metric for one in table.meanings.values() if one.certainty == "stated")
    metrics: dict[str, str] = {}
    questions = []
    for heading, meaning in table.meanings.items():
        if meaning.certainty == "stated" and stated[meaning.metric] == 1:
            metrics[heading] = meaning.metric
            continue
        may_be = _NUMBERS if meaning.certainty == "open" else CANDIDATES.get(meaning.metric, (meaning.metric,))
        choices = [choice("column", one) if one in _WORDED else Choice(METRICS[one].label, one) for one in may_be]
        column = question("column", {"heading": heading, "metric": meaning.metric}, name=heading, choices=choices)
        is_power = meaning.metric.endswith("_w")
        enter = say("ask.column.enter_w") if is_power else column.default_text
        questions.append(replace(column, default_text=enter))
        answer = answers.get(column.key, "")
        if answer in may_be and answer not in metrics.values():
            metrics[heading] = answer
    return metrics, questions


_WORDED = {one for group in CANDIDATES.values() for one in group} | {*_NUMBERS, FRAME_MS}


def _commas(table: TypedTable, answers: Mapping[str, str]) -> tuple[list[Question], str, list[str]]:
    """Return the question what a comma is where nothing tells, how doubtful ones are read, a note on the others."""
    numbers = [number for run in table.runs for number in run.numbers.values()]
    one = next((number.text for number in numbers if number.has_comma and not number.is_doubtful), "")
    notes = [say("draft.head.commas", found=one.replace(".", ","), read=one)] if one else []
    doubtful = [number for number in numbers if number.is_doubtful]
    if not doubtful or any("." in number.text and not number.is_doubtful for number in numbers):
        return [], "decimal", notes
    decimal = doubtful[0].text
    asked = question("comma", {"found": decimal.replace(".", ","), "decimal": decimal})
    return [asked], answers.get("comma", ""), notes


def _doubt_questions(table: TypedTable) -> list[Question]:
    """Return a question for what the table does not say."""
    games, tunings = (
        list(dict.fromkeys(run.cells.get(one, "") for run in table.runs)) for one in ("game", "tuning")
    )
    questions = []
    if "games" in table.doubts or ("tunings" in table.doubts and any(tunings)):
        questions.append(question("roles", {"games": games, "tunings": tunings}))
    if "tunings" in table.doubts and not any(tunings):
        questions.append(question("no_tuning"))
    if "numbers" in table.doubts:
        numbers = sorted({game.split()[-1] for game in games}, key=lambda one: (len(one), one))
        questions.append(question("numbers_of_games", {"numbers": numbers}))
    return questions


def _cells_of(
    run: TypedRun, table: TypedTable, answers: Mapping[str, str], takes: list[Question]
) -> dict[str, Cell]:
    """Return the names of a run; a note with a word for a take that may not count is asked."""
    is_doubtful = bool({"games", "tunings"} & set(table.doubts)) and "roles" not in answers
    is_doubtful |= "numbers" in table.doubts and "numbers_of_games" not in answers
    why = say("draft.why.row", line=run.line)
    cells = {}
    for column in ("game", "tuning", "setting", "session", "card", "note"):
        value, is_needed = run.cells.get(column, ""), column in ("game", "tuning")
        if value or is_needed:
            cells[column] = Cell(value, why, is_asked=is_needed and (not value or is_doubtful))
    if not cells["tuning"].value and answers.get("no_tuning"):
        cells["tuning"] = Cell(answers["no_tuning"], why)
    words = words_of(run.cells.get("note", "")) & TRY
    if words:
        take = question("left_out", {"file": why, "length": run.cells["note"], "causes": ", ".join(CAUSES)},
                        name=f"row {run.line}", choices=named(CAUSES))  # fmt: skip
        takes.append(take)
        answer = answers.get(take.key, "")
        cells["excluded"] = Cell("" if answer == "counts" else answer, why, is_asked=not answer)
    return cells


def _value(number: Read | None, heading: str, decimals: str) -> str:
    """Return a typed number in the kit's unit; empty where it is not known how it is meant."""
    if number is None or (number.is_doubtful and not decimals):
        return ""
    text = number.text.replace(".", "") if number.is_doubtful and decimals == "thousands" else number.text
    unit = known_unit(number.unit) if number.unit else unit_stated(heading)
    if unit is None or unit.quantity in ("", "time") or (unit.factor == 1.0 and unit.zero == 0.0):
        return text
    return f"{(float(text) - unit.zero) * unit.factor:.9g}"


def _with_rounds(
    rows: Sequence[DraftRow], runs: Sequence[TypedRun], answers: Mapping[str, str]
) -> tuple[list[DraftRow], str, bool]:
    """Return rows with rounds and order, where the order is from (empty: not known), and whether numbers ask."""
    places_of: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for place, row in enumerate(rows):
        places_of[tuple(fold(row.value(one)) for one in _CELL)].append(place)
    given = [_count(run.cells.get("round") or run.cells.get("run", "")) for run in runs]
    runs_through = len(set(given)) == len(given) and max(map(len, places_of.values()), default=0) > 1
    starts = [_start_of(run.cells.get("time", "")) for run in runs]
    orders = [_count(run.cells.get("order", "")) for run in runs]
    is_timed = None not in starts and len(set(starts)) == len(starts) > 1
    is_ordered = all(orders) and len(set(orders)) == len(orders)
    asks_running = runs_through and all(given) and not is_timed and not is_ordered
    why = ""
    if is_timed:
        why, ordered = "times_in_table", sorted(range(len(rows)), key=lambda one: starts[one] or 0.0)
    elif is_ordered:
        why, ordered = "order_in_table", sorted(range(len(rows)), key=lambda one: orders[one])
    elif asks_running and answers.get("running") == "yes":
        why, ordered = "numbers_in_table", sorted(range(len(rows)), key=lambda one: given[one])
    else:
        ordered = list(range(len(rows)))
    rank = {one: nth for nth, one in enumerate(ordered, start=1)}
    days = sorted({datetime.fromtimestamp(start, UTC).date() for start in starts if start is not None})
    out = list(rows)
    for places in places_of.values():
        numbers = [given[place] for place in places]
        is_counted = all(numbers) and len(set(numbers)) == len(numbers) and not runs_through
        is_twice = any(numbers) and not is_counted and not runs_through
        for nth, place in enumerate(sorted(places, key=lambda one: rank[one]), start=1):
            value = str(given[place]) if is_counted else "" if is_twice else str(nth)
            said = say(f"draft.why.{'number_in_table' if is_counted else 'place_in_table'}")
            out[place] = out[place].with_cell("round", Cell(value, said, is_asked=is_twice))
    for place, start in enumerate(starts) if why else ():
        number = str(orders[place]) if why == "order_in_table" else str(rank[place])
        out[place] = out[place].with_cell("order", Cell(number, say(f"draft.by.{why}")))
        if why == "times_in_table" and start is not None:
            at, by = datetime.fromtimestamp(start, UTC), say("draft.by.times_in_table")
            out[place] = out[place].with_cell("started_at", Cell(f"{at:%Y-%m-%d %H:%M:%S}", by))
            if "session" not in out[place].cells:
                session = f"session {days.index(at.date()) + 1}"
                out[place] = out[place].with_cell("session", Cell(session, say("draft.why.days_in_table")))
    return ([out[one] for one in ordered] if why else out), why, asks_running


def _start_of(cell: str) -> float | None:
    """Return a date and time, written year first, in seconds since 1970; None for anything else."""
    try:
        return datetime.fromisoformat(cell).replace(tzinfo=UTC).timestamp() if ":" in cell else None
    except ValueError:
        return None


def _count(cell: str) -> int:
    """Return a whole number at the end of a cell; 0 without one."""
    digits = cell.strip().split(" ")[-1].lstrip("#rR").removesuffix(".0")
    return int(digits) if digits.isdecimal() and len(digits) < 6 else 0


def _plan_lines(
    metrics: Mapping[str, str], answers: Mapping[str, str], *, asks_order: bool
) -> dict[str, tuple[str, ...]]:
    """Return lines of the plan by section: what is typed, where power was measured, the order."""
    known = {"board_w" if one == "chip_w" else "avg_fps" if one == FRAME_MS else one for one in metrics.values()}
    typed = ", ".join(f'"{metric}"' for metric in METRICS if metric in known)
    analysis = [f"metrics = [{typed}]  # from the table"] if typed else []
    if asks_order:
        analysis.append(f'typed_order = "{answers.get("typed_order") or "not_known"}"')
    points = {_POINTS[metric] for metric in metrics.values() if metric in _POINTS}
    cards = tuple(f'power_measured_at = "{point}"' for point in points) if len(points) == 1 else ()
    return {"analysis": tuple(analysis), "cards": cards}
