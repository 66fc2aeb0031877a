"""A draft of plan and run sheet: cells with their evidence, and the questions that every draft asks."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.questions import SHOW, Choice, Question, isolated
from gpubench_kit.model.words import fold
from gpubench_kit.sheet.log_names import names_reference

#: A proposal beside which a question stands, and a cell of which nothing is known.
ASKED = "?"


class Cell(NamedTuple):
    """A cell of the draft: its value (empty: not known), the evidence, and whether it waits for an answer."""

    value: str = ""
    why: str = ""
    is_asked: bool = False

    @property
    def written(self) -> str:
        """The cell as it stands in the run sheet: ``quiet``, ``quiet ?`` or ``?``."""
        if not self.is_asked:
            return self.value
        return f"{self.value} {ASKED}" if self.value else ASKED


@dataclass(frozen=True)
class DraftRow:
    """One run: where it comes from, its cells by column of the run sheet, and when it started [s]."""

    source: str
    cells: Mapping[str, Cell]
    started_s: float | None = None
    length_s: float | None = None

    def value(self, column: str) -> str:
        """Return a cell's value, proposed or known; empty where there is none."""
        return self.cells[column].value if column in self.cells else ""

    def with_cell(self, column: str, cell: Cell) -> DraftRow:
        """Return the row with another cell."""
        return replace(self, cells={**self.cells, column: cell})


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
    parts: tuple[tuple[str, Mapping[str, str]], ...] = ()
    found_names: tuple[tuple[str, str], ...] = ()
    is_typed: bool = False

    def names(self, column: str) -> list[str]:
        """Return the names in a column in the order of the rows, those asked too; the reference first."""
        names = list(dict.fromkeys(row.value(column) for row in self.rows if row.value(column)))
        if column == "tuning" and self.reference in names:
            names.sort(key=lambda name: name != self.reference)
        return names

    @property
    def n_open(self) -> int:
        """Number of cells that wait for an answer."""
        return sum(cell.is_asked for row in self.rows for cell in row.cells.values())

    def file_lines(self) -> list[str]:
        """Return one line for each row: its source and what was made of it."""
        return [
            f"{isolated(row.source)}: {', '.join(part for part in _parts(row) if part)}"
            + (f" ({why})" if (why := evidence_of(row)) else "")
            for row in self.rows
        ]


def _parts(row: DraftRow) -> Iterable[str]:
    """Return the cells of a row that its line in the table shows."""
    for column in ("game", "setting", "tuning", "round"):
        if column in row.cells:
            yield f"{column} {isolated(row.cells[column].written) or '?'}"


def evidence_of(row: DraftRow) -> str:
    """Return the evidence of a row's cells, each once.

    Parameters
    ----------
    row : the row
    """
    asked = [column for column, cell in row.cells.items() if cell.is_asked]
    said = dict.fromkeys(cell.why for cell in row.cells.values() if cell.why)
    return "; ".join([f"asked: {', '.join(asked)}"] * bool(asked) + list(said))


def table_lines(draft: Draft, width: int = 100) -> list[str]:
    """Return the table game x tuning x round with counts.

    Parameters
    ----------
    draft : the draft
    width : letters that a line may have; what stands beside the table goes below it where it does not fit
    """
    games, tunings = draft.names("game"), draft.names("tuning")
    if not games or not tunings:
        return []
    cells: dict[tuple[str, str], list[str]] = defaultdict(list)
    for row in draft.rows:
        cells[row.value("game"), row.value("tuning")].append(_round_text(row))
    most = max((number for row in draft.rows if (number := _round_of(row))), default=0)
    body = [[game, *(_cell_text(cells[game, tuning], most) for tuning in tunings)] for game in games]
    counts = [str(sum(len(cells[game, tuning]) for game in games)) for tuning in tunings]
    head = ["", *tunings]
    foot = ["", *counts]
    widths = [max(len(row[place]) for row in (head, *body, foot)) for place in range(len(head))]
    lines = ["  " + "   ".join(_padded(text, n) for text, n in zip(row, widths, strict=True)).rstrip()
             for row in (head, *body)]  # fmt: skip
    lines.append(
        "  " + "   ".join(_padded(t, n) for t, n in zip(foot, widths, strict=True)) + f"   = {len(draft.rows)}"
    )
    inner = max(map(len, lines)) + 3
    if any(inner + len(text) > width for text in draft.side):
        return [*lines, *(f"  {text}" for text in draft.side)]
    beside = [*draft.side, *[""] * (len(lines) - len(draft.side))]
    lines += [""] * (len(beside) - len(lines))
    return [f"{line:<{inner}}{text}".rstrip() for line, text in zip(lines, beside, strict=True)]


def _padded(text: str, width: int) -> str:
    """Return a text filled up with blanks; a name written from right to left is kept apart."""
    return isolated(text) + " " * (width - len(text))


def _round_of(row: DraftRow) -> int:
    """Return the number of a row's round; 0 where it is not known."""
    value = row.value("round")
    return int(value) if value.isdecimal() else 0


def _round_text(row: DraftRow) -> str:
    """Return how the table shows one run: its round, a mark where it is left out or asked."""
    cell = row.cells.get("round", Cell())
    mark = "(b) " if row.value("excluded") or row.cells.get("excluded", Cell()).is_asked else ""
    return mark + (cell.value or ASKED) + (ASKED if cell.is_asked and cell.value else "")


def _cell_text(rounds: Sequence[str], most: int) -> str:
    """Return the rounds of one game and tuning, holes as a dash."""
    if not rounds:
        return "-"
    plain = [one for one in rounds if one.isdecimal()]
    holes = [str(n) for n in range(1, most + 1) if str(n) not in plain] if len(plain) == len(rounds) else []
    ordered = sorted([*rounds, *holes], key=lambda one: (int(re.sub(r"\D", "", one) or 999), one))
    return " ".join("-" if one in holes else one for one in ordered)


_CHANGE = re.compile(r"([a-z]\w*)\s*[:= ]\s*([+\-−]?\d+(?:[.,]\d+)?)\s*(?:[a-z%]*)")
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")
_NAMED = ("game", "tuning")


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
    table = [_table_question(draft)] if has_table else []
    names = _name_questions(draft) if answers.get("table") == "names" else []
    tunings = [name for name in _sure_tunings(draft) if name != draft.reference]
    values = [_values_question(name) for name in tunings]
    cards = draft.names("card")
    card = _which_card(cards) if len(cards) > 1 else CARD
    return [*draft.first, *table, *names, *details, *mains, card, *values, *draft.later, MARGIN]


def _sure_tunings(draft: Draft) -> list[str]:
    """Return the tunings that are the name of some row without a question."""
    sure = {row.value("tuning") for row in draft.rows if "tuning" in row.cells and not row.cells["tuning"].is_asked}
    return [name for name in draft.names("tuning") if name in sure]


def _table_question(draft: Draft) -> Question:
    """Return the question whether the table is right."""
    return Question(
        "table", "Is this table right?", default="yes", default_text="yes",
        choices=(Choice("show each row", SHOW), Choice("change names", "names"),
                 *([] if draft.is_typed else [Choice("other roles", "roles")])),
        evidence=tuple(draft.file_lines()), paste="runs.csv: look at game, tuning, round and evidence",
    )  # fmt: skip


def _name_questions(draft: Draft) -> list[Question]:
    """Return a question for each name in the table; keys hold the name as it was found."""
    return [
        Question(
            f"name.{found}", f"Name of the {column} {shown(isolated(found))}", default=found,
            default_text="keep it", is_typed=True, is_detail=True,
            paste=f"runs.csv and plan.toml: the {column} {shown(found)}",
        )
        for column, found in draft.found_names
    ]  # fmt: skip


CARD = Question(
    "card", "Name of the card, as it will stand on the page", default_text="leave empty, fill in plan.toml",
    is_typed=True, writes='[[cards]] name = "{}"', paste='plan.toml: [[cards]] name = ""',
)  # fmt: skip


def _which_card(cards: Sequence[str]) -> Question:
    """Return the question which of several cards is the one reviewed."""
    return Question(
        "card", "Which card is the one that you review? The others are rivals.",
        choices=tuple(Choice(isolated(name), name) for name in cards[:9]),
        writes='role = "rival" for the cards beside {}', paste='plan.toml: role = "rival" below the other cards',
    )  # fmt: skip


def _margin_fault(typed: str) -> str:
    """Return what is wrong with a margin."""
    return "" if percent_of(typed) else f"{shown(typed)} is no percentage above 0 and below 100."


def percent_of(typed: str) -> str:
    """Return a typed percentage as a number with a decimal point; empty where it is none.

    Parameters
    ----------
    typed : as typed, with point or comma
    """
    plain = typed.replace(",", ".").removesuffix("%").strip()
    return plain if _NUMBER.fullmatch(plain) and 0 < float(plain) < 100 else ""


MARGIN = Question(
    "margin_pct",
    "Smallest difference that matters to your viewers, in percent. Settle it before you see a result.",
    default="2", default_text="2", is_typed=True, writes="[analysis] margin_pct = {}", check=_margin_fault,
    paste="plan.toml: [analysis] margin_pct = 2.0",
)  # fmt: skip


def _values_question(name: str) -> Question:
    """Return the question what a tuning sets."""
    return Question(
        f"tunings.{name}", f'What does "{isolated(name)}" set?  like: power_limit_pct -12, voltage_mv -90',
        default_text="not stated", is_typed=True, check=_changes_fault, writes="changes: {}",
        paste=f"plan.toml: [[tunings]] {shown(name)}: changes = {{ power_limit_pct = -12, voltage_mv = -90 }}",
    )  # fmt: skip


def _changes_fault(typed: str) -> str:
    """Return what is wrong with typed changes."""
    if changes_of(typed):
        return ""
    return f"{shown(typed)} is not of the form: name value, name value (power_limit_pct -12, voltage_mv -90)."


def changes_of(typed: str) -> dict[str, str]:
    """Return typed changes, name to number; empty where the text is of another form.

    Parameters
    ----------
    typed : such as ``power_limit_pct -12, voltage_mv -90``
    """
    found = {}
    for part in filter(None, (part.strip() for part in re.split(r"[,;](?!\d)", typed))):
        one = _CHANGE.fullmatch(part)
        if not one:
            return {}
        found[one[1]] = one[2].replace(",", ".").replace("−", "-").lstrip("+")
    return found


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
    cells: dict[tuple[str, str], str] = {}
    for column in _NAMED:
        count = Counter(row.value(column) for row in draft.rows if row.value(column))
        forms: dict[str, list[str]] = {}
        for name in count:
            forms.setdefault(" ".join(fold(name).split()), []).append(name)
        for names in forms.values():
            best = max(names, key=lambda name: count[name])
            notes += [f"{column} {listed(n for n in names if n != best)} is taken for {shown(best)}."] * (
                len(names) > 1
            )
            found.append((column, best))
            cells |= {(column, name): answers.get(f"name.{best}") or best for name in names}
    rows = [_renamed(row, cells) for row in draft.rows]
    return replace(draft, rows=tuple(rows), notes=(*draft.notes, *notes), found_names=tuple(found))


def _renamed(row: DraftRow, cells: Mapping[tuple[str, str], str]) -> DraftRow:
    """Return a row with the names that are meant."""
    for column in _NAMED:
        if row.value(column):
            row = row.with_cell(column, row.cells[column]._replace(value=cells[column, row.value(column)]))
    return row


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
    named = [name for name in tunings if names_reference(name)]
    if len(named) > 1 and len(tunings) > 1:
        draft, named = _one_state(draft, named, answers)
    if len(named) == 1:
        return replace(draft, reference=named[0])
    if len(tunings) < 2 or len(named) > 1:
        return draft
    one = Question(
        "reference", "Which tuning are the others compared with?", is_detail=True,
        choices=tuple(Choice(isolated(name), name) for name in tunings[:9]), writes="reference = true for {}",
        paste="plan.toml: reference = true below the tuning that the others are compared with",
    )  # fmt: skip
    chosen = answers.get("reference", "")
    return replace(draft, questions=(*draft.questions, one), reference=chosen if chosen in tunings else "")


def _one_state(draft: Draft, named: Sequence[str], answers: Mapping[str, str]) -> tuple[Draft, list[str]]:
    """Return the draft with the question whether several words for the state of sale are one, and those left."""
    one = Question(
        "one_state", f"Are {listed(named)} one and the same state?", is_detail=True,
        choices=(Choice(f"yes, {shown(named[0])}", "yes"), Choice("no", "no")),
        paste="runs.csv: take the question marks in the column tuning away, or correct the names",
    )  # fmt: skip
    answer = answers.get("one_state", "")
    rows = draft.rows
    if answer != "no":
        meant = named[0] if answer == "yes" else ""
        rows = tuple(_as_state(row, meant) if row.value("tuning") in named else row for row in rows)
    draft = replace(draft, rows=rows, questions=(*draft.questions, one))
    return draft, [named[0]] if answer == "yes" else list(named)


def _as_state(row: DraftRow, meant: str) -> DraftRow:
    """Return a row of the tuning that is meant; its tuning and round stay open where that is not known."""
    cell = row.cells["tuning"]
    row = row.with_cell("tuning", Cell(meant or cell.value, cell.why, is_asked=not meant or cell.is_asked))
    if not meant and "round" in row.cells:
        return row.with_cell("round", row.cells["round"]._replace(is_asked=True))
    return row
