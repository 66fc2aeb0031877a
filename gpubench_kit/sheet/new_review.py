"""A new review folder: a commented plan to fill in, or a draft as files with where its lines come from."""

from __future__ import annotations

import csv
import io
import re
import shutil
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import Fault, ReportError, TableError, listed, nearest, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import PLAN_FILE, SCHEMA_FILE
from gpubench_kit.model.questions import ASKED, SHOW, Question, quoted
from gpubench_kit.sheet.draft import Draft, DraftRow, changes_of, percent_of
from gpubench_kit.sheet.questions import format_answer
from gpubench_kit.sheet.rows import CLOSE, KNOWN, plain_heading
from gpubench_kit.sheet.text import SHEET_FILES

ANSWERS_FILE = "answers.toml"

#: Answers that are written as numbers.
_NUMBERS = ("margin_pct",)
_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")


def answers_text(answers: Mapping[str, str]) -> str:
    """Return answers as TOML; what was left for later is not written.

    Parameters
    ----------
    answers : by key; ``table.name`` goes into a table
    """
    lines: list[str] = []
    tables: dict[str, list[str]] = {}
    for key, value in answers.items():
        table, dot, name = key.partition(".")
        if value and dot:
            # What a tuning sets becomes a table of numbers.
            pairs = (part.split() for part in value.replace(":", " ").replace("=", " ").split(","))
            changes = ", ".join(f"{pair[0]} = {pair[1].lstrip('+')}" for pair in pairs if len(pair) > 1)
            entry = f"{{ {changes} }}" if table == "tunings" else quoted(value)
            tables.setdefault(table, []).append(f"{_key(name)} = {entry}")
        elif value:
            lines.append(f"{_key(key)} = {value if key in _NUMBERS else quoted(value)}")
    lines += [f"{_key(table)} = {{ {', '.join(entries)} }}" for table, entries in tables.items()]
    return "".join(f"{line}\n" for line in lines)


def _key(name: str) -> str:
    """Return a key of TOML, quoted where it has to be."""
    return name if name and set(name) <= _BARE else quoted(name)


def load_answers(file: Path) -> dict[str, str]:
    """Read answers.

    Parameters
    ----------
    file : TOML as `answers_text` writes it

    Raises
    ------
    TableError : the file cannot be read, or is no such TOML
    """
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        problem = f"the answers cannot be read ({error})."
        raise TableError(Fault(file.name, problem, 'Write lines such as: card = "Larkmoor 4"')) from error
    answers: dict[str, str] = {}
    for key, value in data.items():
        if isinstance(value, dict):
            answers |= {f"{key}.{name}": _plain(one) for name, one in value.items()}
        elif isinstance(value, list):
            answers |= {f"{key}.{place}": _plain(one) for place, one in enumerate(value, start=1)}
        else:
            answers[key] = _plain(value)
    return answers


def _plain(value: Any) -> str:
    """Return a value as it would be typed."""
    if isinstance(value, dict):
        return ", ".join(f"{name} {_plain(one)}" for name, one in value.items())
    return str(value)


def check_answers(answers: Mapping[str, str], questions: Iterable[Question], *, file: str) -> None:
    """Raise where an answer belongs to no question, or is none of its choices.

    Parameters
    ----------
    answers : by key
    questions : all that are asked for these answers
    file : name of the file with the answers, for messages

    Raises
    ------
    TableError : with every fault
    """
    by_key = {one.key: one for one in questions}
    faults = []
    for key, value in answers.items():
        one = by_key.get(key)
        if one is None:
            problem = f"nobody asked for {shown(key)} (asked: {listed(by_key, most=20)})."
            faults.append(Fault(file, problem, "Take it out, or correct the key."))
            continue
        choices = [choice.value for choice in one.choices if choice.value != SHOW]
        if not value or value == one.default or format_answer(value, one.paste) in choices:
            continue
        problem = f"{shown(value)} was found; one of {listed(choices)} is expected."
        if one.is_typed:
            problem = one.check(value) if one.check else ""
        if problem:
            faults.append(Fault(f"{file}, {key}", problem, "Correct it, or take it out to leave it for later."))
    if faults:
        raise TableError(faults)


SHEET_HEADINGS = (
    "run", "tuning", "game", "setting", "session", "round", "order", "started_at", "frame_log", "sensor_log",
    "excluded", "replaces", "note",
)  # fmt: skip

#: What has to be known before a change is tried, as it stands in every plan that is made.
PLAN_CAUTIONS = """\
# Tuning can void a warranty, lose unsaved work and damage parts. Back up, change one limit at a time until
#  each is known, stay inside the maker's limits; stop after a second crash, at picture errors, smell or heat.
#  Power at the wall or inline is mains or high current: enclosed instruments, local codes, licensed people.
"""

#: A plan with everything needed, the usual decisions spelt out, and gaps ("") for names to fill in.
PLAN_TEMPLATE = f"""\
#:schema ./plan.schema.json
# The plan of one review: decisions made before the data. Fill in what is "", delete what you do not need.
# All keys: plan.schema.json beside it, by which many editors complete and check while you type.
#
{PLAN_CAUTIONS}
[review]
title = ""                        # stands above the page

[[cards]]                         # one entry for each physical card
name = ""
# role = "rival"                  # for a card that is only compared with
# power_measured_at = "board_sensor"  # board_sensor, chip_sensor, inline or wall: where power was measured

[[tunings]]                       # the state that the others are compared with
name = "factory"
reference = true

[[tunings]]
name = ""                         # for example "quiet"
# changes = {{ power_limit_pct = -12, voltage_mv = -60 }}

[[games]]                         # one entry for each game; six or more say most
name = ""
# scene = "harbour lap"           # the stretch that is measured
# limited_by = "card"             # card, processor, memory or frame_limit

[analysis]
metrics = ["avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j"]
margin_pct = 2.0                  # the smallest difference that matters, in percent
margins = {{ low_1pct_fps = 3.0 }}  # the same for single metrics
looks = 2                         # looks at verdicts: one, and one after further rounds, each stricter

# [exclude]                       # runs are left out only by rules stated here, before the data
# min_duration_s = 55

# [[claims]]                      # sentences you want to say, checked against the data
# id = "nothing-lost"
# text = "The quiet tuning loses nothing"
# metric = "avg_fps"
# of = {{ tuning = "quiet" }}
# against = {{ tuning = "factory" }}
# says = "no_loss"                # better, worse, no_loss or same; or an amount in its place:
#                                 # saves_at_least = 30 or costs_at_most = "3 %" where less is better,
#                                 # gains_at_least or loses_at_most where more is (a number: in the unit)
"""


def new_review(folder: str | Path) -> Path:
    """Make a review folder to fill in: ``plan.toml``, ``runs.csv`` and ``logs/``; nothing is overwritten.

    The schema of the plan is put beside it, where its first line tells editors to look.

    Parameters
    ----------
    folder : where; made where it is missing. It may hold logs already, but no plan and no run sheet

    Returns
    -------
    Path of the folder

    Raises
    ------
    ReportError : there is a plan or a run sheet, or the folder cannot be written
    """
    folder = Path(folder)
    check_free(folder)
    try:
        (folder / "logs").mkdir(parents=True, exist_ok=True)
        _write(folder / PLAN_FILE, PLAN_TEMPLATE, [])
        _write(folder / "runs.csv", ",".join(SHEET_HEADINGS) + "\n", [])
        if not (folder / SCHEMA_FILE.name).exists():
            shutil.copyfile(SCHEMA_FILE, folder / SCHEMA_FILE.name)
    except OSError as error:
        problem = f"the folder {shown(str(folder))} cannot be made ({error.strerror})."
        raise ReportError(Fault("new", problem, "Name a folder that you can write to.")) from error
    return folder


def is_review(folder: Path) -> bool:
    """Return whether a folder holds a plan or a run sheet.

    Parameters
    ----------
    folder : any folder
    """
    return any((folder / name).exists() for name in (PLAN_FILE, *SHEET_FILES))


_COLUMNS = ("tuning", "game", "setting", "card", "round", "order", "session", "started_at", "frame_log",
            "sensor_log", "excluded", "replaces", "note")  # fmt: skip
#: Columns that stand in every draft, empty ones too.
_ALWAYS = ("tuning", "game", "round", "order", "session")
#: Stands behind a name that waits for an answer.
_OPEN = "# not answered yet"
_FORMULA = re.compile(r"'*[=+\-@]")


def check_free(folder: Path) -> None:
    """Raise where a folder is a review already.

    Parameters
    ----------
    folder : folder to make

    Raises
    ------
    ReportError : it holds a plan or a run sheet
    """
    taken = [name for name in (PLAN_FILE, *SHEET_FILES) if (folder / name).exists()]
    if taken:
        problem = f"there is {listed(taken)} already, and nothing is overwritten."
        raise ReportError(Fault(str(folder), problem, "Name another folder."))


def write_draft(
    draft: Draft, answers: Mapping[str, str], folder: Path, *, source: Path | None = None
) -> list[Path]:
    """Write a draft as a review folder.

    Parameters
    ----------
    draft : as found for these answers
    answers : answers, by key
    folder : where; made where it is missing
    source : folder that the logs are copied from, originals untouched; None where there are none to copy

    Returns
    -------
    list of Path: plan, run sheet, answers

    Raises
    ------
    ReportError : the folder is a review already, or cannot be written; what was written is then taken away again
    """
    check_free(folder)
    texts = {"runs.csv": sheet_text(draft), PLAN_FILE: plan_text(draft, answers)}
    made: list[Path] = []
    logs = [] if source is None else [(source / origin, folder / "logs" / name) for origin, name in draft.copies]
    try:
        (folder / "logs").mkdir(parents=True, exist_ok=True)
        for origin, target in logs:
            target.parent.mkdir(parents=True, exist_ok=True)
            if target.exists():
                raise FileExistsError(0, f"{target.name} is there already")
            made.append(target)
            shutil.copy2(origin, target)
        for name, text in texts.items():
            _write(folder / name, text, made)
        if not (folder / SCHEMA_FILE.name).exists():
            _write(folder / SCHEMA_FILE.name, SCHEMA_FILE.read_text(encoding="utf-8"), made)
        keep_answers(answers, folder)
    except OSError as error:
        for file in made:
            file.unlink(missing_ok=True)
        problem = f"the folder {shown(str(folder))} cannot be written ({error.strerror})."
        raise ReportError(Fault("new", problem, "Name a folder that you can write to.")) from error
    return [folder / PLAN_FILE, folder / "runs.csv", folder / ANSWERS_FILE]


def _write(file: Path, text: str, made: list[Path]) -> None:
    """Write a file that does not exist yet; remember what was made."""
    with file.open("x", encoding="utf-8", newline="\n") as writer:
        made.append(file)
        writer.write(text)


def keep_answers(answers: Mapping[str, str], folder: Path) -> None:
    """Write the answers so far, so that the same command can go on there.

    Parameters
    ----------
    answers : by key
    folder : the review folder
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / ANSWERS_FILE).write_text(answers_text(answers), encoding="utf-8", newline="\n")


def sheet_text(draft: Draft) -> str:
    """Return the run sheet of a draft.

    Parameters
    ----------
    draft : as found
    """
    metrics = [name for name in METRICS if any(name in row.cells for row in draft.rows)]
    columns = [one for one in _COLUMNS if one in _ALWAYS or any(row.cells.get(one) for row in draft.rows)]
    columns = [one for one in columns if one in _ALWAYS or any(_written(row, one) for row in draft.rows)]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    # A heading too like a known one is marked.
    own = [f"{one} (from the table)" if nearest(plain_heading(one), KNOWN, cutoff=CLOSE) else one
           for one in draft.waiting]  # fmt: skip
    writer.writerow(["run", *columns, *metrics, *own, "evidence"])
    for number, row in enumerate(draft.rows, start=1):
        cells = [
            f"r{number:03d}",
            *(_written(row, one) for one in (*columns, *metrics, *draft.waiting)),
            row.evidence,
        ]
        writer.writerow(
            [
                (f"'{cell}" if _FORMULA.match(cell) and not re.fullmatch(r"-?\d+(\.\d+)?", cell) else cell)
                for cell in cells
            ]
        )
    return text.getvalue()


def _written(row: DraftRow, column: str) -> str:
    """Return a cell as the run sheet shows it."""
    return row.cells[column].written if column in row.cells else ""


def plan_text(draft: Draft, answers: Mapping[str, str]) -> str:
    """Return the plan of a draft; each line that was not answered says where it comes from.

    Parameters
    ----------
    draft : as found
    answers : answers, by key
    """
    origin = "# from the table" if draft.is_typed else "# from the names"
    others = [name for name in draft.names("tuning") if name != draft.reference]
    tunings = f"{', '.join(others)} vs {draft.reference}" if draft.reference else ", ".join(others)
    title = ": ".join(filter(None, (" and ".join(draft.names("card")) or answers.get("card", ""), tunings)))
    lines = ["#:schema ./plan.schema.json",
             "# The plan of one review. Lines with a mark at their end were found, not typed: are they right?",
             "# All keys: plan.schema.json beside it, by which many editors complete and check while you type.",
             "#", *PLAN_CAUTIONS.splitlines(), "",
             "[review]", f"title = {quoted(title or ASKED)}", ""]  # fmt: skip
    found, reviewed = draft.names("card"), answers.get("card", "") or ASKED
    for card in found or [reviewed]:
        is_rival = reviewed in found and card != reviewed
        where = origin if found else _OPEN if card == ASKED else ""
        lines += ["[[cards]]", f"name = {quoted(card)}  {where}".rstrip()]
        lines += [*['role = "rival"'] * is_rival, *draft.plan_lines.get("cards", ()), ""]
    if not draft.names("tuning"):
        lines += ["[[tunings]]", f"name = {quoted(ASKED)}  {_OPEN}", "reference = true", ""]
    for name in draft.names("tuning"):
        lines += ["[[tunings]]", f"name = {quoted(name)}  {origin}"]
        if name == draft.reference:
            lines.append("reference = true")
        elif changes := changes_of(answers.get(f"tunings.{name}", "")):
            lines.append(f"changes = {{ {', '.join(f'{key} = {value}' for key, value in changes.items())} }}")
        else:
            lines.append("# changes = { power_limit_pct = -12 }  # not stated")
        lines.append("")
    if not draft.names("game"):
        lines += ["[[games]]", f"name = {quoted(ASKED)}  {_OPEN}", ""]
    for game in draft.names("game"):
        rows = [row for row in draft.rows if row.value("game") == game]
        names = dict.fromkeys(row.value("setting") for row in rows if row.value("setting"))
        settings = [f"[[games.settings]]\nname = {quoted(name)}\ngroup = {quoted(name)}" for name in names]
        lines += ["[[games]]", f"name = {quoted(game)}  {origin}", *settings, ""]
    margin = percent_of(answers.get("margin_pct", "")) or "2"
    lines += ["[analysis]", *draft.plan_lines.get("analysis", ()), f"margin_pct = {margin}", "looks = 2"]
    for section in draft.plan_lines.get("sections", ()):
        lines += ["", *section.splitlines()]
    return "\n".join(lines) + "\n"
