"""Every check as one row: its name, what its findings do, what it looks at, and the function that finds.

Its sentences stand in the catalogue, ``finding.NAME.text`` and ``finding.NAME.action``. Sentences of
what is noticed in reading are made where it is noticed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from gpubench_kit.checks import design_checks as design
from gpubench_kit.checks import log_checks as logs
from gpubench_kit.checks import run_checks as runs
from gpubench_kit.checks import tuning_checks as tunings
from gpubench_kit.checks.evidence import Evidence, Found, run_text
from gpubench_kit.model.findings import Finding
from gpubench_kit.wording.catalogue import has, say

#: What metrics need; see `gpubench_kit.model.metrics.Metric`.
_FRAMES, _SENSORS = ("frames",), ("sensors", "both")
_EVERY = ("frames", "sensors", "both", "sheet")
_ALL_SENSORS = ("core_c", "core_mhz", "board_w")


def in_reading(evidence: Evidence) -> Iterator[Found]:
    """Find nothing: it is noticed in reading."""
    return iter(())


#: When a check is made: before all others, over the runs that are left, or over what may enter verdicts.
Stage = Literal["rules", "runs", "usable", "reading"]


@dataclass(frozen=True)
class Check:
    """One thing that is checked.

    Attributes
    ----------
    name : as in the table of findings
    severity : ``stop``, ``exclude`` or ``note``
    unit : of the value found and its limit
    find : what finds it
    stage : when it is made
    asks : whether its runs are worth repeating once the cause is known
    withholds : needs of the metrics whose verdicts a stop withholds
    tells_levels : whether its numbers are levels of tunings, not told before the first look
    shown_by : ``frames``, where frame times show it, and sensors that do
    is_routine : whether it only tells how things are
    is_of_files : whether it is about rows and files, not about runs
    told_by : check that says the same against the plan's limit
    """

    name: str
    severity: str = "note"
    unit: str = ""
    find: Callable[[Evidence], Iterator[Found]] = in_reading
    stage: Stage = "runs"
    asks: bool = False
    withholds: tuple[str, ...] = _EVERY
    tells_levels: bool = False
    shown_by: tuple[str, ...] = ("frames",)
    is_routine: bool = False
    is_of_files: bool = False
    told_by: str = ""


def _of_sensors(name: str, *sensors: str, asks: bool = True, told_by: str = "") -> Check:
    """Return a row for what is noticed in reading sensors."""
    return Check(name, stage="reading", asks=asks, shown_by=sensors, told_by=told_by)


_RULES = (
    Check("min_duration_s", "exclude", "s", design.min_duration_s, "rules"),
    Check("warm_up_runs_per_launch", "exclude", "runs", design.warm_up_runs_per_launch, "rules"),
    Check("extra_runs_after_patch", "exclude", "runs", design.extra_runs_after_patch, "rules"),
)
_LOGS = (
    Check("gap", "note", "ms", logs.gaps, asks=True),
    Check("missing_frames", "note", "ms", logs.missing_frames, asks=True),
    Check("time_goes_back", "note", "steps", logs.time_goes_back, asks=True),
    Check("time_stands_still", "note", "%", logs.time_stands_still),
    Check("times_disagree", "note", "%", logs.times_disagree),
    Check("frames_against_time", "note", "%", logs.frames_against_time, asks=True),
    Check("frame_too_short", "note", "fps", logs.frame_too_short),
    Check("samples_missing", "note", "%", logs.samples_missing, asks=True, shown_by=_ALL_SENSORS),
    Check("samples_cover_part", "note", "%", logs.samples_cover_part, asks=True, shown_by=_ALL_SENSORS),
    Check("sample_gap", "note", "s", logs.sample_gap, asks=True, shown_by=_ALL_SENSORS),
    Check("power_drops_out", "note", "samples", logs.power_drops_out, asks=True, shown_by=("board_w",)),
    Check("same_file_twice", "stop", "runs", logs.same_file_twice),
    Check("same_samples_twice", "stop", "runs", logs.same_samples_twice, withholds=_SENSORS, shown_by=_ALL_SENSORS),
    Check("warm_up", "note", "%", logs.warm_up, asks=True),
    Check("temperature_not_settled", "note", "°C", logs.temperature_not_settled, asks=True, shown_by=("core_c",)),
    Check("power_moves", "note", "%", logs.power_moves, asks=True, shown_by=("board_w",)),
    Check("clock_moves", "note", "%", logs.clock_moves, asks=True, shown_by=("core_mhz",)),
    Check("first_runs_differ", "note", "%", logs.first_runs_differ),
)  # fmt: skip
_RUNS = (
    Check("sensor_in_part", "note", "runs", runs.sensor_in_part),
    Check("too_short", "note", "%", runs.too_short, asks=True),
    Check("too_long", "note", "%", runs.too_long, asks=True),
    # It concerns one metric of its run, which `exclude_runs` marks.
    Check("impossible_value", "stop", "", runs.impossible_value, withholds=(), shown_by=("frames", *_ALL_SENSORS)),
    Check("frame_limit_declared", "note", "fps", runs.frame_limit_declared, is_routine=True),
    Check("held_by_cap", "stop", "%", runs.held_by_cap, withholds=_FRAMES),
    Check("limited_by_other", "note", "%", runs.limited_by_other),
    Check("load_low", "note", "%", runs.load_low, asks=True, shown_by=("load_pct", "core_mhz")),
    Check("outlier", "note", "", runs.outlier, asks=True, shown_by=("frames", *_ALL_SENSORS)),
    Check("tuning_not_applied", "stop", "", tunings.tuning_not_applied, tells_levels=True,
          shown_by=("board_w", "core_mhz", "core_mv")),
    Check("tuning_not_as_declared", "note", "", tunings.tuning_not_as_declared, tells_levels=True),
    Check("typed_values_equal", "note", "", tunings.typed_values_equal, tells_levels=True),
    Check("typed_coarsely", "note", "", tunings.typed_coarsely),
)  # fmt: skip
_DESIGN = (
    Check("order_not_verified", "note", "", design.order_not_verified, is_routine=True),
    Check("clock_set_back", "note", "runs", design.clock_was_set_back),
    Check("order_not_as_planned", "note", "runs", design.order_not_as_planned),
    Check("session_resumed", "note", "runs", design.session_resumed),
    Check("same_order_every_time", "note", "rounds", design.same_order_every_time),
    Check("drift", "note", "% per run", design.drift),
    Check("game_patched", "note", "", design.game_patched),
    Check("game_shifted", "note", "%", design.game_shifted),
    Check("launch_not_given", "note", "runs", design.launch_not_given),
    Check("few_restarts", "note", "restarts", design.few_restarts, "usable"),
    Check("restart_spread_from_archive", "note", "restarts", design.restart_spread_from_archive, "usable"),
    Check("session_not_given", "note", "", design.session_not_given, "usable", is_routine=True),
    Check("layout", "note", "", design.layout, "usable", is_routine=True),
    Check("not_compared", "note", "", design.not_compared),
    Check("confirmed_after_look", "note", "look", design.confirmed_after_look, "usable"),
    Check("value_changed_after_look", "note", "", design.value_changed_after_look, "usable"),
)
_READING = (
    Check("log_unusable", "stop", stage="reading"),
    Check("sensor_log_unusable", "stop", stage="reading", withholds=_SENSORS),
    _of_sensors("sensor_log_of_another_run", *_ALL_SENSORS),
    _of_sensors("not_aligned", "load_pct", "board_w"),
    _of_sensors("clocks_against_load", "load_pct", "board_w"),
    _of_sensors("power_not_settled", "board_w", asks=False, told_by="power_moves"),
    Check("sensors_cover_part", stage="reading", told_by="samples_cover_part"),
    Check("run_sheet_row", "stop", stage="reading", is_of_files=True),
    *(Check(name, stage="reading", is_of_files=True) for name in (
        "files_without_row", "not_recorded_yet", "without_runs", "log_guessed", "logs_not_matched",
        "log_by_pattern",
    )),
    *(Check(name, stage="reading", is_routine=True) for name in (
        "aligned_by_edge", "same_clock_taken", "started_together_taken", "frame_times_from_steps", "cut_last_line",
        "comment_lines", "summary_lines", "coarse_stamps", "one_sheet_read",
    )),
)  # fmt: skip

#: Every check; the table of findings is sorted.
CHECKS: tuple[Check, ...] = (*_RULES, *_LOGS, *_RUNS, *_DESIGN, *_READING)


def check_of(name: str) -> Check:
    """Return the row of a check; a plain note for what has none."""
    return next((one for one in CHECKS if one.name == name), Check(name, stage="reading"))


def find(evidence: Evidence, stage: Stage, *, is_blind: bool = False) -> list[Finding]:
    """Make the checks of a stage.

    Parameters
    ----------
    evidence : what there is to check
    stage : see `Check`
    is_blind : whether no level of a tuning may stand beside that of another, as before the first look at verdicts

    Returns
    -------
    list of Finding
    """
    checks = [one for one in CHECKS if one.stage == stage]
    return [finding_of(check, one, is_blind=is_blind) for check in checks for one in check.find(evidence)]


def finding_of(check: Check, found: Found, *, is_blind: bool = False) -> Finding:
    """Say what a check found.

    Parameters
    ----------
    check : its row
    found : what it found
    is_blind : as in `find`
    """
    keys = [f"{check.name}.{found.kind}", check.name] if found.kind else [check.name]
    values = dict(found.values) if found.row is None else {"run": run_text(found.row), **found.values}
    levels = "" if is_blind else _said(keys, "levels", values)
    message, action = _said(keys, "text", values | {"levels": levels}), _said(keys, "action", values)
    run = "" if found.row is None else str(found.row.run)
    if is_blind and check.tells_levels:
        return Finding(check.severity, check.name, message, run, action=action)
    value, limit = (None if one is None else float(one) for one in (found.found, found.limit))
    unit = (found.unit or check.unit) if (value, limit) != (None, None) else ""
    return Finding(check.severity, check.name, message, run, value, limit, unit, action)


def _said(keys: list[str], part: str, values: dict) -> str:
    """Return the first sentence that there is, with its places filled; nothing where there is none."""
    return next((say(f"finding.{key}.{part}", **values) for key in keys if has(f"finding.{key}.{part}")), "")
