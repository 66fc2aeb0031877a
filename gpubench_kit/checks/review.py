"""All checks of a review in one call, and what they mean for the runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import gather_evidence
from gpubench_kit.checks.run_checks import distance_from_peers, is_flagged, is_impossible
from gpubench_kit.checks.table import check_of, find
from gpubench_kit.logs.review import Review, check_opened
from gpubench_kit.model.errors import Fault, TableError, listed
from gpubench_kit.model.findings import findings_table
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import check_columns, check_plan
from gpubench_kit.model.tables import METRIC_VALUES, RUNS, USABLE
from gpubench_kit.sheet.look_files import GIVEN_FILE
from gpubench_kit.sheet.looks import open_looks, run_ids

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
    for check, runs in stops.groupby("check", sort=True)["run"]:
        concerned = usable["run"].isin(set(runs)) & needs.isin(check_of(check).withholds)
        withheld[concerned & (withheld == "")] = check
    return withheld
