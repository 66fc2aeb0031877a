"""Rows of the run sheet: their files, what is left over, and the order in which they were done."""

from __future__ import annotations

import csv
import itertools
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.logs.clock import clock_of_texts, started_at_s
from gpubench_kit.logs.format import ConfirmedFormat, Declaration, RunTask, Witness
from gpubench_kit.logs.loose_files import pair_loose
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import FormatEntry
from gpubench_kit.model.tables import Finding
from gpubench_kit.sheet.checks import RealPaths
from gpubench_kit.sheet.log_names import NamedRow, said_of
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

_HOUR_S = 3600.0

#: Runs that share more time than this by their clocks were not done one after the other [s].
_SURELY_S = 2.0

_LOGGED = {
    "clock_start_s": "logged_start_s",
    "clock_kind": "logged_kind",
    "clock_from": "logged_from",
    "duration_s": "logged_s",
}


def is_in_doubt(texts: pd.Series) -> bool:
    """Return whether day and month of typed start times could be exchanged.

    Parameters
    ----------
    texts : one text per run
    """
    clock = clock_of_texts(texts.to_numpy(dtype=object))
    return clock is not None and clock.in_doubt


def order_done(runs: pd.DataFrame, facts: pd.DataFrame, *, date_order: str = "") -> tuple[pd.Series, pd.Series]:
    """Return the place of each run in the order done, and whether clocks give it.

    Parameters
    ----------
    runs : one row per run, with ``order`` as planned, ``purpose``, ``started_at`` and ``is_recorded``
    facts : one row per run that was read, with ``clock_start_s``, ``other_clock_start_s``, ``clock_kind`` and
        ``clock_from``
    date_order : as the plan declares it, for ``started_at``

    Returns
    -------
    order_done : Int64, by the clock of the frame logs where every run has one, else of the sensor logs, else
        ``started_at``; as planned where no clock covers all runs
    order_known : bool, whether clocks give it

    Notes
    -----
    Rows not recorded, and pilot runs without a clock, count for nothing. Clocks of one kind only are compared with
    each other. Where the order depends on whether dates begin with the day or the month, and nothing tells, it is
    not known. Where the logs' clock was set back by an hour in between (see `clock_set_back`), that hour is added
    to the runs behind.
    """
    behind = clock_set_back(runs, facts)
    if behind:
        set_back_s = _HOUR_S * facts["run"].isin(behind)
        facts = facts.assign(
            **{name: facts[name].astype(float) + set_back_s for name in ("clock_start_s", "other_clock_start_s")}
        )
    planned = runs["order"].astype("Int64")
    is_recorded, is_pilot = runs["is_recorded"].to_numpy(dtype=bool), (runs["purpose"] == "pilot").to_numpy()
    by_run = facts.set_index("run").reindex(runs["run"])
    start_s, other_s = (by_run[name].to_numpy(dtype=float) for name in ("clock_start_s", "other_clock_start_s"))
    other_s = np.where(np.isfinite(other_s), other_s, start_s)
    kinds, sources = (by_run[name].to_numpy(dtype=object) for name in ("clock_kind", "clock_from"))
    # The surest first, each with its dates read the other way round.
    clocks = []
    for source in ("frame_log", "sensor_log"):
        for kind in ("zoned", "dated"):
            is_this = (kinds == kind) & (sources == source)
            clocks.append((np.where(is_this, start_s, np.nan), np.where(is_this, other_s, np.nan)))
    typed, doubt = runs["started_at"], not date_order and is_in_doubt(runs["started_at"])
    turned = started_at_s(typed, date_order="month_first") if doubt else started_at_s(typed, date_order=date_order)
    for clock, other in [*clocks, (started_at_s(typed, date_order=date_order), turned)]:
        counts = is_recorded & (np.isfinite(clock) | ~is_pilot)
        if not counts.any() or not np.isfinite(clock[counts]).all():
            continue
        ranks = _ranks(clock, counts)
        if not ranks.equals(_ranks(other, counts)):
            break
        return ranks.set_axis(runs.index).where(counts, planned), pd.Series(counts, index=runs.index)
    return planned, pd.Series(False, index=runs.index)


def clock_set_back(runs: pd.DataFrame, facts: pd.DataFrame) -> tuple[str, ...]:
    """Return the runs done after the logs' clock was set back by an hour, as when daylight saving ends, in order.

    Parameters
    ----------
    runs : as in `order_done`, with ``card`` and ``bench``
    facts : as in `order_done`, with ``duration_s`` [s]

    Returns
    -------
    tuple of names; empty where nothing proves it

    Notes
    -----
    It is proved where the clock, in the order planned, goes back once and by less than an hour, so that runs of one
    card on one bench would have been done at the same time, and an hour more puts all of them one after the other.
    """
    facts = facts[["run", "clock_start_s", "clock_kind", "clock_from", "duration_s"]].rename(columns=_LOGGED)
    timed = runs.loc[runs["is_recorded"].astype(bool), ["run", "card", "bench", "order"]].merge(facts, how="left")
    has_clock = (timed["logged_kind"] == "dated").all() and timed["logged_from"].nunique() == 1
    if not has_clock or len(timed[["card", "bench"]].drop_duplicates()) > 1 or timed["order"].isna().any():
        return ()
    timed = timed.sort_values("order")
    start_s = timed["logged_start_s"].to_numpy(dtype=float)
    end_s = start_s + timed["logged_s"].to_numpy(dtype=float)
    back = np.flatnonzero(np.diff(start_s) < 0) + 1
    if back.size != 1:
        return ()
    before, behind = slice(0, back[0]), slice(back[0], None)
    shared_s = np.minimum(end_s[before, None], end_s[behind]) - np.maximum(start_s[before, None], start_s[behind])
    is_in_turn = start_s[back[0]] + _HOUR_S >= end_s[before].max()
    return tuple(timed["run"].iloc[behind]) if shared_s.max() > _SURELY_S and is_in_turn else ()


def _ranks(clock: np.ndarray, is_recorded: np.ndarray) -> pd.Series:
    """Return the place of each recorded run by a clock."""
    return pd.Series(clock).where(is_recorded).rank(method="first").astype("Int64")


#: Where logs lie when a sheet gives only their names.
LOG_FOLDER = "logs"

#: Lengths of recordings as the bench desk saw them grow.
WITNESS_FILE = "desk/witness.csv"

#: Pieces of all traces together, so that memory does not grow with the number of runs.
_BINS_OF_ALL = 120_000

#: A name of so many letters stands in no other word by chance.
_LONG_NAME = 5

#: Rows as dictionaries take 3 kB, so that thousands of them are not held at a time.
_ROWS_AT_A_TIME = 250


@dataclass
class MatchedFiles:
    """What was found for the rows of a run sheet.

    Attributes
    ----------
    tasks : one for each row with a log, in sheet order
    not_recorded : runs with neither log nor typed numbers
    faults : files that are missing or out of the folder, of runs that are not excluded
    findings : what was noticed
    """

    tasks: list[RunTask] = field(default_factory=list)
    not_recorded: list[str] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def match_files(runs: pd.DataFrame, typed: pd.DataFrame, plan: ReviewPlan) -> MatchedFiles:
    """Find the log files of every row of the run sheet.

    Parameters
    ----------
    runs : one row per run; see `RunSheet`
    typed : numbers typed into the sheet; see ``tables.TYPED_VALUES``
    plan : gives the folder, and the pattern of file names for rows without one

    Returns
    -------
    MatchedFiles. Names are looked up in the review folder, then in its ``logs`` folder; a name that leaves the
    folder, by ``..``, an absolute path or a link, is a fault.
    """
    matched, with_numbers, places = MatchedFiles(), set(typed["run"]), RealPaths(plan.folder)
    plain = {card: declaration_of(plan, card) for card in set(runs["card"])}
    declared = {False: plain, True: {card: replace(one, states_kinds=True) for card, one in plain.items()}}
    n_bins = int(min(480, max(40, _BINS_OF_ALL // max(1, len(runs)))))
    started = started_at_s(runs["started_at"], date_order=plan.logs.date_order or "")
    names = _names_of_logs(runs, started, plan, matched=matched, with_numbers=with_numbers)
    witnesses = _witnesses_of(plan.folder / WITNESS_FILE)
    for row, start_s, (frame_name, sensor_name) in zip(_rows_of(runs), started.tolist(), names, strict=True):
        faults: list[Fault] = []
        frame_path = _file(places, row, frame_name, faults)
        sensor_path = _file(places, row, sensor_name, faults)
        if faults and row["excluded"]:
            told = (Finding("note", "excluded_log_unusable", str(fault), run=row["run"]) for fault in faults)
            matched.findings.extend(told)
            continue
        matched.faults.extend(faults)
        if frame_path is not None or sensor_path is not None:
            states_kinds = row["frames_counted"] == "shown" or row["generated_per_rendered"] > 0
            matched.tasks.append(
                RunTask(
                    run=row["run"],
                    frame_path=None if frame_path is None else str(frame_path),
                    frame_name=frame_name,
                    sensor_path=None if sensor_path is None else str(sensor_path),
                    sensor_name=sensor_name,
                    declared=declared[states_kinds][row["card"]],
                    gap_ms=plan.checks.gap_ms,
                    align_limit_s=plan.checks.align_s,
                    sensor_edge_s=plan.analysis.sensor_edge_s,
                    n_bins=n_bins,
                    started_at_s=start_s,
                    witness=witnesses.get((row["run"], frame_name)),
                )
            )
        elif not faults and row["run"] not in with_numbers and not row["excluded"]:
            matched.not_recorded.append(row["run"])
    if missing := matched.not_recorded:
        n, shown = len(missing), _first(missing)
        matched.findings.append(note("logs.not_recorded_yet", n=n, shown=shown, found=n))
    taken = {path for task in matched.tasks for path in (task.frame_path, task.sensor_path) if path}
    unnamed = (path for path in _files_in(places) if str(path) not in taken)
    loose = [path.name for path in unnamed if str(path.resolve()) not in taken]
    if loose:
        n, shown = len(loose), _first(loose)
        matched.findings.append(note("logs.files_without_row", n=n, folder=LOG_FOLDER, shown=shown, found=n))
    return matched


def _names_of_logs(
    runs: pd.DataFrame, started: np.ndarray, plan: ReviewPlan, *, matched: MatchedFiles, with_numbers: set[str]
) -> list[tuple[str, str]]:
    """Return the names of each row's frame and sensor log: as written, by the plan's pattern, or guessed.

    What is not written gives a finding.
    """
    names = [
        (row["frame_log"] or _by_pattern(row, plan, matched.findings), row["sensor_log"]) for row in _rows_of(runs)
    ]
    matched.findings.extend(_named_otherwise(runs, [frame_log for frame_log, _ in names]))
    # A sensor log of a whole bench session tells nothing of a run without frames.
    n_named = Counter(sensor_log for _, sensor_log in names)
    is_bare = [not frame_log and (not sensor_log or n_named[sensor_log] > 1) for frame_log, sensor_log in names]
    if not any(is_bare):
        return names
    waiting = [
        NamedRow(row["run"], row["game"], row["tuning"], _count(row["round"], 0), _count(row["order"]), start_s)
        for row, start_s, bare in zip(_rows_of(runs), started.tolist(), is_bare, strict=True)
        if bare and not (row["excluded"] or row["run"] in with_numbers)
    ]
    places = RealPaths(plan.folder)
    named = {name.replace("\\", "/").rsplit("/", 1)[-1] for logs in names for name in logs}
    unnamed = [path for path in _files_in(places) if path.name not in named]
    pairs, findings = pair_loose(
        waiting,
        unnamed,
        places.root,
        declared=declaration_of(plan, runs["card"].iloc[0]),
        by_sequence=not any(frame_log for frame_log, _ in names),
    )
    matched.findings.extend(findings)
    found, alone = [], []
    for run, bare, (frame_log, sensor_log) in zip(runs["run"], is_bare, names, strict=True):
        paired = pairs.get(run, ("", "")) if bare else (frame_log, sensor_log)
        found.append((paired[0], paired[1] or (sensor_log if paired[0] else "")))
        alone += [run] * (bool(sensor_log) and not any(found[-1]))
    if alone:
        matched.findings.append(note("logs.samples_of_others", n=len(alone), shown=_first(alone), found=len(alone)))
    return found


def _named_otherwise(runs: pd.DataFrame, logs: Sequence[str]) -> Iterator[Finding]:
    """Yield rows whose log is named for another game or tuning, where names of logs tell them apart."""
    for column in ("game", "tuning"):
        known, said = set(runs[column]), {}
        for run, own, log in zip(runs["run"], runs[column], logs, strict=True):
            # Nearly all names hold those of their row, or none.
            is_own = log and len(own) >= _LONG_NAME and own.casefold() in log.casefold()
            said[run] = own if is_own else said_of(log, known) if log else ""
        if len(set(said.values()) - {""}) < 2:
            continue
        rows = zip(runs["run"], runs[column], logs, runs["excluded"], strict=True)
        for run, own, log in ((run, own, log) for run, own, log, excluded in rows if not excluded):
            if said[run] and said[run] != own:
                told = note("logs.log_named_otherwise", named_run=run, own=own, log=log, other=said[run])
                yield replace(told, severity="stop", run=run)


def _witnesses_of(file: Path) -> dict[tuple[str, str], Witness]:
    """Return the lengths that the desk saw, by run and frame log; rows that are not its own count for nothing."""
    found = {}
    try:
        for row in csv.DictReader(file.read_text(encoding="utf-8").splitlines()):
            seconds, slack_s = float(row["length_s"]), float(row["slack_s"])
            what = say("evidence.frames.grew", seconds=seconds)
            found[row["run"], row["frame_log"]] = Witness(what, seconds, slack_s)
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return found


def _count(cell: Any, without: float = np.nan) -> Any:
    """Return a whole number of the sheet; another value where it is not given."""
    return without if cell is pd.NA else int(cell)


def _rows_of(runs: pd.DataFrame) -> Iterator[dict]:
    """Yield the rows as dictionaries, in half the time that the frame itself takes for thousands of them."""
    for start in range(0, len(runs), _ROWS_AT_A_TIME):
        part = runs.iloc[start : start + _ROWS_AT_A_TIME]
        names, columns = part.columns.tolist(), [part[name].tolist() for name in part.columns]
        yield from (dict(zip(names, cells, strict=True)) for cells in zip(*columns, strict=True))


def _files_in(places: RealPaths) -> Iterator[Path]:
    """Yield the files in the folder of logs, sorted in each folder; hidden ones and links out of it are none."""
    for folder, folders, names in os.walk(places.root / LOG_FOLDER):
        folders.sort()
        paths = (Path(folder, name) for name in sorted(names) if not name.startswith("."))
        yield from (path for path in paths if path.is_file() and places.has(places.real(path)))


def declaration_of(plan: ReviewPlan, card: str) -> Declaration:
    """Return what the plan declares about the logs of a card."""
    logs = plan.logs.of_card(card)
    names = {one.name: (one.name, one.model) for one in plan.cards}
    own = tuple(filter(None, names.get(card, ())))
    others = {name for of_card in names.values() for name in of_card if name} - set(own)
    return Declaration(
        frame_time=(logs.frame_time.column, logs.frame_time.unit) if logs.frame_time else None,
        sensor_time=logs.sensor_time.column if logs.sensor_time else None,
        sensors=dict(logs.sensors),
        sensor_offset_s=logs.sensor_offset_s,
        count_only={heading: tuple(values) for heading, values in logs.count_only.items()},
        date_order=logs.date_order or "",
        same_machine=logs.sensor_clock == "same_machine",
        formats=tuple(_confirmed(entry) for entry in plan.logs.format if entry.card == card),
        names=own,
        other_names=tuple(sorted(others)),
    )


def _confirmed(entry: FormatEntry) -> ConfirmedFormat:
    """Return one entry of ``[[logs.format]]`` as logs are read by it."""
    frames = entry.frames
    sensors = tuple((metric, one.column, one.unit) for metric, one in entry.sensors.items())
    found = ConfirmedFormat(entry.id, sensors=sensors, part=entry.part or 0, seen=entry.seen)
    if frames is None:
        return found
    return replace(
        found,
        time=frames.time or "",
        unit=frames.unit,
        time_steps=frames.time_steps or "",
        per_s=frames.per_s or 0.0,
        rate=frames.rate or "",
        rows_are_frames=frames.rows == "frames",
    )


def _by_pattern(row: dict, plan: ReviewPlan, findings: list[Finding]) -> str:
    """Return the file name that the plan's pattern gives for a row, if there is such a file."""
    pattern = plan.logs.of_card(row["card"]).pattern
    if not pattern:
        return ""
    name = pattern
    for key, value in row.items():
        name = name.replace(f"{{{key}}}", "" if value is None or value is pd.NA else str(value))
    if not any((plan.folder / place / name).is_file() for place in ("", LOG_FOLDER)):
        return ""
    findings.append(replace(note("logs.log_by_pattern", named_run=row["run"], log=name), run=row["run"]))
    return name


def _file(places: RealPaths, row: dict, name: str, faults: list[Fault]) -> Path | None:
    """Return the file of a name in the sheet; a fault is added where it is missing or out of the folder."""
    if not name:
        return None
    where = f"runs.csv, run '{row['run']}'"
    try:
        plain = name.replace("\\", "/")
        candidates = (places.real(places.root / place / plain) for place in ("", LOG_FOLDER))
        inside = [path for path in itertools.islice(candidates, 1) if places.has(path)]
        found = next((path for path in inside if path.exists()), None)
        if inside and found is None:
            found = next((path for path in candidates if places.has(path) and path.exists()), None)
    except (OSError, ValueError, RuntimeError):
        faults.append(Fault(where, f"'{name[:80]}' is no file name.", "Write the name of the run's log."))
        return None
    if not inside:
        problem = f"log '{name}' lies outside the review folder; only files inside it are read."
        faults.append(Fault(where, problem, "Copy the log into the folder's logs."))
    elif found is None:
        problem = f"log '{name}' is missing (looked for in the review folder and in its '{LOG_FOLDER}')."
        faults.append(
            Fault(where, problem, "Put it there, correct the name, or empty the cell of a run not yet done.")
        )
    return found


def _first(names: list[str]) -> str:
    """Return the first names, as text."""
    return ", ".join(f"'{name}'" for name in names[:8]) + (" and more" if len(names) > 8 else "")
