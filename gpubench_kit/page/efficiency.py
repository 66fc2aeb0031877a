"""Watts against FPS, with what else a viewer pays or saves: heat and noise, running cost."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.page.answer_card import unit_of_change
from gpubench_kit.page.charts import Plot
from gpubench_kit.page.charts.games import sensors_of_game
from gpubench_kit.page.charts.over_games import watts_against_fps
from gpubench_kit.page.costs import cost_lines, cost_table
from gpubench_kit.page.elements import (
    Field,
    Markup,
    figure,
    figures,
    heading,
    join,
    listing,
    render,
    verdict_markup,
)
from gpubench_kit.page.film.names import picture_links
from gpubench_kit.page.headline import is_real, watts_title
from gpubench_kit.page.results import Pair, Results, Scene
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.names import capital, metric_label
from gpubench_kit.wording.numbers import change_text, is_missing, unit_text
from gpubench_kit.wording.terms import scene_text

#: Rows of the table of heat and noise.
_HEAT = ("core_c", "hotspot_c", "memory_c", "fan_rpm", "sound_dba")


def watts(results: Results) -> Section:
    """Return the section on watts against FPS; left out where no power was compared.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    has_power = any(METRICS[one].unit in ("W", "J") for one in results.metrics)
    charts = scatters(results) if has_power else []
    heat = _heat(results)
    costs = cost_table(results)
    if not charts and not heat and not costs:
        return left_out("watts", say("watts.heading"), say("watts.left_out"))
    values = {
        "charts": charts,
        "picture": picture_links(results, "watts-fps", setting=results.groups[0]) if charts else [],
        "text": " ".join(_sentences(results)),
        "measured_at": _measured_at(results) if has_power else "",
        "heat": heat,
        "costs": costs,
        "folds": [(say("watts.fold.sensors"), _sensors(results)), (say("watts.fold.cost"), cost_lines(results))],
    }
    return Section("watts", watts_title(results), render("efficiency.html.j2", values))


def scatters(results: Results) -> list[Any]:
    """Return watts against FPS of the main group, wide and narrow; nothing where power was measured apart.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    points = {card.power_measured_at for card in results.plan.cards}
    if not len(results.levels) or len(points) > 1:
        return []
    return list(watts_against_fps(results.levels, group=results.groups[0], states=results.states()) or ())


def _sentences(results: Results) -> Iterator[str]:
    """Yield what each tuning does to FPS per watt, as far as it is decided."""
    for pair in results.main.pairs if results.main else ():
        row = results.over_games(pair, results.groups[0], "energy_per_frame_j")
        if row is None or is_missing(row.change) or row.verdict == "no_verdict" or row.carried_by:
            continue
        name = capital(results.short(pair.of) if not pair.is_between else pair.of.card)
        if is_real(row):
            more = 100 * (1 / (1 + row.change / 100) - 1)
            amount = change_text(abs(more), "%").lstrip("+")
            yield say(f"watts.{'more' if more > 0 else 'fewer'}", tuning=name, amount=amount)
        elif row.verdict == "same_within_margin":
            yield say("watts.same", tuning=name)
        else:
            yield say("watts.undecided", tuning=name)


def _measured_at(results: Results) -> str:
    """Return where power was measured, card by card where they differ."""
    points = {card.name: say(f"watts.point.{card.power_measured_at or 'none'}") for card in results.plan.cards}
    if len(set(points.values())) == 1:
        return say("watts.measured", point=next(iter(points.values())))
    listed = "; ".join(f"{name}: {point}" for name, point in points.items())
    return say("watts.measured_apart", listed=listed)


def _heat(results: Results) -> Markup:
    """Return heat and noise after soak runs: the reference, and the change of each tuning with its verdict."""
    if not results.main or results.main.common is None:
        return Markup("")
    group, pairs = results.groups[0], results.main.pairs
    metrics = [metric for metric in _HEAT if any(_is_known(results, pair, metric, group) for pair in pairs)]
    if not metrics:
        return Markup("")
    columns = [
        Field(say("heat.corner"), metric_label),
        Field(results.main.common.tuning, lambda one: _level(results, one)),
    ]
    columns += [
        Field(results.short(pair.of), lambda one, pair=pair: _heat_cell(results.over_games(pair, group, one)))
        for pair in pairs
    ]
    games = max(
        results.over_games(pair, group, one).n_games
        for pair in pairs
        for one in metrics
        if _is_known(results, pair, one, group)
    )
    return listing(columns, metrics, caption=say("heat.caption", games=say("answer.games", n=int(games))))


def _is_known(results: Results, pair: Pair, metric: str, group: str) -> bool:
    """Return whether a change is known."""
    row = results.over_games(pair, group, metric)
    return row is not None and not is_missing(row.change)


def _level(results: Results, metric: str) -> str:
    """Return the level of the reference."""
    values = [results.mean_of(pair, results.groups[0], metric)[1] for pair in results.main.pairs]
    known = [value for value in values if not is_missing(value)]
    unit = METRICS[metric].unit
    return unit_text(known[0], unit) if known else ""


def _heat_cell(row: Any) -> Markup:
    """Return the change and the verdict of one tuning."""
    if row is None or is_missing(row.change):
        return Markup("") + say("answer.not_measured")
    return join([change_text(row.change, unit_of_change(row)), verdict_markup(row)], " ")


def sensor_charts(results: Results) -> list[tuple[Scene, tuple[Plot, ...]]]:
    """Return temperature, clock and power over soak runs, or over measured runs of the first scene without any.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    runs = results.runs
    is_soak = (runs["purpose"] == "soak") & runs["used"].fillna(False).astype(bool)
    scenes = [scene for group in results.groups[:1] for scene in results.scenes(group)]
    soaked = [scene for scene in scenes if scene.game in set(runs.loc[is_soak, "game"])]
    options = {"states": results.states(), "edge_s": results.plan.analysis.sensor_edge_s}
    out = []
    for scene in soaked or scenes[:1]:
        own = runs[(runs["game"] == scene.game) & (runs["setting"] == scene.setting)]
        purpose = "soak" if soaked else "measure"
        out.append(
            (scene, sensors_of_game(results.facts(own["run"]), own, scene=scene, purpose=purpose, **options))
        )
    return [(scene, charts) for scene, charts in out if charts]


def _sensors(results: Results) -> Markup:
    """Return the charts of sensors, a heading for each scene."""
    return join(
        part
        for scene, charts in sensor_charts(results)
        for part in (heading(scene_text(*scene)), figures(map(figure, charts), css="trio"))
    )
