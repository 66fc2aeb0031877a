"""Recordings of a bench session: those that may not count, their sensor logs, and blocks told by pauses alone."""

from __future__ import annotations

import itertools
import math
import re
import statistics
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

from gpubench_kit.model.errors import shown
from gpubench_kit.model.questions import LogFacts
from gpubench_kit.sheet.log_names import AGAIN, stem_of
from gpubench_kit.sheet.name_factors import LogBoard
from gpubench_kit.sheet.questions import named, question
from gpubench_kit.sheet.rows import CAUSES
from gpubench_kit.sheet.run_order import time_text
from gpubench_kit.wording.catalogue import say

#: A recording shorter than this share of the usual one may not be complete.
_SHORT = 0.7
#: A log may begin so long after its run, and has to hold this share of it.
_LATE_S, _HELD = 30.0, 0.8
#: The shortest long pause is longer than this many times the longest short one.
_HEAPS = 2.0


def ask_about_takes(board: LogBoard) -> None:
    """Ask why recordings were left out, or what they replace: those named so, and those far shorter than others.

    Parameters
    ----------
    board : the logs, with games, tunings and rounds
    """
    known = [fact.length_s for fact in board.logs if not math.isnan(fact.length_s)]
    usual_s = statistics.median(known) if known else 0.0
    for one, (name, fact) in enumerate(zip(board.parts, board.logs, strict=True)):
        if not name.tries and not fact.length_s < _SHORT * usual_s:
            continue
        words, file = ", ".join(sorted(name.tries)), board.name(one)
        why = say("draft.why.word_in_name", words=words) if words else say("draft.why.shorter")
        length = "" if math.isnan(fact.length_s) else say("draft.length", seconds=fact.length_s, usual=usual_s)
        said = {"file": file, "length": length or words, "causes": ", ".join(CAUSES)}
        same = [k for k in board.every if k != one and board.key(k) == board.key(one)]
        if name.tries & AGAIN:
            _ask_what_it_replaces(one, same, board, said=said, why=why)
            continue
        form = "text"
        starts = {k: start_s for k in (one, *same) if (start_s := board.start_s[k]) is not None}
        at_s = starts.pop(one, None)
        if at_s is not None and starts:
            near = min(starts, key=lambda k: abs(starts[k] - at_s))
            apart_s = abs(starts[near] - at_s)
            apart = f"{apart_s:.0f} s" if apart_s < 120 else f"{apart_s / 60:.0f} min"
            when = "later" if starts[near] > at_s else "before"
            said |= {"other": board.name(near), "apart": say(f"draft.apart.{when}", apart=apart)}
            form = "beside"
        asked = question("left_out", said, name=file, form=form, choices=named(CAUSES))
        answer = board.ask(asked, [one], "excluded", "round")
        board.put([one], "excluded", "" if answer == "counts" else answer, why=why)
        board.doubt([one] if answer == "counts" and name.tries else (), "round")


def _ask_what_it_replaces(
    one: int, same: Sequence[int], board: LogBoard, *, said: Mapping[str, object], why: str
) -> None:
    """Ask which run a repeat replaces, and why that one is left out."""
    asked = question("replaces", said, name=board.name(one), choices=named([board.name(k) for k in same]))
    answer = board.ask(asked)
    replaced = next((k for k in same if board.name(k) == answer), None)
    board.put(
        [one],
        "replaces",
        answer if replaced is not None else "",
        why=why if replaced is None else say("draft.why.answered"),
    )
    if replaced is None:
        board.doubt([one], "replaces", "round")
        return
    if board.value(replaced, "round"):
        board.put([one], "round", board.value(replaced, "round"), why=say("draft.why.round_replaced"))
    if not board.parts[replaced].tries:
        about = {**said, "file": answer}
        cause = question("left_out", about, name=answer, form="replaced", choices=named(CAUSES))
        board.put([replaced], "excluded", board.ask(cause, [replaced], "excluded"), why=say("draft.why.replaced"))


def pair_sensors(board: LogBoard, sensors: Mapping[str, LogFacts]) -> str:
    """Find the sensor log of each run: the only one, the one of the same name, or the one whose clock spans it.

    Parameters
    ----------
    board : the frame logs, with their times
    sensors : facts of sensor logs by path from the folder

    Returns
    -------
    What was found, for the side of the table; empty without sensor logs
    """
    n_all = len(board.logs)
    if len(sensors) == 1:
        path, fact = next(iter(sensors.items()))
        board.put(board.every, "sensor_log", path, why=say("draft.why.only_sensor_log"))
        apart = [one for one in board.every if _spans(fact, one, board, 0.0) is False]
        if apart:
            answer = board.ask(question("sensor_log", {"file": path, "n": len(apart)}), apart, "sensor_log")
            board.put(apart if answer == "no" else (), "sensor_log", "", why=say("draft.why.answered"))
        if not apart:
            return say("draft.side.sensor_log_of_all", log=path, runs=n_all)
        return say("draft.side.sensor_log_of_part", log=path, held=n_all - len(apart), runs=n_all)
    of_stem: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for path in sensors:
        of_stem[stem_of(path)].append(path)
    n_stem = Counter(stem_of(board.name(one)) for one in board.every)
    missing = []
    for one in board.every if sensors else ():
        stem = stem_of(board.name(one))
        own = of_stem.get(stem, []) if n_stem[stem] == 1 else []
        spanning = [path for path, fact in sensors.items() if _spans(fact, one, board, _HELD)]
        if len(own) == 1 and (not spanning or own[0] in spanning):
            board.put([one], "sensor_log", own[0], why=say("draft.why.same_name"))
        elif len(spanning) == 1 and not own:
            board.put([one], "sensor_log", spanning[0], why=say("draft.why.only_spanning"))
        else:
            board.put([one], "sensor_log", "", why=say("draft.why.no_sensor_log"))
            missing.append(one)
    if missing:
        names = [board.name(one) for one in missing]
        board.ask(question("which_sensor_log", {"names": names}), missing, "sensor_log")
    return say("draft.side.sensors", logs=len(sensors), held=n_all - len(missing), runs=n_all) if sensors else ""


def _spans(sensor: LogFacts, one: int, board: LogBoard, held: float) -> bool | None:
    """Return whether a sensor log's clock holds a share of a run; None where a clock is not known."""
    start_s = board.start_s[one]
    has_no_day = sensor.clock_kind == "time_of_day" or board.why[one] == "time_in_name"
    if start_s is None or math.isnan(sensor.started_at_s + sensor.length_s) or (has_no_day and not held):
        return None
    end_s = sensor.started_at_s + sensor.length_s
    return sensor.started_at_s - _LATE_S <= start_s and end_s >= start_s + held * board.length_s(one)


def blocks_by_pauses(starts: Sequence[float], lengths: Sequence[float]) -> list[list[int]]:
    """Return the runs of a bench session in blocks, where its pauses fall into two heaps; else one block.

    Parameters
    ----------
    starts : of the runs in order [s]
    lengths : of the runs [s]
    """
    pauses = _pauses(starts, lengths)
    ordered = sorted(pauses)
    ratios = [(long / max(short, 1.0), place) for place, (short, long) in enumerate(itertools.pairwise(ordered), 1)]
    ratio, place = max(ratios, default=(0.0, 0))
    # As many long pauses as short ones would make blocks of one or two runs.
    if ratio <= _HEAPS or len(ordered) - place > len(ordered) / 3:
        return [list(range(len(starts)))]
    blocks: list[list[int]] = [[0]]
    for run, pause in enumerate(pauses, start=1):
        blocks += [[]] * (pause >= ordered[place])
        blocks[-1] = [*blocks[-1], run]
    return blocks


def _pauses(starts: Sequence[float], lengths: Sequence[float]) -> list[float]:
    """Return the time between the end of each run and the start of the next [s]."""
    return [max(0.0, b - a - length) for (a, b), length in zip(itertools.pairwise(starts), lengths, strict=False)]


def label_by_blocks(board: LogBoard) -> bool:
    """Ask for games and tunings by blocks, where neither names nor logs hold a word for them.

    Parameters
    ----------
    board : the logs, with their times

    Returns
    -------
    Whether answers gave every game, tuning and round
    """
    is_bare = not any(column in cells for cells in board.cells for column in ("game", "tuning"))
    if not is_bare or not board.is_clocked or len(board.logs) < 4:
        return False
    starts = [board.start_s[one] or 0.0 for one in board.order]
    lengths = [board.length_s(one) for one in board.order]
    blocks = blocks_by_pauses(starts, lengths)
    if len(blocks) < 2 and len({name.words for name in board.parts}) > 1:
        return False
    board.questions = [one for one in board.questions if one.key not in ("which_game", "which_tuning")]
    answer = "list"
    if len(blocks) > 1:
        asked = replace(question("one_block_one_game"), about=_block_lines(blocks, starts, lengths))
        board.first.append(asked)
        answer = board.answers.get(asked.key, "")
    if answer not in ("yes", "list"):
        return False
    board.first.append(question("tuning_names", check=lambda typed: "" if "," in typed.strip(" ,")
                                else say("ask.tuning_names.wrong", typed=shown(typed))))  # fmt: skip
    names = [one.strip() for one in board.answers.get("tuning_names", "").split(",") if one.strip()]
    if answer == "list":
        form = "text" if len(blocks) > 1 else "no_pauses"
        typed = board.answers.get("block_list", "")
        board.first.append(question("block_list", form=form, check=lambda typed: "" if _blocks_of_list(
            typed, names, starts) else say("ask.block_list.wrong", n=len(starts))))  # fmt: skip
        found = _blocks_of_list(typed, names, starts)
    else:
        times = [time_text(starts[block[0]]) for block in blocks]
        asked_games = [question("blocks", {"n": n, "at": at}, name=str(n)) for n, at in enumerate(times, start=1)]
        board.first[-1:-1] = asked_games
        orders = _asked_orders(blocks, times, names, board)
        found = [(block, board.answers.get(one.key, ""), order)
                 for block, one, order in zip(blocks, asked_games, orders, strict=True)]  # fmt: skip
    for block, game, order in found:
        logs = [board.order[run] for run in block]
        if game:
            board.put(logs, "game", game, why=say("draft.why.answered_block"))
            board.settle(logs, "game")
        count: Counter[str] = Counter()
        for one, tuning in zip(logs, order, strict=False):
            count[tuning] += 1
            board.put([one], "tuning", tuning, why=say("draft.why.answered_block"))
            board.put([one], "round", str(count[tuning]), why=say("draft.why.place_in_block"))
            board.settle([one], "tuning", "round")
    return bool(found) and all(game and order for _, game, order in found)


def _block_lines(
    blocks: Sequence[Sequence[int]], starts: Sequence[float], lengths: Sequence[float]
) -> tuple[str, ...]:
    """Return what the pauses show: the blocks, and those that a very long pause parts."""
    pauses = _pauses(starts, lengths)
    firsts = [block[0] for block in blocks[1:]]
    long = [pauses[run - 1] for run in firsts]
    short = [pause for run, pause in enumerate(pauses, start=1) if run not in firsts]
    lines = [
        say("ask.one_block_one_game.pauses", long=f"{min(long) / 60:.1f}", short=f"{max(short):.0f}", n=len(blocks))
    ]
    for number, block in enumerate(blocks, start=1):
        end_s = starts[block[-1]] + lengths[block[-1]]
        before_s = pauses[block[0] - 1] if block[0] else 0.0
        said = {"n": number, "begin": time_text(starts[block[0]]), "end": time_text(end_s), "logs": len(block)}
        line = say("ask.one_block_one_game.block", seconds=statistics.median(lengths), **said)
        is_apart = before_s > 1800
        lines.append(line + is_apart * say("ask.one_block_one_game.apart", minutes=before_s / 60))
    return tuple(lines)


def _asked_orders(
    blocks: Sequence[Sequence[int]], times: Sequence[str], names: Sequence[str], board: LogBoard
) -> list[list[str]]:
    """Ask for the order of the tunings in the first block, and whether the others are the same."""
    orders: list[list[str]] = []
    is_even = all(len(block) == len(blocks[0]) for block in blocks)
    for n, (block, at) in enumerate(zip(blocks, times, strict=True), start=1):
        is_same = n > 1 and is_even and board.answers.get("order_same") == "yes"
        waits = not names or (n > 1 and (not orders[0] or (is_even and "order_same" not in board.answers)))
        if is_same or waits:
            orders.append(orders[0] if is_same else [])
            continue
        size, key = len(block), "order" if n == 1 else f"orders.{n}"
        said = {"n": n, "at": at, "size": size}
        asked = question("order", said, check=partial(_order_fault, names=names, size=size))
        board.first.append(replace(asked, key=key))
        orders.append(order_of(board.answers.get(key, ""), names, size))
        if orders[-1]:
            rounds = [orders[-1][: place + 1].count(one) for place, one in enumerate(orders[-1])]
            read = {"tunings": " ".join(orders[-1]), "rounds": " ".join(map(str, rounds))}
            board.first.append(question("order_read", read, name=str(n)))
        if n == 1 and is_even and orders[0]:
            board.first.append(question("order_same"))
    return orders


def _blocks_of_list(
    typed: str, names: Sequence[str], starts: Sequence[float]
) -> list[tuple[list[int], str, list[str]]]:
    """Return blocks typed as ``18:30 Copper Monsoon f q q f; 18:46 ...``; nothing where they do not fit."""
    found: list[tuple[list[int], str, list[str]]] = []
    used = 0
    for part in filter(None, (one.strip() for one in typed.split(";"))):
        at, _, rest = part.partition(" ")
        words = rest.split()
        n = next((n for n in range(len(words), 0, -1) if order_of(" ".join(words[-n:]), names, n)), 0)
        game, order = " ".join(words[: len(words) - n]), order_of(" ".join(words[len(words) - n :]), names, n)
        fits = used + n <= len(starts) and n and at == time_text(starts[used]) and game
        if not fits:
            return []
        found.append((list(range(used, used + n)), game, order))
        used += n
    return found if used == len(starts) else []


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
        found += (exact or fit) if len(exact or fit) == 1 else [""]
    return found if len(found) == size and all(found) else []


def _order_fault(typed: str, *, names: Sequence[str], size: int) -> str:
    """Return what is wrong with a typed order."""
    is_right = bool(order_of(typed, names, size))
    return "" if is_right else say("ask.order.wrong", typed=repr(typed), size=size, names=", ".join(names))
