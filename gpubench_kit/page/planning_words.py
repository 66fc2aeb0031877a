"""What a planned bench session can and cannot say, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.schedule.make import Schedule
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.planning import MOST_ROUNDS
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text, duration_text, is_missing, number_text, percent_text
from gpubench_kit.wording.terms import capital, metric_of, names_text, of_group, scene_text


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


def typical_caution(schedule: Schedule) -> str:
    """Return a caution where noise is not measured; empty where it is."""
    typical = schedule.noise[schedule.noise["source"] == "typical"]
    values = {metric_of(row.metric).label: percent_text(round(row.noise, 3)) for row in typical.itertuples()}
    listed = ", ".join(f"{label} {value}" for label, value in values.items())
    return say("plan.typical", listed=listed) if listed else ""


def single_games(needs: pd.DataFrame) -> Iterator[str]:
    """Yield which single games the rounds decide; metrics of which the same holds are named together.

    Parameters
    ----------
    needs : rows of ``schedule.design.NEEDS``
    """
    alike: dict[tuple[str, str], list[str]] = {}
    for (group, metric), rows in needs.groupby(["group", "metric"], sort=False):
        known = rows[rows["outlook"] != "none"]
        alike.setdefault((group, _outlook(known)), []).append(metric_of(metric).label)
    for (group, outlook), labels in alike.items():
        metrics = ", ".join([*([group] if group not in ("", "all") else []), names_text(labels)])
        yield say("plan.outlook.of", metrics=capital(metrics), outlook=outlook)


def _outlook(known: pd.DataFrame) -> str:
    """Return which games of one metric and group are decided, and which rather not."""
    parts = []
    for outlook in ("yes", "no"):
        games = [scene_text(row.game, row.setting) for row in known[known["outlook"] == outlook].itertuples()]
        which = say("plan.every_game") if len(games) == len(known) > 1 else names_text(games) if games else ""
        if games:
            n = 1 if len(games) == len(known) else len(games)
            parts.append(say(f"plan.outlook.{outlook}", n=n, games=which))
    return "; ".join(parts) or say("plan.outlook.none")


def not_said(schedule: Schedule) -> list[str]:
    """Return what the rounds will not be able to say.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`
    """
    games = schedule.needs["game"].nunique()
    few = say("plan.one_game") if games == 1 else say("plan.few_games", least=LEAST_GAMES)
    return [*_undecided(schedule), *([few] if 0 < games < LEAST_GAMES else []), *_apart(schedule)]


def method_sentences(schedule: Schedule) -> list[str]:
    """Return how the plan is made, in sentences.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make.make_schedule`
    """
    plan, (level, _), design = schedule.plan, level_of_looks(schedule.plan), schedule.design
    session = plan.session_plan
    order = [
        say("plan.method.order"),
        say("plan.method.restart") if design.by_restart else "",
        say("plan.method.cards", times=design.mountings) if design.mountings > 1 else "",
    ]
    times = {
        name: duration_text(getattr(session, f"{name}_s"))
        for name in ("scene", "launch", "settle", "tuning_change", "restart")
    }
    return [
        say("plan.method.level", level=f"{level:g}", looks=count_text(plan.analysis.looks, "look")),
        " ".join(filter(None, order)),
        say("plan.method.applied"),
        say("plan.method.times", swap=duration_text(60 * session.card_swap_min), **times),
        say("plan.method.dropping"),
        say("plan.method.from_look") if schedule.stage == "further" else say("plan.method.from_noise"),
    ]


def _undecided(schedule: Schedule) -> Iterator[str]:
    """Yield what stays out of reach in single games."""
    for (group, metric), part in schedule.needs.groupby(["group", "metric"], sort=False):
        far = part[part["rounds_to_decide"].isna() & part["margin"].notna() & part["detectable"].notna()]
        names = [scene_text(row.game, row.setting) for row in far.itertuples()]
        if names:
            which = say("plan.every_game") if len(far) == len(part) > 1 else names_text(names)
            label = of_group(metric_of(metric).label, group)
            yield say("plan.out_of_reach", metric=label, games=which, rounds=MOST_ROUNDS)


def _apart(schedule: Schedule) -> Iterator[str]:
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
