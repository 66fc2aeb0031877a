"""The cautions, and which of them fit a page: never folded on a report."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from gpubench_kit.page.elements import Markup, bullets, details, join, render
from gpubench_kit.page.section import Section
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


def cautions(plan) -> Section:
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


def _cards(plan) -> Iterator[str]:
    """Yield what the number of cards allows to say."""
    for unit in plan.card_units:
        count = len(unit.cards)
        yield (
            say("caution.one_sample", card=unit.name)
            if count == 1
            else say("caution.samples", n=count, card=unit.name)
        )


def _stability(plan) -> Iterator[str]:
    """Yield what hours of testing say about each tuning, as the plan states them, and what they do not say."""
    stated = [one for one in plan.tunings if one.stability]
    for tuning in stated:
        bound = pooled_failure_bound((test.failures, test.hours) for test in tuning.stability)
        yield say("caution.hours", tuning=tuning.name, sentence=bound.sentence)
    if stated:
        yield say("caution.hours_limits")
    silent = [one.name for one in plan.tunings if not one.stability and not one.reference]
    if silent:
        yield say("caution.no_hours", tunings=names_text(silent))
