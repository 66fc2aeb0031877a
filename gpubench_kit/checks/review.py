"""All checks of a review: each as one row, all in one call, and what they mean for the runs.

A row tells a check's name, what its findings do, what it looks at, and the function that finds. Its sentences stand
in the catalogue, ``finding.NAME.text`` and ``finding.NAME.action``. Sentences of what is noticed in reading are
made where it is noticed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from gpubench_kit.checks import design_checks as design
from gpubench_kit.checks import log_checks as logs
from gpubench_kit.checks import run_checks as runs
from gpubench_kit.checks.evidence import Evidence, Found, gather_evidence, run_text
from gpubench_kit.checks.run_checks import distance_from_peers, is_flagged, is_impossible
from gpubench_kit.logs.review import Review, check_opened
from gpubench_kit.model.errors import Fault, TableError, listed
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import check_columns, check_plan
from gpubench_kit.model.tables import METRIC_VALUES, RUNS, USABLE, Finding, findings_table
from gpubench_kit.sheet.look_files import GIVEN_FILE
from gpubench_kit.sheet.looks import open_looks, run_ids
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
    Check("logs_exchanged", "stop", "s", logs.logs_exchanged),
    Check("zones_disagree", "stop", "h", logs.zones_disagree, withholds=_SENSORS, shown_by=_ALL_SENSORS),
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
    Check("tuning_not_applied", "stop", "", runs.tuning_not_applied, tells_levels=True,
          shown_by=("board_w", "core_mhz", "core_mv")),
    Check("tuning_not_as_declared", "note", "", runs.tuning_not_as_declared, tells_levels=True),
    Check("tunings_exchanged", "stop", "%", logs.tunings_exchanged, tells_levels=True, shown_by=("board_w",)),
    Check("typed_values_equal", "note", "", runs.typed_values_equal, tells_levels=True),
    Check("typed_coarsely", "note", "", runs.typed_coarsely),
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
    _of_sensors("power_stands", "board_w", "wall_w"),
    _of_sensors("power_averages", "board_w"),
    Check("log_of_another_card", "stop", stage="reading"),
    Check("log_named_otherwise", "stop", stage="reading"),
    Check("sensor_log_of_another_card", "stop", stage="reading", withholds=_SENSORS),
    _of_sensors("power_not_settled", "board_w", asks=False, told_by="power_moves"),
    Check("sensors_cover_part", stage="reading", told_by="samples_cover_part"),
    Check("run_sheet_row", "stop", stage="reading", is_of_files=True),
    *(Check(name, stage="reading", is_of_files=True) for name in (
        "files_without_row", "names_open", "not_recorded_yet", "without_runs", "log_guessed", "logs_not_matched",
        "log_by_pattern", "samples_of_others",
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


#: Purposes of runs that may enter verdicts; which of them does depends on the metric.
VERDICT_PURPOSES = ("measure", "soak")

#: Frame times written to more than this share of the 99th percentile tell no lows and no pacing.
_COARSE = 0.01


def check_review(
    review: Review, run_metrics: pd.DataFrame, plan: ReviewPlan, *, is_blind: bool = False
) -> pd.DataFrame:
    """Check the runs of a review, and list everything noticed in reading them.

    Parameters
    ----------
    review : the runs, see `open_review`
    run_metrics : see ``tables.RUN_METRICS``
    plan : gives the limits (``plan.checks``) and the rules for leaving runs out (``plan.exclude``)
    is_blind : whether findings that hold tunings against each other leave out the tunings' levels, as before
        the first look at verdicts

    Returns
    -------
    DataFrame, one row per finding, most severe first; see ``tables.FINDINGS``

    Raises
    ------
    TableError : ``run_metrics`` lacks a column, or has runs that the review does not have

    Notes
    -----
    Rules of the plan come first; runs that they leave out are no longer anybody's peers. The layout
    found is that of the runs that remain.
    """
    _check_given(review, run_metrics)
    check_plan(plan)
    evidence = gather_evidence(review.runs, review.facts(), run_metrics=run_metrics, plan=plan)
    left_out = find(evidence, "rules")
    evidence = evidence.without(finding.run for finding in left_out)
    checked = [*left_out, *find(evidence, "runs", is_blind=is_blind)]
    # What was noticed in reading, less what a check says of the same run in the plan's terms.
    told = {(one.run, one.check) for one in checked}
    read = [one for one in review.findings if not one.run or (one.run, check_of(one.check).told_by) not in told]
    found = findings_table([*read, *checked])
    # One value of each run, that of the primary metric where there is one: a layout is that of runs.
    known = run_metrics[run_metrics["value"].notna()]
    others_last = np.argsort((known["metric"] != plan.analysis.primary).to_numpy(), kind="stable")
    one_each = exclude_runs(review, known.iloc[others_last].drop_duplicates("run").sort_index(), found)
    # Most reviews had no look yet: nothing can have changed.
    has_look = (plan.folder / GIVEN_FILE).exists()
    looks = open_looks(plan, exclude_runs(review, run_metrics, found)) if has_look else None
    return findings_table([*read, *checked, *find(replace(evidence, usable=one_each, looks=looks), "usable")])


def exclude_runs(
    review: Review,
    run_metrics: pd.DataFrame,
    findings: pd.DataFrame,
    *,
    purposes: tuple[str, ...] = VERDICT_PURPOSES,
) -> pd.DataFrame:
    """Return what may enter verdicts: values of recorded runs that neither the sheet nor a rule leaves out.

    Parameters
    ----------
    review, run_metrics : as for `check_review`
    findings : see ``tables.FINDINGS``; ``exclude`` leaves a run out, ``stop`` only withholds the
        verdicts that need it
    purposes : purposes of the runs wanted; a planner asks for pilot runs too

    Returns
    -------
    DataFrame, one row per run and metric; see ``tables.USABLE``

    Raises
    ------
    TableError : a table lacks a column, or ``run_metrics`` has runs that the review does not have
    """
    _check_given(review, run_metrics)
    check_columns(findings, ("severity", "check", "run"), table="findings")
    runs, plan = review.runs, review.plan
    kept = runs.loc[used_mask(runs, findings) & runs["purpose"].isin(purposes), "run"]
    is_kept = run_metrics["value"].notna() & run_metrics["run"].isin(set(kept))
    usable = _beside_runs(run_metrics[is_kept], runs)
    usable["withheld_for"] = _withheld_for(usable, findings)
    low = usable[usable["metric"] == "low_1pct_fps"]
    coarse = set(low.loc[(low["step"] > _COARSE * low["value"]) & (low["source"] == "log"), "run"])
    needs_fine = [name for name, row in METRICS.items() if row.needs_fine_times]
    too_coarse = usable["run"].isin(coarse) & usable["metric"].isin(needs_fine)
    usable.loc[too_coarse, "withheld_for"] = "too_coarse"
    usable.loc[usable["certainty"] == "likely", "withheld_for"] = "format_not_confirmed"
    usable.loc[is_impossible(usable, plan.checks), "withheld_for"] = "value_not_usable"
    named = usable.assign(
        cell=usable.groupby(["card", "bench", "game", "setting", "purpose", "tuning"]).ngroup(),
        of_game=usable.groupby(["card", "bench", "game", "setting", "purpose"]).ngroup(),
    )
    usable["flagged"] = is_flagged(named.assign(**distance_from_peers(named)), plan.checks.unlike_spreads)
    return USABLE.frame(usable)


def metric_values(
    review: Review, run_metrics: pd.DataFrame, usable: pd.DataFrame, *, runs: pd.DataFrame
) -> pd.DataFrame:
    """Return the values of all runs, those left out too, with all that the statistics read beside them.

    Parameters
    ----------
    review, run_metrics : as for `check_review`
    usable : what may enter verdicts, see `exclude_runs`
    runs : every run and whether it is used, see `used_runs`

    Returns
    -------
    DataFrame, one row per run and metric; see ``tables.METRIC_VALUES``. Its used rows are those of ``usable``
    """
    values = _beside_runs(run_metrics, review.runs).merge(runs[["run", "used"]], on="run")
    judged = usable[["run", "metric", "withheld_for", "flagged"]]
    values = values.merge(judged, on=["run", "metric"], how="left")
    return METRIC_VALUES.frame(values.assign(flagged=values["flagged"].astype("boolean").fillna(False)))


def _beside_runs(run_metrics: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Return values of runs with what the run sheet and the clocks say of the runs."""
    wanted = [name for name in runs.columns if name == "order_done" or name in USABLE.names]
    values = run_metrics.merge(runs[wanted].assign(run_id=run_ids(runs)), on="run")
    values["order"] = values["order_done"].where(values["order_done"].notna(), values["order"])
    return values


def _check_given(review: Review, run_metrics: pd.DataFrame) -> None:
    """Refuse metrics that lack a column or are of other runs: those would be left out without a word."""
    check_opened(review)
    check_columns(run_metrics, ("run", "metric", "value", "source", "step", "certainty"), table="run_metrics")
    unknown = set(run_metrics["run"]) - set(review.runs["run"])
    if unknown:
        problem = f"run {listed(sorted(unknown))} is not in the review."
        raise TableError(Fault("table 'run_metrics'", problem, "Give the metrics of this review's runs."))


def used_mask(runs: pd.DataFrame, findings: pd.DataFrame) -> pd.Series:
    """Return which runs are recorded and left out neither by the sheet nor by a rule of the plan.

    Parameters
    ----------
    runs : see `Review.runs`
    findings : see ``tables.FINDINGS``
    """
    ruled_out = set(findings.loc[findings["severity"] == "exclude", "run"])
    return runs["is_recorded"].astype(bool) & (runs["excluded"] == "") & ~runs["run"].isin(ruled_out)


def used_runs(review: Review, findings: pd.DataFrame) -> pd.DataFrame:
    """Return every run of the sheet, whether it enters verdicts, and why not.

    Parameters
    ----------
    review : the runs, after their logs were read
    findings : see ``tables.FINDINGS``

    Returns
    -------
    DataFrame, one row per run, in sheet order; see ``tables.RUNS``. ``excluded_for`` is the logged
    cause of the sheet, else the rule of the plan, ``not_recorded``, ``log_unusable`` or the run's purpose.
    """
    runs = review.runs
    by_rule = findings[findings["severity"] == "exclude"].drop_duplicates("run")
    rules = dict(zip(by_rule["run"], by_rule["check"], strict=True))
    broken = set(findings.loc[findings["check"] == "log_unusable", "run"])
    reasons = [
        runs["excluded"],
        [rules.get(run, "") for run in runs["run"]],
        np.where(runs["is_recorded"].astype(bool), "", "not_recorded"),
        np.where(runs["run"].isin(broken), "log_unusable", ""),
        np.where(runs["purpose"].isin(VERDICT_PURPOSES), "", runs["purpose"]),
    ]
    excluded_for = pd.Series("", index=runs.index)
    for reason in reversed(reasons):
        excluded_for = pd.Series(reason, index=runs.index).where(lambda given: given != "", excluded_for)
    runs["excluded_for"] = excluded_for
    runs["used"] = excluded_for == ""
    runs["order_done"] = runs["order_done"].where(runs["order_known"].astype(bool))
    return RUNS.frame(runs)


def _withheld_for(usable: pd.DataFrame, findings: pd.DataFrame) -> pd.Series:
    """Return, for each value, the check that withholds verdicts that need it; empty where none does."""
    withheld = pd.Series("", index=usable.index)
    needs = usable["metric"].map({name: row.needs for name, row in METRICS.items()})
    stops = findings[(findings["severity"] == "stop") & (findings["run"] != "")]
    for check, stopped in stops.groupby("check", sort=True)["run"]:
        concerned = usable["run"].isin(set(stopped)) & needs.isin(check_of(check).withholds)
        withheld[concerned & (withheld == "")] = check
    return withheld
