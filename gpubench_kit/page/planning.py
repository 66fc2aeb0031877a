"""The page that plans a bench session: what it can and cannot show, how long it takes, in which order."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product
from operator import attrgetter
from typing import Any

import pandas as pd

from gpubench_kit.page.charts.curves import chance_curves
from gpubench_kit.page.elements import (
    Field,
    Head,
    Markup,
    Section,
    bullets,
    details,
    figure,
    figures,
    heading,
    join,
    link,
    listing,
    paragraph,
    render,
    section,
)
from gpubench_kit.page.planning_words import (
    amount_text,
    left_out_lead,
    method_sentences,
    not_said,
    session_sentence,
    single_games,
    time_text,
    typical_caution,
)
from gpubench_kit.page.results import all_groups
from gpubench_kit.schedule.make import Schedule
from gpubench_kit.schedule.needs import SPREAD_OF_GAMES_PCT
from gpubench_kit.schedule.order import TIMES
from gpubench_kit.statistics.planning import MOST_ROUNDS
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import MISSING, count_text, is_missing, number_text, percent_text
from gpubench_kit.wording.terms import capital, metric_of, scene_text

#: Left-out parts that stand in sight, and starts of games; more are folded.
_DROPPED_SHOWN, _STARTS_SHOWN = 8, 12


def plan_head(schedule: Schedule) -> Section:
    """Return the head of the page: what to do, how long it takes, what it rests on.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`

    Returns
    -------
    Section
    """
    title, lines = say("plan.nothing").rstrip("."), tuple(schedule.messages)
    if len(schedule.to_run):
        title = say("plan.title", time=time_text(60 * schedule.minutes))
        lines = (session_sentence(schedule), *lines)
    items = []
    for one in schedule.dropped:
        saved = say("plan.saved", time=time_text(60 * one.saves_min))
        items.append(join([Markup("<strong>{}</strong>").format(one.what), saved, one.then], " "))
    shown, rest = items[:_DROPPED_SHOWN], items[_DROPPED_SHOWN:]
    values = {"lead": left_out_lead(schedule), "shown": bullets(shown)}
    values["more"] = details(say("plan.more", n=len(rest)), bullets(rest))
    dropped = render("plan_box.html.j2", values) if items else ""
    body = join([paragraph(schedule.noise_source, typical_caution(schedule)), dropped])
    return Section("result", title, body, head=Head((say("plan.kick"), schedule.plan.review.title), lines))


def _section(name: str, parts: Iterable[str | Markup], *, why: str = "plan.no_noise_known") -> Section:
    """Return a section of the page, left out where it has no parts."""
    return section(name, say(f"plan.{name}.title"), parts, why=say(why))


def plan_says(schedule: Schedule) -> Section:
    """Return the section on what the rounds can and cannot show.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`

    Returns
    -------
    Section; left out where no noise is known
    """
    if not len(schedule.needs):
        return _section("says", [])
    overall = schedule.needs_overall
    return _section("says", [
        heading(say("plan.says.overall")) if len(overall) else "", _overall_table(overall),
        heading(say("plan.says.single")), bullets(single_games(schedule.needs)), paragraph(say("plan.says.holds")),
        heading(say("plan.says.not")), bullets(not_said(schedule)),
    ])  # fmt: skip


def _overall_table(rows: pd.DataFrame) -> Markup:
    """Return how narrow the overall results will be, a line for each group and metric."""
    columns = [
        Field(say("table.metric"), lambda row: capital(metric_of(row.metric).label)),
        *_if_several(rows, "group", say("plan.says.group")),
        Field(say("plan.says.games"), lambda row: count_text(row.games), is_number=True),
        Field(say("plan.says.these"), lambda row: _half_width(row.these_games, row.unit), is_number=True),
        Field(say("plan.says.like_these"), lambda row: _half_width(row.games_like_these, row.unit), is_number=True),
        Field(say("plan.says.margin"), lambda row: amount_text(row.margin, row.unit), is_number=True),
        Field(say("plan.says.enough"), _enough),
    ]
    caption = say("plan.says.caption", spread=percent_text(SPREAD_OF_GAMES_PCT))
    return listing(columns, rows.itertuples(), caption=caption)


def _half_width(value: float, unit: str) -> str:
    """Return the half-width of an interval."""
    return MISSING if is_missing(value) else f"±{amount_text(value, unit)}"


def _enough(row: Any) -> str:
    """Return whether the rounds are enough for a verdict over all games."""
    return MISSING if is_missing(row.is_enough) else say(f"plan.says.{'yes' if row.is_enough else 'no'}")


def plan_chances(schedule: Schedule) -> Section:
    """Return the section with the chance of a verdict against the number of rounds.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`

    Returns
    -------
    Section; left out where no noise is known
    """
    plan = schedule.plan
    drawn: dict[bool, list[Markup]] = {True: [], False: []}
    planned = int(schedule.needs["rounds"].min()) if len(schedule.needs) else 0
    for metric, group in product(plan.analysis.metrics, all_groups(plan)):
        chart = chance_curves(schedule.chances, plan, metric=metric, group=group, planned=planned)
        drawn[metric == plan.analysis.primary].append(figure(chart))
    main, others = map(figures, (drawn[True], drawn[False]))
    text = paragraph(say("plan.chances.text")) if main or others else ""
    return _section("chances", [text, main, details(say("plan.chances.others"), others)])


def plan_needs(schedule: Schedule) -> Section:
    """Return the section with noise, smallest detectable difference and rounds needed of each game and metric.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`

    Returns
    -------
    Section; left out where no noise is known
    """
    rows = schedule.needs.merge(schedule.noise, on=["game", "setting", "metric", "group", "unit"])
    if not len(rows):
        return _section("needs", [])
    between = say("plan.needs.between_cards") if schedule.design.mountings > 1 else ""
    parts = [paragraph(say("plan.needs.text"), between)]
    for metric in schedule.plan.analysis.metrics:
        listed = _needs_table(rows[rows["metric"] == metric])
        label = capital(metric_of(metric).label)
        parts.append(details(label, listed, is_open=metric == schedule.plan.analysis.primary))
    return _section("needs", parts)


def _needs_table(rows: pd.DataFrame) -> Markup:
    """Return the table of one metric, a line for each game; nothing for none."""
    if not len(rows):
        return Markup("")
    unit, margin, metric = rows["unit"].iloc[0], rows["margin"].iloc[0], rows["metric"].iloc[0]
    columns = [
        Field(say("table.game"), lambda row: scene_text(row.game, row.setting)),
        Field(say("table.noise"), lambda row: number_text(row.noise, decimals=2), unit, is_number=True),
        *([Field(say("plan.needs.source"), _source)] if rows["source"].nunique() > 1 else []),
        Field(say("plan.needs.rounds"), lambda row: count_text(row.rounds), is_number=True),
        Field(say("table.detects"), lambda row: number_text(row.detectable, decimals=1), unit, is_number=True),
        Field(say("plan.needs.decided"), _chance, "%", is_number=True),
        Field(say("plan.needs.to_decide"), _rounds_to_decide, is_number=True),
    ]
    about = say("plan.needs.no_margin") if is_missing(margin) else f"±{amount_text(margin, unit)}"
    caption = say("plan.needs.caption", metric=capital(metric_of(metric).label), margin=about)
    return listing(columns, rows.itertuples(), caption=caption)


def _source(row: Any) -> str:
    """Return where the noise of a game is known from."""
    return f"{row.source}, {count_text(row.runs, 'run')}" if row.runs else row.source


def _chance(row: Any) -> str:
    """Return the chance of a verdict [%]; an en dash without a margin or noise."""
    is_open = is_missing(row.margin) or is_missing(row.detectable)
    return MISSING if is_open else number_text(100 * row.chance, decimals=0)


def _rounds_to_decide(row: Any) -> str:
    """Return the rounds with which a game would be decided."""
    if is_missing(row.margin) or is_missing(row.detectable):
        return MISSING
    if not is_missing(row.rounds_to_decide):
        return count_text(row.rounds_to_decide)
    return say("plan.needs.far", rounds=MOST_ROUNDS, margin=amount_text(row.margin_of_twelve, row.unit))


def plan_time(schedule: Schedule) -> Section:
    """Return the section on time: every start of a game, and what the bench session consists of.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`

    Returns
    -------
    Section; left out where there is nothing to run
    """
    visits = schedule.visits
    if not len(visits):
        return _section("time", [], why="plan.no_runs")
    totals = {column: float(visits[column].sum()) for column in TIMES}
    parts = [say(f"plan.time.{name}", time=time_text(seconds)) for name, seconds in totals.items() if seconds]
    text = say("plan.time.text", time=time_text(60 * schedule.minutes), parts=", ".join(parts))
    columns = [
        Field(say("plan.time.start"), lambda row: "{}:{:02d}".format(*divmod(int(row.starts_s // 60), 60))),
        Field(say("table.game"), lambda row: scene_text(row.game, row.setting)),
        Field(say("table.runs"), lambda row: count_text(row.runs), is_number=True),
        Field(say("plan.time.before"), lambda row: time_text(row.change_s) if row.change_s else MISSING),
        Field(say("plan.time.settle"), lambda row: time_text(row.launch_s + row.settle_s)),
        Field(say("plan.time.play"), lambda row: time_text(row.pause_s + row.tuning_s + row.scene_s)),
    ]
    listed = listing(columns, visits.itertuples(), caption=say("plan.time.caption"))
    folded = details(say("plan.time.starts", n=len(visits)), listed)
    return _section("time", [paragraph(text), listed if len(visits) <= _STARTS_SHOWN else folded])


def plan_order(schedule: Schedule) -> Section:
    """Return the section with the runs in the order in which they are to be done.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`

    Returns
    -------
    Section; left out where there is nothing to run
    """
    rows = schedule.to_run
    if not len(rows):
        return _section("order", [], why="plan.no_runs")
    where = say(f"plan.order.{'added' if len(schedule.rows) else 'waiting'}")
    printed = link("run_sheet.html", say("plan.order.printed"))
    warm_up = say("plan.order.warm_up")
    columns = [
        Field(say("table.run"), lambda row: row.run),
        Field(say("table.game"), lambda row: scene_text(row.game, row.setting)),
        Field(say("table.round"), lambda row: warm_up if is_missing(row.round) else count_text(row.round),
              is_number=True),
        Field(say("table.tuning"), lambda row: row.tuning),
        *_if_several(rows, "note", say("plan.order.pause")),
        *_if_several(rows, "session", say("plan.order.session")),
        *_if_several(rows, "card", say("plan.order.card")),
    ]  # fmt: skip
    listed = listing(columns, rows.itertuples(), caption=say("plan.order.caption"))
    text = paragraph(where, printed, say("plan.order.seed", seed=schedule.plan.analysis.seed))
    return _section("order", [text, details(count_text(len(rows), "run"), listed)])


def _if_several(rows: pd.DataFrame, name: str, label: str) -> list[Field]:
    """Return a column of a table where its values differ; else none."""
    return [Field(label, attrgetter(name))] if rows[name].nunique() > 1 else []


def plan_method(schedule: Schedule) -> Section:
    """Return the section on how the plan is made.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`

    Returns
    -------
    Section
    """
    return _section("method", [bullets(method_sentences(schedule))])
