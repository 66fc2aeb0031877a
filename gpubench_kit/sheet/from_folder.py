"""A draft from a folder of logs: games, tunings, rounds, order, sessions and sensor logs, from facts of files."""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.questions import Choice, LogFacts, Question, isolated
from gpubench_kit.model.words import fold
from gpubench_kit.sheet.draft import Cell, Draft, DraftRow, with_names, with_reference
from gpubench_kit.sheet.log_names import parts_of
from gpubench_kit.sheet.name_factors import find_factors
from gpubench_kit.sheet.name_roles import Labels, label_files
from gpubench_kit.sheet.recordings import ask_about_takes, label_by_blocks, pair_sensors
from gpubench_kit.sheet.run_order import Timing, block_order, find_order, find_rounds

#: Answer that the watts of a sensor log are those of the chip alone.
_CHIP = "chip"
#: Key of the answer that chooses one card of several; no question asks for it.
_PART = "card_of_names"
_COPY = re.compile(r"(^|[^a-z])(copy|copie|kopie)([^a-z]|$)")
_ORDER_OF_COLUMNS = ("game", "tuning", "setting", "card", "round", "order", "session", "started_at", "frame_log",
                     "sensor_log", "excluded", "replaces")  # fmt: skip


def draft_from_logs(
    facts: Sequence[LogFacts], root: Path, answers: Mapping[str, str], *, place: str = "logs/"
) -> Draft:
    """Draft a review from the logs of a folder.

    Parameters
    ----------
    facts : of every file in the folder
    root : the folder
    answers : answers so far, by key
    place : where the logs lie in the review folder, with a slash; ``./`` for the folder itself

    Returns
    -------
    Draft; without rows where the folder holds no frame log. What is not proven or stated is asked; nothing is
    taken from the alphabet, and rates tell no tuning
    """
    kept, twice = _each_once(facts, root)
    frames = {path: fact for path, fact in kept.items() if fact.kind in ("frames", "unclear")}
    sensors = {path: fact for path, fact in kept.items() if fact.kind == "sensors"}
    head = _head(facts, frames, sensors, twice=twice)
    if not frames:
        return Draft(root.name, (), head=tuple(head))
    frames, recorder = _of_one_recorder(frames, answers)
    own, paths = list(frames.values()), list(frames)
    parts = [parts_of(path) for path in paths]
    labels = label_files(find_factors(parts, answers), own, answers)
    cards = list(dict.fromkeys(filter(None, (labels.value(one, "card") for one in range(len(paths))))))
    if answers.get("group_is") == "reviews" and cards:
        card_of = {path: labels.value(one, "card") for one, path in enumerate(paths)}
        if answers.get(_PART):
            return _of_one_card(facts, root, answers, card_of=card_of, place=place)
        asked = tuple(replace(one, is_detail=False) for one in (*labels.first, *_merged(labels.questions)))
        each = tuple((name, {_PART: name, "group_is": "reviews"}) for name in cards)
        return Draft(root.name, (), head=(f"A review of each card: {listed(cards)}.",), first=asked, parts=each)
    timing = find_order(parts, own, labels, answers=answers)
    by_blocks = label_by_blocks(own, timing, labels, answers=answers)
    if not by_blocks:
        find_rounds(parts, own, timing, labels=labels)
    ask_about_takes(parts, own, labels, answers=answers)
    side = pair_sensors(frames, sensors, timing, labels=labels, answers=answers)
    if recorder is not None and recorder.key not in answers:
        labels.ask(recorder, range(len(paths)), "round", "frame_log")
    elif recorder is not None:
        labels.questions.append(recorder)
    draft = Draft(
        root.name, tuple(_rows(paths, own, timing, labels, place=place.removeprefix("./"))), head=tuple(head),
        side=tuple(_side(timing, labels, side)),
        first=tuple(labels.first), questions=tuple(_merged(labels.questions)),
        later=tuple(_format_questions(kept.values(), answers, cards)),
        plan_lines=_plan_lines(kept.values(), answers, cards),
        copies=tuple((path, path) for path in [*paths, *_used_sensors(labels)]),
    )  # fmt: skip
    draft = with_reference(with_names(draft, answers), answers)
    return _with_restart(draft, answers)


def _of_one_card(
    facts: Sequence[LogFacts], root: Path, answers: Mapping[str, str], *, card_of: Mapping[str, str], place: str
) -> Draft:
    """Return the draft of the card that the answers choose, from its logs and all sensor logs."""
    others = {path for path, card in card_of.items() if card != answers[_PART]}
    own = [fact for fact in facts if fact.path.relative_to(root).as_posix() not in others]
    rest = {key: answer for key, answer in answers.items() if key not in (_PART, "group_is")}
    return draft_from_logs(own, root, rest, place=place)


def _each_once(facts: Sequence[LogFacts], root: Path) -> tuple[dict[str, LogFacts], list[tuple[str, str]]]:
    """Return facts by path from the folder, files with equal bytes once, and the pairs of equal files."""
    by_path = {fact.path.relative_to(root).as_posix(): fact for fact in facts}
    first: dict[str, str] = {}
    twice, kept = [], {}
    for path in sorted(by_path, key=lambda one: (bool(_COPY.search(fold(one))), one)):
        fact = by_path[path]
        if fact.sha256 and fact.sha256 in first:
            twice.append((path, first[fact.sha256]))
            continue
        first[fact.sha256] = path
        kept[path] = replace(fact, path=Path(path))
    return dict(sorted(kept.items())), twice


def _head(
    facts: Sequence[LogFacts], frames: Mapping[str, LogFacts], sensors: Mapping[str, LogFacts], *,
    twice: Sequence[tuple[str, str]],
) -> list[str]:  # fmt: skip
    """Return what kinds of files were found, and what was left over."""
    logs = [f"{len(frames)} frame log{'s' * (len(frames) != 1)}"]
    logs += [f"{len(sensors)} sensor log{'s' * (len(sensors) != 1)}"] * bool(sensors)
    others = [fact for fact in facts if fact.kind in ("none", "sampled")]
    rest = "" if others or twice else " Nothing left over, nothing twice."
    lines = [f"{len(facts)} files: {', '.join(logs)}.{rest}"]
    lines += [
        f"{shown(isolated(path))} is the same file as {shown(isolated(other))}: left out."
        for path, other in twice[:4]
    ]
    lines += [f"And {len(twice) - 4} more files twice."] * (len(twice) > 4)
    lines += [f"Left over: {fact.fault or fact.path.name}" for fact in others[:3]]
    lines += [f"And {len(others) - 3} more files that are no frame logs."] * (len(others) > 3)
    return lines


def _of_one_recorder(
    frames: dict[str, LogFacts], answers: Mapping[str, str]
) -> tuple[dict[str, LogFacts], Question | None]:
    """Return the logs that count where two recorders recorded the same runs, and the question which."""
    formats = defaultdict(list)
    for path, fact in frames.items():
        formats[fact.format_id].append(path)
    if len(formats) != 2 or "" in formats:
        return frames, None
    first, second = formats.values()
    if abs(len(first) - len(second)) > 0.2 * len(frames) or not _overlap(frames, first, second):
        return frames, None
    names = {key: f"{shown(frames[paths[0]].seen)} ({len(paths)} logs)" for key, paths in formats.items()}
    question = Question(
        "recorder", "Two recorders recorded the same runs. Which logs count?", is_detail=True,
        choices=(*(Choice(name, key) for key, name in names.items()), Choice("both: different runs", "both")),
        paste="Move the logs of one recorder to another folder.",
    )  # fmt: skip
    chosen = answers.get("recorder", "")
    if chosen in formats:
        frames = {path: fact for path, fact in frames.items() if fact.format_id == chosen}
    return frames, question


def _overlap(frames: Mapping[str, LogFacts], first: Sequence[str], second: Sequence[str]) -> bool:
    """Return whether most logs of two formats were recorded at the same time, or have the same words."""
    starts = [(frames[path].started_at_s, frames[path].length_s) for path in second]
    at_once = sum(any(abs(frames[path].started_at_s - s) < 0.5 * length for s, length in starts) for path in first)
    words = [Counter(tuple(sorted(parts_of(path).words)) for path in group) for group in (first, second)]
    return at_once > 0.5 * len(first) or sum((words[0] & words[1]).values()) > 0.5 * len(first)


def _rows(
    paths: Sequence[str], facts: Sequence[LogFacts], timing: Timing, labels: Labels, *, place: str
) -> list[DraftRow]:
    """Return the rows of the draft, in the order recorded where it is known."""
    order = timing.order or list(range(len(paths)))
    run_of = {paths[one]: f"r{nth:03d}" for nth, one in enumerate(order, start=1)}
    rows = []
    for one in order:
        cells = dict(labels.cells[one])
        start_s = timing.start_s[one]
        if start_s is not None and timing.why[one] != "time of day in the name":
            stamp = datetime.fromtimestamp(start_s, UTC)
            cells["started_at"] = Cell(f"{stamp:%Y-%m-%d %H:%M:%S}", timing.why[one])
        cells["frame_log"] = Cell(f"{place}{paths[one]}")
        if cells.get("sensor_log", Cell()).value:
            cells["sensor_log"] = cells["sensor_log"]._replace(value=place + cells["sensor_log"].value)
        if cells.get("replaces", Cell()).value:
            cells["replaces"] = cells["replaces"]._replace(value=run_of.get(cells["replaces"].value, ""))
        for column in labels.doubts.get(one, ()):
            cells[column] = cells.get(column, Cell())._replace(is_asked=True)
        for column in ("game", "tuning", "round"):
            cells.setdefault(column, Cell(is_asked=column != "round" or not cells.get("excluded", Cell()).value))
        length_s = facts[one].length_s
        kept = {column: cells[column] for column in _ORDER_OF_COLUMNS if column in cells}
        rows.append(DraftRow(paths[one], kept, start_s, None if math.isnan(length_s) else length_s))
    return rows


def _used_sensors(labels: Labels) -> list[str]:
    """Return the sensor logs that some run names."""
    return list(dict.fromkeys(path for cells in labels.cells if (path := cells.get("sensor_log", Cell()).value)))


def _merged(questions: Sequence[Question]) -> list[Question]:
    """Return questions, those of one key once, and the first of many open ones that ask alike."""
    first: dict[str, Question] = {}
    alike: Counter[str] = Counter()
    for one in questions:
        kind = one.key.split(".")[0] if not one.choices and not one.is_typed else one.key
        alike[kind] += one.key not in first
        first.setdefault(kind, one)
    return [
        one if alike[kind] < 2 else replace(one, text=f"{one.text} (and {alike[kind] - 1} like it)")
        for kind, one in first.items()
    ]


def _side(timing: Timing, labels: Labels, sensors: str) -> list[str]:
    """Return what stands beside the table."""
    whys = [cells["round"].why for cells in labels.cells if "round" in cells and cells["round"].why]
    lines = [f"round: {Counter(whys).most_common(1)[0][0]}"] if whys else []
    if timing.order:
        lines.append(f"order: {Counter(timing.why).most_common(1)[0][0]}")
    sessions = {labels.value(one, "session") for one in range(len(labels.cells))} - {""}
    if sessions and timing.is_clocked:
        times = [datetime.fromtimestamp(one, UTC) for one in timing.start_s if one is not None]
        span = f"{min(times):%H:%M} to {max(times):%H:%M}"
        lines.append(f"{len(sessions)} bench session{'s' * (len(sessions) > 1)}, {span}")
    return [*lines, *([sensors] if sensors else [])]


def _format_questions(
    facts: Iterable[LogFacts], answers: Mapping[str, str], cards: Sequence[str]
) -> list[Question]:
    """Return a question for each format of which something is only likely or open, once for all its logs."""
    formats = defaultdict(list)
    for fact in facts:
        if fact.paste:
            formats[fact.format_id].append(fact)
    named = cards or [answers.get("card") or "name of the card"]
    return [
        Question(
            f"layouts.{key}", _format_text(group),
            **_asked_of_format(group), default_text="later; shown, not counted",
            evidence=tuple(isolated(fact.path.as_posix()) for fact in group[:12]),
            writes="[[logs.format]]", paste="\n".join(map(group[0].entry, named)),
        )
        for key, group in formats.items()
    ]  # fmt: skip


def _format_text(group: Sequence[LogFacts]) -> str:
    """Return what is asked about the logs of one format."""
    found = _sensors_asked(group)
    if len(found) == 1:
        what = METRICS[found[0][0]].label.replace("board power", "power of the card's whole board")
        return f"Column {shown(isolated(found[0][1]))} of the sensor log: is it the {what}?"
    logs = "1 log" if len(group) == 1 else f"{len(group)} logs"
    return f"{logs} of one format ({shown(isolated(group[0].seen))}): is this right?"


def _sensors_asked(group: Sequence[LogFacts]) -> list[tuple[str, str, str]]:
    """Return metric, heading and unit of the columns of a sensor log that are only likely, or open."""
    if group[0].kind != "sensors":
        return []
    return [
        (role, heading, unit)
        for role, heading, unit, sure in group[0].columns
        if sure in ("likely", "open") and role in METRICS
    ]


def _asked_of_format(group: Sequence[LogFacts]) -> dict[str, Any]:
    """Return the answers that a question about a format has, and what stands below it."""
    found = _sensors_asked(group)
    if [one[0] for one in found] == ["board_w"]:
        about = (f"It says {found[0][2]}; it does not say of what.",)
        choices = (Choice("yes", "right"), Choice("only the chip", _CHIP), Choice("no, another part", "no"))
        return {"about": about, "choices": choices}
    return {"about": group[0].questions[:3], "choices": (Choice("right", "right"), Choice("no", "no"))}


def _plan_lines(
    facts: Iterable[LogFacts], answers: Mapping[str, str], cards: Sequence[str]
) -> dict[str, tuple[str, ...]]:
    """Return lines of the plan: the order where it was answered, formats that were confirmed."""
    confirmed: dict[str, str] = {}
    cards_lines: dict[str, None] = {}
    for fact in facts:
        answer = answers.get(f"layouts.{fact.format_id}", "")
        cards_lines |= {'power_measured_at = "chip_sensor"': None} if answer == _CHIP else {}
        if fact.paste and answer in ("right", _CHIP):
            entries = map(fact.entry, cards or [answers.get("card", "")])
            confirmed.setdefault(fact.format_id, "\n".join(entries))
    order = answers.get("typed_order", "")
    analysis = (f'typed_order = "{order}"',) if order else ()
    return {"analysis": analysis, "sections": tuple(confirmed.values()), "cards": tuple(cards_lines)}


def _with_restart(draft: Draft, answers: Mapping[str, str]) -> Draft:
    """Return a draft that asks about a restart between blocks, where all runs of one tuning came first."""
    blocks = block_order(draft.rows)
    if len(blocks) != 2:
        return draft
    after = blocks[1][1]
    one = Question(
        "restart_between", "Was the machine restarted, or the card changed, between the two?",
        choices=(Choice("yes", "yes"), Choice("no", "no"), Choice("I do not know", "unknown")), default="unknown",
        default_text="3", paste="runs.csv: the column session",
    )  # fmt: skip
    rows = draft.rows
    if answers.get("restart_between") == "yes":
        later = {row.source for row in after}
        rows = tuple(_in_later_session(row) if row.source in later else row for row in rows)
    return replace(draft, rows=rows, questions=(*draft.questions, one))


def _in_later_session(row: DraftRow) -> DraftRow:
    """Return a row of the session after the restart."""
    cell = row.cells.get("session", Cell("session 1"))
    return row.with_cell("session", cell._replace(value=f"{cell.value}, after the restart", why="answered"))
