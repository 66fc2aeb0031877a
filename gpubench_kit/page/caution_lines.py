"""What a reader must know: changed decisions, too many looks, an unverified order; the cautions of each page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gpubench_kit.model.formats import RULES
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.elements import Markup, bullets, details, join, render
from gpubench_kit.page.results import Results, Scene
from gpubench_kit.page.section import Section
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.stability import pooled_failure_bound
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.terms import names_text

#: What a reader of a report must know before copying a tuning.
REPORT = ("warranty", "stability", "one_card", "steps", "mains", "estimates")
#: What a reviewer must know at the test setup, and whoever reads an archive of reports.
BENCH = ("steps", "crash", "warranty", "mains")
ARCHIVE = ("warranty", "stability", "one_card", "steps")


def caution_lines(names: Iterable[str]) -> list[tuple[str, str]]:
    """Return cautions by name, each as its lead and its text."""
    return [(say(f"caution.{name}.lead"), say(f"caution.{name}.text")) for name in names]


def caution_box(names: Iterable[str]) -> Markup:
    """Return cautions as a box."""
    return render("cautions.html.j2", {"lines": caution_lines(names)})


def cautions(plan: ReviewPlan) -> Section:
    """Return the cautions of a report, with what the plan states about stability and the number of cards.

    Parameters
    ----------
    plan : ReviewPlan
    """
    more = bullets([*_cards(plan), *_stability(plan), say("caution.scene"), say("caution.interval")])
    body = join([caution_box(REPORT), details(say("caution.limits"), more)])
    return Section("cautions", say("caution.title"), body)


def bench_cautions() -> Section:
    """Return the cautions for those who tune and measure: pages of check, plan and sweep carry them."""
    return Section("bench-cautions", say("caution.bench_title"), caution_box(BENCH))


def archive_cautions() -> Section:
    """Return the cautions of the archive: what old reports do not say about a card at hand."""
    return Section("cautions", say("caution.title"), caution_box(ARCHIVE))


def _cards(plan: ReviewPlan) -> Iterator[str]:
    """Yield what the number of cards allows to say."""
    for unit in plan.card_units:
        count = len(unit.cards)
        yield (
            say("caution.one_sample", card=unit.name)
            if count == 1
            else say("caution.samples", n=count, card=unit.name)
        )


def _stability(plan: ReviewPlan) -> Iterator[str]:
    """Yield what hours of testing say about each tuning, as the plan states them, and what they do not say."""
    stated = [one for one in plan.tunings if one.stability]
    for tuning in stated:
        bound = pooled_failure_bound((test.failures, test.hours) for test in tuning.stability)
        yield say("caution.hours", tuning=tuning.name, sentence=bound.sentence)
    if stated:
        yield say("caution.hours_limits")
    silent = [one.name for one in plan.tunings if not one.stability and not one.reference]
    if silent:
        yield say("caution.no_hours", n=len(silent), tunings=names_text(silent))


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
