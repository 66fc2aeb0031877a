"""The page that plans a bench session: what it can say and what not, how long it takes, in which order."""

from __future__ import annotations

from gpubench_kit.page.charts.chances import chance_curves
from gpubench_kit.page.drawn import figure, figures
from gpubench_kit.page.elements import Markup, bullets, details, heading, join, link, paragraph
from gpubench_kit.page.planning_tables import needs_list, overall_list, runs_list, visits_list
from gpubench_kit.page.planning_words import (
    evening_sentence,
    method_sentences,
    metric_sentence,
    not_said,
    time_text,
)
from gpubench_kit.page.results import all_groups
from gpubench_kit.page.section import Head, Section, left_out
from gpubench_kit.schedule.make import Schedule
from gpubench_kit.wording.numbers import count_text, percent_text
from gpubench_kit.wording.terms import metric_of, sentence

_DECIDED = (
    "“Decided” holds for games that differ by nothing, or by the margin or more: the chance that the table of "
    "games shows “no difference beyond the margin” where there is none, or a difference as large as the margin. A "
    "game that differs by half the margin is decided less often. Rounds to decide are those with "
    "which that chance is 80 %. Noise known from few runs is too small in some games and too large in others."
)
_BETWEEN_CARDS = (
    "These numbers are for rounds on one card that stays in place. Between cards installations are what is "
    "counted: more rounds within them do not take their place."
)
_TIMES = {
    "change_s": "exchanging cards and restarting",
    "launch_s": "starting games",
    "settle_s": "waiting for temperatures to settle",
    "tuning_s": "applying tunings",
    "scene_s": "playing the scenes",
}


def plan_head(schedule: Schedule) -> Section:
    """Return the head of the page: what to do, how long it takes, what it rests on.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`

    Returns
    -------
    Section
    """
    parts = [paragraph(evening_sentence(schedule), css="result")]
    parts += [paragraph(one, css="result") for one in schedule.told]
    parts.append(paragraph(schedule.noise_told, _typical_caution(schedule)))
    if schedule.dropped:
        parts.append(_dropped_box(schedule))
    return Section("result", f"Plan: {schedule.plan.review.title}", join(parts), head=Head())


def plan_says(schedule: Schedule) -> Section:
    """Return the section on what the rounds will be able to say, and what not.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`

    Returns
    -------
    Section; left out where no noise is known
    """
    name, title = "says", "What this can say, and what not"
    single = [
        metric_sentence(part, metric=metric, group=group)
        for (group, metric), part in schedule.needs.groupby(["group", "metric"], sort=False)
    ]
    if not any(single):
        return left_out(name, title, "no noise is known")
    body = [
        heading("Over all games") if len(schedule.needs_overall) else "",
        overall_list(schedule.needs_overall),
        heading("In single games"),
        bullets(one for one in single if one),
        heading("Not said by these rounds"),
        bullets(not_said(schedule)),
    ]
    return Section(name, title, join(body))


def plan_chances(schedule: Schedule) -> Section:
    """Return the section with the chance of a verdict against the number of rounds.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`

    Returns
    -------
    Section; left out where no noise is known
    """
    name, title = "chances", "Chance of a verdict"
    planned = int(schedule.needs["rounds"].min()) if len(schedule.needs) else 0
    charts = {
        (group, metric): chance_curves(schedule.chances, schedule.plan, metric=metric, group=group, planned=planned)
        for metric in schedule.plan.analysis.metrics
        for group in all_groups(schedule.plan)
    }
    drawn = {key: chart for key, chart in charts.items() if chart is not None}
    if not drawn:
        return left_out(name, title, "no noise is known")
    first = [chart for (_, metric), chart in drawn.items() if metric == schedule.plan.analysis.primary]
    rest = [chart for (_, metric), chart in drawn.items() if metric != schedule.plan.analysis.primary]
    text = (
        "“Undecided” is no verdict. How often a game of middling noise gets one depends on the rounds, on its "
        "noise, and on the true difference, which nobody knows beforehand."
    )
    body = [paragraph(text), figures(map(figure, first)), details("The other metrics", figures(map(figure, rest)))]
    return Section(name, title, join(body))


def plan_needs(schedule: Schedule) -> Section:
    """Return the section with noise, smallest detectable difference and rounds needed of each game and metric.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`

    Returns
    -------
    Section; left out where no noise is known
    """
    name, title = "needs", "Rounds needed, game by game"
    rows = schedule.needs.merge(schedule.noise, on=["game", "setting", "metric", "group", "unit"])
    if not len(rows):
        return left_out(name, title, "no noise is known")
    parts = [paragraph(_DECIDED, _BETWEEN_CARDS if schedule.design.mountings > 1 else "")]
    for metric in schedule.plan.analysis.metrics:
        part = rows[rows["metric"] == metric]
        listed = needs_list(part, metric) if len(part) else Markup("")
        is_primary = metric == schedule.plan.analysis.primary
        parts.append(details(sentence(metric_of(metric).label), listed, is_open=is_primary))
    return Section(name, title, join(parts))


def plan_time(schedule: Schedule) -> Section:
    """Return the section on time: every start of a game, and what the bench session consists of.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`

    Returns
    -------
    Section; left out where there is nothing to run
    """
    name, title = "time", "Time"
    visits = schedule.visits
    if not len(visits):
        return left_out(name, title, "there is nothing to run")
    sums = [(word, float(visits[column].sum())) for column, word in _TIMES.items()]
    parts = [f"{time_text(seconds)} {word}" for word, seconds in sums if seconds]
    text = (
        f"In all {time_text(60 * schedule.minutes)}: {', '.join(parts)}. No time is counted for runs that have "
        "to be repeated, for breaks, or for looking things up."
    )
    listed = visits_list(visits)
    shown = listed if len(visits) <= 12 else details(count_text(len(visits), "start"), listed)
    return Section(name, title, join([paragraph(text), shown]))


def plan_order(schedule: Schedule) -> Section:
    """Return the section with the runs in the order in which they are to be done.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`

    Returns
    -------
    Section; left out where there is nothing to run
    """
    name, title = "order", "Order of the runs"
    rows = schedule.to_run
    if not len(rows):
        return left_out(name, title, "there is nothing to run")
    added, waits = "These rows are added to the end of the run sheet", "These rows wait on the run sheet"
    where = added if len(schedule.rows) else waits
    printed = join([f"{where}; the ", link("run_sheet.html", "run sheet for the printer"), " has boxes to tick."])
    seed = f"The order is random, made from the seed {schedule.plan.analysis.seed}: made again, it is the same."
    return Section(
        name, title, join([paragraph(printed, seed), details(count_text(len(rows), "run"), runs_list(rows))])
    )


def plan_method(schedule: Schedule) -> Section:
    """Return the section on how the plan is made.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`

    Returns
    -------
    Section
    """
    return Section("method", "How the plan is made", bullets(method_sentences(schedule)))


def _typical_caution(schedule: Schedule) -> str:
    """Return a caution where noise is not measured."""
    typical = schedule.noise[schedule.noise["source"] == "typical"]
    if not len(typical):
        return ""
    values = {
        sentence(metric_of(row.metric).label): percent_text(round(row.noise, 3)) for row in typical.itertuples()
    }
    listed = ", ".join(f"{label[:1].lower()}{label[1:]} {value}" for label, value in values.items())
    return f"Typical values, not measured on this bench: {listed}. Pilot runs make the plan your own."


def _dropped_box(schedule: Schedule) -> Markup:
    """Return what was left out for want of time, and what cannot be said without it."""
    whole, there = time_text(60 * schedule.full_minutes), time_text(60 * schedule.plan.session_plan.minutes)
    lead = f"Everything would take {whole}; the bench session has {there}. Left out, in this order:"
    items = [
        join(
            [
                Markup("<strong>{}</strong>").format(one.what),
                f"({time_text(60 * one.saves_min)} saved).",
                one.then,
            ],
            " ",
        )
        for one in schedule.dropped
    ]
    shown, rest = items[:8], items[8:]
    more = details(f"{len(rest)} more", bullets(rest))
    close = paragraph(
        "What is left out can be run on another bench session: call schedule again once these runs are recorded."
    )
    return Markup('<div class="box"><h2>The bench session is too short for everything</h2>\n{}</div>\n').format(
        join([paragraph(lead), bullets(shown), more, close])
    )
