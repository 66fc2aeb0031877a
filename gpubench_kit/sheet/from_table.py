"""A draft from a reviewer's own table: games, tunings, rounds and typed values, each doubt a question."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

from gpubench_kit.model.errors import Fault, TableError, listed, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.questions import Choice, Question
from gpubench_kit.model.words import fold, known_unit, unit_stated
from gpubench_kit.sheet.draft import Cell, Draft, DraftRow, with_names, with_reference
from gpubench_kit.sheet.headings import CANDIDATES, Meaning, Read
from gpubench_kit.sheet.spreadsheet import TypedRun, TypedTable, read_tables
from gpubench_kit.sheet.text import Grid

#: Answers that leave a column out, and that make a review of each table.
NONE, EACH = "none", "each"
#: Where power was measured, by the answer that names it.
_POINTS = {"board_w": "board_sensor", "chip_w": "chip_sensor", "wall_w": "wall"}
_NUMBERS = (("avg_fps", "average FPS"), ("low_1pct_fps", "1 % low"), ("board_w", "watts of the card's board"),
            ("wall_w", "watts at the wall"))  # fmt: skip
_ORDERS = {
    "alternated": "alternating: run 1 of each tuning, then run 2 ...",
    "back_to_back": "all of one tuning, then all of the next",
    "not_known": "I do not know",
}


def draft_from_grids(grids: Sequence[Grid], source: str, answers: Mapping[str, str]) -> Draft:
    """Draft a review from the sheets of a table file.

    Parameters
    ----------
    grids : the sheets
    source : name of the file
    answers : answers so far, by key

    Returns
    -------
    Draft. Of several tables none is taken before the answer which, or that each is a review

    Raises
    ------
    TableError : no table of runs was found
    """
    tables = [table for grid in grids for table in read_tables(grid)]
    if not tables:
        problem = "no table of results was found: no row of words stands above rows with names and numbers."
        action = "Name the columns in the first row, for example: game, tuning, run, avg fps, 1% low"
        raise TableError(Fault(source, problem, action))
    if len(tables) == 1:
        return _draft(tables[0], source, answers)
    names = _titles(tables)
    choices = [
        Choice(f"{shown(name)} {one.n_values} values", name) for name, one in zip(names, tables, strict=True)
    ]
    if EACH not in names:
        choices.append(Choice(f"{'both' if len(names) == 2 else 'all'}, as {len(names)} reviews", EACH))
    which = Question(
        "which_table", f"{source} holds {len(tables)} tables. Which one?", default_text="none",
        choices=tuple(choices),
        paste=f"Save the one that counts as a file of its own, or answer: which_table = {names[0]!r}",
    )  # fmt: skip
    if answers.get("which_table") == EACH and EACH not in names:
        parts = tuple((name, {"which_table": name}) for name in names)
        return Draft(source, (), first=(which,), parts=parts)
    if answers.get("which_table") not in names:
        return Draft(source, (), head=(which.text,), first=(which,))
    draft = _draft(tables[names.index(answers["which_table"])], source, answers)
    return replace(draft, first=(which,))


def _titles(tables: Sequence[TypedTable]) -> list[str]:
    """Return a name for each table, no two alike."""
    count: Counter[str] = Counter()
    names = []
    for number, table in enumerate(tables, start=1):
        name = table.title or f"table {number}"
        count[name] += 1
        names.append(name if count[name] == 1 else f"{name} ({count[name]})")
    return names


def _draft(table: TypedTable, source: str, answers: Mapping[str, str]) -> Draft:
    """Return the draft of one table."""
    metrics, later = _metrics_of(table, answers)
    comma, decimals = _comma_question(table, answers)
    runs = (
        (
            [
                replace(
                    run,
                    cells={**run.cells, "game": run.cells.get("tuning", ""), "tuning": run.cells.get("game", "")},
                )
                for run in table.runs
            ]
        )
        if answers.get("roles") == "turned"
        else table.runs
    )
    runs = [run for run in runs if run.cells.get("game") or run.cells.get("tuning")]
    rows = [_row(run, table, metrics=metrics, decimals=decimals, answers=answers) for run in runs]
    named = with_names(Draft(source, tuple(rows)), answers)
    rows, order_known = _with_rounds(named.rows, runs)
    order = [] if order_known or _is_single(rows) else [_order_question()]
    counts = [
        f"{sum(heading in run.numbers for run in table.runs)} of {shown(heading)}" for heading in table.meanings
    ]
    where = f"{source}, sheet {shown(table.title)}" if table.title else source
    found = f"{where}: values: {', '.join(counts)}."
    games = {fold(run.cells.get("game", "")) for run in table.runs} - {""}
    tunings = {fold(run.cells.get("tuning", "")) for run in table.runs} - {""}
    head = [f"{found} {len(table.runs)} runs, {len(games)} games, {len(tunings)} tunings."]
    numbers = (number for run in table.runs for number in run.numbers.values())
    one = next((number.text for number in numbers if number.has_comma and not number.is_doubtful), "")
    comma_note = [f"Decimal commas: {one.replace('.', ',')} = {one}."] if one else []
    draft = replace(
        named,
        rows=tuple(rows),
        head=tuple(head),
        notes=(*table.notes, *comma_note, *named.notes),
        questions=(*_doubt_questions(table), *order),
        later=(*comma, *later),
        plan_lines=_plan_lines(metrics, answers, asks_order=bool(order)),
        is_typed=True,
    )
    return with_reference(draft, answers)


def _metrics_of(table: TypedTable, answers: Mapping[str, str]) -> tuple[dict[str, str], list[Question]]:
    """Return the metric of each column that is sure, and a question for each that is not."""
    stated = Counter(one.metric for one in table.meanings.values() if one.certainty == "stated")
    metrics, questions = {}, []
    for heading, meaning in table.meanings.items():
        if meaning.certainty == "stated" and stated[meaning.metric] == 1:
            metrics[heading] = meaning.metric
            continue
        key = f"column.{heading}"
        choices = [Choice(words, name) for name, words in _candidates(meaning)]
        what = "which metric" if meaning.certainty == "open" else "what exactly"
        column_question = Question(
            key, f"Column {shown(heading)}: {what} is it?", default_text="later, not used",
            choices=(*choices, Choice("something else", NONE)), writes="a column {} in runs.csv",
            paste=f"runs.csv: type the values of {shown(heading)} into a column named by the metric "
                  f"({meaning.metric})",
        )  # fmt: skip
        questions.append(column_question)
        answer = answers.get(key, "")
        if answer in {name for name, _ in _candidates(meaning)} and answer not in metrics.values():
            metrics[heading] = answer
    return metrics, questions


def _candidates(meaning: Meaning) -> tuple[tuple[str, str], ...]:
    """Return what a column may be: name of the metric and words."""
    if meaning.certainty == "open":
        return _NUMBERS
    known = METRICS.get(meaning.metric)
    return CANDIDATES.get(meaning.metric, ((meaning.metric, known.label if known else meaning.metric),))


def _comma_question(table: TypedTable, answers: Mapping[str, str]) -> tuple[list[Question], str]:
    """Return the question what a comma is where nothing tells, and how doubtful commas are read."""
    numbers = [number for run in table.runs for number in run.numbers.values()]
    doubtful = [number for number in numbers if number.is_doubtful]
    if not doubtful or any("." in number.text and not number.is_doubtful for number in numbers):
        return [], "decimal"
    example = doubtful[0].text.replace(".", ",")
    one = Question(
        "comma", f"{shown(example)}: is the comma a decimal mark?", default_text="later, these are not used",
        choices=(Choice(f"yes: {doubtful[0].text}", "decimal"), Choice("no, it parts thousands", "thousands")),
        paste="runs.csv: write numbers with a decimal point and without thousands marks",
    )  # fmt: skip
    return [one], answers.get("comma", "")


def _doubt_questions(table: TypedTable) -> list[Question]:
    """Return a question for what the table does not say."""
    games = list(dict.fromkeys(run.cells.get("game", "") for run in table.runs))
    tunings = list(dict.fromkeys(run.cells.get("tuning", "") for run in table.runs))
    questions = []
    if "games" in table.doubts or ("tunings" in table.doubts and any(tunings)):
        questions.append(Question(
            "roles", f"Are {listed(games, most=4)} the games, and {listed(tunings, most=4)} the tunings?",
            choices=(Choice("right", "right"), Choice("the other way round", "turned")), is_detail=True,
            paste="runs.csv: take the question marks away in the columns game and tuning, or exchange them",
        ))  # fmt: skip
    if "tunings" in table.doubts and not any(tunings):
        questions.append(Question(
            "no_tuning", "No column names the tuning. Were all rows measured under one?", is_typed=True,
            choices=(Choice("yes, factory", "factory"),), default_text="later, fill in the column tuning",
            is_detail=True, paste="runs.csv: fill in the column tuning",
        ))  # fmt: skip
    return questions


def _row(
    run: TypedRun, table: TypedTable, *, metrics: Mapping[str, str], decimals: str, answers: Mapping[str, str]
) -> DraftRow:
    """Return a row of the draft."""
    is_doubtful = bool({"games", "tunings"} & set(table.doubts)) and "roles" not in answers
    why = f"row {run.line}"
    cells: dict[str, Cell] = {}
    for column in ("game", "tuning", "setting", "session", "note"):
        value = run.cells.get(column, "")
        needed = column in ("game", "tuning")
        if value or needed:
            cells[column] = Cell(
                value, why, is_asked=needed and (not value or (is_doubtful and column in _DOUBTED))
            )
    if not cells["tuning"].value and answers.get("no_tuning"):
        cells["tuning"] = Cell(answers["no_tuning"], why)
    for heading, metric in metrics.items():
        value = _value(run.numbers.get(heading), heading, decimals)
        if value:
            cells["board_w" if metric == "chip_w" else metric] = Cell(value)
    return DraftRow(f"row {run.line}", cells)


_DOUBTED = ("game", "tuning")


def _value(number: Read | None, heading: str, decimals: str) -> str:
    """Return a typed number in the kit's unit; empty where it is not known how it is meant."""
    if number is None or (number.is_doubtful and not decimals):
        return ""
    text = number.text.replace(".", "") if number.is_doubtful and decimals == "thousands" else number.text
    unit = known_unit(number.unit) if number.unit else unit_stated(heading)
    if unit is None or not unit.quantity or (unit.factor == 1.0 and unit.zero == 0.0):
        return text
    return f"{(float(text) - unit.zero) * unit.factor:.9g}"


def _with_rounds(rows: Sequence[DraftRow], runs: Sequence[TypedRun]) -> tuple[list[DraftRow], bool]:
    """Return rows with their rounds and order, and whether the order is known."""
    cells: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for place, row in enumerate(rows):
        cells[tuple(fold(row.value(one)) for one in ("game", "tuning", "setting", "session"))].append(place)
    given = [_count(run.cells.get("round") or run.cells.get("run", "")) for run in runs]
    runs_through = len(set(given)) == len(given) and max(map(len, cells.values()), default=0) > 1
    out = list(rows)
    for places in cells.values():
        numbers = [given[place] for place in places]
        is_counted = all(numbers) and len(set(numbers)) == len(numbers) and not runs_through
        is_twice = any(numbers) and not is_counted and not runs_through
        for nth, place in enumerate(places, start=1):
            value = str(given[place]) if is_counted else "" if is_twice else str(nth)
            why = "number in the table" if is_counted else "place in the table"
            out[place] = out[place].with_cell("round", Cell(value, why, is_asked=is_twice))
    orders = [_count(run.cells.get("order", "")) for run in runs]
    if all(orders) and len(set(orders)) == len(orders):
        out = [
            row.with_cell("order", Cell(str(n), "order in the table")) for row, n in zip(out, orders, strict=True)
        ]
        return out, True
    return out, False


def _count(cell: str) -> int:
    """Return a whole number at the end of a cell; 0 without one."""
    digits = cell.strip().split(" ")[-1].lstrip("#rR").removesuffix(".0")
    return int(digits) if digits.isdecimal() and len(digits) < 6 else 0


def _is_single(rows: Sequence[DraftRow]) -> bool:
    """Return whether each game and tuning was measured once."""
    cells = Counter((row.value("game"), row.value("tuning"), row.value("setting")) for row in rows)
    return max(cells.values(), default=0) < 2


def _order_question() -> Question:
    """Return the question in which order the runs were made."""
    return Question(
        "typed_order", "In which order were they measured?", default="not_known",
        default_text="3, treated like 2", writes='[analysis] typed_order = "{}"',
        choices=tuple(Choice(words, name) for name, words in _ORDERS.items()),
        paste='plan.toml: [analysis] typed_order = "alternated" (or "back_to_back", "not_known")',
    )  # fmt: skip


def _plan_lines(
    metrics: Mapping[str, str], answers: Mapping[str, str], *, asks_order: bool
) -> dict[str, tuple[str, ...]]:
    """Return lines of the plan by section: what is typed, where power was measured, the order."""
    known = ["board_w" if metric == "chip_w" else metric for metric in metrics.values()]
    typed = ", ".join(f'"{metric}"' for metric in METRICS if metric in known)
    analysis = [f"metrics = [{typed}]  # from the table"] if typed else []
    if asks_order:
        analysis.append(f'typed_order = "{answers.get("typed_order") or "not_known"}"')
    points = [_POINTS[metric] for metric in metrics.values() if metric in _POINTS]
    cards = (f'power_measured_at = "{points[0]}"',) if len(set(points)) == 1 else ()
    return {"analysis": tuple(analysis), "cards": cards}
