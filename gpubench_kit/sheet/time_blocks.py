"""Logs whose names say when and not what: blocks of an evening by its pauses, named and ordered by answers."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from gpubench_kit.model.errors import shown
from gpubench_kit.model.log_facts import LogFacts
from gpubench_kit.model.questions import Choice, Question
from gpubench_kit.sheet.draft import Cell
from gpubench_kit.sheet.name_roles import Labels
from gpubench_kit.sheet.run_order import Timing

#: The shortest long pause is longer than this many times the longest short one.
_HEAPS = 2.0


def blocks_by_pauses(starts: Sequence[float], lengths: Sequence[float]) -> list[list[int]]:
    """Return the runs of an evening in blocks, where its pauses fall into two heaps; else one block.

    Parameters
    ----------
    starts : of the runs in order [s]
    lengths : of the runs [s]
    """
    pauses = [max(0.0, b - a - length) for (a, b), length in zip(itertools.pairwise(starts), lengths, strict=False)]
    ordered = sorted(pauses)
    ratios = [(long / max(short, 1.0), place) for place, (short, long) in enumerate(itertools.pairwise(ordered), 1)]
    ratio, place = max(ratios, default=(0.0, 0))
    # As many long pauses as short ones would make blocks of one or two runs.
    if ratio <= _HEAPS or len(ordered) - place > len(ordered) / 3:
        return [list(range(len(starts)))]
    blocks: list[list[int]] = [[0]]
    for run, pause in enumerate(pauses, start=1):
        if pause >= ordered[place]:
            blocks.append([])
        blocks[-1].append(run)
    return blocks


def label_by_blocks(
    facts: Sequence[LogFacts], timing: Timing, labels: Labels, *, answers: Mapping[str, str]
) -> bool:
    """Ask for games and tunings by blocks, where neither names nor logs hold a word for them.

    Parameters
    ----------
    facts, timing, labels : of the frame logs, in the same order
    answers : answers so far, by key

    Returns
    -------
    Whether answers gave every game, tuning and round
    """
    is_bare = not any(column in cells for cells in labels.cells for column in ("game", "tuning"))
    if not is_bare or not timing.is_clocked or len(facts) < 4:
        return False
    starts = [timing.start_s[one] or 0.0 for one in timing.order]
    lengths = [facts[one].length_s if facts[one].length_s > 0 else 0.0 for one in timing.order]
    blocks = blocks_by_pauses(starts, lengths)
    if len(blocks) < 2:
        return False
    times = [f"{datetime.fromtimestamp(starts[block[0]], UTC):%H:%M}" for block in blocks]
    labels.questions = [one for one in labels.questions if one.key not in ("which_game", "which_tuning")]
    about = tuple(
        f"block {n}   {at}   {len(block)} logs" for n, (at, block) in enumerate(zip(times, blocks, strict=True), 1)
    )
    labels.first.append(Question(
        "one_block_one_game", "The longer pauses cut the session into blocks. Is one block one game?", about=about,
        choices=(Choice("yes", "yes"), Choice("no, fill in the games in runs.csv", "no")), is_detail=False,
        paste="runs.csv: fill in the columns game, tuning and round",
    ))  # fmt: skip
    if answers.get("one_block_one_game") != "yes":
        return False
    return _ask_blocks(blocks, times, timing, labels=labels, answers=answers)


def _ask_blocks(
    blocks: Sequence[Sequence[int]], times: Sequence[str], timing: Timing, *, labels: Labels,
    answers: Mapping[str, str],
) -> bool:  # fmt: skip
    """Ask for the game of each block, the tunings, and their order; fill in what was answered."""
    for n, at in enumerate(times, start=1):
        labels.first.append(Question(
            f"blocks.{n}", f"Game of block {n} ({at})", is_typed=True, paste="runs.csv: fill in the column game",
        ))  # fmt: skip
    labels.first.append(Question(
        "tuning_names", "Names of the tunings, the reference first, with commas", is_typed=True,
        about=("like: factory, quiet",), paste="runs.csv: fill in the column tuning",
    ))  # fmt: skip
    names = [name.strip() for name in answers.get("tuning_names", "").split(",") if name.strip()]
    orders = _orders(blocks, times, names, labels=labels, answers=answers)
    done = True
    for n, block in enumerate(blocks, start=1):
        files = [timing.order[run] for run in block]
        game, order = answers.get(f"blocks.{n}", ""), orders[n - 1]
        if game:
            labels.put(files, "game", Cell(game, "answered for its block"))
            _settle(labels, files, "game")
        count: Counter[str] = Counter()
        for one, tuning in zip(files, order, strict=False):
            count[tuning] += 1
            labels.put([one], "tuning", Cell(tuning, "answered for its block"))
            labels.put([one], "round", Cell(str(count[tuning]), "place in its block"))
            _settle(labels, [one], "tuning", "round")
        done = done and bool(game and order)
    return done


def _settle(labels: Labels, files: Sequence[int], *columns: str) -> None:
    """Take back that some columns wait for an answer."""
    for one in files:
        labels.doubts[one] -= set(columns)


def _orders(
    blocks: Sequence[Sequence[int]], times: Sequence[str], names: Sequence[str], *, labels: Labels,
    answers: Mapping[str, str],
) -> list[list[str]]:  # fmt: skip
    """Ask for the order of the tunings in the first block, and whether the others are the same."""
    if not names:
        return [[] for _ in blocks]
    orders = [_asked_order(1, len(blocks[0]), times[0], names, labels=labels, answers=answers)]
    same_size = all(len(block) == len(blocks[0]) for block in blocks)
    if same_size and orders[0]:
        labels.first.append(Question(
            "order_same", "The same order in the other blocks?", is_detail=True, default="no",
            choices=(Choice("yes", "yes"), Choice("no, ask for each", "no")), default_text="ask for each",
        ))  # fmt: skip
    for n, block in enumerate(blocks[1:], start=2):
        is_same = same_size and answers.get("order_same") == "yes" and orders[0]
        waits = not orders[0] or (same_size and "order_same" not in answers)
        orders.append(orders[0] if is_same else [] if waits else _asked_order(
            n, len(block), times[n - 1], names, labels=labels, answers=answers))  # fmt: skip
    return orders


def _asked_order(
    n: int, size: int, at: str, names: Sequence[str], *, labels: Labels, answers: Mapping[str, str]
) -> list[str]:
    """Ask for the order of the tunings in a block."""
    key = "order" if n == 1 else f"orders.{n}"
    labels.first.append(Question(
        key, f"Tunings of block {n} ({at}) in the order played, {size} of them; first letters do.", is_typed=True,
        check=lambda typed: "" if order_of(typed, names, size) else _wrong_order(typed, names, size),
        paste="runs.csv: fill in the columns tuning and round", writes="tunings in the order {}",
    ))  # fmt: skip
    return order_of(answers.get(key, ""), names, size)


def order_of(typed: str, names: Sequence[str], size: int) -> list[str]:
    """Return tunings typed by their names or first letters; nothing where it does not fit.

    Parameters
    ----------
    typed : such as ``f q q f``
    names : of the tunings
    size : number of runs
    """
    found = []
    for word in filter(None, re.split(r"[\s,;]+", typed.casefold())):
        fit = [name for name in names if name.casefold().startswith(word)]
        exact = [name for name in names if name.casefold() == word]
        if len(exact or fit) != 1:
            return []
        found.append((exact or fit)[0])
    return found if len(found) == size else []


def _wrong_order(typed: str, names: Sequence[str], size: int) -> str:
    """Return what is wrong with a typed order."""
    return f"{shown(typed)} is not the order of {size} runs by names or first letters of {', '.join(names)}."
