"""When logs were recorded, in which order, which round each is, and which recordings may not count."""

from __future__ import annotations

import itertools
import math
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.questions import Choice, LogFacts, Question, isolated
from gpubench_kit.sheet.draft import Cell, Draft, DraftRow
from gpubench_kit.sheet.log_names import AGAIN, NameParts
from gpubench_kit.sheet.name_roles import Labels

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
#: Hours in the names of one evening are this close together; else the day changed between.
_EVENING_H = 6

_KEY = ("card", "game", "tuning", "setting", "group", "session")


@dataclass
class Timing:
    """When each file was recorded.

    Attributes
    ----------
    start_s : start of each file [s]; None where not known. Times without a date count from midnight
    why : where that is from
    order : files in the order recorded; empty where it is not known
    numbers : label of a number in the names -> number in each name
    running : label of a number that runs through all names; empty for none
    """

    start_s: list[float | None]
    why: list[str]
    order: list[int] = field(default_factory=list)
    numbers: dict[str, list[int | None]] = field(default_factory=dict)
    running: str = ""

    @property
    def is_clocked(self) -> bool:
        """Whether every file has a start."""
        return bool(self.start_s) and all(one is not None for one in self.start_s)


def find_order(
    parts: Sequence[NameParts], facts: Sequence[LogFacts], labels: Labels, *, answers: Mapping[str, str]
) -> Timing:
    """Find when logs were recorded, and in which order; cells and questions go into ``labels``.

    Parameters
    ----------
    parts : names taken apart
    facts : of the frame logs, in the same order
    labels : cells of each file
    answers : answers so far, by key

    Notes
    -----
    Stamps in the logs come first, then stamps in the names, then a running number. File times count only once
    they are confirmed, and the alphabet never does.
    """
    timing = _stamps(parts, facts, labels)
    timing.numbers = _numbers(parts)
    timing.running = next(
        (
            label
            for label, held in timing.numbers.items()
            if (len(held) > 4 and None not in held and len(set(held)) == len(held))
        ),
        "",
    )
    if not timing.is_clocked:
        _times_of_day(parts, timing, labels, answers)
    by_number = sorted(range(len(parts)), key=lambda one: timing.numbers[timing.running][one] or 0) if (
        timing.running) else []  # fmt: skip
    every = range(len(parts))
    if timing.is_clocked:
        timing.order = sorted(every, key=lambda one: timing.start_s[one] or 0.0)
        if by_number and by_number != timing.order:
            timing.order = _ask_which_order(timing.order, by_number, labels, answers)
    elif by_number:
        timing.order = by_number
        timing.why = ["running number in the name"] * len(parts)
    else:
        _by_file_times(facts, timing, labels, answers)
    for place, one in enumerate(timing.order, start=1):
        labels.put([one], "order", Cell(str(place), f"order by {timing.why[one]}"))
    _sessions(timing, labels, answers)
    return timing


def _stamps(parts: Sequence[NameParts], facts: Sequence[LogFacts], labels: Labels) -> Timing:
    """Return starts by stamps in logs and names; two that differ are asked about."""
    days = {name.day for name in parts if name.day}
    no_names = len(days) > 1 and any(name.is_day_doubtful for name in parts)
    timing = Timing([None] * len(parts), [""] * len(parts))
    for one, (name, fact) in enumerate(zip(parts, facts, strict=True)):
        in_log = None if math.isnan(fact.started_at_s) or fact.clock_kind == "time_of_day" else fact.started_at_s
        in_name = None if no_names else name.stamp_s
        if in_log is not None and in_name is not None and abs(in_log - in_name) > _APART_S:
            text = f"The name and the log of {shown(isolated(fact.path.as_posix()))} give different times."
            labels.ask(Question("two_stamps", text, is_detail=True, paste="runs.csv: correct order and started_at"),
                       [one], "order", "round")  # fmt: skip
        timing.start_s[one] = in_log if in_log is not None else in_name
        timing.why[one] = "stamp in the log" if in_log is not None else "stamp in the name" if in_name else ""
    return timing


def _numbers(parts: Sequence[NameParts]) -> dict[str, list[int | None]]:
    """Return the numbers at each place of the names; times and long numbers count nothing."""
    labels = sorted({label for name in parts for label in name.numbers} - {"time", "long"})
    return {label: [name.numbers.get(label) for name in parts] for label in labels}


def _times_of_day(parts: Sequence[NameParts], timing: Timing, labels: Labels, answers: Mapping[str, str]) -> None:
    """Take times of day in the names, where all have one and no midnight lies between; one evening is asked."""
    times = [name.numbers.get("time") for name in parts]
    if None in times or any(name.stamp_s or name.day for name in parts):
        return
    hours = sorted(time / 10000 for time in times if time is not None)
    if max((b - a for a, b in itertools.pairwise(hours)), default=0.0) < _EVENING_H:
        question = Question(
            "one_day", "The names hold times without a date. Was it all recorded on one day?",
            choices=(Choice("yes", "yes"), Choice("no", "no")), default_text="later, order not known",
            is_detail=True, paste="runs.csv: take the question marks away in the columns order and round",
        )  # fmt: skip
        is_one = answers.get("one_day") == "yes"
        labels.ask(question, range(len(parts)), "order", "session", is_answered=is_one)
        timing.start_s = [(t // 10000) * 3600.0 + t // 100 % 100 * 60 + t % 100 for t in times if t is not None]
        timing.why = ["time of day in the name"] * len(times)


def _ask_which_order(
    stamps: list[int], numbers: list[int], labels: Labels, answers: Mapping[str, str]
) -> list[int]:
    """Ask which is right where running numbers and stamps give different orders."""
    one = Question(
        "order_by", "Running numbers and stamps give different orders. Which is right?", is_detail=True,
        choices=(Choice("stamps", "stamps"), Choice("numbers", "numbers")), default_text="later, order not known",
        paste="runs.csv: take the question marks away in the column order, or correct it",
    )  # fmt: skip
    answer = answers.get("order_by", "")
    labels.ask(one, range(len(stamps)), "order", "round", is_answered=bool(answer))
    return numbers if answer == "numbers" else stamps


def _by_file_times(facts: Sequence[LogFacts], timing: Timing, labels: Labels, answers: Mapping[str, str]) -> None:
    """Propose the order of the file times, where they are those of recordings; else ask for the order."""
    times = [fact.file_time_s for fact in facts]
    ordered = sorted(range(len(facts)), key=lambda one: times[one])
    gaps = [times[b] - times[a] - max(0.0, _length(facts[b])) for a, b in itertools.pairwise(ordered)]
    every = range(len(facts))
    if len(facts) > 1 and not any(map(math.isnan, times)) and min(gaps, default=0.0) >= _COPIED_S:
        one = Question(
            "order_by", "No stamps. Is the order of the file times right? They fit the lengths of the runs.",
            choices=(Choice("right", "file_times"),), default_text="order not known",
            evidence=tuple(isolated(facts[k].path.as_posix()) for k in ordered),
            paste="runs.csv: take the question marks away in the column order",
        )  # fmt: skip
        is_answered = answers.get("order_by") == "file_times"
        labels.ask(one, every, "order", is_answered=is_answered)
        timing.order, timing.why = ordered, ["file time"] * len(facts)
        if is_answered:
            timing.start_s = [time - _length(fact) for time, fact in zip(times, facts, strict=True)]
        return
    timing.order = []
    if len(facts) > 1:
        one = Question(
            "typed_order", "No stamps, and file times are those of a copy. In which order were the runs made?",
            choices=(Choice("alternating: round 1 of each tuning, then round 2 ...", "alternated"),
                     Choice("all of one tuning, then all of the next", "back_to_back"),
                     Choice("I do not know", "not_known")),
            default="not_known", default_text="3, treated like 2", writes='[analysis] typed_order = "{}"',
            paste="runs.csv: give order or started_at",
        )  # fmt: skip
        labels.ask(one, every, is_answered=True)


def _length(fact: LogFacts) -> float:
    """Return the length of a log; 0 where it is not known."""
    return 0.0 if math.isnan(fact.length_s) else fact.length_s


def _sessions(timing: Timing, labels: Labels, answers: Mapping[str, str]) -> None:
    """Number sessions: a night apart, or a long pause in which the machine was restarted."""
    if not timing.is_clocked or not timing.order or any("session" in cells for cells in labels.cells):
        return
    starts = [timing.start_s[one] or 0.0 for one in timing.order]
    pauses = [b - a for a, b in itertools.pairwise(starts)]
    usual = statistics.median(pauses) if pauses else 0.0
    session = 1
    for place, one in enumerate(timing.order):
        pause = pauses[place - 1] if place else 0.0
        if pause > _NIGHT_S or (
            pause > max(_LONG_PAUSE_S, 4 * usual) and _restarted(starts[place], pause, labels, answers)
        ):
            session += 1
        labels.put([one], "session", Cell(f"session {session}", "pauses between the runs"))


def _restarted(start_s: float, pause_s: float, labels: Labels, answers: Mapping[str, str]) -> bool:
    """Ask whether the machine was restarted in a pause; without an answer it was, the careful one."""
    at = f"{int(start_s // 3600) % 24:02d}:{int(start_s // 60) % 60:02d}"
    one = Question(
        f"restarted.{at}", f"Was the machine restarted in the pause of {pause_s / 60:.0f} min before {at}?",
        choices=(Choice("yes", "yes"), Choice("no", "no")), default="yes", default_text="yes, the careful answer",
        paste="runs.csv: the column session",
    )  # fmt: skip
    labels.ask(one, (), is_answered=True)
    return answers.get(one.key, "yes") != "no"


def find_rounds(parts: Sequence[NameParts], facts: Sequence[LogFacts], timing: Timing, *, labels: Labels) -> None:
    """Fill in rounds; unequal counts and doubled numbers are asked.

    Parameters
    ----------
    parts, facts, timing, labels : of the frame logs, in the same order
    """
    tries = [bool(name.tries) for name in parts]
    counts = [one for one in range(len(parts)) if not tries[one] or parts[one].tries & AGAIN]
    is_known = all({"game", "tuning"} <= cells.keys() for cells in labels.cells)
    if not is_known:
        for one in range(len(parts)):
            labels.doubts[one].add("round")
    else:
        _few_logs(counts, labels)
        cells: dict[tuple[str, ...], list[int]] = defaultdict(list)
        for one in counts:
            cells[cell_key(labels, one)].append(one)
        usual = _usual_size(list(map(len, cells.values())))
        for key, files in cells.items():
            _rounds_of_cell(" ".join(filter(None, key)), files, usual, timing=timing, labels=labels)
        _same_round_twice([one for one in counts if not tries[one]], facts, labels)


def cell_key(labels: Labels, one: int) -> tuple[str, ...]:
    """Return what the runs of one cell share; sessions number their rounds through.

    Parameters
    ----------
    labels : cells of each file
    one : the file
    """
    return tuple(labels.value(one, column) for column in _KEY[:-1])


def _few_logs(counts: Iterable[int], labels: Labels) -> None:
    """Ask about games and tunings that have far fewer logs than the others."""
    counts = list(counts)
    for column in ("game", "tuning"):
        logs = Counter(labels.value(one, column) for one in counts)
        few = sorted(name for name, n in logs.items() if n < _FEW * max(logs.values()))
        if few:
            n_logs = ", ".join(str(logs[name]) for name in few)
            text = f"{listed(map(isolated, few), most=6)}: fewer logs than the others ({n_logs}); "
            one = Question(
                f"few_{column}", f"{text}is it the same {column} under another name?", is_detail=True,
                paste=f"runs.csv: correct the column {column}, or take the question marks away",
            )  # fmt: skip
            labels.ask(one, [k for k in counts if labels.value(k, column) in few], column, "round")


def _rounds_of_cell(name: str, files: Sequence[int], usual: int, *, timing: Timing, labels: Labels) -> None:
    """Fill in the rounds of one game and tuning, or ask for them."""
    shown_name, numbers, varying = shown(isolated(name)), _counter(files, timing), _varying(files, timing)
    if len(varying) > 1 and not numbers:
        text = f"{shown_name}: two numbers vary in the names. Which of them counts rounds?"
        _ask_round(text, files, labels, "game")
    elif len(files) == 1 and usual == 1 and not _later_number(files[0], timing):
        labels.put(files, "round", Cell("1", "one recording of each"))
    elif len(files) == 1 and _later_number(files[0], timing):
        _ask_round(f"{shown_name}: one recording, and its number is not 1. Which round is it?", files, labels)
    elif numbers:
        _rounds_by_number(f"{shown_name}: numbers in the names run against the stamps.", numbers, timing, labels)
    elif varying:
        _ask_round(f"{shown_name}: the numbers in the names do not run from 1.", files, labels)
    elif timing.order:
        ordered = [one for one in timing.order if one in files]
        _rounds_in_time(name, ordered, usual, timing=timing, labels=labels)
    else:
        _ask_round(f"{shown_name}: which of {len(files)} logs is which round?", files, labels)


def _rounds_by_number(text: str, numbers: Mapping[int, int], timing: Timing, labels: Labels) -> None:
    """Fill in rounds by the numbers in names; ask where the stamps give them another order."""
    first = min(numbers.values())
    for one, number in numbers.items():
        labels.put([one], "round", Cell(str(number - first + 1), "number in the name"))
    ordered = [one for one in timing.order if one in numbers]
    if timing.order and sorted(numbers, key=lambda one: numbers[one]) != ordered:
        _ask_round(text, numbers, labels)


def _later_number(one: int, timing: Timing) -> bool:
    """Return whether a name has a number other than 0 and 1, where these numbers differ between the names."""
    return any(
        numbers[one] not in (None, 0, 1) and len(set(numbers)) > 1
        for label, numbers in timing.numbers.items()
        if label != timing.running
    )


def _usual_size(sizes: Sequence[int]) -> int:
    """Return the number of recordings that the cells have; 0 where several cells or most of few have fewer."""
    size, n_cells = max(Counter(sizes).items(), key=lambda item: (item[1], item[0]), default=(0, 0))
    is_largest = size == max(sizes, default=0) and n_cells > _MOST * len(sizes)
    is_sure = len(sizes) >= _MANY_CELLS and n_cells >= _NEARLY_ALL * len(sizes)
    return size if is_largest or is_sure else 0


def _rounds_in_time(name: str, files: Sequence[int], usual: int, *, timing: Timing, labels: Labels) -> None:
    """Fill in rounds by the place in time; where other cells have another number of logs, that is asked."""
    for nth, one in enumerate(files, start=1):
        labels.put([one], "round", Cell(str(nth), f"recording {nth} of this game and tuning by {timing.why[one]}"))
        if "order" in labels.doubts[one]:
            labels.doubts[one].add("round")
    if not usual:
        _ask_round(f"{shown(isolated(name))}: games and tunings have unlike numbers of logs.", files, labels)
    elif len(files) != usual:
        what = "Is one a repeat?" if len(files) > usual else "Which round is missing?"
        _ask_round(
            f"{shown(isolated(name))}: {len(files)} recordings, the others have {usual}. {what}", files, labels
        )


def _ask_round(text: str, files: Iterable[int], labels: Labels, *columns: str) -> None:
    """Ask for the rounds of some files, where the run sheet shows them all."""
    files = list(files)
    paste = "runs.csv: correct the column round, or take the question marks away"
    labels.ask(
        Question(f"round.{len(labels.questions)}", text, paste=paste, is_detail=True), files, "round", *columns
    )


def _varying(files: Sequence[int], timing: Timing) -> list[str]:
    """Return the labels of numbers that differ between these names."""
    held = {label: [numbers[one] for one in files] for label, numbers in timing.numbers.items()}
    return [label for label, found in held.items() if label != timing.running and len(set(found)) > 1]


def _counter(files: Sequence[int], timing: Timing) -> dict[int, int]:
    """Return the number in each name that counts these files from 0 or 1; empty for none."""
    for label, numbers in timing.numbers.items():
        # The first of several copies has no number in brackets.
        found = {one: 1 if numbers[one] is None and label == "(n)" else numbers[one] or 0 for one in files}
        is_given = label == "(n)" or all(numbers[one] is not None for one in files)
        if label != timing.running and is_given and _counts(list(found.values())):
            return found
    return {}


def _counts(numbers: Sequence[int]) -> bool:
    """Return whether numbers count from 0 or 1, with at most one missing."""
    low, high = min(numbers), max(numbers)
    return len(set(numbers)) == len(numbers) and low in (0, 1) and high <= len(numbers) + low


def _same_round_twice(files: Iterable[int], facts: Sequence[LogFacts], labels: Labels) -> None:
    """Ask about two logs of the same game, tuning and round."""
    same: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for one in files:
        if labels.value(one, "round"):
            same[(*cell_key(labels, one), labels.value(one, "round"))].append(one)
    twice = [group for group in same.values() if len(group) > 1]
    if twice:
        names = listed((isolated(facts[one].path.as_posix()) for one in twice[0]), most=3)
        text = f"The same round stands twice for a game and tuning: {names}. Two sessions, two cards, or a repeat?"
        paste = "runs.csv: correct round, add a column session or card, or give excluded and replaces"
        labels.ask(Question("round_twice", text, paste=paste, is_detail=True), itertools.chain(*twice), "round")


def block_order(rows: Sequence[DraftRow]) -> list[tuple[str, list[DraftRow]]]:
    """Return the tunings as blocks in time, where all runs of one came before all of the next; else nothing.

    Parameters
    ----------
    rows : runs of the draft
    """
    measured = [row for row in rows if row.value("order") and row.value("tuning") and not row.value("excluded")]
    if any(row.cells["order"].is_asked or row.cells["tuning"].is_asked for row in measured):
        return []
    ordered = sorted(measured, key=lambda row: int(row.value("order")))
    blocks: list[tuple[str, list[DraftRow]]] = []
    for row in ordered:
        if not blocks or blocks[-1][0] != row.value("tuning"):
            blocks.append((row.value("tuning"), []))
        blocks[-1][1].append(row)
    names = [name for name, _ in blocks]
    return blocks if len(names) > 1 and len(set(names)) == len(names) and len(ordered) > len(names) else []


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
    said = [f"all {len(rows)} of {name}{_span(rows)}" for name, rows in others]
    n_all = sum(len(rows) for _, rows in blocks)
    return [
        f"All {len(runs)} runs of {first}{_span(runs)} came before {', then '.join(said)}.",
        "So a difference may come from the tuning or from the later hour (room, warm-up, a restart, an update),",
        "and these runs cannot tell which. What can still be said, and will be:",
        "  - how noisy each game is, and every number with its spread, without a verdict;",
        '  - large differences with their condition: "A is faster than B, unless the bench itself came back more',
        '    than X % different";',
        '  - "nothing lost" and "same": no sentence from these runs alone.',
        f"Full answer: alternate them in one bench session, {n_all} runs (gpubench-kit schedule).",
        "         Or: the reference again after each of two restarts: says how different this bench comes back.",
    ]


def _span(rows: Sequence[DraftRow]) -> str:
    """Return from when to when runs were made, in brackets; empty without times."""
    times = [row.value("started_at")[11:16] for row in rows if len(row.value("started_at")) >= 16]
    return f" ({min(times)} to {max(times)})" if len(times) == len(rows) else ""
