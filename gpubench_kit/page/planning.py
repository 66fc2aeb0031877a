"""The page that plans a bench session: what it can and cannot show, how long it takes, in which order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from itertools import product
from typing import Any

import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.page import elements as html
from gpubench_kit.page.charts.curves import chance_curves
from gpubench_kit.page.elements import Head, Markup, Section
from gpubench_kit.page.results import all_groups
from gpubench_kit.schedule.make import Schedule
from gpubench_kit.schedule.needs import SPREAD_OF_GAMES_PCT
from gpubench_kit.schedule.order import TIMES
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.planning import MOST_ROUNDS
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import MISSING, count_text, duration_text, is_missing, number_text, percent_text
from gpubench_kit.wording.terms import capital, metric_of, names_text, of_group, scene_text

#: Left-out parts that stand in sight, and starts of games; more are folded.
_DROPPED_SHOWN, _STARTS_SHOWN = 8, 12


def plan_head(schedule: Schedule) -> Section:
    """Return the head of the page: what to do, how long it takes, what it rests on.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`
    """
    title, lines = say("plan.nothing").rstrip("."), tuple(schedule.messages)
    if len(schedule.to_run):
        title = say("plan.title", time=time_text(60 * schedule.minutes))
        lines = (session_sentence(schedule), *lines)
    items = []
    for one in schedule.dropped:
        saved = say("plan.saved", time=time_text(60 * one.saves_min))
        items.append(html.join([Markup("<strong>{}</strong>").format(one.what), saved, one.then], " "))
    shown, rest = items[:_DROPPED_SHOWN], items[_DROPPED_SHOWN:]
    values = {"lead": left_out_lead(schedule), "shown": html.bullets(shown)}
    values["more"] = html.details(say("plan.more", n=len(rest)), html.bullets(rest))
    # A caution where noise is not measured.
    typical = schedule.noise[schedule.noise["source"] == "typical"]
    noises = {metric_of(row.metric).label: percent_text(round(row.noise, 3)) for row in typical.itertuples()}
    listed = ", ".join(f"{label} {value}" for label, value in noises.items())
    caution = say("plan.typical", listed=listed) if listed else ""
    dropped = html.render("plan_box.html.j2", values) if items else ""
    body = html.join([html.paragraph(schedule.noise_source, caution), dropped])
    return Section("result", title, body, head=Head((say("plan.kick"), schedule.plan.review.title), lines))


def _section(name: str, parts: Iterable[str | Markup], *, why: str = "plan.no_noise_known") -> Section:
    """Return a section of the page, left out where it has no parts."""
    return html.section(f"plan.{name}", parts, why=say(why))


def plan_says(schedule: Schedule) -> Section:
    """Return the section on what the rounds can and cannot show; left out where no noise is known.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`
    """
    if not len(schedule.needs):
        return _section("says", [])
    overall, n_games = schedule.needs_overall, schedule.needs["game"].nunique()
    few = say("plan.one_game") if n_games == 1 else say("plan.few_games", least=LEAST_GAMES)
    not_said = [*_out_of_reach(schedule), *[few] * (n_games < LEAST_GAMES), *_out_of_plan(schedule)]
    return _section("says", [
        html.heading(say("plan.says.overall")) if len(overall) else "", _overall_table(overall),
        html.heading(say("plan.says.single")), html.bullets(single_games(schedule.needs)),
        html.paragraph(say("plan.says.holds")),
        html.heading(say("plan.says.not")), html.bullets(not_said),
    ])  # fmt: skip


def _overall_table(rows: pd.DataFrame) -> Markup:
    """Return how narrow the overall results will be, a line for each group and metric."""

    def half_width(row: Any, scope: str) -> str:
        value = getattr(row, scope)
        return MISSING if is_missing(value) else f"±{amount_text(value, row.unit)}"

    def enough(row: Any) -> str:
        return MISSING if is_missing(row.is_enough) else say(f"plan.says.{'yes' if row.is_enough else 'no'}")

    columns = [
        ("metric", lambda row: capital(metric_of(row.metric).label)),
        *_if_several(rows, {"group": "plan.says.group"}),
        ("plan.says.games", "games", ""), ("plan.says.these", partial(half_width, scope="these_games"), ""),
        ("plan.says.like_these", partial(half_width, scope="games_like_these"), ""),
        ("plan.says.margin", lambda row: amount_text(row.margin, row.unit), ""), ("plan.says.enough", enough),
    ]  # fmt: skip
    caption = say("plan.says.caption", spread=percent_text(SPREAD_OF_GAMES_PCT))
    return html.listing(columns, rows.itertuples(), caption=caption)


def plan_chances(schedule: Schedule) -> Section:
    """Return the section with the chance of a verdict against the number of rounds; left out as `plan_says`."""
    plan = schedule.plan
    drawn: dict[bool, list[Markup]] = {True: [], False: []}
    planned = int(schedule.needs["rounds"].min()) if len(schedule.needs) else 0
    for metric, group in product(plan.analysis.metrics, all_groups(plan)):
        chart = chance_curves(schedule.chances, plan, metric=metric, group=group, planned=planned)
        drawn[metric == plan.analysis.primary].append(html.figure(chart))
    main, others = map(html.figures, (drawn[True], drawn[False]))
    text = html.paragraph(say("plan.chances.text")) if main or others else ""
    return _section("chances", [text, main, html.details(say("plan.chances.others"), others)])


def plan_needs(schedule: Schedule) -> Section:
    """Return the section with noise, detectable difference and rounds needed by game; left out as `plan_says`."""
    rows = schedule.needs.merge(schedule.noise, on=["game", "setting", "metric", "group", "unit"])
    if not len(rows):
        return _section("needs", [])
    between = say("plan.needs.between_cards") if schedule.design.mountings > 1 else ""
    parts = [html.paragraph(say("plan.needs.text"), between)]
    for metric in schedule.plan.analysis.metrics:
        listed = _needs_table(rows[rows["metric"] == metric])
        label = capital(metric_of(metric).label)
        parts.append(html.details(label, listed, is_open=metric == schedule.plan.analysis.primary))
    return _section("needs", parts)


def _needs_table(rows: pd.DataFrame) -> Markup:
    """Return the table of one metric, a line for each game; nothing for none."""
    if not len(rows):
        return Markup("")
    unit, margin, metric = rows["unit"].iloc[0], rows["margin"].iloc[0], rows["metric"].iloc[0]

    def source(row: Any) -> str:
        return f"{row.source}, {count_text(row.runs, 'run')}" if row.runs else row.source

    def chance(row: Any) -> str:
        is_open = is_missing(row.margin) or is_missing(row.detectable)
        return MISSING if is_open else number_text(100 * row.chance, decimals=0)

    def rounds_to_decide(row: Any) -> str:
        if is_missing(row.margin) or is_missing(row.detectable):
            return MISSING
        if not is_missing(row.rounds_to_decide):
            return count_text(row.rounds_to_decide)
        return say("plan.needs.far", rounds=MOST_ROUNDS, margin=amount_text(row.margin_of_twelve, row.unit))

    columns = [
        ("game", html.scene_of), ("noise", lambda row: number_text(row.noise, decimals=2), unit),
        *[("plan.needs.source", source)] * (rows["source"].nunique() > 1), ("plan.needs.rounds", "rounds", ""),
        ("detects", lambda row: number_text(row.detectable, decimals=1), unit), ("plan.needs.decided", chance, "%"),
        ("plan.needs.to_decide", rounds_to_decide, ""),
    ]  # fmt: skip
    about = say("plan.needs.no_margin") if is_missing(margin) else f"±{amount_text(margin, unit)}"
    caption = say("plan.needs.caption", metric=capital(metric_of(metric).label), margin=about)
    return html.listing(columns, rows.itertuples(), caption=caption)


def plan_time(schedule: Schedule) -> Section:
    """Return the section on time: every start of a game, and what the bench session consists of; left out for none.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`
    """
    visits = schedule.visits
    if not len(visits):
        return _section("time", [], why="plan.no_runs")
    totals = {column: float(visits[column].sum()) for column in TIMES}
    parts = [say(f"plan.time.{name}", time=time_text(seconds)) for name, seconds in totals.items() if seconds]
    text = say("plan.time.text", time=time_text(60 * schedule.minutes), parts=", ".join(parts))
    columns = [
        ("plan.time.start", lambda row: "{}:{:02d}".format(*divmod(int(row.starts_s // 60), 60))),
        ("game", html.scene_of), ("runs", "runs", ""),
        ("plan.time.before", lambda row: time_text(row.change_s) if row.change_s else MISSING),
        ("plan.time.settle", lambda row: time_text(row.launch_s + row.settle_s)),
        ("plan.time.play", lambda row: time_text(row.pause_s + row.tuning_s + row.scene_s)),
    ]  # fmt: skip
    listed = html.listing(columns, visits.itertuples(), caption=say("plan.time.caption"))
    folded = html.details(say("plan.time.starts", n=len(visits)), listed)
    return _section("time", [html.paragraph(text), listed if len(visits) <= _STARTS_SHOWN else folded])


def plan_order(schedule: Schedule) -> Section:
    """Return the section with the runs in the order in which they are to be done; left out as `plan_time`."""
    rows = schedule.to_run
    if not len(rows):
        return _section("order", [], why="plan.no_runs")
    where = say(f"plan.order.{'added' if len(schedule.rows) else 'waiting'}")
    printed, warm_up = html.link("run_sheet.html", say("plan.order.printed")), say("plan.order.warm_up")
    columns = [
        ("run", "run"), ("game", html.scene_of),
        ("round", lambda row: warm_up if is_missing(row.round) else count_text(row.round), ""),
        ("tuning", "tuning"),
        *_if_several(rows, {
            "note": "plan.order.pause", "session": "plan.order.session", "card": "plan.order.card",
        }),
    ]  # fmt: skip
    listed = html.listing(columns, rows.itertuples(), caption=say("plan.order.caption"))
    text = html.paragraph(where, printed, say("plan.order.seed", seed=schedule.plan.analysis.seed))
    return _section("order", [text, html.details(count_text(len(rows), "run"), listed)])


def _if_several(rows: pd.DataFrame, heads: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return the columns of a table, each by its head, whose values differ."""
    return [(head, name) for name, head in heads.items() if rows[name].nunique() > 1]


def plan_method(schedule: Schedule) -> Section:
    """Return the section on how the plan is made.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`
    """
    plan, (level, _), design = schedule.plan, level_of_looks(schedule.plan), schedule.design
    order = [
        say("plan.method.order"),
        say("plan.method.restart") if design.by_restart else "",
        say("plan.method.cards", times=design.mountings) if design.mountings > 1 else "",
    ]
    session = plan.session_plan
    times = {
        name: duration_text(getattr(session, f"{name}_s"))
        for name in ("scene", "launch", "settle", "tuning_change", "restart")
    }
    return _section("method", [html.bullets([
        say("plan.method.level", level=f"{level:g}", looks=count_text(plan.analysis.looks, "look")),
        " ".join(filter(None, order)),
        say("plan.method.applied"),
        say("plan.method.times", swap=duration_text(60 * session.card_swap_min), **times),
        say("plan.method.dropping"),
        say("plan.method.from_look") if schedule.stage == "further" else say("plan.method.from_noise"),
    ])])  # fmt: skip


def session_sentence(schedule: Schedule) -> str:
    """Return what is to be done, and how long it takes, in a sentence.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`
    """
    rows, design = schedule.to_run, schedule.design
    if not len(rows):
        return say("plan.nothing")
    tunings = [one.name for one in schedule.plan.tunings if (rows["tuning"] == one.name).any()]
    rounds = sorted({design.new_rounds(stop) for stop in design.stops if stop.rounds}) or [0]
    least, most = rounds[0], rounds[-1]
    messages = {
        "runs": count_text(len(rows), "run"),
        "games": count_text(rows["game"].nunique(), "game"),
        "names": names_text(f"“{name}”" for name in tunings),
        "time": time_text(60 * schedule.minutes),
        "there": time_text(60 * schedule.plan.session_plan.minutes),
    }
    if not len(schedule.rows):
        return say("plan.waiting", **messages)
    count = say("plan.rounds", n=least) if least == most else say("plan.rounds_between", least=least, most=most)
    return say("plan.session", rounds=count, turns=design.in_turns, **messages)


def time_text(seconds: float) -> str:
    """Return a time of the bench session; seconds are given only below ten minutes."""
    minutes = round(seconds / 60)
    return f"{minutes} min" if 10 <= minutes < 60 else duration_text(seconds)


def in_lines(schedule: Schedule) -> list[str]:
    """Return the plan in a few lines for a terminal: what to do, what is left out, what cannot be said.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`
    """
    lines = [*filter(None, (session_sentence(schedule), *schedule.messages, schedule.noise_source))]
    if schedule.dropped:
        lines += [left_out_lead(schedule), *(f"  {one.what}: {one.then}" for one in schedule.dropped)]
    return lines


def left_out_lead(schedule: Schedule) -> str:
    """Return how long everything would take, and how long the bench session is; for cards, what costs less."""
    whole, there = time_text(60 * schedule.full_minutes), time_text(60 * schedule.plan.session_plan.minutes)
    times = schedule.design.mountings
    key = "plan.too_short_between" if times > 1 else "plan.too_short"
    return say(key, whole=whole, there=there, times=times)


def single_games(needs: pd.DataFrame) -> Iterator[str]:
    """Yield which single games the rounds decide; metrics of which the same holds are named together.

    Parameters
    ----------
    needs : rows of ``schedule.design.NEEDS``
    """
    alike: dict[tuple[str, str], list[str]] = {}
    for (group, metric), rows in needs.groupby(["group", "metric"], sort=False):
        known, parts = rows[rows["outlook"] != "none"], []
        for outlook in ("yes", "no"):
            if games := [html.scene_of(row) for row in known[known["outlook"] == outlook].itertuples()]:
                is_every = len(games) == len(known)
                which = say("plan.every_game") if is_every and len(games) > 1 else names_text(games)
                parts.append(say(f"plan.outlook.{outlook}", n=1 if is_every else len(games), games=which))
        told = "; ".join(parts) or say("plan.outlook.none")
        alike.setdefault((group, told), []).append(metric_of(metric).label)
    for (group, outlook), labels in alike.items():
        metrics = ", ".join([*([group] if group not in ("", "all") else []), names_text(labels)])
        yield say("plan.outlook.of", metrics=capital(metrics), outlook=outlook)


def _out_of_reach(schedule: Schedule) -> Iterator[str]:
    """Yield what stays out of reach in single games."""
    for (group, metric), part in schedule.needs.groupby(["group", "metric"], sort=False):
        far = part[part["rounds_to_decide"].isna() & part["margin"].notna() & part["detectable"].notna()]
        names = [scene_text(row.game, row.setting) for row in far.itertuples()]
        if names:
            which = say("plan.every_game") if len(far) == len(part) > 1 else names_text(names)
            label = of_group(metric_of(metric).label, group)
            yield say("plan.out_of_reach", metric=label, games=which, rounds=MOST_ROUNDS)


def _out_of_plan(schedule: Schedule) -> Iterator[str]:
    """Yield what needs other runs, other noise or another sample."""
    plan = schedule.plan
    soak = [METRICS[name].label for name in plan.analysis.metrics if METRICS[name].purpose == "soak"]
    if soak:
        yield say("plan.soak", metrics=capital(names_text(soak)))
    unknown = {METRICS[row.metric].label for row in schedule.noise[schedule.noise["source"] == "none"].itertuples()}
    if unknown:
        yield say("plan.no_noise", metrics=capital(names_text(sorted(unknown))))
    if schedule.design.in_blocks:
        yield say("plan.installation_noise") if schedule.design.mountings > 1 else say("plan.restart_noise")
    is_single = len(plan.cards) == len({card.model for card in plan.cards})
    yield say("plan.one_sample") if is_single else say("plan.other_samples")


def amount_text(value: float, unit: str) -> str:
    """Return a size with its unit, without idle zeros; an en dash for none."""
    if is_missing(value):
        return "–"
    text = number_text(value, decimals=2 if abs(value) < 1 else 1)
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit}"
