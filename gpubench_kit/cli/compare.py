"""The command ``compare``: runs against runs at once, from numbers or frame logs, without a review folder."""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from gpubench_kit.cli.terminal import add_command, add_json, ask, check_file, is_terminal
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.questions import Choice, Question
from gpubench_kit.wording.catalogue import say

_DONE, _NOTHING_COMPARED = 0, 1
#: What a digit answers to the question on the order; the last is Enter.
_ORDERS = ("alternated", "rounds", "back_to_back", "not_known")


def add_compare(commands: Any) -> None:
    """Add the command ``compare`` to the commands of the parser."""
    example = "gpubench-kit compare 102.1 102.6 101.9 --against 100.0 101.0 99.5 --order alternated"
    does = "compare runs with runs at once, from numbers or frame logs"
    command = add_command(commands, "compare", does, example=example, run=_compare)
    command.add_argument("of", metavar="RUN", nargs="+", help="numbers, or frame logs")
    command.add_argument("--against", metavar="RUN", nargs="+", required=True, help="the runs to compare with")
    command.add_argument("--metric", default="avg_fps", help="what the numbers are (default: avg_fps)")
    command.add_argument("--margin", type=float, help="smallest difference that matters: percent, or the metric's "
                         "unit where it is not compared by ratio (default: 2 %%, or none)")  # fmt: skip
    command.add_argument("--order", choices=_ORDERS, help="how the runs were done: alternated (A B B A ...), "
                         "rounds (run k of both in round k), back_to_back, not_known (default: asked)")  # fmt: skip
    add_json(command, "print JSON")


def _compare(asked: argparse.Namespace) -> int:
    """Compare runs with runs, from numbers or logs."""
    from gpubench_kit.cli.text import comparison_json, comparison_text
    from gpubench_kit.statistics.two_sample import compare_two_samples

    faults = list(_given_twice([*asked.of, *asked.against]))
    sides: list[list[str | float]] = []
    for side in (asked.of, asked.against):
        sides.append([])
        for word in side:
            try:
                sides[-1].append(_value_of(word, asked.metric))
            except LogError as error:
                faults += error.faults
    if faults:
        raise LogError(faults)
    order = asked.order or _asked_order(asked)
    found = compare_two_samples(sides[0], sides[1], metric=asked.metric, margin=asked.margin, order=order)
    print(comparison_json(found) if asked.json else comparison_text(found))
    return _DONE if found.verdict != "no_verdict" else _NOTHING_COMPARED


def _given_twice(words: list[str]) -> Iterator[Fault]:
    """Yield every file whose content was given before: one recording is one run."""
    first: dict[bytes, str] = {}
    for word in filter(lambda one: Path(one).is_file(), words):
        before = first.setdefault(hashlib.sha256(Path(word).read_bytes()).digest(), word)
        if before is not word:
            problem = f"the same recording as '{before}'; every run is a recording of its own."
            yield Fault(word, problem, "Name each recording once.")


def _asked_order(asked: argparse.Namespace) -> str:
    """Return how the runs were done, asked on a terminal; of one run there is no order to ask for."""
    several = min(len(asked.of), len(asked.against)) > 1
    if asked.json or asked.quiet or not several or not is_terminal():
        return "not_known"
    one = Question(
        "order", say("compare.ask"), choices=tuple(Choice(say(f"compare.design.{name}"), name) for name in _ORDERS),
        default=_ORDERS[-1], default_text=say("compare.ask_default"), evidence=(say("compare.why"),),
    )  # fmt: skip
    return ask(lambda _: [one])["order"]


def _value_of(word: str, metric: str) -> str | float:
    """Return a number as it was typed, or a log's value of the metric."""
    if not Path(word).exists() and _is_number(word.replace(",", ".")):
        return word.replace(",", ".")
    from gpubench_kit.metrics.inspect_log import inspect_log

    check_file(word, "neither a number nor a file was found")
    values = inspect_log(word)["metrics"]
    if metric not in values:
        known = ", ".join(f"'{name}'" for name in values)
        raise LogError(Fault(word, f"this log has no '{metric}' (it has {known}).", "Choose one with --metric."))
    return values[metric]


def _is_number(word: str) -> bool:
    """Return whether a word is a number as a person or a program writes one."""
    try:
        float(word)
    except ValueError:
        return False
    return "_" not in word
