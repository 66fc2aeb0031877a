"""A draft of plan and run sheet: cells with their evidence, the table that shows it, and what every draft asks."""

from __future__ import annotations

import re
import textwrap
from collections import Counter, defaultdict
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.questions import ASKED, SHOW, Choice, Question, isolated
from gpubench_kit.model.words import fold
from gpubench_kit.sheet.log_names import names_reference
from gpubench_kit.sheet.questions import choice, named, question
from gpubench_kit.wording.catalogue import say

#: Rows that lack a value, of which the table says so.
_FEW = 3
#: Columns of names, which may be spelt in several ways.
_NAMED = ("game", "tuning")
_CHANGE = re.compile(r"([a-z]\w*)\s*[:= ]\s*([+\-−]?\d+(?:[.,]\d+)?)\s*(?:[a-z%]*)")
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")
#: Values with a unit in the name of a tuning, and the change that they state.
_STATED = re.compile(r"(?<![\w.,])([+\-−]?)(\d+(?:[.,]\d+)?)\s?(mV|MHz|%)(?!\w)", re.IGNORECASE)
_KEY_OF_UNIT = {"mv": "voltage_mv", "mhz": "core_mhz", "%": "power_limit_pct"}


class Cell(NamedTuple):
    """A cell of the draft: its value (empty: not known), the evidence, and whether it waits for an answer."""

    value: str = ""
    why: str = ""
    is_asked: bool = False

    @property
    def written(self) -> str:
        """The cell as it stands in the run sheet: ``quiet``, ``quiet ?`` or ``?``."""
        return " ".join(filter(None, (self.value, ASKED * self.is_asked)))


@dataclass(frozen=True)
class DraftRow:
    """One run: where it comes from, its cells by column of the run sheet, its start and length [s]."""

    source: str
    cells: Mapping[str, Cell]
    started_s: float | None = None
    length_s: float | None = None

    def value(self, column: str) -> str:
        """Return a cell's value, proposed or known; empty where there is none."""
        return self.cells.get(column, Cell()).value

    def is_asked(self, column: str) -> bool:
        """Return whether a cell waits for an answer."""
        return self.cells.get(column, Cell()).is_asked

    def with_cell(self, column: str, cell: Cell) -> DraftRow:
        """Return the row with another cell."""
        return replace(self, cells={**self.cells, column: cell})

    @property
    def evidence(self) -> str:
        """What its cells were taken from, each once."""
        asked = [column for column, cell in self.cells.items() if cell.is_asked]
        said = dict.fromkeys(cell.why for cell in self.cells.values() if cell.why)
        return "; ".join([say("draft.asked", columns=", ".join(asked))] * bool(asked) + list(said))


@dataclass(frozen=True)
class Draft:
    """What was found, and what is asked.

    Attributes
    ----------
    source : name of the folder or the table
    rows : one for each run, in the order of the sheet
    head : lines that say what was found, above the table
    side : lines that stand beside the table: round, order, sessions, sensors
    notes : lines below the table, before the first question
    first : questions without whose answers there is no table: asked before it
    questions : about games, tunings, rounds and order, in the order asked, those answered too
    later : questions about what was read, such as the format of a log: asked after those on the card and its
        tunings
    reference : the tuning that the others are compared with; empty where no word says it
    plan_lines : lines for the plan by section
    copies : files to copy into the folder of logs: where from (path from the source) and the name there
    is_typed : whether values were typed into a table, and not read from logs
    waiting : columns of typed numbers whose metric is not answered yet; they stand in the sheet, and are not read
    parts : reviews that are made in place of one, each with the answers that choose it; then there are no rows
    found_names : column and name of each game and tuning as found, before any answer renames it
    """

    source: str
    rows: tuple[DraftRow, ...]
    head: tuple[str, ...] = ()
    side: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    first: tuple[Question, ...] = ()
    questions: tuple[Question, ...] = ()
    later: tuple[Question, ...] = ()
    reference: str = ""
    plan_lines: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    copies: tuple[tuple[str, str], ...] = ()
    waiting: tuple[str, ...] = ()
    parts: tuple[tuple[str, Mapping[str, str]], ...] = ()
    found_names: tuple[tuple[str, str], ...] = ()
    is_typed: bool = False

    def names(self, column: str) -> list[str]:
        """Return the names in a column in the order of the rows, those asked too; the reference first."""
        names = list(dict.fromkeys(row.value(column) for row in self.rows if row.value(column)))
        return sorted(names, key=lambda name: column == "tuning" and name != self.reference)

    @property
    def n_open(self) -> int:
        """Number of cells that wait for an answer."""
        return sum(cell.is_asked for row in self.rows for cell in row.cells.values())

    def file_lines(self) -> list[str]:
        """Return one line for each row: its source and what was made of it; above them what most are taken from."""
        usual, n = next(iter(Counter(row.evidence for row in self.rows).most_common(1)), ("", 0))
        usual *= n > 1
        head = [say("draft.usual_evidence", evidence=usual)] * bool(usual)
        return head + [
            f"{isolated(row.source)}: "
            + ", ".join(f"{column} {isolated(row.cells[column].written) or ASKED}"
                        for column in ("game", "setting", "tuning", "round") if column in row.cells)
            + (f" ({row.evidence})" if row.evidence not in ("", usual) else "")
            for row in self.rows
        ]  # fmt: skip


def table_lines(draft: Draft, width: int = 100) -> list[str]:
    """Return the table game x tuning x round with counts.

    Parameters
    ----------
    draft : the draft
    width : letters that a line may have; what stands beside the table goes below it where it does not fit, and a
        table that is too wide is a list of games
    """
    # Typed values that a row lacks and other rows of its game have.
    typed = [one for one in (*METRICS, *draft.waiting) if any(row.value(one) for row in draft.rows)]
    held = {(row.value("game"), one) for row in draft.rows for one in typed if row.value(one)}
    labels = {one: METRICS[one].label if one in METRICS else f'"{one}"' for one in typed}
    lacks = {
        row.source: [labels[one] for one in typed if not row.value(one) and (row.value("game"), one) in held]
        for row in draft.rows
    }
    lacking = {source: what for source, what in lacks.items() if what}
    missing = [
        say("draft.side.value_missing", row=isolated(row), what=", ".join(what)) for row, what in lacking.items()
    ]
    more = [say("draft.side.more_missing", n=len(missing) - _FEW)] * (len(missing) > _FEW)
    draft = replace(draft, side=(*draft.side, *missing[:_FEW], *more))
    tunings = draft.names("tuning")
    apart = ["game", *(column for column in ("setting", "card") if len(draft.names(column)) > 1)]
    runs: dict[tuple[str, str], list[DraftRow]] = defaultdict(list)
    for row in draft.rows:
        runs[", ".join(filter(None, map(row.value, apart))), row.value("tuning")].append(row)
    games = list(dict.fromkeys(game for game, _ in runs if game))
    if not games or not tunings:
        return []
    numbers = (row.value("round") for row in draft.rows)
    most = max((int(number) for number in numbers if number.isdecimal()), default=0)
    body = [[game, *(_rounds(runs[game, tuning], most, lacking) for tuning in tunings)] for game in games]
    counts = [str(sum(len(runs[game, tuning]) for game in games)) for tuning in tunings]
    rows = [["", *tunings], *body, ["", *counts]]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ["  " + "   ".join(isolated(text) + " " * (n - len(text)) for text, n in zip(row, widths, strict=True))
             for row in rows]  # fmt: skip
    lines = [*(line.rstrip() for line in lines[:-1]), f"{lines[-1]}   = {len(draft.rows)}"]
    if max(map(len, lines)) > width:
        lists = (f"{isolated(game)}: " + "; ".join(f"{isolated(tuning)} {cell}" for tuning, cell in
                 zip(tunings, cells, strict=True)) for game, *cells in body)  # fmt: skip
        lines = [textwrap.fill(one, width, initial_indent="  ", subsequent_indent="    ") for one in lists]
        return [*lines, *(f"  {text}" for text in draft.side)]
    inner = max(map(len, lines)) + 3
    if any(inner + len(text) > width for text in draft.side):
        return [*lines, *(f"  {text}" for text in draft.side)]
    beside = [*draft.side, *[""] * (len(lines) - len(draft.side))]
    lines += [""] * (len(beside) - len(lines))
    return [f"{line:<{inner}}{text}".rstrip() for line, text in zip(lines, beside, strict=True)]


def _rounds(rows: Sequence[DraftRow], most: int, lacking: Container[str]) -> str:
    """Return the rounds of one game and tuning: ``-`` for a hole, ``(b)`` for a bad take, ``3'`` for one twice."""
    marked: list[tuple[int, int, str]] = []
    last = 0
    held: Counter[int] = Counter()
    for row in rows:
        value = row.value("round")
        number = int(value) if value.isdecimal() else 0
        if row.value("excluded") or row.is_asked("excluded"):
            marked.append((last, 1, "(b)"))
            continue
        last = number or last
        is_asked = row.is_asked("round")
        text = value + "'" * held[number] if number and not (is_asked and held[number]) else ""
        text += ASKED * is_asked
        held[number] += 1
        marked.append((number or 10**9, 0, "-" if row.source in lacking else text or ASKED))
    if not rows:
        return "-"
    are_known = all(text.isdecimal() or text in ("(b)", "-") for _, _, text in marked)
    holes = [(n, 0, "-") for n in range(1, most + 1) if n not in held] if are_known else []
    return " ".join(text for _, _, text in sorted([*marked, *holes], key=lambda one: one[:2]))


def all_questions(draft: Draft, answers: Mapping[str, str]) -> list[Question]:
    """Return every question of a draft in order, those answered too.

    Parameters
    ----------
    draft : as found for these answers
    answers : answers so far, by key
    """
    has_table = any(row.value(column) for row in draft.rows for column in _NAMED)
    details = [replace(one, is_detail=has_table) for one in draft.questions if one.is_detail]
    mains = [one for one in draft.questions if not one.is_detail]
    if not draft.rows:
        return [*draft.first, *mains]
    show = Choice(choice("table", "cells" if draft.is_typed else "files").text, SHOW)
    others = [choice("table", one) for one in ("names", "roles")[: 1 if draft.is_typed else 2]]
    table = [replace(question("table", choices=(show, *others)), evidence=tuple(draft.file_lines()))] * has_table
    names = [
        replace(question("name", {"column": column, "found": found}, name=found), default=found)
        for column, found in (draft.found_names if answers.get("table") == "names" else ())
    ]
    sure = {row.value("tuning") for row in draft.rows if not row.is_asked("tuning")}
    form = "is not of the form: name value, name value (power_limit_pct -12, voltage_mv -90)."
    values = [
        question("tunings", {"found": name}, name=name, choices=_changes_in(name),
                 check=lambda typed: "" if changes_of(typed) else f"{shown(typed)} {form}")
        for name in draft.names("tuning")
        if name in sure and name != draft.reference
    ]  # fmt: skip
    cards = draft.names("card")
    card = [question("which_card", choices=named(cards, 9))] if len(cards) > 1 else [question("card")] * (not cards)
    no_margin = "is no percentage above 0 and below 100."
    margin = question("margin_pct", check=lambda typed: "" if percent_of(typed) else f"{shown(typed)} {no_margin}")
    return [*draft.first, *table, *names, *details, *mains, *card, *values, *draft.later, margin]


def percent_of(typed: str) -> str:
    """Return a typed percentage as a number with a decimal point; empty where it is none.

    Parameters
    ----------
    typed : as typed, with point or comma
    """
    plain = typed.replace(",", ".").removesuffix("%").strip()
    return plain if _NUMBER.fullmatch(plain) and 0 < float(plain) < 100 else ""


def _changes_in(name: str) -> list[Choice]:
    """Return the changes that a name states by values with units and signs, as a choice: -90mV, +120MHz, 88%."""
    found = []
    for sign, value, unit in _STATED.findall(name):
        number = float(value.replace(",", "."))
        if unit == "%" and not sign and 0 < number < 200:
            found.append(f"power_limit_pct {number - 100:+g}")
        elif sign:
            found.append(f"{_KEY_OF_UNIT[unit.casefold()]} {sign.replace('−', '-')}{number:g}")
    return [Choice(", ".join(found), ", ".join(found))] if found else []


def changes_of(typed: str) -> dict[str, str]:
    """Return typed changes, name to number; empty where the text is of another form.

    Parameters
    ----------
    typed : such as ``power_limit_pct -12, voltage_mv -90``
    """
    parts = [_CHANGE.fullmatch(part.strip()) for part in re.split(r"[,;](?!\d)", typed) if part.strip()]
    found = {one[1]: one[2].replace(",", ".").replace("−", "-").lstrip("+") for one in parts if one}
    return found if all(parts) else {}


def order_choices(names: Sequence[str]) -> str:
    """Return the words for tunings measured one after the other, by their names where there are two.

    Parameters
    ----------
    names : of the tunings
    """
    if len(names) != 2:
        return say("ask.typed_order.one_then_the_next")
    return say("ask.typed_order.one_then_the_other", first=names[0], second=names[1])


def with_names(draft: Draft, answers: Mapping[str, str]) -> Draft:
    """Return a draft whose names are spelt one way, and as the answers say.

    Parameters
    ----------
    draft : as found
    answers : answers so far, by key

    Notes
    -----
    Names that differ in capitals and blanks only are one name, spelt as most rows spell it; a note says so.
    """
    notes, found = [], []
    meant: dict[tuple[str, str], str] = {}
    for column in _NAMED:
        count = Counter(row.value(column) for row in draft.rows if row.value(column))
        forms: dict[str, list[str]] = defaultdict(list)
        for name in count:
            forms[" ".join(fold(name).split())].append(name)
        for names in forms.values():
            best = max(names, key=lambda name: count[name])
            others = [name for name in names if name != best]
            notes += [say("draft.head.same_name", column=column, names=listed(others), name=shown(best))] * bool(
                others
            )
            found.append((column, best))
            meant |= {(column, name): answers.get(f"name.{best}") or best for name in names}
    rows = [
        replace(row, cells={column: cell._replace(value=meant.get((column, cell.value), cell.value))
                            for column, cell in row.cells.items()})
        for row in draft.rows
    ]  # fmt: skip
    return replace(draft, rows=tuple(rows), notes=(*draft.notes, *notes), found_names=tuple(found))


def with_reference(draft: Draft, answers: Mapping[str, str]) -> Draft:
    """Return a draft that knows its reference tuning, or asks.

    Parameters
    ----------
    draft : as found
    answers : answers so far, by key

    Notes
    -----
    A single tuning that is named by a word for the state of sale is the reference. Two such words are asked: are
    they one state? Without any, the reference is asked, and the plan stays without one.
    """
    tunings = draft.names("tuning")
    states = [name for name in tunings if names_reference(name)]
    if len(states) > 1:
        one = question("one_state", {"names": states, "first": states[0]})
        answer = answers.get("one_state", "")
        meant = states[0] if answer == "yes" else ""
        waits = states if answer != "no" else []
        rows = list(draft.rows)
        for place, row in enumerate(rows):
            if row.value("tuning") not in waits:
                continue
            # Tuning and round stay open where it is not known which state is meant.
            cell = row.cells["tuning"]
            rows[place] = row.with_cell("tuning", Cell(meant or cell.value, cell.why, cell.is_asked or not meant))
            if not meant and "round" in row.cells:
                rows[place] = rows[place].with_cell("round", row.cells["round"]._replace(is_asked=True))
        draft = replace(draft, rows=tuple(rows), questions=(*draft.questions, one))
        states = states[:1] if answer == "yes" else states
    if len(states) == 1:
        return replace(draft, reference=states[0])
    if len(tunings) < 2 or states:
        return draft
    chosen = answers.get("reference", "")
    asked = (*draft.questions, question("reference", choices=named(tunings, 9)))
    return replace(draft, questions=asked, reference=chosen if chosen in tunings else "")
