"""Temperature, clock and power over the long runs."""

from __future__ import annotations

from gpubench_kit.page.charts.games import sensors_of_game
from gpubench_kit.page.elements import Markup, heading, join
from gpubench_kit.page.results import Results, Scene
from gpubench_kit.wording.catalogue import say


def sensor_charts(results: Results) -> Markup:
    """Return sensors over the run of soak runs where there are any, else of measured runs of the first scene."""
    runs = results.runs
    is_soak = (runs["purpose"] == "soak") & runs["used"].fillna(False).astype(bool)
    scenes = [scene for group in results.groups[:1] for scene in results.scenes(group)]
    soaked = [scene for scene in scenes if scene.game in set(runs.loc[is_soak, "game"])]
    purpose = "soak" if soaked else "measure"
    charts = [chart for scene in soaked or scenes[:1] for chart in _of_scene(results, scene, purpose)]
    return join([heading(say("watts.sensors")), *charts]) if charts else Markup("")


def _of_scene(results: Results, scene: Scene, purpose: str) -> tuple:
    """Return the charts of one scene."""
    own = results.runs[(results.runs["game"] == scene.game) & (results.runs["setting"] == scene.setting)]
    options = {"scene": scene, "states": results.states(), "purpose": purpose}
    return sensors_of_game(results.facts(own["run"]), own, edge_s=results.plan.analysis.sensor_edge_s, **options)
