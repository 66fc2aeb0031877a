"""Recordings of an evening: those that may not count, the sensor log of each, and blocks told by pauses alone."""

from __future__ import annotations

import itertools
import math
import re
import statistics
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import PurePosixPath

from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.questions import Choice, LogFacts, Question, isolated
from gpubench_kit.model.words import fold
from gpubench_kit.sheet.draft import Cell
from gpubench_kit.sheet.log_names import AGAIN, GENERIC, NameParts
from gpubench_kit.sheet.name_roles import Labels
from gpubench_kit.sheet.rows import CAUSES
from gpubench_kit.sheet.run_order import Timing, cell_key

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


#: A log may begin so long after its run, and has to hold this share of it.
_LATE_S, _HELD = 30.0, 0.8


def pair_sensors(
    frames: Mapping[str, LogFacts], sensors: Mapping[str, LogFacts], timing: Timing, *, labels: Labels,
    answers: Mapping[str, str],
) -> str:  # fmt: skip
    """Find the sensor log of each run; cells and questions go into ``labels``.

    Parameters
    ----------
    frames, sensors : facts by path from the folder of logs
    timing : when the frame logs were recorded
    labels : cells of each frame log, in the order of ``frames``
    answers : answers so far, by key

    Returns
    -------
    What was found, for the side of the table; empty without sensor logs
    """
    every = range(len(frames))
    if not sensors:
        return ""
    if len(sensors) == 1:
        path, fact = next(iter(sensors.items()))
        apart = [one for one in every if _is_apart(fact, one, timing)]
        labels.put(every, "sensor_log", Cell(path, "the only sensor log"))
        if apart:
            text = f"The clock of {shown(isolated(path))} does not span {len(apart)} of the runs. Is it theirs?"
            question = Question(
                "sensor_log", text,
                choices=(Choice("yes, the clocks differ", "yes"), Choice("no", "no")), is_detail=True,
                paste="runs.csv: take the question marks away in the column sensor_log, or empty it",
            )  # fmt: skip
            answer = answers.get("sensor_log", "")
            labels.ask(question, apart, "sensor_log", is_answered=bool(answer))
            labels.put(apart if answer == "no" else (), "sensor_log", Cell("", "answered"))
        return f'sensors: "{isolated(path)}" for {len(frames) - len(apart)} of {len(frames)}'
    missing = _by_name_and_clock(list(frames), frames, sensors, timing=timing, labels=labels)
    if missing:
        names = listed((isolated(list(frames)[one]) for one in missing), most=3)
        question = Question(
            "which_sensor_log", f"Which sensor log belongs to {names}?", is_detail=True,
            paste="runs.csv: write the name of its sensor log into the column sensor_log, or empty the cell",
        )  # fmt: skip
        for one in missing:
            labels.put([one], "sensor_log", Cell("", "no sensor log of this name or time"))
        labels.ask(question, missing, "sensor_log")
    return f"sensors: {len(sensors)} logs for {len(frames) - len(missing)} of {len(frames)} runs"


def _is_apart(sensor: LogFacts, one: int, timing: Timing) -> bool:
    """Return whether both clocks are known, and the sensor log does not hold the run's start."""
    start_s = timing.start_s[one]
    if start_s is None or math.isnan(sensor.started_at_s) or math.isnan(sensor.length_s):
        return False
    if sensor.clock_kind == "time_of_day" or timing.why[one] == "time of day in the name":
        return False
    return not sensor.started_at_s - _LATE_S <= start_s <= sensor.started_at_s + sensor.length_s


def _by_name_and_clock(
    paths: Sequence[str], frames: Mapping[str, LogFacts], sensors: Mapping[str, LogFacts], *, timing: Timing,
    labels: Labels,
) -> list[int]:  # fmt: skip
    """Fill in sensor logs of the same name, else the only one whose clock spans the run; return what is left."""
    of_stem: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for path in sensors:
        of_stem[stem_of(path)].append(path)
    is_one_each = Counter(stem_of(path) for path in paths)
    missing = []
    for one, path in enumerate(paths):
        named = of_stem.get(stem_of(path), []) if is_one_each[stem_of(path)] == 1 else []
        spanning = [other for other, fact in sensors.items() if _spans(fact, frames[path], timing.start_s[one])]
        if len(named) == 1 and (not spanning or named[0] in spanning):
            labels.put([one], "sensor_log", Cell(named[0], "the sensor log of the same name"))
        elif len(spanning) == 1 and not named:
            labels.put([one], "sensor_log", Cell(spanning[0], "the only sensor log whose clock spans the run"))
        else:
            missing.append(one)
    return missing


def stem_of(path: str) -> tuple[str, ...]:
    """Return the words and numbers of a name without those that say what kind of log it is.

    Parameters
    ----------
    path : of the log, with its folders
    """
    plain = PurePosixPath(re.sub(r"(\.\w+)+$", "", path))
    parts = re.split(r"[\s_\-.()/]+", fold(str(plain)))
    return tuple(part for part in parts if part and part not in GENERIC)


def _spans(sensor: LogFacts, frame: LogFacts, start_s: float | None) -> bool:
    """Return whether a sensor log's clock holds a run."""
    if start_s is None or math.isnan(sensor.started_at_s) or math.isnan(sensor.length_s):
        return False
    length_s = 0.0 if math.isnan(frame.length_s) else frame.length_s
    begins = sensor.started_at_s <= start_s + _LATE_S
    return begins and sensor.started_at_s + sensor.length_s >= start_s + _HELD * length_s


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
