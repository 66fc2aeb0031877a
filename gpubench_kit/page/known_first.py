"""What a reader must know before any number: decisions changed, too many looks, an order not verified."""

from __future__ import annotations

from collections.abc import Iterator

from gpubench_kit.model.formats import RULES
from gpubench_kit.page.results import Results, Scene
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.wording.catalogue import say

#: Changed decisions told one by one, and findings; the rest is counted.
_CHANGES_TOLD, _FINDINGS_TOLD, _RUNS_TOLD = 6, 3, 6

#: Checks whose finding touches what a tuning or a verdict is.
_TOUCHING = ("tuning_not_as_declared", "tuning_not_applied", "same_file_twice", "same_samples_twice")


def alerts(results: Results) -> list[str]:
    """Return what stands boxed below the answer, one text each; most pages have none."""
    return [*_changed(results), *_looks(results), *_order(results), *_screening(results), *_findings(results)]


def _changed(results: Results) -> Iterator[str]:
    """Yield which decisions were changed after the first look."""
    if results.changes:
        told = (
            what if what == RULES else say("alert.change", what=what, before=before, now=now)
            for what, before, now in results.changes
        )
        listed = "; ".join([one for one, _ in zip(told, range(_CHANGES_TOLD), strict=False)])
        more = len(results.changes) - _CHANGES_TOLD
        yield say("alert.changed", listed=listed) + (f" {say('alert.more', n=more)}" if more > 0 else "")


def _looks(results: Results) -> Iterator[str]:
    """Yield that there were more looks than planned, and that runs of the look before are gone."""
    made, planned = results.looks_made, results.plan.analysis.looks
    if results.lost_runs:
        listed = ", ".join(results.lost_runs[:_RUNS_TOLD])
        more = len(results.lost_runs) - _RUNS_TOLD
        yield say("alert.lost_runs", n=len(results.lost_runs), listed=listed) + (
            f" {say('alert.more', n=more)}" if more > 0 else ""
        )
    if made > planned:
        too_many = level_of_looks(results.plan, looks_made=made)[1]
        yield say("alert.looks_too_many" if too_many else "alert.looks", made=made, planned=planned)


def _order(results: Results) -> Iterator[str]:
    """Yield that the order of the runs is taken from the plan, where no clock confirms it."""
    runs = results.runs
    judged = runs[runs["used"].fillna(False).astype(bool) & runs["order"].notna()]
    unverified = int(judged["order_done"].isna().sum())
    if unverified:
        yield say("alert.order_all") if unverified == len(judged) else say("alert.order", n=unverified)


def _screening(results: Results) -> Iterator[str]:
    """Yield that single games are not protected against many comparisons, where the plan says so."""
    if results.plan.analysis.adjust == "none":
        yield say("alert.screening")


def _findings(results: Results) -> Iterator[str]:
    """Yield findings that touch what a tuning or a verdict is."""
    found = results.findings[results.findings["check"].isin(_TOUCHING)]
    messages = list(dict.fromkeys(found["message"]))
    yield from messages[:_FINDINGS_TOLD]
    if len(messages) > _FINDINGS_TOLD:
        yield say("alert.findings", n=len(messages) - _FINDINGS_TOLD)


def finding_lines(results: Results, scene: Scene) -> list[str]:
    """Return findings that withhold a verdict and concern runs of one scene: they belong where they bite."""
    found = results.findings
    stops = found[(found["severity"] == "stop") & (found["run"] != "")]
    runs = results.runs
    here = set(runs.loc[(runs["game"] == scene.game) & (runs["setting"] == scene.setting), "run"])
    return list(dict.fromkeys(stops.loc[stops["run"].isin(here), "message"]))[:_FINDINGS_TOLD]
