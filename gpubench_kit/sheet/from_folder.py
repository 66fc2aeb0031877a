"""A draft from a folder of logs: games, tunings, rounds, order, sessions and sensor logs, from facts of files."""

from __future__ import annotations

import itertools
import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from gpubench_kit.model.errors import listed
from gpubench_kit.model.questions import Choice, LogFacts, Question
from gpubench_kit.model.words import fold
from gpubench_kit.sheet.draft import Cell, Draft, DraftRow, with_names, with_reference
from gpubench_kit.sheet.log_names import parts_of
from gpubench_kit.sheet.name_factors import LogBoard, find_factors
from gpubench_kit.sheet.name_roles import label_logs
from gpubench_kit.sheet.questions import CHIP, format_answer, format_entries, format_question, question
from gpubench_kit.sheet.recordings import ask_about_takes, label_by_blocks, pair_sensors
from gpubench_kit.sheet.run_order import block_order, find_order, find_rounds, recording_text, time_text
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text

#: Key of the answer that chooses one card of several; no question asks for it.
_PART = "card_of_names"
_COPY = re.compile(r"(^|[^a-z])(copy|copie|kopie)([^a-z]|$)")
_COLUMNS = ("game", "tuning", "setting", "card", "round", "order", "session", "started_at", "frame_log",
            "sensor_log", "excluded", "replaces")  # fmt: skip


def draft_from_logs(
    facts: Sequence[LogFacts], root: Path, answers: Mapping[str, str], *, place: str = "logs/",
    clocks: Mapping[str, str] | None = None,
) -> Draft:  # fmt: skip
    """Draft a review from the logs of a folder.

    Parameters
    ----------
    facts : of every file in the folder
    root : the folder
    answers : answers so far, by key
    place : where the logs lie in the review folder, with a slash; ``./`` for the folder itself
    clocks : by path of a sensor log from the folder, how its clock stands to those of the frame logs, in words

    Returns
    -------
    Draft; without rows where the folder holds no frame log. What is not proven or stated is asked; nothing is
    taken from the alphabet, and rates tell no tuning
    """
    kept, head = _each_once(facts, root)
    frames = {path: fact for path, fact in kept.items() if fact.kind in ("frames", "unclear")}
    sensors = {path: fact for path, fact in kept.items() if fact.kind == "sensors"}
    if not frames:
        return Draft(root.name, (), head=tuple(head))
    frames, recorder = _of_one_recorder(frames, answers)
    board = LogBoard(list(frames.values()), answers)
    label_logs(find_factors(board), board)
    cards = list(dict.fromkeys(filter(None, (board.value(one, "card") for one in board.every))))
    if answers.get("group_is") == "reviews" and cards:
        if answers.get(_PART):
            others = {board.name(one) for one in board.every if board.value(one, "card") != answers[_PART]}
            own = [fact for fact in facts if fact.path.relative_to(root).as_posix() not in others]
            rest = {key: answer for key, answer in answers.items() if key not in (_PART, "group_is")}
            return draft_from_logs(own, root, rest, place=place, clocks=clocks)
        asked = tuple(replace(one, is_detail=False) for one in (*board.first, *_merged(board.questions)))
        each = tuple((name, {_PART: name, "group_is": "reviews"}) for name in cards)
        head = [say("draft.head.review_of_each", cards=listed(cards))]
        return Draft(root.name, (), head=tuple(head), first=asked, parts=each)
    numbers = find_order(board)
    if not label_by_blocks(board):
        find_rounds(board, numbers)
    ask_about_takes(board)
    paired = pair_sensors(board, sensors)
    clock = [text for path, text in (clocks or {}).items() if path in sensors] if len(sensors) == 1 else []
    if recorder is not None:
        board.ask(recorder, board.every, "round", "frame_log")
    rows = _rows(board, place.removeprefix("./"))
    used = dict.fromkeys(path for one in board.every if (path := board.value(one, "sensor_log")))
    beside = _side(board, rows, [f"{paired}," if clock else paired, *(f"{'':9}{text}" for text in clock)])
    later, plan_lines = _of_formats(kept.values(), answers, cards)
    draft = Draft(
        root.name, tuple(rows), head=tuple(head), side=tuple(beside),
        first=tuple(board.first), questions=tuple(_merged(board.questions)),
        later=tuple(later), plan_lines=plan_lines,
        copies=tuple((path, path) for path in [*frames, *used]),
    )  # fmt: skip
    draft = with_reference(with_names(draft, answers), answers)
    return _with_restart(draft, answers)


def _each_once(facts: Sequence[LogFacts], root: Path) -> tuple[dict[str, LogFacts], list[str]]:
    """Return facts by path from the folder, files with equal bytes once; what was found, and what was left over."""
    by_path = {fact.path.relative_to(root).as_posix(): fact for fact in facts}
    first: dict[str, str] = {}
    twice, kept = [], {}
    for path in sorted(by_path, key=lambda one: (bool(_COPY.search(fold(one))), len(one), one)):
        fact = by_path[path]
        if fact.sha256 and fact.sha256 in first:
            twice.append((path, first[fact.sha256]))
            continue
        first[fact.sha256] = path
        kept[path] = replace(fact, path=Path(path))
    n_of = Counter("frames" if fact.kind == "unclear" else fact.kind for fact in kept.values())
    logs = [count_text(n_of["frames"], "frame log")]
    logs += [count_text(n_of["sensors"], "sensor log")] * (n_of["sensors"] > 0)
    others = [fact.fault or fact.path.name for fact in facts if fact.kind in ("none", "sampled")]
    found = "some_left" if others or twice else "all_used"
    lines = [say(f"draft.head.{found}", files=len(facts), logs=", ".join(logs))]
    lines += [say("draft.head.same_file", path=path, other=other) for path, other in twice[:4]]
    lines += [say("draft.head.more_twice", n=len(twice) - 4)] * (len(twice) > 4)
    lines += [say("draft.head.left_over", what=one) for one in others[:3]]
    lines += [say("draft.head.more_left", n=len(others) - 3)] * (len(others) > 3)
    return dict(sorted(kept.items())), lines


def _of_one_recorder(
    frames: dict[str, LogFacts], answers: Mapping[str, str]
) -> tuple[dict[str, LogFacts], Question | None]:
    """Return the logs that count where two recorders recorded the same runs, and the question which."""
    formats: dict[str, list[str]] = defaultdict(list)
    for path, fact in frames.items():
        formats[fact.format_id].append(path)
    if len(formats) != 2 or "" in formats:
        return frames, None
    first, second = formats.values()
    starts = [(frames[path].started_at_s, frames[path].length_s) for path in second]
    at_once = sum(any(abs(frames[path].started_at_s - s) < 0.5 * length for s, length in starts) for path in first)
    words = [Counter(tuple(sorted(parts_of(path).words)) for path in group) for group in (first, second)]
    n_alike = max(at_once, sum((words[0] & words[1]).values()))
    if abs(len(first) - len(second)) > 0.2 * len(frames) or n_alike <= 0.5 * len(first):
        return frames, None
    choices = [
        Choice(f'"{frames[paths[0]].seen}" ({count_text(len(paths), "log")})', key)
        for key, paths in formats.items()
    ]
    chosen = answers.get("recorder", "")
    if chosen in formats:
        frames = {path: fact for path, fact in frames.items() if fact.format_id == chosen}
    return frames, question("recorder", choices=choices)


def _rows(board: LogBoard, place: str) -> list[DraftRow]:
    """Return the rows of the draft, in the order recorded where it is known."""
    order = board.order or list(board.every)
    run_of = {board.name(one): f"r{nth:03d}" for nth, one in enumerate(order, start=1)}
    rows = []
    for one in order:
        cells, start_s, length_s = dict(board.cells[one]), board.start_s[one], board.logs[one].length_s
        if start_s is not None and board.why[one] != "time_in_name":
            stamp = datetime.fromtimestamp(start_s, UTC)
            cells["started_at"] = Cell(f"{stamp:%Y-%m-%d %H:%M:%S}", say(f"draft.by.{board.why[one]}"))
        cells["frame_log"] = Cell(f"{place}{board.name(one)}")
        if board.value(one, "sensor_log"):
            cells["sensor_log"] = cells["sensor_log"]._replace(value=place + board.value(one, "sensor_log"))
        if board.value(one, "replaces"):
            cells["replaces"] = cells["replaces"]._replace(value=run_of.get(board.value(one, "replaces"), ""))
        for column in board.doubts[one]:
            cells[column] = cells.get(column, Cell())._replace(is_asked=True)
        for column in ("game", "tuning", "round"):
            cells.setdefault(column, Cell(is_asked=column != "round" or not board.value(one, "excluded")))
        kept = {column: cells[column] for column in _COLUMNS if column in cells}
        rows.append(DraftRow(board.name(one), kept, start_s, None if math.isnan(length_s) else length_s))
    return rows


def _merged(questions: Sequence[Question]) -> list[Question]:
    """Return questions, those of one key once, and the first of many open ones that ask alike."""
    kinds: dict[str, dict[str, Question]] = defaultdict(dict)
    for one in questions:
        kinds[one.key if one.choices or one.is_typed else one.key.split(".")[0]].setdefault(one.key, one)
    return [
        replace(one, text=say("ask.round.like_it", text=one.text, n=len(alike) - 1), files=files)
        if len(alike) > 1
        else one
        for alike in kinds.values()
        for one in [next(iter(alike.values()))]
        for files in [tuple(dict.fromkeys(file for each in alike.values() for file in each.files))]
    ]


def _side(board: LogBoard, rows: Sequence[DraftRow], sensors: Sequence[str]) -> list[str]:
    """Return what stands beside the table: round, order, sessions, sensors."""
    whys = Counter(row.cells["round"].why for row in rows if row.cells["round"].why)
    placed = {recording_text(nth, by) for nth in range(1, len(rows) + 1) for by in filter(None, set(board.why))}
    lines = [say("draft.side.round", why=say("draft.side.place_in_time") if why in placed else why)
             for why, _ in whys.most_common(1)]  # fmt: skip
    if board.order:
        by = Counter(board.why).most_common(1)[0][0]
        why = say("draft.side.clocks_in_logs" if by == "stamp_in_log" else f"draft.by.{by}")
        tunings = [row.value("tuning") for row in rows]
        changes = sum(a != b for a, b in itertools.pairwise(tunings))
        how = "order_alternates" if len(set(tunings)) > 1 and changes * 2 >= len(rows) else "order"
        is_asked = any(row.is_asked("order") for row in rows)
        lines.append(say(f"draft.side.{'order_asked' if is_asked else how}", why=why))
    sessions = {board.value(one, "session") for one in board.every} - {""}
    starts = [start_s for start_s in board.start_s if start_s is not None]
    if sessions and board.is_clocked:
        times = {"begin": time_text(min(starts)), "end": time_text(max(starts))}
        lines.append(say("draft.side.sessions", n=len(sessions), **times))
    return [*lines, *filter(None, sensors)]


def _of_formats(
    facts: Iterable[LogFacts], answers: Mapping[str, str], cards: Sequence[str]
) -> tuple[list[Question], dict[str, tuple[str, ...]]]:
    """Return a question for each format that is not sure, once for all its logs, and lines of the plan.

    The lines are the order where it was answered, and formats that were confirmed.
    """
    facts = list(facts)
    formats: dict[str, list[LogFacts]] = defaultdict(list)
    for fact in facts:
        if fact.paste:
            formats[fact.format_id].append(fact)
    questions = []
    for key, group in formats.items():
        entries = list(map(group[0].entry, cards or [answers.get("card") or say("evidence.name_of_card")]))
        one = format_question(group[0], entries, key=f"layouts.{key}", n_logs=len(group), can_be_chip=True)
        questions.append(replace(one, files=tuple(fact.path.as_posix() for fact in group)))
    confirmed: dict[str, list[str]] = {}
    is_chip = False
    for fact in facts:
        answer = format_answer(answers.get(f"layouts.{fact.format_id}", ""), fact.paste)
        is_chip = is_chip or answer == CHIP
        entries = list(map(fact.entry, cards or [answers.get("card", "")])) if fact.paste else []
        confirmed.setdefault(fact.format_id, format_entries(entries, answer))
    order = answers.get("typed_order", "")
    return questions, {
        "analysis": (f'typed_order = "{order}"',) if order else (),
        "sections": tuple("\n".join(entries) for entries in confirmed.values() if entries),
        "cards": ('power_measured_at = "chip_sensor"',) if is_chip else (),
    }


def _with_restart(draft: Draft, answers: Mapping[str, str]) -> Draft:
    """Return a draft that asks about a restart between blocks, where all runs of one tuning came first."""
    blocks = block_order(draft.rows)
    if len(blocks) != 2:
        return draft
    (_, before), (_, after) = blocks
    end, begin = before[-1], after[0]
    between = say("ask.restart_between.the_two")
    if end.started_s is not None and begin.started_s is not None:
        ended = time_text(end.started_s + (end.length_s or 0.0))
        between = say("ask.restart_between.times", end=ended, begin=time_text(begin.started_s))
    rows = list(draft.rows)
    if answers.get("restart_between") == "yes":
        later = {row.source for row in after}
        for nth, row in enumerate(rows):
            cell = row.cells.get("session", Cell("session 1"))
            moved = cell._replace(value=f"{cell.value}, after the restart", why=say("draft.why.answered"))
            rows[nth] = row.with_cell("session", moved) if row.source in later else row
    asked = question("restart_between", {"between": between})
    return replace(draft, rows=tuple(rows), questions=(*draft.questions, asked))
