"""A driver update: the old plan with one bench more compares the two drivers in one command."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
from made_reports import MadeReport, write_report
from run_tables import find_layouts

from gpubench_kit.archive.archive import gather_archive
from gpubench_kit.archive.gather import RESTART_SPREAD
from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.plan import ReviewPlan, load_plan
from gpubench_kit.report.build import build_report
from gpubench_kit.report.package import csv_text
from gpubench_kit.statistics.compare import compare_over_games

pytestmark = pytest.mark.usefixtures("notebooks_here")

GAMES = 8
HEAD = "scope,bench,metric,restarts,spread,widen_by,widen_restarts"
PLAN = """
[review]
title = "Larkmoor 4 after the update"
[[cards]]
name = "Larkmoor 4"
[[benches]]
name = "driver A"
[[benches]]
name = "driver B"
[[tunings]]
name = "factory"
reference = true
{games}
[analysis]
metrics = ["avg_fps"]
{spread}
[[comparisons]]
of = {{ tuning = "factory", bench = "driver B" }}
against = {{ tuning = "factory", bench = "driver A" }}
"""


def _plan_text(spread: str = "") -> str:
    """Return the plan of the review after the update."""
    games = "\n".join(f'[[games]]\nname = "game {number:02d}"' for number in range(1, GAMES + 1))
    return PLAN.format(games=games, spread=spread)


def _runs(sessions: str, *, change_pct: float = -3.0, seed: int = 1) -> pd.DataFrame:
    """Return runs of both drivers, one session after the other, as in ``ABAB``; three runs of each game."""
    rng = np.random.default_rng(seed)
    rows = []
    for number, bench in enumerate(sessions, start=1):
        restart = 0.3 * rng.standard_normal()
        for turn in range(3):
            for game in range(GAMES):
                change = change_pct if bench == "B" else 0.0
                value = 100 * np.exp((change + restart + 0.4 * rng.standard_normal()) / 100)
                rows.append({"bench": f"driver {bench}", "session": f"s{number}", "round": turn + 1,
                             "game": f"game {game + 1:02d}", "avg_fps": round(float(value), 3)})  # fmt: skip
    return pd.DataFrame(rows).assign(run=[f"r{one:03d}" for one in range(len(rows))], card="Larkmoor 4",
                                     tuning="factory", order=range(1, len(rows) + 1))  # fmt: skip


def _usable(runs: pd.DataFrame) -> pd.DataFrame:
    """Return run-sheet rows as usable runs."""
    return runs.assign(
        setting="", group="all", purpose="measure", metric="avg_fps", value=runs["avg_fps"], step=0.0
    )


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Return the folder of an archive of four reviews on this bench, with its table of restarts."""
    folder = tmp_path_factory.mktemp("bench")
    for number in range(4):
        made = MadeReport(
            title=f"Review {number}", date=f"2026-0{number + 1}-01", rounds=15, games=5, noise_pct=0.3
        )
        write_report(folder / "reports" / f"r{number}", made, seed=number, log_names=f"log{number}")
    tables = folder / "reports" / "archive" / "tables"
    tables.mkdir(parents=True)
    spread = gather_archive(folder / "reports").restart_spread
    (tables / "restart_spread.csv").write_text(csv_text(spread, RESTART_SPREAD), encoding="utf-8")
    return folder


def _plan(folder, spread: str = "") -> ReviewPlan:
    """Return the plan, read from a folder."""
    (folder / "plan.toml").write_text(_plan_text(spread), encoding="utf-8")
    return load_plan(folder)


def test_one_driver_after_the_other_has_no_verdict_without_a_measured_spread(tmp_path):
    result = compare_over_games(_usable(_runs("AB")), _plan(tmp_path)).iloc[0]
    assert (result["verdict"], result["reason"]) == ("no_verdict", "confounded")
    assert result["change"] == pytest.approx(-3.0, abs=0.8)


def test_the_archive_widens_and_judges_one_driver_after_the_other(archive, tmp_path, monkeypatch):
    monkeypatch.chdir(archive)
    plan = _plan(tmp_path, 'restart_spread = "archive"')
    spread, restarts = plan.restart_spread_of("avg_fps")
    assert (spread, restarts) == (pytest.approx(0.3, abs=0.15), pytest.approx(13, abs=8))
    result = compare_over_games(_usable(_runs("AB")), plan).iloc[0]
    assert (result["verdict"], result["reason"]) == ("worse", "measured_restart_spread")
    half = (result["ci_high"] - result["ci_low"]) / 2
    assert half > 2 * spread * np.sqrt(2)


def test_a_change_that_restarts_explain_is_not_found(archive, tmp_path, monkeypatch):
    monkeypatch.chdir(archive)
    result = compare_over_games(
        _usable(_runs("AB", change_pct=-0.3)), _plan(tmp_path, 'restart_spread = "archive"')
    )
    assert result["verdict"].iloc[0] in ("same_within_margin", "undecided")


def test_drivers_measured_in_turn_need_no_archive(tmp_path):
    result = compare_over_games(_usable(_runs("ABABAB")), _plan(tmp_path)).iloc[0]
    assert (result["verdict"], result["layout"]) == ("worse", "restarts")
    assert result["change"] == pytest.approx(-3.0, abs=0.8)


def test_the_page_is_told_which_archive_widens_and_on_how_many_restarts(archive, tmp_path, monkeypatch):
    monkeypatch.chdir(archive)
    found = find_layouts(_usable(_runs("AB")), _plan(tmp_path, 'restart_spread = "archive"'))
    told = next(one for one in found if one.check == "restart_spread_from_archive")
    assert "reports/archive/tables/restart_spread.csv: avg_fps 0." in told.message
    assert told.found >= 6


def test_a_copy_beside_the_plan_comes_before_the_archive(archive, tmp_path, monkeypatch):
    monkeypatch.chdir(archive)
    row = {"scope": "all", "metric": "avg_fps", "restarts": 9, "spread": 0.7, "widen_by": 0.7, "widen_restarts": 9}
    rows = [row]
    copy = csv_text(RESTART_SPREAD.frame(rows), RESTART_SPREAD)
    (tmp_path / "restart_spread.csv").write_text(copy, encoding="utf-8")
    plan = _plan(tmp_path, 'restart_spread = "archive"')
    assert (plan.restart_spread_of("avg_fps"), plan.restart_spread_source) == ((0.7, 9), "restart_spread.csv")


def test_the_latest_bench_of_the_plan_comes_before_all_benches(tmp_path):
    rows = [
        {"scope": scope, "bench": bench, "metric": "avg_fps", "restarts": 9, "spread": one, "widen_by": one,
         "widen_restarts": 9}
        for scope, bench, one in (("all", "", 0.7), ("bench", "driver A", 0.9), ("bench", "driver B", 0.2))
    ]  # fmt: skip
    copy = csv_text(RESTART_SPREAD.frame(rows), RESTART_SPREAD)
    (tmp_path / "restart_spread.csv").write_text(copy, encoding="utf-8")
    assert _plan(tmp_path, 'restart_spread = "archive"').restart_spread_of("avg_fps") == (0.2, 9)


@pytest.mark.parametrize("spread", [0.2, 0.0])
def test_too_few_restarts_widen_nothing_and_are_told(tmp_path, spread):
    rows = [{"scope": "all", "metric": "avg_fps", "restarts": 4, "spread": spread}]
    copy = csv_text(RESTART_SPREAD.frame(rows), RESTART_SPREAD)
    (tmp_path / "restart_spread.csv").write_text(copy, encoding="utf-8")
    plan = _plan(tmp_path, 'restart_spread = "archive"')
    assert plan.restart_spread_of("avg_fps") == (spread, 1)
    assert compare_over_games(_usable(_runs("AB")), plan)["reason"].iloc[0] == "confounded"
    assert "few_restarts" in {one.check for one in find_layouts(_usable(_runs("AB")), plan)}


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (None, "neither restart_spread.csv in the review folder nor reports/archive"),
        ("a,b\n1,2\n", "lacks the column 'scope'"),
        ("", "or any row"),
        (
            "scope,bench,metric,restarts,spread,widen_by,widen_restarts\nall,,board_w,9,0.3,0.3,9\n",
            "no restarts in",
        ),
    ],
    ids=["no archive", "another table", "empty", "other metrics"],
)
def test_an_archive_that_cannot_be_used_is_refused_in_the_plan(tmp_path, monkeypatch, content, match):
    monkeypatch.chdir(tmp_path)
    if content is not None:
        (tmp_path / "restart_spread.csv").write_text(content, encoding="utf-8")
    with pytest.raises(PlanError, match=match):
        _plan(tmp_path, 'restart_spread = "archive"')


@pytest.mark.slow
def test_one_command_compares_the_drivers_from_the_old_plan(archive, tmp_path, monkeypatch):
    monkeypatch.chdir(archive)
    review = tmp_path / "retest"
    review.mkdir()
    _plan(review, 'restart_spread = "archive"')
    _runs("AB").to_csv(review / "runs.csv", index=False)
    page = build_report(review, tmp_path / "out", record_look=False)
    verdicts = json.loads((page.parent / "manifest.json").read_text(encoding="utf-8"))["verdicts"]["overall"]
    wanted = ("driver B", "driver A", "worse", "measured_restart_spread")
    names = ("of_bench", "against_bench", "verdict", "reason")
    assert wanted in {tuple(row[name] for name in names) for row in verdicts}
    assert "reports/archive/tables/restart_spread.csv" in page.read_text(encoding="utf-8")
