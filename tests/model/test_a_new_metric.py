"""A metric is one row: a made-up one, typed by hand, is found wherever metrics are shown or judged."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

#: The row is added before anything else of the kit is loaded, as if it stood in the file.
CODE = """
import json, sys
from gpubench_kit.model import metrics

metrics.METRICS["glow_lm"] = metrics.Metric(
    "glow_lm", "glow of the backplate", "lm", "lower", "ratio", "sheet", "measure", "Light of the card itself."
)
import gpubench_kit as kit
from gpubench_kit.model.plan.schema import plan_schema
from gpubench_kit.page.film.choice import film_pictures

review = kit.review(sys.argv[1], count_look=False, pictures="all")
axes = kit.plots.intervals(review.comparisons, metric="glow_lm")
found = {
    "metrics": review.metrics["metric"].eq("glow_lm").sum(),
    "noise": review.noise["metric"].eq("glow_lm").sum(),
    "comparisons": review.comparisons.query("metric == 'glow_lm'")["verdict"].tolist(),
    "overall": review.overall.query("metric == 'glow_lm' and scope == 'these_games'")["verdict"].tolist(),
    "claims": review.claims["verdict"].tolist(),
    "page": [name for name in ("answer", "by_game", "watts", "games", "script", "quality")
             if "low of the backplate" in str(review.section(name).text)],
    "schema": json.dumps(plan_schema()).count('"glow_lm"'),
    "plot": axes.get_xlabel(),
    "pictures": sum("low of the backplate" in repr(one) for one in film_pictures(review._results, every=True)),
}
print(json.dumps(found, default=int))
"""

PLAN = """
[review]
title = "Larkmoor 4: how it glows"
[[cards]]
name = "Larkmoor 4"
[[tunings]]
name = "factory"
reference = true
[[tunings]]
name = "quiet"
[[games]]
name = "Salt Orchard"
[[games]]
name = "Low Tide Racers"
[analysis]
metrics = ["avg_fps", "glow_lm"]
primary = "glow_lm"
margins = { glow_lm = 3.0 }
[[claims]]
id = "dimmer"
text = "It glows less"
metric = "glow_lm"
of = { tuning = "quiet" }
against = { tuning = "factory" }
over = "these_games"
says = "better"
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> dict:
    """Return where the made-up metric was found in a review that measured it."""
    folder = tmp_path_factory.mktemp("glow")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    rows = ["run,tuning,game,round,order,avg_fps,glow_lm"]
    for number in range(20):
        place, game = number % 10, ("Salt Orchard", "Low Tide Racers")[number // 10]
        is_factory = place % 2 == (place // 2) % 2
        tuning, glow = ("factory", 40.0) if is_factory else ("quiet", 30.0)
        noise = place % 3 / 10
        rows.append(f"r{number},{tuning},{game},{place // 2 + 1},{number + 1},{100 + noise:.1f},{glow + noise:.1f}")
    (folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    done = subprocess.run([sys.executable, "-c", CODE, str(folder)], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


def test_it_is_in_the_tables(found):
    assert (found["metrics"], found["noise"]) == (20, 4)


def test_it_is_judged_in_each_game_over_the_games_and_in_the_script(found):
    assert found["comparisons"] == ["better", "better"]
    assert found["overall"] == ["better"]
    assert found["claims"] == ["supported"]


def test_the_page_its_pictures_and_plots_call_it_by_its_label(found):
    assert {"answer", "by_game", "script", "quality"} <= set(found["page"])
    assert found["plot"] == "Change of glow of the backplate [%]"
    assert found["pictures"] > 0


def test_the_schema_of_plans_names_it(found):
    assert found["schema"] > 0
