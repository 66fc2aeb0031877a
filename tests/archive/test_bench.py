"""What the archive says of a bench whose noise, restarts and drivers are known."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from made_bench import DRIVER_PCT, NOISE_PCT, NOISY, NOISY_PCT, RESTART_PCT
from made_reports import MadeReport, write_report

from gpubench_kit.archive.archive import gather_archive
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.report.package import write_tables
from gpubench_kit.schedule.make import make_schedule


def test_run_to_run_noise_of_each_game_is_recovered(bench):
    noise = bench.archive.run_noise
    rows = noise[(noise["scope"] == "all") & (noise["metric"] == "avg_fps")].set_index("game")
    assert rows.loc[NOISY, "noise"] == pytest.approx(NOISY_PCT, rel=0.2)
    quiet = rows.drop(NOISY)
    assert quiet["noise"].mean() == pytest.approx(NOISE_PCT, rel=0.1)
    # Eight reviews of four sessions, two tunings, three runs each: two degrees of freedom in each session.
    assert (quiet["df"] == 8 * 4 * 2 * 2).all()
    assert (quiet[["n", "n_reviews", "n_sessions"]].drop_duplicates().to_numpy() == [8 * 12 * 2, 8, 32]).all()
    assert ((quiet["ci_low"] < NOISE_PCT) & (quiet["ci_high"] > NOISE_PCT)).mean() >= 0.8


def test_each_bench_has_its_own_noise_beside_that_of_all(bench):
    noise = bench.archive.run_noise
    assert set(noise.loc[noise["scope"] == "bench", "bench"]) == {"desk, driver A", "desk, driver B"}
    assert noise.loc[noise["scope"] == "bench", "n"].sum() == noise.loc[noise["scope"] == "all", "n"].sum()


def test_the_spread_between_restarts_is_recovered_and_counts_a_restart_once(bench):
    rows = bench.archive.restart_spread
    row = rows[(rows["scope"] == "all") & (rows["metric"] == "avg_fps")].iloc[0]
    assert row["ci_low"] < RESTART_PCT < row["ci_high"]
    # Four sessions in each of eight reviews: three restarts each, one more for the first.
    assert row["restarts"] == 25
    assert row["df"] <= 24
    assert row["widen_by"] == row["spread"]
    assert row["widen_restarts"] <= 25


def test_the_line_for_a_plan_is_one_that_a_plan_takes(bench):
    plan = ReviewPlan.from_dict(
        {
            "review": {"title": "The next one"},
            "cards": [{"name": "Larkmoor 4"}],
            "tunings": [{"name": "factory", "reference": True}],
            "games": [{"name": "game 01"}],
            "analysis": tomllib.loads(bench.archive.plan_line),
        }
    )
    spread, restarts = plan.restart_spread_of("avg_fps")
    assert spread == pytest.approx(RESTART_PCT, rel=0.5)
    assert restarts >= 6


def test_a_driver_that_costs_frames_is_found_and_watts_stay_as_they_were_counted(bench):
    rows = bench.archive.driver_changes.set_index("metric")
    row = rows.loc["avg_fps"]
    assert (row["against_driver"], row["of_driver"], row["source"]) == ("A", "B", "archive")
    assert row["ci_low"] < DRIVER_PCT < row["ci_high"]
    assert (row["verdict"], row["reason"], row["n_games"]) == ("worse", "measured_restart_spread", 7)
    assert (row["n_sessions_of"], row["n_sessions_against"]) == (16, 16)


def test_control_runs_show_the_change_from_the_review_in_which_it_came(bench):
    rows = bench.archive.control_runs
    rate = rows[rows["metric"] == "avg_fps"].sort_values("place_in_time")
    assert list(rate["place_in_time"]) == [2, 3, 4, 5, 6, 7, 8]
    assert set(rate["verdict"].iloc[:3]) <= {"same_within_margin", "undecided"}
    assert (rate["change"].iloc[3:] < -1.5).all()


def test_levels_of_cards_are_fitted_through_the_games_in_common(tmp_path):
    for number, (card, games, level) in enumerate([("Old", 2, 0.0), ("New", 4, 10.0), ("Newer", 4, 20.0)]):
        made = MadeReport(title=card, card=card, games=games, rounds=4, noise_pct=0.01, restart_pct=0.0,
                          level_pct=level, date=f"2026-0{number + 1}-01")  # fmt: skip
        write_report(tmp_path / card, made, seed=number, log_names=card)
    rows = gather_archive(tmp_path).cards.set_index("card")
    assert set(rows["linked"]) == {1}
    steps = np.diff(np.log(rows.loc[["Old", "New", "Newer"], "level"]))
    assert steps == pytest.approx([0.1, 0.1], abs=1e-3)


def test_cards_without_a_game_in_common_are_told_apart(tmp_path):
    for name in ("One", "Other"):
        games = {"games": [{"name": f"{name}game {number:02d}"} for number in (1, 2)]}
        made = MadeReport(title=name, card=name, games=2, rounds=4, sections=games)
        values = made.values(1)
        values["game"] = name + values["game"]
        write_report(tmp_path / name, made, seed=1, log_names=name, values=values)
    rows = gather_archive(tmp_path).cards
    assert list(rows["linked"]) == [1, 2]
    assert list(rows["level"]) == pytest.approx([100.0, 100.0])


def test_a_game_too_noisy_to_decide_could_go_and_the_others_stay(bench):
    games = bench.archive.games.set_index("game")
    assert (games.loc[NOISY, "advice"], games.loc[NOISY, "why"]) == ("drop", "too_noisy")
    assert games.loc[NOISY, "detectable_at_best"] > games.loc[NOISY, "margin"]
    assert (games.drop(NOISY)["advice"] == "keep").all()
    assert (games["n_reviews"] == 8).all()


def test_a_game_held_by_a_cap_could_go(tmp_path):
    capped = {"games": [{"name": "game 01", "settings": [{"frame_limit_fps": 60}]}, {"name": "game 02"}]}
    made = MadeReport(games=2, rounds=5, sections=capped)
    values = made.values(1)
    values["frame_limit_fps"] = (values["game"] == "game 01") * 60.0
    write_report(tmp_path / "r", made, seed=1, values=values)
    games = gather_archive(tmp_path).games.set_index("game")
    assert (games.loc["game 01", "advice"], games.loc["game 01", "why"]) == ("drop", "held_by_cap")
    assert games.loc["game 02", "why"] != "held_by_cap"


def test_claims_are_counted_review_by_review(bench):
    rows = bench.archive.claims_made
    assert list(rows["n"]) == [0, 1] * 4
    assert (rows["supported"] + rows["contradicted"] + rows["not_shown"] == rows["n"]).all()
    assert set(rows["n_claimed"]) == {0, 1}


def test_the_same_reports_give_the_same_tables_and_files(bench, tmp_path):
    again = gather_archive(bench.folder / "reports", tmp_path)
    for name, table in bench.archive.tables.items():
        assert table.equals(again.tables[name]), name
    for path in sorted((bench.folder / "kept" / "parquet").glob("*.parquet")):
        assert path.read_bytes() == (tmp_path / "parquet" / path.name).read_bytes(), path.name


def test_a_schedule_takes_noise_and_restarts_from_the_archive_and_names_it(bench, tmp_path, monkeypatch):
    write_tables(bench.archive.tables, tmp_path / "reports" / "archive", plan=bench.archive)
    monkeypatch.chdir(tmp_path)
    plan = ReviewPlan.from_dict(
        {
            "review": {"title": "The next one"},
            "cards": [{"name": "Larkmoor 4"}],
            "tunings": [{"name": "factory", "reference": True}, {"name": "quiet", "needs_restart": True}],
            "games": [{"name": "game 01"}, {"name": NOISY}, {"name": "a new game"}],
            "analysis": {"metrics": ["avg_fps"]},
            "session_plan": {"noise_from": "archive"},
        },
        folder=tmp_path / "review",
    )
    made = make_schedule(plan)
    noise = made.noise.set_index("game")
    assert list(noise["source"]) == ["archive", "archive", "typical"]
    assert noise.loc[NOISY, "noise"] == pytest.approx(NOISY_PCT, rel=0.2)
    assert noise.loc["game 01", "df"] == 128
    assert noise["restart_sd"].iloc[0] == pytest.approx(RESTART_PCT / 100, rel=0.5)
    assert "earlier reviews (reports/archive/tables/run_noise.csv)" in made.noise_source
    place = "the archive (reports/archive/tables/restart_spread.csv), measured over 25 restarts"
    assert place in made.noise_source
    needs = made.needs.set_index("game")
    restart, own = noise.loc["game 01", "restart_sd"], noise.loc["game 01", "sd"]
    assert needs.loc["game 01", "detectable"] > 0
    assert np.hypot(restart, own) > own
