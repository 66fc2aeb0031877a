"""When logs were recorded, in which order, in which session, and which round each is."""

from __future__ import annotations

import itertools
import math
import statistics
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from gpubench_kit.sheet.draft import Draft, DraftRow, order_choices
from gpubench_kit.sheet.log_names import AGAIN
from gpubench_kit.sheet.name_factors import LogBoard
from gpubench_kit.sheet.questions import question
from gpubench_kit.wording.catalogue import say

#: File times closer together than this are those of a copy [s].
_COPIED_S = 5.0
#: Stamps of name and log may differ by this [s].
_APART_S = 180.0
#: A pause after which another session is asked for, and one after which it is another session [s].
_LONG_PAUSE_S, _NIGHT_S = 1800.0, 7200.0
#: A level with fewer logs than this share of the usual number may be another name of one of the others.
_FEW = 0.6
#: From this share of games and tunings with as many logs on, the others lack some.
_MOST = 0.6
#: Of so many games and tunings this share has the usual number of logs, though another one has more.
_MANY_CELLS, _NEARLY_ALL = 6, 0.8
#: Hours in the names of one bench session are this close together; else the day changed between.
_EVENING_H = 6

#: Numbers at one place of the names: label of the place -> number in each name.
Numbers = Mapping[str, Sequence[int | None]]


def find_order(board: LogBoard) -> Numbers:
    """Find when logs were recorded, and in which order; times, cells and questions go onto the board.

    Parameters
    ----------
    board : the logs

    Returns
    -------
    Numbers that may count rounds: those in the names, without one that runs through all of them

    Notes
    -----
    Stamps in the logs come first, then stamps in the names, then a running number. File times count only once
    they are confirmed, and the alphabet never does.
    """
    days = {name.day for name in board.parts if name.day}
    is_unsure = len(days) > 1 and any(name.is_day_doubtful for name in board.parts)
    # A start that several logs state is that of something else.
    n_begun = Counter(fact.started_at_s for fact in board.logs)
    for one, (name, fact) in enumerate(zip(board.parts, board.logs, strict=True)):
        is_own = fact.clock_kind in ("dated", "zoned") and n_begun[fact.started_at_s] == 1
        in_log = fact.started_at_s if is_own else None
        in_name = None if is_unsure else name.stamp_s
        if in_log is not None and in_name is not None and abs(in_log - in_name) > _APART_S:
            board.ask(question("two_stamps", {"file": board.name(one)}), [one], "order", "round")
        board.start_s[one] = in_name if in_log is None else in_log
        board.why[one] = "stamp_in_log" if in_log is not None else "stamp_in_name" if in_name else ""
    labels = sorted({label for name in board.parts for label in name.numbers} - {"time", "long"})
    numbers = {label: [name.numbers.get(label) for name in board.parts] for label in labels}
    through = (label for label, held in numbers.items()
               if len(held) > 4 and None not in held and len(set(held)) == len(held))  # fmt: skip
    running = numbers.pop(next(through, ""), [])
    by_number = sorted(board.every, key=lambda one: running[one] or 0) if running else []
    times = [name.numbers.get("time") for name in board.parts]
    if not board.is_clocked and None not in times and not any(name.stamp_s or name.day for name in board.parts):
        # Times of day count where all names have one and no midnight lies between.
        starts = [(t // 10000) * 3600.0 + t // 100 % 100 * 60 + t % 100 for t in times if t is not None]
        if max((b - a for a, b in itertools.pairwise(sorted(starts))), default=0.0) < _EVENING_H * 3600:
            if board.ask(question("one_day")) != "yes":
                board.doubt(board.every, "order", "session")
            board.start_s, board.why = list(starts), ["time_in_name"] * len(starts)
    if board.is_clocked:
        board.order = sorted(board.every, key=lambda one: board.start_s[one] or 0.0)
        if by_number and by_number != board.order:
            answer = board.ask(question("order_by"), board.every, "order", "round")
            board.order = by_number if answer == "numbers" else board.order
    elif by_number:
        board.order, board.why = by_number, ["number_in_name"] * len(by_number)
    else:
        _order_by_file_times(board)
    for place, one in enumerate(board.order, start=1):
        board.put([one], "order", str(place), why=say("draft.why.order", by=say(f"draft.by.{board.why[one]}")))
    _number_sessions(board)
    return numbers


def _order_by_file_times(board: LogBoard) -> None:
    """Propose the order of the file times, where they are those of recordings; else ask for the order."""
    times = [fact.file_time_s for fact in board.logs]
    ordered = sorted(board.every, key=lambda one: times[one])
    gaps = [times[b] - times[a] - board.length_s(b) for a, b in itertools.pairwise(ordered)]
    if len(times) < 2:
        return
    if any(map(math.isnan, times)) or min(gaps) < _COPIED_S:
        tunings = list(dict.fromkeys(filter(None, (board.value(one, "tuning") for one in board.every))))
        said = {"blocks": order_choices(tunings)}
        board.questions.append(question("typed_order", said, form="no_stamps"))
        return
    answer = board.ask(question("file_times"), board.every, "order")
    board.order, board.why = ordered, ["file_time"] * len(times)
    if answer == "file_times":
        board.start_s = [time - board.length_s(one) for one, time in enumerate(times)]


def _number_sessions(board: LogBoard) -> None:
    """Number sessions: a night apart, or a long pause in which the machine was restarted."""
    if not board.is_clocked or not board.order or any("session" in cells for cells in board.cells):
        return
    starts = [board.start_s[one] or 0.0 for one in board.order]
    pauses = [0.0, *(b - a for a, b in itertools.pairwise(starts))]
    usual = statistics.median(pauses[1:] or [0.0])
    session = 1
    for one, start_s, pause_s in zip(board.order, starts, pauses, strict=True):
        is_new = pause_s > _NIGHT_S
        if not is_new and pause_s > max(_LONG_PAUSE_S, 4 * usual):
            said = {"at": time_text(start_s), "minutes": f"{pause_s / 60:.0f}"}
            is_new = board.ask(question("restarted", said, name=said["at"])) != "no"
        session += is_new
        board.put([one], "session", f"session {session}", why=say("draft.why.pauses"))


def time_text(seconds: float) -> str:
    """Return a moment as hours and minutes.

    Parameters
    ----------
    seconds : since 1970, or since midnight
    """
    return f"{int(seconds // 3600) % 24:02d}:{int(seconds // 60) % 60:02d}"


def find_rounds(board: LogBoard, numbers: Numbers) -> None:
    """Fill in rounds; unequal counts and doubled numbers are asked.

    Parameters
    ----------
    board : the logs, with games, tunings and order
    numbers : that may count rounds, see `find_order`
    """
    if not all({"game", "tuning"} <= cells.keys() for cells in board.cells):
        board.doubt(board.every, "round")
        return
    counts = [one for one in board.every if not board.parts[one].tries or board.parts[one].tries & AGAIN]
    for column in ("game", "tuning"):
        n_logs = Counter(board.value(one, column) for one in counts)
        few = sorted(name for name, n in n_logs.items() if n < _FEW * max(n_logs.values()))
        if few:
            said = {"names": few, "counts": ", ".join(str(n_logs[name]) for name in few), "column": column}
            asked = question("few", said, name=column)
            board.ask(asked, [one for one in counts if board.value(one, column) in few], column, "round")
    cells: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for one in counts:
        cells[board.key(one)].append(one)
    # The number of recordings that the cells have; 0 where several cells or most of few have fewer.
    sizes = [len(logs) for logs in cells.values()]
    usual, n_cells = max(Counter(sizes).items(), key=lambda item: (item[1], item[0]), default=(0, 0))
    is_largest = usual == max(sizes, default=0) and n_cells > _MOST * len(sizes)
    if not is_largest and not (len(sizes) >= _MANY_CELLS and n_cells >= _NEARLY_ALL * len(sizes)):
        usual = 0
    for key, logs in cells.items():
        if not all("round" in board.cells[one] for one in logs):
            _rounds_of_cell(" ".join(filter(None, key)), logs, board, numbers=numbers, usual=usual)
    same: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for one in counts:
        if board.value(one, "round") and not board.parts[one].tries:
            same[(*board.key(one), board.value(one, "round"))].append(one)
    twice = [group for group in same.values() if len(group) > 1]
    if twice:
        asked = question("round_twice", {"names": [board.name(one) for one in twice[0]]})
        board.ask(asked, itertools.chain(*twice), "round")


def _rounds_of_cell(name: str, logs: Sequence[int], board: LogBoard, *, numbers: Numbers, usual: int) -> None:
    """Fill in the rounds of one game and tuning, or ask for them."""
    held = {label: [found[one] for one in logs] for label, found in numbers.items()}
    varying = [label for label, found in held.items() if len(set(found)) > 1]
    counted = _counted(held, first=0 if _copies_from_one(board, numbers.get("(n)", ())) else 1)
    is_later = any(found[logs[0]] not in (None, 0, 1) and len(set(found)) > 1 for found in numbers.values())
    ordered = [one for one in board.order if one in logs]
    form = ""
    if len(varying) > 1 and not counted:
        form = "two_numbers"
    elif len(logs) == 1 and is_later:
        form = "later_number"
    elif len(logs) == 1 and usual == 1:
        board.put(logs, "round", "1", why=say("draft.why.one_each"))
    elif counted:
        for one, number in zip(logs, counted, strict=True):
            board.put([one], "round", str(number - min(counted) + 1), why=say("draft.why.number_in_name"))
        by_number = [one for _, one in sorted(zip(counted, logs, strict=True))]
        form = "against_stamps" if board.order and by_number != ordered else ""
    elif varying:
        form = "not_from_one"
    elif ordered:
        for nth, one in enumerate(ordered, start=1):
            board.put([one], "round", str(nth), why=recording_text(nth, board.why[one]))
            board.doubt([one] if "order" in board.doubts[one] else (), "round")
        form = "unlike" if not usual else "" if len(logs) == usual else "repeat" if len(logs) > usual else "missing"
    else:
        form = "which"
    if form:
        said = {"cell": name, "n": len(logs), "usual": usual}
        board.ask(question("round", said, form=form, name=name), logs, "round", *["game"] * (form == "two_numbers"))


def recording_text(nth: int, by: str) -> str:
    """Return what a round is where it is the place among recordings; by what they are ordered."""
    return say("draft.why.recording", nth=nth, by=say(f"draft.by.{by}"))


def _copies_from_one(board: LogBoard, numbers: Sequence[int | None]) -> bool:
    """Return whether the second of several logs of a name has the number (1), as where a browser saved them."""
    of_cell: dict[tuple[str, ...], set[int | None]] = defaultdict(set)
    for one, number in zip(board.every, numbers, strict=False):
        of_cell[board.key(one)].add(number)
    return any({None, 1} <= found for found in of_cell.values())


def _counted(held: Mapping[str, Sequence[int | None]], *, first: int) -> list[int]:
    """Return the numbers at one place of these names that count from 0 or 1, at most one missing; else nothing.

    The first of several copies has no number in brackets.
    """
    own = [label for label, numbers in held.items() if label != "(n)" and None not in numbers]
    for label, numbers in held.items():
        if label == "(n)" and any(len(set(held[one])) == len(numbers) for one in own):
            continue
        found = [first if one is None and label == "(n)" else one for one in numbers]
        known = [one for one in found if one is not None]
        is_whole = len(known) == len(set(known)) == len(numbers)
        if is_whole and min(known) in (0, 1) and max(known) <= len(known) + min(known):
            return known
    return []


def block_order(rows: Sequence[DraftRow]) -> list[tuple[str, list[DraftRow]]]:
    """Return the tunings as blocks in time, where all runs of one came before all of the next; else nothing.

    Parameters
    ----------
    rows : runs of the draft
    """
    measured = [row for row in rows if row.value("order") and row.value("tuning") and not row.value("excluded")]
    if any(row.is_asked("order") or row.is_asked("tuning") for row in measured):
        return []
    ordered = sorted(measured, key=lambda row: int(row.value("order")))
    blocks = [(name, list(runs)) for name, runs in itertools.groupby(ordered, lambda row: row.value("tuning"))]
    names = {name for name, _ in blocks}
    return blocks if 1 < len(names) == len(blocks) < len(ordered) else []


def block_lines(draft: Draft) -> list[str]:
    """Return what an order in blocks means for what can be said; empty for any other order.

    Parameters
    ----------
    draft : the draft
    """
    blocks = block_order(draft.rows)
    if not blocks:
        return []
    (first, runs), *others = blocks
    said = [say("draft.blocks.all_of", runs=len(rows), name=name, span=_span(rows)) for name, rows in others]
    n_all, n_again = sum(len(rows) for _, rows in blocks), 2 * len(draft.names("game"))
    starts = sorted(row.started_s for row in draft.rows if row.started_s is not None)
    each_s = statistics.median(b - a for a, b in itertools.pairwise(starts)) if len(starts) > 1 else 0.0

    def again(key: str, n_runs: int) -> str:
        """Return what would answer fully, and how long its runs take, where their pace is known."""
        if not each_s:
            return say(f"draft.blocks.{key}", first=first, runs=n_runs)
        return say(f"draft.blocks.{key}_timed", first=first, runs=n_runs, minutes=n_runs * each_s / 60)

    came = {"runs": len(runs), "first": first, "span": _span(runs), "others": say("draft.blocks.then").join(said)}
    return [
        say("draft.blocks.came", **came),
        *say("draft.blocks.values" if draft.is_typed else "draft.blocks.logs").splitlines(),
        *say("draft.blocks.can_be_said").splitlines(),
        again("alternate", n_all),
        again("repeat", n_again),
    ]


def _span(rows: Sequence[DraftRow]) -> str:
    """Return from when to when runs were made, in brackets; empty without times."""
    times = [row.value("started_at")[11:16] for row in rows if len(row.value("started_at")) >= 16]
    return say("draft.blocks.span", begin=min(times), end=max(times)) if len(times) == len(rows) else ""
