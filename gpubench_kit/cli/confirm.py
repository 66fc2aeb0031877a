"""Confirming how logs are read: one key on a terminal, one entry of the plan elsewhere."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from gpubench_kit.model.questions import SHOW, Choice, Question, isolated, paste_lines

if TYPE_CHECKING:
    from gpubench_kit.logs.review import FormatToConfirm

_RIGHT, _OTHER, _SAMPLES = "right", "other", "samples"


def confirm_formats_of(folder: str) -> None:
    """Ask which formats of a review's logs are right; without a terminal, print the entries to paste.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    """
    from gpubench_kit.logs.review import formats_to_confirm, open_review
    from gpubench_kit.model.plan import PLAN_FILE, load_plan

    place = Path(folder)
    plan_file = place if place.is_file() else place / PLAN_FILE
    _confirm(formats_to_confirm(open_review(load_plan(plan_file), keep_going=True)), plan_file)


def confirm_log(log: str, folder: str) -> None:
    """Ask whether the format of one log is right; without a terminal, print the entry to paste.

    Parameters
    ----------
    log : the file
    folder : folder of the review in whose plan the entry goes
    """
    from gpubench_kit.logs.loose_files import facts_of_log
    from gpubench_kit.logs.match_files import declaration_of
    from gpubench_kit.logs.review import FormatToConfirm, first_rows_of
    from gpubench_kit.logs.text_table import open_table
    from gpubench_kit.model.plan import PLAN_FILE, load_plan

    place, path = Path(folder), Path(log)
    plan_file = place if place.is_file() else place / PLAN_FILE
    plan = load_plan(plan_file)
    rows = first_rows_of(open_table(path))
    found = [
        FormatToConfirm(card.name, facts_of_log(path, declared=declaration_of(plan, card.name)), 1, rows)
        for card in plan.cards
    ]
    if not any(one.facts.paste for one in found):
        facts = found[0].facts
        print(
            facts.fault or f"{path.name}: its format, {facts.format_id}, is {facts.certainty}: nothing to confirm."
        )
        return
    _confirm([one for one in found if one.facts.paste], plan_file)


def _confirm(formats: Sequence[FormatToConfirm], plan_file: Path) -> None:
    """Ask on a terminal, and write the entries at once; elsewhere print them."""
    from gpubench_kit.cli.ask import ask, is_terminal
    from gpubench_kit.schedule.sheet import swap_file

    entries = {f"formats.{place}": one for place, one in enumerate(formats)}
    questions = [_question(key, one) for key, one in entries.items()]
    if not questions:
        return
    if not is_terminal():
        print("\n".join(paste_lines(questions)))
        return
    before = plan_file.read_bytes()

    def keep(answers: Mapping[str, str]) -> None:
        """Write the plan with the entries of all answers so far, so that one step back takes the last away."""
        added = [_entry(entries[key], answer) for key, answer in answers.items() if answer in (_RIGHT, _SAMPLES)]
        gap = b"\n" if before.endswith(b"\n") else b"\n\n"
        swap_file(plan_file, before + b"".join(gap + one.encode() for one in added))

    ask(lambda _: questions, keep=keep)


def _entry(one: FormatToConfirm, answer: str) -> str:
    """Return the entry that an answer writes."""
    if answer == _RIGHT:
        return one.entry
    head = "".join(
        line for line in one.entry.splitlines(keepends=True) if not line.startswith(("frames", "sensors"))
    )
    return f'{head}frames = {{ rows = "samples" }}\n'


def _question(key: str, one: FormatToConfirm) -> Question:
    """Return the question on one format."""
    from gpubench_kit.wording.numbers import count_text

    facts = one.facts
    runs = count_text(one.n_logs, "log")
    is_frames = facts.kind != "sensors"
    said = " ".join(facts.questions) or f"{facts.seen} is read by what it looks like."
    choices = [
        Choice("right, one row per frame" if is_frames else "right", _RIGHT),
        Choice("no, something else", _OTHER),
    ]
    choices += [Choice("no, rows are samples", _SAMPLES)] if is_frames else []
    wrong = "every frame rate" if is_frames else "every value of these sensors"
    return Question(
        key=key,
        text=f'{runs} of one format ("{isolated(facts.seen)}") of {isolated(one.card)}: is this right?',
        choices=(*choices, Choice("first rows", SHOW)),
        default_text="later; shown, not counted",
        about=(said, f"If it is right, {runs} count; if it is wrong, {wrong} of this card would be wrong."),
        evidence=one.first_rows,
        paste=one.entry,
        writes=f'plan.toml: [[logs.format]] id = "{facts.format_id}", for this format of this card ({{}})',
    )
