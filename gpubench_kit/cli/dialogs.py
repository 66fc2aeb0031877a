"""Dialogs that write: a review drafted from what is there, and how logs are read, confirmed by one key."""

from __future__ import annotations

import argparse
import functools
import json
import re
import sys
import tomllib
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from gpubench_kit.cli.terminal import ask, is_terminal, terminal_width, wrapped
from gpubench_kit.files import transliterated
from gpubench_kit.model.questions import SHOW, Question, isolated, paste_lines
from gpubench_kit.sheet.draft import Draft, all_questions, table_lines
from gpubench_kit.sheet.new_review import (
    ANSWERS_FILE,
    check_answers,
    check_free,
    is_review,
    keep_answers,
    load_answers,
    write_draft,
)
from gpubench_kit.sheet.questions import CHIP, format_entries, format_question
from gpubench_kit.sheet.run_order import block_lines
from gpubench_kit.wording.catalogue import say

#: Open cells of one column that are listed.
_FEW_CELLS = 2
DONE, OPEN, BAD_INPUT, STOPPED = 0, 1, 2, 130

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
    tell = functools.partial(_say, asked)
    first = draft_of(given)
    table, blocks = table_lines(first, terminal_width()), block_lines(first)
    lines = [*first.head, *first.notes, *(["", *table] if table else []), *(["", *blocks] if blocks else [])]
    tell("\n".join([*lines, ""]))
    is_silent = asked.no_input or asked.json or asked.quiet or not is_terminal()
    answers = dict(given) if is_silent else _asked(draft_of, given, folder)
    draft = draft_of(answers)
    if draft.parts:
        return _make_parts(asked, draft_of, draft, folder=folder, source=source, answers=answers)
    if is_silent and not is_part:
        check_answers(answers, all_questions(first, answers), file=Path(asked.answers or ANSWERS_FILE).name)
    if draft.rows and table_lines(draft) != table_lines(first):
        tell("\n".join(["", *table_lines(draft, terminal_width())]))
    questions = [one for one in all_questions(draft, answers) if not answers.get(one.key) and not one.default]
    files = write_draft(draft, answers, folder, source=source) if draft.rows else []
    n_answers = 0 if is_silent else len(all_questions(draft, answers)) - len(questions)
    copied = len(draft.copies) if source else 0
    tell("\n".join(_written_lines(draft, files, questions, copied=copied, n_answers=n_answers)))
    folders = (folder,) if files else ()
    return Made(_code(draft), draft.n_open, folders, _as_json(draft, questions, files) if asked.json else None)


def _make_parts(
    asked: argparse.Namespace, draft_of: DraftOf, whole: Draft, *, folder: Path, source: Path | None,
    answers: Mapping[str, str],
) -> Made:  # fmt: skip
    """Make a review of each part, in a folder of its name; those that are there already stay as they are."""
    tell = functools.partial(_say, asked)
    drafts = {name: draft_of({**answers, **chosen}) for name, chosen in whole.parts}
    every = [*all_questions(whole, answers), *(one for draft in drafts.values() for one in
                                               all_questions(draft, answers))]  # fmt: skip
    check_answers(answers, every, file=Path(asked.answers or ANSWERS_FILE).name)
    done = []
    for name, chosen in whole.parts:
        place = folder / transliterated(name)
        if is_review(place):
            tell(say("draft.done.stays", folder=place))
            done.append(Made(DONE, 0, (place,)))
            continue
        tell(f"\n{say('draft.done.own_review', name=name, folder=place)}")
        kept = place / ANSWERS_FILE
        before = {key: text for key, text in answers.items() if key not in chosen}
        given = before | (load_answers(kept) if kept.is_file() else {})
        part_of = functools.partial(_chosen, draft_of, chosen)
        done.append(_make(asked, part_of, place, source=source, given=given, is_part=True))
    folders = tuple(place for one in done for place in one.folders)
    code, n_open = max(one.code for one in done), sum(one.n_open for one in done)
    return Made(code, n_open, folders, [one.content for one in done])


def _chosen(draft_of: DraftOf, chosen: Mapping[str, str], answers: Mapping[str, str]) -> Draft:
    """Return the draft of one part, which no question chooses any more."""
    return replace(draft_of({**answers, **chosen}), first=())


def _asked(draft_of: DraftOf, given: Mapping[str, str], folder: Path) -> dict[str, str]:
    """Return the answers of a dialog; those so far are kept in the folder."""
    seen = table_lines(draft_of(given), terminal_width())
    try:
        return ask(
            lambda answers: _with_table(draft_of(answers), answers, seen=seen),
            given,
            keep=lambda answers: keep_answers(answers, folder),
        )
    except KeyboardInterrupt:
        kept = folder / ANSWERS_FILE
        kind = "kept" if kept.is_file() else "nothing"
        print(f"\n{say('draft.done.stopped')} {say(f'draft.done.{kind}', file=kept)}", file=sys.stderr)
        raise SystemExit(STOPPED) from None


def _with_table(draft: Draft, answers: Mapping[str, str], *, seen: list[str]) -> list[Question]:
    """Return the questions of a draft; the one about the table shows it where answers have changed it."""
    table = table_lines(draft, max(40, terminal_width() - 9))
    about = () if table_lines(draft, terminal_width()) == seen else tuple(table)
    return [
        replace(one, about=about) if one.key == "table" and "table" not in answers else one
        for one in all_questions(draft, answers)
    ]


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
        lines += ["", marks, *paste_lines(questions), *_open_cells(draft), ""]
    if draft.n_open:
        lines += [*wrapped(say("draft.done.go_on", plan=files[0], sheet=files[1]).strip()), ""]
    return lines


def _open_cells(draft: Draft) -> list[str]:
    """Return the first open cells of each column with their lines."""
    places: dict[str, list[str]] = {}
    for line, row in enumerate(draft.rows, start=2):
        for column, cell in row.cells.items():
            if cell.is_asked:
                places.setdefault(column, []).append(f"runs.csv:{line}  {column}  {isolated(cell.written)}"
                                                     f"  ({isolated(row.source)})")  # fmt: skip
    few = [(column, held[:_FEW_CELLS], len(held) - _FEW_CELLS) for column, held in places.items()]
    return [line for column, held, more in few
            for line in (*held, *[say("draft.done.more_cells", n=more, column=column)] * (more > 0))]  # fmt: skip


def _as_json(draft: Draft, questions: list[Question], files: list[Path]) -> dict:
    """Return table, open questions and files for other programs."""
    rows = [{"source": row.source} | {name: cell.written for name, cell in row.cells.items()} for row in draft.rows]
    asked = [
        {
            "id": one.key,
            "text": one.text,
            "choices": [choice.text for choice in one.choices if choice.value != SHOW],
            "answers": [choice.value for choice in one.choices if choice.value != SHOW],
            "default": one.default,
            "evidence": list(one.evidence),
            "files": list(one.files),
            "paste": one.paste,
        }
        for one in questions
    ]
    return {
        "table": rows,
        "notes": [*draft.head, *draft.notes],
        "questions": asked,
        "written": list(map(str, files)),
        "exit": _code(draft),
    }


def _code(draft: Draft) -> int:
    """Return the exit code: bad input without any row, else whether cells are still open."""
    return BAD_INPUT if not draft.rows else OPEN if draft.n_open else DONE


if TYPE_CHECKING:
    from gpubench_kit.logs.review import FormatToConfirm
    from gpubench_kit.model.plan import ReviewPlan
    from gpubench_kit.model.plan.sections import Card


def confirm_formats_of(folder: str) -> None:
    """Ask which formats of a review's logs are right; without a terminal, print the entries to paste.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    """
    from gpubench_kit.logs.review import formats_to_confirm, open_review
    from gpubench_kit.model.plan import load_plan, plan_file_of

    plan_file = plan_file_of(folder)
    review = open_review(load_plan(plan_file), keep_going=True, trusts_proposals=True)
    _confirm(formats_to_confirm(review), plan_file)


def confirm_log(log: str, folder: str) -> None:
    """Ask whether the format of one log is right; without a terminal, print the entry to paste.

    Parameters
    ----------
    log : the file
    folder : folder of the review in whose plan the entry goes
    """
    from gpubench_kit.logs.loose_files import facts_of_log
    from gpubench_kit.logs.match_files import declaration_of
    from gpubench_kit.logs.review import FormatToConfirm
    from gpubench_kit.model.plan import load_plan, plan_file_of

    path, plan_file = Path(log), plan_file_of(folder)
    plan = load_plan(plan_file)
    found = [
        FormatToConfirm(card.name, facts_of_log(path, declared=declaration_of(plan, card.name)), 1)
        for card in _cards_of(plan, path)
    ]
    if not any(one.facts.paste for one in found):
        facts = found[0].facts
        print(
            facts.fault
            or say("format.known", file=path.name, id=facts.format_id, sure=say(f"format.sure.{facts.certainty}"))
        )
        return
    _confirm([one for one in found if one.facts.paste], plan_file)


def _cards_of(plan: ReviewPlan, log: Path) -> list[Card]:
    """Return the cards that the run sheet names a log for; all where it names none, or cannot be read."""
    from gpubench_kit.logs.review import open_review
    from gpubench_kit.model.errors import GpubenchError

    owners: set[str] = set()
    with suppress(GpubenchError):
        review = open_review(plan, keep_going=True)
        card_of = dict(zip(review.runs["run"], review.runs["card"], strict=True))
        files = [(task.run, file) for task in review.tasks for file in (task.frame_path, task.sensor_path) if file]
        owners = {card_of[run] for run, file in files if Path(file).resolve() == log.resolve()}
    return [card for card in plan.cards if not owners or card.name in owners]


def _behind_card(plan: bytes, card: str) -> int:
    """Return where the keys of a card begin in the text of a plan; -1 where it says where power was measured."""
    for block in re.finditer(rb"(?m)^[ \t]*\[\[cards\]\][^\n]*\n((?:(?![ \t]*\[).*\n?)*)", plan):
        with suppress(ValueError):
            keys = tomllib.loads(block[1].decode())
            if keys.get("name") == card and "power_measured_at" not in keys:
                return block.start(1)
    return -1


def _confirm(formats: Sequence[FormatToConfirm], plan_file: Path) -> None:
    """Ask on a terminal, and write the entries at once; elsewhere print them."""
    from gpubench_kit.files import swap_file

    entries, before = {f"formats.{place}": one for place, one in enumerate(formats)}, plan_file.read_bytes()
    questions = [
        format_question(one.facts, [one.entry], key=key, n_logs=one.n_logs, card=one.card,
                        can_be_chip=_behind_card(before, one.card) > 0)
        for key, one in entries.items()
    ]  # fmt: skip
    if not questions:
        return
    if not is_terminal():
        print("\n".join(paste_lines(questions)))
        return

    def keep(answers: Mapping[str, str]) -> None:
        """Write the plan with the entries of all answers so far, so that one step back takes the last away."""
        added = [text for key, answer in answers.items() for text in format_entries([entries[key].entry], answer)]
        gap = b"\n" if before.endswith(b"\n") else b"\n\n"
        text = before
        for card in {entries[key].card for key, answer in answers.items() if answer == CHIP}:
            place = _behind_card(text, card)
            text = text[:place] + b'power_measured_at = "chip_sensor"\n' + text[place:]
        swap_file(plan_file, text + b"".join(gap + one.encode() for one in added))

    ask(lambda _: questions, keep=keep)
