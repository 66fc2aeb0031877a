"""Recordings that may not count: named as a bad take or a repeat, or far shorter than the others."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence

from gpubench_kit.model.errors import shown
from gpubench_kit.model.log_facts import LogFacts
from gpubench_kit.model.questions import Choice, Question, isolated
from gpubench_kit.sheet.draft import Cell
from gpubench_kit.sheet.name_parts import NameParts
from gpubench_kit.sheet.name_roles import Labels
from gpubench_kit.sheet.name_words import AGAIN
from gpubench_kit.sheet.rows import CAUSES
from gpubench_kit.sheet.run_order import cell_key

#: A recording shorter than this share of the usual one may not be complete.
_SHORT = 0.7


def ask_about_takes(
    parts: Sequence[NameParts], facts: Sequence[LogFacts], labels: Labels, *, answers: Mapping[str, str]
) -> None:
    """Ask why recordings were left out, or what they replace; cells and questions go into ``labels``.

    Parameters
    ----------
    parts, facts, labels : of the frame logs, in the same order
    answers : answers so far, by key
    """
    for one, name in enumerate(parts):
        if name.tries:
            _ask_about_try(one, parts, facts, labels=labels, answers=answers)
    _short_ones(parts, facts, labels, answers)


def _causes(key: str, text: str) -> Question:
    """Return the question why a run was left out."""
    return Question(
        key, text, choices=(*(Choice(cause, cause) for cause in CAUSES), Choice("it counts", "counts")),
        is_detail=True, default_text="later, its round waits", paste=f"runs.csv: excluded = {', '.join(CAUSES)}",
        about=('There is no "result I did not like": such a run counts.',),
    )  # fmt: skip


def _ask_about_try(
    one: int, parts: Sequence[NameParts], facts: Sequence[LogFacts], *, labels: Labels, answers: Mapping[str, str]
) -> None:
    """Ask about a recording whose name says that it may not count, or that it repeats another one."""
    name, words = facts[one].path.as_posix(), ", ".join(sorted(parts[one].tries))
    length = "" if math.isnan(facts[one].length_s) else f", {facts[one].length_s:.0f} s"
    if not parts[one].tries & AGAIN:
        question = _causes(f"left_out.{name}", f"{shown(isolated(name))} ({words}{length}): why was it left out?")
        answer = answers.get(question.key, "")
        labels.put([one], "excluded", Cell("" if answer == "counts" else answer, f"word in the name: {words}"))
        labels.ask(question, [one], "excluded", "round", is_answered=bool(answer))
        if answer == "counts":
            labels.doubts[one].add("round")
        return
    same = [k for k in range(len(facts)) if k != one and cell_key(labels, k) == cell_key(labels, one)]
    others = [facts[k].path.as_posix() for k in same]
    question = Question(
        f"replaces.{name}", f"{shown(isolated(name))} ({words}{length}): which run does it replace?",
        choices=tuple(Choice(isolated(other), other) for other in others[:8]), is_detail=True,
        paste="runs.csv: replaces = name of the run, and why that one is excluded",
    )  # fmt: skip
    replaced = next((k for k in same if facts[k].path.as_posix() == answers.get(question.key)), None)
    labels.ask(question, [one], "replaces", "round", is_answered=replaced is not None)
    if replaced is None:
        labels.put([one], "replaces", Cell("", f"word in the name: {words}"))
        return
    labels.put([one], "replaces", Cell(facts[replaced].path.as_posix(), "answered"))
    if labels.value(replaced, "round"):
        labels.put([one], "round", Cell(labels.value(replaced, "round"), "the round of the run that it replaces"))
    if not parts[replaced].tries:
        name = facts[replaced].path.as_posix()
        why = _causes(f"left_out.{name}", f"Why was {shown(isolated(name))} left out?")
        labels.put([replaced], "excluded", Cell(answers.get(why.key, ""), "replaced"))
        labels.ask(why, [replaced], "excluded", is_answered=bool(answers.get(why.key)))


def _short_ones(
    parts: Sequence[NameParts], facts: Sequence[LogFacts], labels: Labels, answers: Mapping[str, str]
) -> None:
    """Ask about recordings that are far shorter than the others."""
    known = [fact.length_s for fact in facts if not math.isnan(fact.length_s)]
    usual = statistics.median(known) if known else 0.0
    for one, fact in enumerate(facts):
        if parts[one].tries or not fact.length_s < _SHORT * usual:
            continue
        name = fact.path.as_posix()
        text = (
            f"{shown(isolated(name))} lasts {fact.length_s:.0f} s, the others {usual:.0f} s. Why was it left out?"
        )
        question = _causes(f"left_out.{name}", text)
        answer = answers.get(question.key, "")
        labels.put([one], "excluded", Cell("" if answer == "counts" else answer, "shorter than the others"))
        labels.ask(question, [one], "excluded", "round", is_answered=bool(answer))
