"""What happened during the runs: frame times and sensors from start to end."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.sensors import draw_sensors
from gpubench_kit.figures.traces import draw_frame_times
from gpubench_kit.page.elements import details, join, paragraph
from gpubench_kit.page.places import chart_grid, pictures_of
from gpubench_kit.page.section import Section, left_out

#: Scenes whose frame times are in sight; the others are folded away.
_IN_SIGHT = 2


def frame_times(review, runs: pd.DataFrame, plan) -> Section:
    """Return the section on frame times from the start of a run to its end.

    Parameters
    ----------
    review : the runs, after their logs were read; see `gpubench_kit.logs.review.Review`
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where no frame log was read
    """
    name, title = "frame-times", "Frame times over the run"
    facts = facts_of(review, runs)
    charts = [
        draw_frame_times(facts, plan, runs=runs, game=game, setting=setting) for game, setting in scenes_of(plan)
    ]
    charts = [chart for chart in charts if chart is not None]
    if not charts:
        return left_out(name, title, "no frame log was read")
    text = (
        "One run of each tuning, the one in the middle by its average. A line that is low and flat looks smooth; "
        "spikes are felt as hitches. This is for looking at: one run shows nothing about a tuning."
    )
    rest = details("The other scenes", chart_grid(charts[_IN_SIGHT:]))
    return Section(
        name, title, join([paragraph(text), chart_grid(charts[:_IN_SIGHT]), rest]), pictures=pictures_of(charts)
    )


def sensor_charts(review, runs: pd.DataFrame, plan) -> list[DescribedFigure]:
    """Return temperature, clock and power over the long runs, scene by scene.

    Parameters
    ----------
    review, runs, plan : as in `frame_times`

    Returns
    -------
    list of DescribedFigure; of soak runs where there are any, else of measured runs of the first scene
    """
    facts = facts_of(review, runs)
    soaked = set(runs.loc[(runs["purpose"] == "soak") & runs["used"].fillna(False), "game"])
    scenes = [scene for scene in scenes_of(plan) if scene[0] in soaked]
    purpose = "soak" if scenes else "measure"
    drawn = [
        draw_sensors(facts, plan, runs=runs, scene=scene, purpose=purpose)
        for scene in scenes or scenes_of(plan)[:1]
    ]
    return [chart for chart in drawn if chart is not None]


def facts_of(review, runs: pd.DataFrame) -> list:
    """Return the facts of every run that has a log.

    Parameters
    ----------
    review, runs : as in `frame_times`
    """
    found: Iterable = (review.facts_of(run) for run in runs["run"])
    return [one for one in found if one is not None]


def scenes_of(plan) -> list[tuple[str, str]]:
    """Return every game with each of its settings.

    Parameters
    ----------
    plan : ReviewPlan
    """
    return [(game.name, one.name) for game in plan.games for one in game.settings]
