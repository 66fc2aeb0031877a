"""A draft as files: ``plan.toml`` with where its lines come from, ``runs.csv`` with evidence, the logs copied."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Mapping
from pathlib import Path

from gpubench_kit.model.errors import Fault, ReportError, listed, shown
from gpubench_kit.model.log_facts import quoted
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import PLAN_FILE
from gpubench_kit.sheet.answers import ANSWERS_FILE, answers_text
from gpubench_kit.sheet.draft import Draft, DraftRow, evidence_of
from gpubench_kit.sheet.draft_questions import changes_of, percent_of
from gpubench_kit.sheet.text import SHEET_FILES

_COLUMNS = ("tuning", "game", "setting", "round", "order", "session", "started_at", "frame_log", "sensor_log",
            "excluded", "replaces", "note")  # fmt: skip
#: Columns that stand in every draft, empty ones too.
_ALWAYS = ("tuning", "game", "round", "order", "session")
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
    try:
        (folder / "logs").mkdir(parents=True, exist_ok=True)
        for origin, name in draft.copies if source else ():
            _copy(source / origin, folder / "logs" / name, made)
        for name, text in texts.items():
            _write(folder / name, text, made)
        keep_answers(answers, folder)
    except OSError as error:
        for file in made:
            file.unlink(missing_ok=True)
        problem = f"the folder {shown(str(folder))} cannot be written ({error.strerror})."
        raise ReportError(Fault("new", problem, "Name a folder that you can write to.")) from error
    return [folder / PLAN_FILE, folder / "runs.csv", folder / ANSWERS_FILE]


def _copy(origin: Path, target: Path, made: list[Path]) -> None:
    """Copy a file with its time, unless one of that name is there; remember what was made."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if target.exists():
        raise FileExistsError(0, f"{target.name} is there already")
    made.append(target)
    shutil.copy2(origin, target)


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
    writer.writerow(["run", *columns, *metrics, "evidence"])
    for number, row in enumerate(draft.rows, start=1):
        cells = [f"r{number:03d}", *(_written(row, one) for one in (*columns, *metrics)), evidence_of(row)]
        writer.writerow([_harmless(cell) for cell in cells])
    return text.getvalue()


def _written(row: DraftRow, column: str) -> str:
    """Return a cell as the run sheet shows it."""
    return row.cells[column].written if column in row.cells else ""


def _harmless(cell: str) -> str:
    """Return a cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if _FORMULA.match(cell) and not re.fullmatch(r"-?\d+(\.\d+)?", cell) else cell


def plan_text(draft: Draft, answers: Mapping[str, str]) -> str:
    """Return the plan of a draft; each line that was not answered says where it comes from.

    Parameters
    ----------
    draft : as found
    answers : answers, by key
    """
    origin = "# from the table" if draft.is_typed else "# from the names"
    lines = ["# The plan of one review. Lines with a mark at their end were found, not typed: are they right?",
             "# All keys: docs/plan.schema.json, which many editors can check while you type.", "",
             "[review]", f"title = {quoted(_title(draft, answers))}", ""]  # fmt: skip
    card = answers.get("card", "")
    lines += ["[[cards]]", f"name = {quoted(card)}", *draft.plan_lines.get("cards", ()), ""]
    for name in draft.names("tuning"):
        lines += ["[[tunings]]", f"name = {quoted(name)}  {origin}"]
        if name == draft.reference:
            lines.append("reference = true")
        elif changes := changes_of(answers.get(f"tunings.{name}", "")):
            lines.append(f"changes = {{ {', '.join(f'{key} = {value}' for key, value in changes.items())} }}")
        else:
            lines.append("# changes = { power_limit_pct = -12 }  # not stated")
        lines.append("")
    for game in draft.names("game"):
        lines += ["[[games]]", f"name = {quoted(game)}  {origin}", *_settings(draft, game), ""]
    margin = percent_of(answers.get("margin_pct", "")) or "2"
    lines += ["[analysis]", *draft.plan_lines.get("analysis", ()), f"margin_pct = {margin}", "looks = 2"]
    for section in draft.plan_lines.get("sections", ()):
        lines += ["", *section.splitlines()]
    return "\n".join(lines) + "\n"


def _title(draft: Draft, answers: Mapping[str, str]) -> str:
    """Return the title: the card and its tunings; empty without a card."""
    others = [name for name in draft.names("tuning") if name != draft.reference]
    tunings = f"{', '.join(others)} vs {draft.reference}" if draft.reference else ", ".join(others)
    card = answers.get("card", "")
    return f"{card}: {tunings}" if card and tunings else card


def _settings(draft: Draft, game: str) -> list[str]:
    """Return the settings of a game; each is a group of its own, as groups are never pooled."""
    rows = [row for row in draft.rows if row.value("game") == game]
    names = dict.fromkeys(row.value("setting") for row in rows if row.value("setting"))
    return [line for name in names
            for line in ("[[games.settings]]", f"name = {quoted(name)}", f"group = {quoted(name)}")]  # fmt: skip
