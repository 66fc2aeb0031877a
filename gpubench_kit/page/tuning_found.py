"""The section of a review on its sweep: the tuning found, and readings at equal power and equal frame rate."""

from __future__ import annotations

from gpubench_kit.page.charts import Plot
from gpubench_kit.page.charts.sweeps import rate_against_power
from gpubench_kit.page.drawn import figure, figures
from gpubench_kit.page.elements import bullets, details, join, note, paragraph
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.page.sweep_lines import answer_sentences, between_told, parts_of, together
from gpubench_kit.page.sweep_tables import failure_table, reading_tables
from gpubench_kit.page.sweep_words import notes_on
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.sweep.in_review import SweepInReview

_READ = (
    "Read off the fitted curves of frame rate and power, between the settings as well; the ranges take in the "
    "bands of both curves. Every setting, its test and what to measure next stand on the page that "
    "“gpubench-kit sweep” makes of the same folder."
)


def tuning_charts(found: Sweep, plan) -> list[Plot]:
    """Return frame rate against power along the ladder, a chart for each card, test setup and group.

    Parameters
    ----------
    found : see `gpubench_kit.sweep.find_tuning`
    plan : ReviewPlan
    """
    drawn = map(rate_against_power, together(list(parts_of(found, plan))))
    return [one for one in drawn if one is not None]


def tuning(sweep: SweepInReview, plan) -> Section:
    """Return the section on the tuning found, with frame rate at equal power and power at equal frame rate.

    Parameters
    ----------
    sweep : see `gpubench_kit.sweep.in_review.sweep_in_review`
    plan : ReviewPlan

    Returns
    -------
    Section; left out where the review has no sweep
    """
    name, title = "tuning", "The tuning found, and equal power"
    found = sweep.found
    if found is None:
        return left_out(name, title, sweep.why)
    lines = list(together(list(parts_of(found, plan))))
    charts = map(figure, tuning_charts(found, plan))
    tables = [reading_tables(one, found) for one in lines]
    failed = failure_table([part for one in lines for part in one], found)
    body = join([
        bullets(answer_sentences(found, plan)), *map(note, notes_on(found, plan)), figures(charts),
        paragraph(_READ) if any(tables) else "", *tables, *between_told(found),
        details("Failures, and hours without one", failed),
    ])  # fmt: skip
    return Section(name, title, body)
