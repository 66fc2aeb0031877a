"""The command ``new``: a review folder to fill in, or drafted from logs or a table in a dialog."""

from __future__ import annotations

import argparse
import functools
import json
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from gpubench_kit.cli.terminal import ask, is_terminal, progress_bar, terminal_width, wrapped
from gpubench_kit.files import transliterated
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.one_clock import RunTimes, clock_of_starts
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.model.errors import Fault, LogError, TableError
from gpubench_kit.model.questions import SHOW, LogFacts, Question, isolated, paste_lines
from gpubench_kit.sheet.draft import Draft, all_questions, table_lines
from gpubench_kit.sheet.from_folder import draft_from_logs
from gpubench_kit.sheet.new_review import (
    ANSWERS_FILE,
    check_answers,
    check_free,
    is_review,
    keep_answers,
    load_answers,
    new_review,
    write_draft,
)
from gpubench_kit.sheet.run_order import block_lines
from gpubench_kit.wording.catalogue import say

#: Endings of files that may be logs.
_LOG_ENDINGS = (".csv", ".tsv", ".txt", ".log", ".dat", ".json", ".jsonl", ".gz", ".bz2", ".xz", ".zip", ".zst", "")
#: Files of a folder that are looked at to say that it holds logs.
_LOOKED_AT = 12


def new(asked: argparse.Namespace) -> int:
    """Make a review folder: drafted from logs or a table, else to fill in, saying --from where logs are at hand."""
    folder = Path(asked.folder)
    if asked.source is None:
        hint = _logs_at_hand(folder)
        made = new_review(asked.folder)
        if not asked.quiet:
            print(*hint, say("told.ready", folder=made), *wrapped(say("caution.terminal")), sep="\n")
        return _DONE
    source = Path(asked.source)
    check_free(folder)
    if source.is_file():
        return make_review(asked, draft_of_table(source), folder).code
    if not source.is_dir():
        raise TableError(Fault(asked.source, "there is no such folder or file.", "Correct the name."))
    return _from_folder(asked, source, folder)


def draft_of_table(file: Path):
    """Return the function that drafts a review from a table file for the answers so far.

    Parameters
    ----------
    file : the table
    """
    from gpubench_kit.sheet.from_table import draft_from_grids
    from gpubench_kit.sheet.text import read_grids

    grids = read_grids(file)
    return lambda answers: draft_from_grids(grids, file.name, answers)


def _from_folder(asked: argparse.Namespace, source: Path, folder: Path) -> int:
    """Draft a review from a folder: of its logs, else of the only table in it."""

    if is_review(source):
        problem = "this folder is a review already."
        raise LogError(Fault(str(source), problem, f"Check it with: gpubench-kit check {source}"))
    files = list(_files_in(source, without=folder))
    logs = [file for file in files if file.suffix.casefold() in _LOG_ENDINGS]
    facts = []
    with progress_bar(asked) as show:
        for number, file in enumerate(logs):
            show(number / len(logs), say("draft.reading", files=len(logs)))
            facts.append(facts_of_log(file, name=file.relative_to(source).as_posix()))
    if any(fact.kind in ("frames", "unclear") for fact in facts):
        # Logs that lie in the review folder already are not copied.
        inner, outer, place = source.resolve(), folder.resolve(), ""
        if inner.is_relative_to(outer):
            place = f"{inner.relative_to(outer).as_posix()}/" if inner != outer else "./"
        clocks = _clocks_of(facts, source)
        draft_of = partial(draft_from_logs, facts, source, place=place or "logs/", clocks=clocks)
        return make_review(asked, draft_of, folder, source=None if place else source).code
    tables = [file for file in files if file.suffix.casefold() == ".xlsx"]
    if len(tables) == 1:
        return make_review(asked, draft_of_table(tables[0]), folder).code
    if not files:
        action = "Name the folder with your logs, or your table."
        raise LogError(Fault(str(source), "the folder is empty.", action))
    problems = (fact.fault or f"{fact.path.name}: {fact.kind}" for fact in facts if fact.kind != "frames")
    first = next((f" First: {one}" for one in problems), "")
    problem = f"none of {len(files)} files is a frame log (one row of text for each frame).{first}"
    raise LogError(Fault(str(source), problem, "See how a file is read with: gpubench-kit inspect FILE"))


def _clocks_of(facts: Sequence[LogFacts], source: Path) -> dict[str, str]:
    """Return in words how the clock of the only sensor log stands to the frame logs', by its path."""
    sensors = [fact for fact in facts if fact.kind == "sensors"]
    frames = [fact for fact in facts if fact.kind == "frames"]
    if len(sensors) != 1 or len(frames) < 2:
        return {}
    (sensor,) = sensors
    try:
        samples = read_sensor_log(sensor.path)
    except LogError:
        return {}
    times = [RunTimes(str(one.path), one.started_at_s, one.length_s, one.clock_kind, one.file_time_s)
             for one in frames]  # fmt: skip
    clock = clock_of_starts(times, samples, closed_s=sensor.file_time_s)
    proven = say("draft.side.clock_proven", offset=clock.offset_s) if clock.is_proven else ""
    return {sensor.path.relative_to(source).as_posix(): proven or say("draft.side.clock_not_proven")}


def _files_in(source: Path, *, without: Path) -> Iterator[Path]:
    """Yield the files of a folder in order, at any depth; hidden ones and those of the new review are left out."""
    new = without.resolve()
    is_inside = source.resolve().is_relative_to(new)
    for path in sorted(source.rglob("*")):
        parts = path.relative_to(source).parts
        is_hidden = any(part.startswith((".", "__")) for part in parts)
        # Names of bytes that are no text cannot stand in a run sheet.
        is_text = all(part.encode("utf-8", "ignore").decode() == part for part in parts)
        is_new = not is_inside and path.resolve().is_relative_to(new)
        if not is_hidden and is_text and path.is_file() and not is_new:
            yield path


def _logs_at_hand(folder: Path) -> list[str]:
    """Return the line that names --from, where the working folder or the one to make holds frame logs."""
    for place in dict.fromkeys((folder, Path())):
        files = [
            file for file in sorted(place.glob("*")) if file.suffix.casefold() in _LOG_ENDINGS and file.is_file()
        ]
        looked = [facts_of_log(file).kind for file in files[:_LOOKED_AT]]
        n_logs = looked.count("frames")
        if n_logs > 1:
            return [say("told.logs_at_hand", count=len(files) if n_logs == len(looked) else n_logs, folder=place)]
    return []


#: Open cells of one column that are listed.
_FEW_CELLS = 2
_DONE, _OPEN, _BAD_INPUT, _STOPPED = 0, 1, 2, 130

DraftOf = Callable[[Mapping[str, str]], Draft]


@dataclass(frozen=True)
class Made:
    """What a dialog made: the exit code, how many cells still wait for an answer, the folders, what JSON says."""

    code: int
    n_open: int = 0
    folders: tuple[Path, ...] = ()
    content: object = None


def make_review(
    asked: argparse.Namespace,
    draft_of: DraftOf,
    folder: Path,
    *,
    source: Path | None = None,
    says_next: bool = True,
) -> Made:
    """Show a draft, ask what it does not know, and write the review folder, or one for each part.

    Parameters
    ----------
    asked : the command's options: ``no_input``, ``answers``, ``quiet``, ``json``
    draft_of : gives the draft for the answers so far
    folder : review folder to make
    source : folder that logs are copied from; None for a table
    says_next : whether the commands that come next are named

    Raises
    ------
    GpubenchError : the folder is a review already or cannot be written; an answer fits no question
    SystemExit : stopped; the answers so far are kept in the folder
    """
    check_free(folder)
    # The draft for the same answers is made once.
    kept = functools.lru_cache(maxsize=4)(lambda pairs: draft_of(dict(pairs)))
    answers_file = Path(asked.answers) if asked.answers else folder / ANSWERS_FILE
    given = load_answers(answers_file) if asked.answers or answers_file.is_file() else {}
    made = _make(asked, lambda answers: kept(tuple(sorted(answers.items()))), folder, source=source, given=given)
    if asked.json:
        print(json.dumps(made.content, ensure_ascii=False, indent=2))
    elif says_next and not asked.quiet:
        for one in made.folders:
            print(say("draft.done.next", folder=one))
        if made.folders:
            print(*wrapped(say("caution.terminal")), sep="\n")
    return made


def _make(
    asked: argparse.Namespace, draft_of: DraftOf, folder: Path, *, source: Path | None, given: Mapping[str, str],
    is_part: bool = False,
) -> Made:  # fmt: skip
    """Make one review, or one for each part of what was found."""
    first = draft_of(given)
    table, blocks = table_lines(first, terminal_width()), block_lines(first)
    lines = [*first.head, *first.notes, *(["", *table] if table else []), *(["", *blocks] if blocks else [])]
    _say(asked, "\n".join([*lines, ""]))
    is_silent = asked.no_input or asked.json or asked.quiet or not is_terminal()
    answers = dict(given) if is_silent else _asked(draft_of, given, folder)
    draft = draft_of(answers)
    if draft.parts:
        return _make_parts(asked, draft_of, draft, folder=folder, source=source, answers=answers)
    if is_silent and not is_part:
        check_answers(answers, all_questions(first, answers), file=Path(asked.answers or ANSWERS_FILE).name)
    if draft.rows and table_lines(draft) != table_lines(first):
        _say(asked, "\n".join(["", *table_lines(draft, terminal_width())]))
    questions = [one for one in all_questions(draft, answers) if not answers.get(one.key) and not one.default]
    files = write_draft(draft, answers, folder, source=source) if draft.rows else []
    n_answers = 0 if is_silent else len(all_questions(draft, answers)) - len(questions)
    copied = len(draft.copies) if source else 0
    _say(asked, "\n".join(_written_lines(draft, files, questions, copied=copied, n_answers=n_answers)))
    code = _BAD_INPUT if not draft.rows else _OPEN if draft.n_open else _DONE
    content = _json_of(draft, questions, files) | {"exit": code} if asked.json else None
    return Made(code, draft.n_open, (folder,) if files else (), content)


def _make_parts(
    asked: argparse.Namespace, draft_of: DraftOf, whole: Draft, *, folder: Path, source: Path | None,
    answers: Mapping[str, str],
) -> Made:  # fmt: skip
    """Make a review of each part, in a folder of its name; those that are there already stay as they are."""
    every = list(all_questions(whole, answers))
    for _, chosen in whole.parts:
        every += all_questions(draft_of({**answers, **chosen}), answers)
    check_answers(answers, every, file=Path(asked.answers or ANSWERS_FILE).name)

    def of_part(chosen: Mapping[str, str], given: Mapping[str, str]) -> Draft:
        # No question chooses the part any more.
        return replace(draft_of({**given, **chosen}), first=())

    done = []
    for name, chosen in whole.parts:
        place = folder / transliterated(name)
        if is_review(place):
            _say(asked, say("draft.done.stays", folder=place))
            done.append(Made(_DONE, 0, (place,)))
            continue
        _say(asked, f"\n{say('draft.done.own_review', name=name, folder=place)}")
        kept = place / ANSWERS_FILE
        before = {key: text for key, text in answers.items() if key not in chosen}
        given = before | (load_answers(kept) if kept.is_file() else {})
        done.append(_make(asked, partial(of_part, chosen), place, source=source, given=given, is_part=True))
    folders = tuple(place for one in done for place in one.folders)
    code, n_open = max(one.code for one in done), sum(one.n_open for one in done)
    return Made(code, n_open, folders, [one.content for one in done])


def _asked(draft_of: DraftOf, given: Mapping[str, str], folder: Path) -> dict[str, str]:
    """Return the answers of a dialog; those so far are kept in the folder."""
    seen = table_lines(draft_of(given), terminal_width())

    def questions_of(answers: Mapping[str, str]) -> list[Question]:
        # The one about the table shows it where answers have changed it.
        draft = draft_of(answers)
        is_changed = "table" not in answers and table_lines(draft, terminal_width()) != seen
        about = tuple(table_lines(draft, max(40, terminal_width() - 9))) if is_changed else ()
        every = all_questions(draft, answers)
        return [
            replace(one, about=about) if one.key == "table" and "table" not in answers else one for one in every
        ]

    try:
        return ask(questions_of, given, keep=lambda answers: keep_answers(answers, folder))
    except KeyboardInterrupt:
        kept = folder / ANSWERS_FILE
        kind = "kept" if kept.is_file() else "nothing"
        print(f"\n{say('draft.done.stopped')} {say(f'draft.done.{kind}', file=kept)}", file=sys.stderr)
        raise SystemExit(_STOPPED) from None


def _say(asked: argparse.Namespace, text: str) -> None:
    if not asked.quiet and not asked.json:
        print(text)


def _written_lines(
    draft: Draft, files: list[Path], questions: list[Question], *, copied: int, n_answers: int
) -> list[str]:
    """Return what was written, and what is still open with the lines that answer it."""
    if not files:
        return [say("draft.done.nothing"), *paste_lines(questions)]
    files_told = {"plan": files[0], "sheet": files[1], "rows": len(draft.rows)}
    told = say("draft.done.written", **files_told)
    if copied:
        told = say("draft.done.copied", logs=copied, folder=files[0].parent / "logs", **files_told)
    lines = wrapped(f"{told} {say('draft.done.answers', n=n_answers)}" if n_answers else told)
    if questions:
        marks = say("draft.done.open_cells", n=draft.n_open) if draft.n_open else say("draft.done.open")
        lines += ["", marks, *paste_lines(questions)]
        places: dict[str, list[str]] = {}
        for number, row in enumerate(draft.rows, start=2):
            for column, cell in ((name, one) for name, one in row.cells.items() if one.is_asked):
                where = f"runs.csv:{number}  {column}  {isolated(cell.written)}  ({isolated(row.source)})"
                places.setdefault(column, []).append(where)
        for column, held in places.items():
            more = len(held) - _FEW_CELLS
            lines += [*held[:_FEW_CELLS], *[say("draft.done.more_cells", n=more, column=column)] * (more > 0)]
        lines.append("")
    if draft.n_open:
        lines += [*wrapped(say("draft.done.go_on", plan=files[0], sheet=files[1]).strip()), ""]
    return lines


def _json_of(draft: Draft, questions: list[Question], files: list[Path]) -> dict:
    """Return table, open questions and files for other programs."""
    rows = [{"source": row.source} | {name: cell.written for name, cell in row.cells.items()} for row in draft.rows]
    asked = []
    for one in questions:
        choices = [choice for choice in one.choices if choice.value != SHOW]
        asked.append({
            "id": one.key, "text": one.text, "choices": [choice.text for choice in choices],
            "answers": [choice.value for choice in choices], "default": one.default,
            "evidence": list(one.evidence), "files": list(one.files), "paste": one.paste,
        })  # fmt: skip
    notes, written = [*draft.head, *draft.notes], list(map(str, files))
    return {"table": rows, "notes": notes, "questions": asked, "written": written}
