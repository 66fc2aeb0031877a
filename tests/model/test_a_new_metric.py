"""A metric is one row and a formula: a made-up one is found wherever metrics are computed, shown or judged."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

#: Row and formula are added before anything else of the kit is loaded, as if they stood in its files.
CODE = """
import json, sys
from gpubench_kit.model import metrics

metrics.METRICS["uneven_pct"] = metrics.Metric(
    "uneven_pct", "unevenness", "%", "lower", "ratio", "frames", "measure", "Time beyond the median frame.",
    section="lows", rank=4, noise_pct=2.5, head="Unevenness of frames", short="unevenness", needs_fine_times=True,
)
from gpubench_kit.metrics import per_run


def uneven(frames, rules):
    beyond = frames.frame_ms - frames.quantiles_ms[0]
    share = 100 * beyond[beyond > 0].sum() / frames.frame_ms.sum()
    return [per_run.metric_row("uneven_pct", share, "time beyond the median frame / whole time")]


per_run.FORMULAS.append(uneven)
import gpubench_kit as kit
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.film import film_pictures
from gpubench_kit.statistics.overall import member_levels

review = kit.review(sys.argv[1], count_look=False, pictures="all")
axes = kit.plots.intervals(review.comparisons, metric="uneven_pct")
session = kit.plan_session(sys.argv[1])
analysis = review.plan.analysis.model_copy(update={"primary": "avg_fps"})
beside_rates = review.plan.model_copy(update={"analysis": analysis})
print(json.dumps({
    "values": review.metrics.query("metric == 'uneven_pct'").set_index("run")["value"].to_dict(),
    "noise": review.noise["metric"].eq("uneven_pct").sum(),
    "comparisons": review.comparisons.query("metric == 'uneven_pct'")["verdict"].tolist(),
    "overall": review.overall.query("metric == 'uneven_pct' and scope == 'these_games'")["verdict"].tolist(),
    "share": member_levels(beside_rates, 0.05).of(0, "uneven_pct", "all"),
    "claims": review.claims["verdict"].tolist(),
    "page": [name for name in ("answer", "by_game", "games", "script", "quality")
             if "nevenness" in str(review.section(name).text)],
    "head": "Unevenness of frames" in str(review.section("answer").text),
    "schema": json.dumps(ReviewPlan.model_json_schema()).count('"uneven_pct"'),
    "plot": axes.get_xlabel(),
    "pictures": sum("nevenness" in repr(one) for one in film_pictures(review._results, every=True)),
    "planned": session.noise.query("metric == 'uneven_pct'")["source"].unique().tolist(),
}, default=int))
"""

PLAN = """
[review]
title = "Larkmoor 4: how even it runs"
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
metrics = ["avg_fps", "uneven_pct"]
primary = "uneven_pct"
margins = { uneven_pct = 3.0 }
[logs]
frame_time = { column = "frame_ms" }
[session_plan]
noise_from = "typical"
[[claims]]
id = "calmer"
text = "It runs more evenly"
metric = "uneven_pct"
of = { tuning = "quiet" }
against = { tuning = "factory" }
over = "these_games"
says = "better"
"""


def frame_times(run: int) -> tuple[list[float], float]:
    """Return frame times of a run [ms], and how much of them lies beyond the median [%], worked out by hand."""
    is_factory = run % 2 == (run // 2) % 2
    # Two of three frames take 10 ms, one longer; the median is 10 ms.
    long = (13.0 if is_factory else 12.0) + run / 1000
    return [10.0, 10.0, long] * 400, 100 * (long - 10) / (20 + long)


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> dict:
    """Return where the made-up metric was found in a review whose logs it was computed from."""
    folder = tmp_path_factory.mktemp("even")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    (folder / "logs").mkdir()
    rows = ["run,tuning,game,round,order,frame_log"]
    for number in range(20):
        place, game = number % 10, ("Salt Orchard", "Low Tide Racers")[number // 10]
        tuning = "factory" if number % 2 == (number // 2) % 2 else "quiet"
        rows.append(f"r{number},{tuning},{game},{place // 2 + 1},{number + 1},logs/r{number}.csv")
        lines = "\n".join(f"{one:.4f}" for one in frame_times(number)[0])
        Path(folder / "logs" / f"r{number}.csv").write_text(f"frame_ms\n{lines}\n", encoding="utf-8")
    (folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    done = subprocess.run([sys.executable, "-c", CODE, str(folder)], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


def test_it_is_computed_from_the_logs_by_its_formula(found):
    assert len(found["values"]) == 20
    for run, value in found["values"].items():
        assert value == pytest.approx(frame_times(int(run[1:]))[1])
    assert found["noise"] == 4


def test_it_is_judged_in_each_game_over_the_games_and_in_the_script(found):
    assert found["comparisons"] == ["better", "better"]
    assert found["overall"] == ["better"]
    assert found["claims"] == ["supported"]


def test_beside_another_primary_metric_it_has_the_lows_part_of_the_pages_level(found):
    assert found["share"] == pytest.approx(0.05 * 0.4)


def test_every_section_of_the_page_the_pictures_and_plots_call_it_by_its_name(found):
    assert found["page"] == ["answer", "by_game", "games", "script", "quality"]
    assert found["head"]
    assert found["plot"] == "Change of unevenness [%]"
    assert found["pictures"] > 0


def test_the_schema_of_plans_names_it(found):
    assert found["schema"] > 0


def test_a_session_is_planned_by_its_typical_noise(found):
    assert found["planned"] == ["typical"]
