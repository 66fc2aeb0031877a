"""All checks of a review in one call, and what they mean for the runs: `check_review`, `exclude_runs`, "
"`used_runs`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.checks.design_checks import (
    check_drift,
    check_order,
    check_patches,
    check_rules_apply,
    check_same_order,
    check_shifts,
    find_layouts,
)
from gpubench_kit.checks.evidence import Evidence, chosen, gather_evidence, run_text
from gpubench_kit.checks.log_checks import (
    check_dead_samples,
    check_files_used_twice,
    check_first_runs,
    check_gaps,
    check_samples,
    check_settled,
    check_single_frames,
    check_time_column,
    check_warm_up,
)
from gpubench_kit.checks.run_checks import (
    check_caps,
    check_lengths,
    check_load,
    check_outlier,
    check_sensors_in_part,
    check_values,
    distance_from_peers,
    is_flagged,
    is_impossible,
)
from gpubench_kit.checks.tuning_checks import check_coarse_values, check_repeated_values, check_tunings_applied
from gpubench_kit.logs.review import Review
from gpubench_kit.model.errors import shown
from gpubench_kit.model.findings import Finding, findings_table
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUNS, USABLE
from gpubench_kit.sheet.look_files import GIVEN_FILE
from gpubench_kit.sheet.looks import open_looks, run_ids
from gpubench_kit.wording.numbers import number_text, value_text

#: Checks whose messages end with levels of tunings, in brackets -> whether their numbers are levels, too.
TELL_LEVELS = {
    "tuning_not_applied": True,
    "tuning_not_as_declared": True,
    "typed_values_equal": True,
    "outlier": False,
}


def without_levels(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings in which no level of a tuning stands beside that of another.

    Parameters
    ----------
    findings : as the checks made them

    Returns
    -------
    list of Finding; what was found, where, and what to do stays
    """
    return [_without_levels(one) if one.check in TELL_LEVELS else one for one in findings]


def _without_levels(finding: Finding) -> Finding:
    """Return a finding without the levels that end its message, and without numbers that are levels."""
    told = replace(finding, message=f"{finding.message.rpartition(' (')[0]}.")
    return replace(told, found=None, limit=None, unit="") if TELL_LEVELS[finding.check] else told


MIN_DURATION = "min_duration_s"
RULES = (MIN_DURATION, "warm_up_runs_per_launch", "extra_runs_after_patch")

_ACTION = "Nothing to do: the plan's rule leaves it out. Repeat it if its round is needed."


def exclude_by_rules(evidence: Evidence) -> Iterator[Finding]:
    """Yield an ``exclude`` for each run that a rule of the plan leaves out.

    Parameters
    ----------
    evidence : what there is to check
    """
    yield from _short_runs(evidence)
    warm_up = _first_of_launch(evidence)
    yield from warm_up
    yield from _first_after_patch(evidence, {finding.run for finding in warm_up})


def _short_runs(evidence: Evidence) -> Iterator[Finding]:
    """Yield runs shorter than ``min_duration_s``, where the game ends after a time."""
    limit, runs = evidence.plan.exclude.min_duration_s, evidence.runs
    if not limit:
        return
    for row in chosen(runs, (runs["duration_s"] < limit) & (runs["ends"] == "time")):
        message = (
            f"{run_text(row)}: {number_text(row.duration_s, decimals=1)} s is shorter than the plan's shortest "
            f"run, {number_text(limit, decimals=1)} s; it is left out."
        )
        yield Finding("exclude", MIN_DURATION, message, row.run, float(row.duration_s), limit, "s", _ACTION)


def _first_of_launch(evidence: Evidence) -> list[Finding]:
    """Return the first measured runs after each start of a game.

    Runs excluded for a logged cause count too: they have warmed the game up all the same.
    """
    limit, runs = evidence.plan.exclude.warm_up_runs_per_launch, _measured(evidence)
    if not limit:
        return []
    launched = runs[runs["launch"] != ""]
    place = launched.groupby(["card", "bench", "session", "game", "launch"]).cumcount() + 1
    chosen = launched.assign(place=place)[(place <= limit) & launched["run"].isin(evidence.runs["run"])]
    return [
        _by_place(row, "warm_up_runs_per_launch", limit, f"in launch {shown(row.launch)}")
        for row in chosen.itertuples()
    ]


def _first_after_patch(evidence: Evidence, left_out: set[str]) -> Iterator[Finding]:
    """Yield the first measured runs of a game after its version changed, beyond those left out already."""
    limit, runs = evidence.plan.exclude.extra_runs_after_patch, _measured(evidence)
    if not limit:
        return
    versioned = runs[(runs["game_version"] != "") & ~runs["run"].isin(left_out)]
    for _, same in versioned.groupby(["card", "bench", "game"], sort=False):
        block = same["game_version"].ne(same["game_version"].shift()).cumsum()
        place = same.groupby(block).cumcount() + 1
        chosen = same.assign(place=place)[(block > 1) & (place <= limit) & same["run"].isin(evidence.runs["run"])]
        for row in chosen.itertuples():
            where = f"after the change to version {shown(row.game_version)}"
            yield _by_place(row, "extra_runs_after_patch", limit, where)


def _measured(evidence: Evidence) -> pd.DataFrame:
    """Return the measured runs, recorded or excluded for a cause, in the order done."""
    runs = evidence.all_runs
    order = runs["order_done"].to_numpy(dtype=float, na_value=np.nan)
    return runs.iloc[np.argsort(order, kind="stable")].loc[lambda frame: frame["purpose"] == "measure"]


def _by_place(row, rule: str, limit: int, where: str) -> Finding:
    """Return the finding for a run left out for its place."""
    message = f"{run_text(row)}: measured run {row.place} {where}; the plan leaves out the first {limit}."
    return Finding("exclude", rule, message, row.run, float(row.place), float(limit), "runs", _ACTION)


#: Every check, in no particular order: the table of findings is sorted. A new check is one line here.
CHECKS: tuple[Callable[[Evidence], Iterator[Finding]], ...] = (
    check_gaps,
    check_time_column,
    check_single_frames,
    check_samples,
    check_dead_samples,
    check_files_used_twice,
    check_sensors_in_part,
    check_lengths,
    check_values,
    check_caps,
    check_load,
    check_outlier,
    check_repeated_values,
    check_coarse_values,
    check_warm_up,
    check_settled,
    check_first_runs,
    check_tunings_applied,
    check_order,
    check_same_order,
    check_drift,
    check_patches,
    check_shifts,
    check_rules_apply,
)

#: Purposes of runs that may enter verdicts; which of them does depends on the metric.
VERDICT_PURPOSES = ("measure", "soak")

#: Frame times written to more than this share of the 99th percentile tell no lows and no pacing.
_COARSE = 0.01
_NEEDS_FINE_TIMES = ("low_1pct_fps", "low_0p1pct_fps", "pacing_ms", "hitch_ms_per_min")

#: Notes made in reading -> the check that says the same against the plan's limit.
_TOLD_BY = {"sensors_cover_part": "samples_cover_part", "power_not_settled": "power_moves"}

#: Stops that concern some metrics only, and what those metrics need; any other stop concerns all.
_CONCERNS = {
    "held_by_cap": ("frames",),
    "same_samples_twice": ("sensors", "both"),
    "sensor_log_unusable": ("sensors", "both"),
}


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

    Notes
    -----
    Rules of the plan come first; runs that they leave out are no longer anybody's peers. The layout
    found is that of the runs that remain.
    """
    facts = review.facts()
    evidence = gather_evidence(review.runs, facts, run_metrics=run_metrics, plan=plan)
    checked = check_evidence(evidence)
    found = [*_not_told_twice(review.findings, checked), *checked]
    one_each = _one_value_of_each_run(run_metrics, first=plan.analysis.primary)
    found += find_layouts(exclude_runs(review, one_each, findings_table(found)), plan)
    found += check_changed_values(review, run_metrics, plan, findings=findings_table(found))
    return findings_table(without_levels(found) if is_blind else found)


def check_changed_values(
    review: Review, run_metrics: pd.DataFrame, plan: ReviewPlan, *, findings: pd.DataFrame
) -> Iterator[Finding]:
    """Yield what was confirmed after a look, and values that a look showed otherwise where the sheet says not why.

    Parameters
    ----------
    review, run_metrics, plan : as for `check_review`
    findings : so far; see ``tables.FINDINGS``
    """
    # Most reviews had no look yet: nothing can have changed.
    if not (plan.folder / GIVEN_FILE).exists():
        return
    looks = open_looks(plan, exclude_runs(review, run_metrics, findings))
    for metric, look in looks.confirmed.items():
        label = METRICS[metric].label
        message = (
            f"{label[:1].upper()}{label[1:]} was confirmed after look {look}: until then its values were shown run "
            "by run, never as differences. Confirming is no look; verdicts start at the level of the present one."
        )
        yield Finding("note", "confirmed_after_look", message, found=float(look), unit="look")
    moved, rows = looks.moved, review.runs.set_index("run")
    for one in moved[~moved["is_explained"].astype(bool)].itertuples():
        facts, is_typed = METRICS[one.metric], one.run_id.startswith("r")
        before, now = (value_text(value, one.metric) for value in (one.before, one.now))
        about = run_text(rows.loc[[one.run]].reset_index().iloc[0])
        message = f"{about}: {facts.label} was {before} at look {one.look}, {now} now; the weaker verdict counts."
        action = f"{'' if is_typed else 'Read the log as before, or '}write why into its cell `corrected`."
        values = (one.now, one.before, facts.unit, f"{action[:1].upper()}{action[1:]}")
        yield Finding("note", "value_changed_after_look", message, one.run, *values)


def _one_value_of_each_run(run_metrics: pd.DataFrame, *, first: str) -> pd.DataFrame:
    """Return one value of each run, that of the first metric where there is one: a layout is that of runs."""
    known = run_metrics[run_metrics["value"].notna()]
    others_last = np.argsort((known["metric"] != first).to_numpy(), kind="stable")
    return known.iloc[others_last].drop_duplicates("run").sort_index()


def _not_told_twice(read: Iterable[Finding], checked: Iterable[Finding]) -> list[Finding]:
    """Return what was noticed in reading, less what a check says of the same run in the plan's terms."""
    told = {(one.run, one.check) for one in checked}
    return [one for one in read if not one.run or (one.run, _TOLD_BY.get(one.check)) not in told]


def check_evidence(evidence: Evidence) -> list[Finding]:
    """Return what all checks find.

    Parameters
    ----------
    evidence : what there is to check, see `gather_evidence`
    """
    left_out = list(exclude_by_rules(evidence))
    evidence = evidence.without(finding.run for finding in left_out)
    return [*left_out, *(finding for check in CHECKS for finding in check(evidence))]


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
    """
    runs, plan = review.runs, review.plan
    wanted = [name for name in runs.columns if name == "order_done" or name in USABLE.names]
    kept = runs.loc[used_mask(runs, findings) & runs["purpose"].isin(purposes), wanted]
    kept = kept.assign(run_id=pd.Series(run_ids(runs), index=runs.index))
    usable = run_metrics[run_metrics["value"].notna()].merge(kept, on="run")
    usable["order"] = usable["order_done"].where(usable["order_done"].notna(), usable["order"])
    usable["withheld_for"] = _withheld_for(usable, findings)
    usable.loc[_too_coarse(usable), "withheld_for"] = "too_coarse"
    usable.loc[usable["certainty"] == "likely", "withheld_for"] = "format_not_confirmed"
    usable.loc[is_impossible(usable, plan.checks), "withheld_for"] = "value_not_usable"
    usable["flagged"] = _flagged(usable, plan)
    return USABLE.frame(usable)


def _too_coarse(usable: pd.DataFrame) -> pd.Series:
    """Return which lows and times of frames rest on frame times written to more than 1 % of the slowest 1 %."""
    low = usable[usable["metric"] == "low_1pct_fps"]
    coarse = set(low.loc[(low["step"] > _COARSE * low["value"]) & (low["source"] == "log"), "run"])
    return usable["run"].isin(coarse) & usable["metric"].isin(_NEEDS_FINE_TIMES)


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
    by_rule = findings[findings["check"].isin(RULES)].drop_duplicates("run")
    rules = dict(zip(by_rule["run"], by_rule["check"], strict=True))
    broken = set(findings.loc[findings["check"] == "log_unusable", "run"])
    reasons = [
        ("excluded", runs["excluded"]),
        ("rule", [rules.get(run, "") for run in runs["run"]]),
        ("recorded", np.where(runs["is_recorded"].astype(bool), "", "not_recorded")),
        ("log", np.where(runs["run"].isin(broken), "log_unusable", "")),
        ("purpose", np.where(runs["purpose"].isin(VERDICT_PURPOSES), "", runs["purpose"])),
    ]
    excluded_for = pd.Series("", index=runs.index)
    for _, reason in reversed(reasons):
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
    # An impossible value concerns one metric of its run; `exclude_runs` marks it itself.
    for check, runs in stops[stops["check"] != "impossible_value"].groupby("check", sort=True)["run"]:
        concerned = needs.isin(_CONCERNS[check]) if check in _CONCERNS else True
        withheld[usable["run"].isin(set(runs)) & concerned & (withheld == "")] = check
    return withheld


def _flagged(usable: pd.DataFrame, plan: ReviewPlan) -> np.ndarray:
    """Return which values lie far from their peers."""
    named = usable.assign(
        cell=usable.groupby(["card", "bench", "game", "setting", "purpose", "tuning"]).ngroup(),
        of_game=usable.groupby(["card", "bench", "game", "setting", "purpose"]).ngroup(),
    )
    return is_flagged(named.assign(**distance_from_peers(named)), plan.checks.unlike_spreads)
