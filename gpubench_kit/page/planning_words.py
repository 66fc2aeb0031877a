"""What a planned evening can and cannot say, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.schedule.make import Schedule
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.planning import MOST_ROUNDS
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.wording.numbers import count_text, duration_text, number_text
from gpubench_kit.wording.terms import metric_of, names_text, of_group, scene_text, sentence

_FROM_NOISE = (
    "Only noise enters this page. Differences between tunings are not computed for it, so planning is no look at "
    "verdicts."
)
_FROM_LOOK = (
    "Which games are undecided comes from the last look; how many rounds, or installations of cards, they get "
    "follows from their noise alone. No difference is shown."
)

_OUTLOOK = {"yes": "decided (8 in 10 or more)", "no": "rather left undecided"}


def evening_sentence(schedule: Schedule) -> str:
    """Return what is to be done, and how long it takes, in a sentence.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`
    """
    rows = schedule.to_run
    if not len(rows):
        return "There is nothing to run."
    tunings = [one.name for one in schedule.plan.tunings if (rows["tuning"] == one.name).any()]
    design = schedule.design
    rounds = sorted({design.new_rounds(stop) for stop in design.stops if stop.rounds}) or [0]
    count = count_text(rounds[0], "round") if len(rounds) == 1 else f"{rounds[0]} to {rounds[-1]} rounds"
    games = count_text(rows["game"].nunique(), "game")
    names = names_text(f"“{name}”" for name in tunings)
    of = f", {count} of {names}{design.in_turns}" if len(schedule.rows) else f" of {names}, still to be recorded"
    time, there = time_text(60 * schedule.minutes), time_text(60 * schedule.plan.session_plan.minutes)
    return f"{count_text(len(rows), 'run')} in {games}{of}: {time}, of {there}."


def time_text(seconds: float) -> str:
    """Return a time of the bench session; seconds are told only below ten minutes."""
    minutes = round(seconds / 60)
    return f"{minutes} min" if 10 <= minutes < 60 else duration_text(seconds)


def told_in_lines(schedule: Schedule) -> list[str]:
    """Return the plan in a few lines for a terminal: what to do, what is left out, what cannot be said.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`
    """
    lines = [evening_sentence(schedule), *schedule.told, schedule.noise_told]
    if schedule.dropped:
        whole, there = time_text(60 * schedule.full_minutes), time_text(60 * schedule.plan.session_plan.minutes)
        lines.append(f"Everything would take {whole}; the bench session has {there}. Left out:")
        lines += [f"  {one.what}: {one.then}" for one in schedule.dropped]
    return lines


def metric_sentence(needs: pd.DataFrame, *, metric: str, group: str) -> str:
    """Return which single games the rounds decide.

    Parameters
    ----------
    needs : rows of ``schedule.tables.NEEDS`` of one metric and group
    metric, group : which
    """
    label = of_group(sentence(metric_of(metric).label), group)
    known = needs[needs["outlook"] != "none"]
    if not len(known):
        return f"{label}: no game can be judged, without a margin or noise, or since a frame limit is declared."
    margin, unit = known["margin"].iloc[0], known["unit"].iloc[0]
    parts = []
    for outlook, words in _OUTLOOK.items():
        games = [scene_text(row.game, row.setting) for row in known[known["outlook"] == outlook].itertuples()]
        if games:
            which = "every game" if len(games) == len(known) > 1 else names_text(games)
            verb = "is" if len(games) == 1 or which == "every game" else "are"
            parts.append(f"{which} {verb} {words}")
    told = f"{label} (margin {amount_text(margin, unit)}): {'; '.join(parts)}."
    return f"{told} This holds for games that differ by nothing, or by the margin or more."


def not_said(schedule: Schedule) -> list[str]:
    """Return what the rounds will not be able to say.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`
    """
    return [*_undecided(schedule), *_few_games(schedule), *_apart(schedule)]


def method_sentences(schedule: Schedule) -> list[str]:
    """Return how the plan is made, in sentences.

    Parameters
    ----------
    schedule : see `gpubench_kit.schedule.make_schedule`
    """
    plan, (level, _) = schedule.plan, level_of_looks(schedule.plan)
    evening = plan.session_plan
    order = (
        "Games come in random order. The tunings of a round alternate (AB, BA, AB) from a random start or, where "
        "there are more than two, a random permutation is rotated from round to round."
    )
    if schedule.design.by_restart:
        order += " A tuning needs a restart, so each game is played once between two restarts; these are the units."
    if (times := schedule.design.mountings) > 1:
        order += f" Cards are installed in turns, {times} times each; installations are the units between cards."
    looks = count_text(plan.analysis.looks, "look")
    times = (
        f"Times from the plan: scene {duration_text(evening.scene_s)}, start of a game "
        f"{duration_text(evening.launch_s)}, settling after it {duration_text(evening.settle_s)}, tuning "
        f"{duration_text(evening.tuning_change_s)}, restart {duration_text(evening.restart_s)}, exchange of a card "
        f"{duration_text(60 * evening.card_swap_min)}."
    )
    dropping = (
        "A bench session too short loses tunings outside must_have first, then games that decide nothing (down "
        "to six), then rounds (down to three), then further games from the end of the plan."
    )
    return [
        f"Level {level:g}, for {looks} at verdicts; chances are those of t tests on rounds, and 80 % is the aim.",
        order,
        "The tuning is applied before every run, also where the run before had the same one.",
        times,
        dropping,
        _FROM_LOOK if schedule.stage == "further" else _FROM_NOISE,
    ]


def _undecided(schedule: Schedule) -> Iterator[str]:
    """Yield what stays out of reach in single games."""
    for (group, metric), part in schedule.needs.groupby(["group", "metric"], sort=False):
        far = part[part["rounds_to_decide"].isna() & part["margin"].notna() & part["detectable"].notna()]
        names = [scene_text(row.game, row.setting) for row in far.itertuples()]
        if names:
            which = "every game" if len(far) == len(part) > 1 else names_text(names)
            label = of_group(metric_of(metric).label, group)
            yield (
                f"The {label} in {which}, taken singly: not with a feasible number, for more than {MOST_ROUNDS} "
                "rounds would be needed; the overall result stands."
            )


def _few_games(schedule: Schedule) -> Iterator[str]:
    """Yield what few games cannot show."""
    games = schedule.needs["game"].nunique()
    if games == 1:
        yield "Anything about games in general: there is one game."
    elif games < LEAST_GAMES:
        yield f"Much from few rounds: with fewer than {LEAST_GAMES} games none can borrow noise from the others."


def _apart(schedule: Schedule) -> Iterator[str]:
    """Yield what needs other runs, other noise or another sample."""
    plan = schedule.plan
    soak = [METRICS[name].label for name in plan.analysis.metrics if METRICS[name].purpose == "soak"]
    if soak:
        heat = "heat carries over between short runs; these need long runs of purpose “soak”, not planned here."
        yield f"{sentence(names_text(soak))}: {heat}"
    unknown = {METRICS[row.metric].label for row in schedule.noise[schedule.noise["source"] == "none"].itertuples()}
    if unknown:
        yield f"{sentence(names_text(sorted(unknown)))}: no noise is known; measure pilot runs."
    if schedule.design.in_blocks:
        what = "an installation" if schedule.design.mountings > 1 else "a restart"
        yield f"What {what} adds to the noise. Runs do not show it: comparisons over it are less sure than told."
    is_single = len(plan.cards) == len({card.model for card in plan.cards})
    yield "Other cards of the model: one is measured." if is_single else "Samples that are not measured."


def amount_text(value: float, unit: str) -> str:
    """Return a size with its unit, without idle zeros."""
    decimals = 2 if abs(value) < 1 else 1
    text = number_text(value, decimals=decimals)
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {unit}"
