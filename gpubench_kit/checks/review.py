"""All checks of a review in one call, and what they mean for the runs: `check_review`, `exclude_runs`, "
"`used_runs`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.checks.design_checks import DESIGN_CHECKS, find_layouts
from gpubench_kit.checks.evidence import Evidence, chosen, gather_evidence, run_text
from gpubench_kit.checks.log_checks import LOG_CHECKS
from gpubench_kit.checks.run_checks import RUN_CHECKS, distance_from_peers, is_flagged, is_impossible
from gpubench_kit.checks.tuning_checks import TUNING_CHECKS
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
    list of Finding, without the levels that end their messages, and without numbers that are levels; what was
    found, where, and what to do stays
    """
    told = []
    for one in findings:
        if one.check in TELL_LEVELS:
            one = replace(one, message=f"{one.message.rpartition(' (')[0]}.")
        told.append(replace(one, found=None, limit=None, unit="") if TELL_LEVELS.get(one.check) else one)
    return told


MIN_DURATION = "min_duration_s"
RULES = (MIN_DURATION, "warm_up_runs_per_launch", "extra_runs_after_patch")

_ACTION = "Nothing to do: the plan's rule leaves it out. Repeat it if its round is needed."


def exclude_by_rules(evidence: Evidence) -> Iterator[Finding]:
    """Yield an ``exclude`` for each run that a rule of the plan leaves out.

    Parameters
    ----------
    evidence : what there is to check
    """
    rules, runs = evidence.plan.exclude, evidence.runs
    limit = rules.min_duration_s
    for row in chosen(runs, (runs["duration_s"] < limit) & (runs["ends"] == "time")):
        message = (
            f"{run_text(row)}: {number_text(row.duration_s, decimals=1)} s is shorter than the plan's shortest "
            f"run, {number_text(limit, decimals=1)} s; it is left out."
        )
        yield Finding("exclude", MIN_DURATION, message, row.run, float(row.duration_s), limit, "s", _ACTION)
    # Runs excluded for a logged cause count too: they have warmed the game up all the same.
    order = evidence.all_runs["order_done"].to_numpy(dtype=float, na_value=np.nan)
    measured = evidence.all_runs.iloc[np.argsort(order, kind="stable")].loc[
        lambda rows: rows["purpose"] == "measure"
    ]
    launched = measured[measured["launch"] != ""]
    place = launched.groupby(["card", "bench", "session", "game", "launch"]).cumcount() + 1
    first = launched.assign(place=place, where="in launch " + launched["launch"].map(shown))
    warm_up = list(_left_out(first, evidence, "warm_up_runs_per_launch", rules.warm_up_runs_per_launch))
    yield from warm_up
    versioned = measured[(measured["game_version"] != "") & ~measured["run"].isin({one.run for one in warm_up})]
    for _, same in versioned.groupby(["card", "bench", "game"], sort=False):
        block = same["game_version"].ne(same["game_version"].shift()).cumsum()
        where = "after the change to version " + same["game_version"].map(shown)
        after = same.assign(place=same.groupby(block).cumcount() + 1, where=where)[block > 1]
        yield from _left_out(after, evidence, "extra_runs_after_patch", rules.extra_runs_after_patch)


def _left_out(placed: pd.DataFrame, evidence: Evidence, rule: str, limit: int) -> Iterator[Finding]:
    """Yield the finding for each run that a rule leaves out for its place."""
    for row in chosen(placed, (placed["place"] <= limit) & placed["run"].isin(evidence.runs["run"])):
        message = f"{run_text(row)}: measured run {row.place} {row.where}; the plan leaves out the first {limit}."
        yield Finding("exclude", rule, message, row.run, float(row.place), float(limit), "runs", _ACTION)


#: Every check, in no particular order: the table of findings is sorted.
CHECKS: tuple[Callable[[Evidence], Iterator[Finding]], ...] = (
    *LOG_CHECKS, *RUN_CHECKS, *TUNING_CHECKS, *DESIGN_CHECKS,
)  # fmt: skip

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
    evidence = gather_evidence(review.runs, review.facts(), run_metrics=run_metrics, plan=plan)
    left_out = list(exclude_by_rules(evidence))
    evidence = evidence.without(finding.run for finding in left_out)
    checked = [*left_out, *(finding for check in CHECKS for finding in check(evidence))]
    # What was noticed in reading, less what a check says of the same run in the plan's terms.
    told = {(one.run, one.check) for one in checked}
    read = [one for one in review.findings if not one.run or (one.run, _TOLD_BY.get(one.check)) not in told]
    found = [*read, *checked]
    # One value of each run, that of the primary metric where there is one: a layout is that of runs.
    known = run_metrics[run_metrics["value"].notna()]
    others_last = np.argsort((known["metric"] != plan.analysis.primary).to_numpy(), kind="stable")
    one_each = known.iloc[others_last].drop_duplicates("run").sort_index()
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
    low = usable[usable["metric"] == "low_1pct_fps"]
    coarse = set(low.loc[(low["step"] > _COARSE * low["value"]) & (low["source"] == "log"), "run"])
    too_coarse = usable["run"].isin(coarse) & usable["metric"].isin(_NEEDS_FINE_TIMES)
    usable.loc[too_coarse, "withheld_for"] = "too_coarse"
    usable.loc[usable["certainty"] == "likely", "withheld_for"] = "format_not_confirmed"
    usable.loc[is_impossible(usable, plan.checks), "withheld_for"] = "value_not_usable"
    named = usable.assign(
        cell=usable.groupby(["card", "bench", "game", "setting", "purpose", "tuning"]).ngroup(),
        of_game=usable.groupby(["card", "bench", "game", "setting", "purpose"]).ngroup(),
    )
    usable["flagged"] = is_flagged(named.assign(**distance_from_peers(named)), plan.checks.unlike_spreads)
    return USABLE.frame(usable)


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
    # An impossible value concerns one metric of its run; `exclude_runs` marks it itself.
    for check, runs in stops[stops["check"] != "impossible_value"].groupby("check", sort=True)["run"]:
        concerned = needs.isin(_CONCERNS[check]) if check in _CONCERNS else True
        withheld[usable["run"].isin(set(runs)) & concerned & (withheld == "")] = check
    return withheld
