"""Made-up review folders: frames, sensors, mishaps, dialects, and the bundled review they make."""

from __future__ import annotations

import csv
import gzip
import importlib.util
import tomllib
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from gpubench_kit.model.errors import DesignError
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning, Mishap, list_runs
from gpubench_kit.synthetic.review import (
    IDLE_W,
    Dialect,
    frame_log_text,
    make_logs,
    plan_text,
    sensor_log_text,
    sheet_text,
    sound_dba,
    write_logs,
    write_review,
)

DATA = Path(__file__).parent.parent / "data"

GAMES = (
    MadeGame("Low Tide Racers", 120.0, board_w=290.0, run_cv_pct=0.0),
    MadeGame("Salt Orchard", 80.0, limited_by="processor", load_pct=60.0, run_cv_pct=0.0),
)
TUNINGS = (
    MadeTuning("factory"),
    MadeTuning("quiet", fps_pct=-2.0, power_pct=-14.0, core_mhz=2600.0, core_mv=960.0, core_c=61.0),
    MadeTuning("brisk", fps_pct=3.0, power_pct=9.0),
)
PLAIN = MadeReview("Two games", TUNINGS, GAMES, seed=7, rounds=2, scene_s=20.0, round_pct=0.0)


def _run(review: MadeReview, *, tuning: str = "factory", game: str = "Low Tide Racers", mishap: str = ""):
    """Return one measured run of round 1, with a mishap."""
    found = next(
        run for run in list_runs(review)
        if (run.tuning.name, run.game.name, run.round, run.purpose) == (tuning, game, 1, "measure")
    )  # fmt: skip
    return replace(found, mishap=mishap)


def _avg_fps(logs) -> float:
    """Return frames over time [fps]."""
    return 1000 * logs.frame_ms.size / logs.frame_ms.sum()


def _mean_w(logs) -> float:
    """Return mean power away from the run's edges [W]."""
    inside = (logs.sensor_s > 1) & (logs.sensor_s < logs.time_s[-1] - 1)
    return logs.sensors["board_w"][inside].mean()


def test_each_round_holds_each_game_and_tuning_once():
    seen = [(run.round, run.game.name, run.tuning.name) for run in list_runs(PLAIN) if run.purpose == "measure"]
    assert len(seen) == len(set(seen)) == 2 * 2 * 3


def test_the_tuning_that_goes_first_changes_from_round_to_round():
    runs = [run for run in list_runs(PLAIN) if run.purpose == "measure" and run.game.name == "Salt Orchard"]
    first = [next(run.tuning.name for run in runs if run.round == number) for number in (1, 2)]
    assert first[0] != first[1]


def test_without_noise_frame_rate_and_power_hold_the_stated_effects():
    factory, quiet = (make_logs(PLAIN, _run(PLAIN, tuning=name)) for name in ("factory", "quiet"))
    assert _avg_fps(factory) == pytest.approx(120.0, rel=1e-5)
    assert _avg_fps(quiet) / _avg_fps(factory) == pytest.approx(0.98, rel=1e-5)
    assert _mean_w(quiet) / _mean_w(factory) == pytest.approx(0.86, rel=0.01)


def test_a_game_limited_by_the_processor_keeps_its_frame_rate_and_half_its_change_of_power():
    logs = make_logs(PLAIN, _run(PLAIN, tuning="quiet", game="Salt Orchard"))
    assert _avg_fps(logs) == pytest.approx(80.0, rel=1e-5)
    assert _mean_w(logs) == pytest.approx(290.0 * 0.93, rel=0.01)


def test_frame_times_are_autocorrelated_and_their_sums_are_the_time_column():
    logs = make_logs(PLAIN, _run(PLAIN))
    usual = np.log(np.minimum(logs.frame_ms, 1.5 * np.median(logs.frame_ms)))
    assert 0.3 < np.corrcoef(usual[1:], usual[:-1])[0, 1] < 0.95
    np.testing.assert_allclose(np.diff(logs.time_s) * 1000, logs.frame_ms[:-1], atol=0.0011)
    assert (logs.card_ms <= logs.frame_ms).all()


def test_hitches_stand_out_from_their_neighbours():
    rough = replace(PLAIN, games=(replace(GAMES[0], hitches_per_min=30.0),))
    logs = make_logs(rough, _run(rough))
    assert 3 <= (logs.frame_ms > 2 * np.median(logs.frame_ms)).sum() <= 25


def test_the_run_to_run_noise_is_that_of_the_game():
    noisy = replace(PLAIN, rounds=60, scene_s=2.0, games=(replace(GAMES[0], run_cv_pct=1.5),))
    runs = [run for run in list_runs(noisy) if run.tuning.name == "factory" and run.purpose == "measure"]
    rates = np.log([_avg_fps(make_logs(noisy, run)) for run in runs])
    assert 100 * rates.std(ddof=1) == pytest.approx(1.5, rel=0.25)


def test_sensors_show_the_load_edges_a_second_late_and_idle_around_them():
    logs = make_logs(PLAIN, _run(PLAIN))
    at = np.interp([-1.0, 0.5, 2.0, 18.0, 23.0], logs.sensor_s, logs.sensors["board_w"])
    assert at[0] == pytest.approx(IDLE_W, abs=3)
    assert IDLE_W + 60 < at[1] < 250
    assert at[2:4] == pytest.approx([290, 290], rel=0.05)
    assert at[4] == pytest.approx(IDLE_W, abs=3)


def test_temperature_rises_in_a_short_run_and_stands_near_its_end_state_after_a_soak():
    short = _run(PLAIN)
    for purpose, least, most in (("measure", 5, 12), ("soak", -1, 2)):
        core_c = make_logs(PLAIN, replace(short, purpose=purpose)).sensors["core_c"]
        assert least <= core_c.max() - core_c[0] <= most


def test_the_first_run_of_a_session_is_a_slower_warm_up():
    first = list_runs(PLAIN)[0]
    assert first.purpose == "warm_up"
    logs = make_logs(PLAIN, first)
    quarter = logs.frame_ms.size // 4
    assert _avg_fps(logs) < 0.97 * 120
    assert np.median(logs.frame_ms[:quarter]) > 1.05 * np.median(logs.frame_ms[-quarter:])


def test_a_gap_leaves_time_without_frames():
    logs = make_logs(PLAIN, _run(PLAIN, mishap="gap"))
    lost_s = np.diff(logs.time_s) - logs.frame_ms[:-1] / 1000
    assert lost_s.max() == pytest.approx(2.5, abs=0.1)
    assert (lost_s > 0.01).sum() == 1


def test_a_cap_holds_most_frames_at_one_interval():
    logs = make_logs(PLAIN, _run(PLAIN, mishap="cap"))
    interval = np.median(logs.frame_ms)
    assert (np.abs(logs.frame_ms / interval - 1) < 0.002).mean() > 0.85


def test_a_loading_pause_is_one_frame_of_nearly_two_seconds():
    usual, paused = (make_logs(PLAIN, _run(PLAIN, mishap=name)) for name in ("", "loading_pause"))
    assert paused.frame_ms.size == usual.frame_ms.size + 1
    assert np.sort(paused.frame_ms)[-1] == 1840.0


def test_a_short_run_ends_early_and_its_sensors_with_it():
    usual, short = (make_logs(PLAIN, _run(PLAIN, mishap=name)) for name in ("", "short_run"))
    assert short.frame_ms.sum() == pytest.approx(9_000, rel=0.1)
    assert short.sensor_s[-1] < usual.sensor_s[-1] - 9


def test_a_lost_tuning_runs_like_the_factory_state():
    lost = make_logs(PLAIN, _run(PLAIN, tuning="quiet", mishap="tuning_lost"))
    assert _avg_fps(lost) == pytest.approx(120.0, rel=1e-5)
    assert _mean_w(lost) == pytest.approx(290.0, rel=0.01)
    assert lost.sensors["core_mv"].max() > 1040


def test_background_load_slows_the_run_and_roughens_its_frames():
    usual, loaded = (make_logs(PLAIN, _run(PLAIN, mishap=name)) for name in ("", "background_load"))
    assert _avg_fps(loaded) < 0.9 * _avg_fps(usual)
    assert np.quantile(loaded.frame_ms, 0.99) > 1.3 * np.quantile(usual.frame_ms, 0.99)


def test_a_run_with_a_logged_cause_is_followed_by_the_repeat_that_replaces_it():
    crash = Mishap("short_run", "brisk", "Salt Orchard", 2, excluded="crash", note="reset")
    runs = list_runs(replace(PLAIN, mishaps=(crash,)))
    place = next(place for place, run in enumerate(runs) if run.excluded)
    spoilt, repeat = runs[place], runs[place + 1]
    assert (spoilt.mishap, spoilt.excluded, spoilt.note) == ("short_run", "crash", "reset")
    assert (repeat.mishap, repeat.excluded, repeat.replaces) == ("", "", spoilt.run)
    assert (repeat.tuning, repeat.game, repeat.round) == (spoilt.tuning, spoilt.game, spoilt.round)


def test_soak_runs_come_last_with_a_typed_sound_level_in_rounds_of_their_own():
    review = replace(PLAIN, soak_games=("Salt Orchard",), soak_rounds=2)
    sheet = list(csv.DictReader(sheet_text(review, list_runs(review), dialect=Dialect()).splitlines()))
    soak = [row for row in sheet if row["purpose"] == "soak"]
    assert sheet[-6:] == soak
    assert {row["round"] for row in soak} == {"3", "4"}
    assert all(36 < float(row["sound_dba"]) < 40 for row in soak)
    assert sound_dba(review, list_runs(review)[-1]) == float(soak[-1]["sound_dba"])


def test_an_idle_run_has_a_sensor_log_alone_without_load(tmp_path):
    review = replace(PLAIN, with_idle=True)
    idle = list_runs(review)[-1]
    (tmp_path / "logs").mkdir()
    write_logs(tmp_path, review, run=idle, dialect=Dialect())
    assert [path.name for path in (tmp_path / "logs").iterdir()] == [f"{idle.run}.sensors.csv"]
    assert make_logs(review, idle).sensors["board_w"].max() < IDLE_W + 5


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: Mishap("flood", "factory", "Salt Orchard", 1), "mishap 'flood' is not known"),
        (lambda: list_runs(replace(PLAIN, mishaps=(Mishap("gap", "factory", "Chess", 1),))), "gap: factory, Chess"),
        (lambda: Dialect(separator=",", decimal=","), "both ','"),
        (lambda: Dialect(frame_unit="min"), "unit 'min' is not known"),
    ],
)
def test_what_cannot_be_made_is_refused_by_name(call, says):
    with pytest.raises(DesignError, match=says):
        call()


@pytest.mark.parametrize(("unit", "in_ms"), [("ms", 1.0), ("s", 1000.0), ("us", 0.001)])
def test_a_log_with_decimal_commas_holds_the_same_frame_times_in_its_unit(unit, in_ms):
    run = _run(PLAIN)
    logs = make_logs(PLAIN, run)
    lines = frame_log_text(logs, run, dialect=Dialect(separator=";", decimal=",", frame_unit=unit)).splitlines()
    assert lines[0] == f"frame;elapsed_s;frame_{unit};card_{unit}"
    read = [float(line.split(";")[2].replace(",", ".")) * in_ms for line in lines[1:]]
    np.testing.assert_allclose(read, logs.frame_ms, atol=1e-4)


def test_headings_preamble_and_further_columns_are_written_as_asked():
    run = _run(PLAIN)
    dialect = Dialect(headings={"frame_ms": "a", "card_ms": "b"}, preamble=("made up", ""), more_columns=2)
    lines = frame_log_text(make_logs(PLAIN, run), run, dialect=dialect).splitlines()
    assert lines[:3] == ["made up", "", "frame,elapsed_s,a,b,value_1,value_2"]
    assert lines[3].count(",") == 5


def test_clocks_of_frames_and_sensors_agree():
    run = _run(PLAIN)
    logs = make_logs(PLAIN, run)
    frames = frame_log_text(logs, run, dialect=Dialect(frame_clock="clock")).splitlines()
    samples = sensor_log_text(logs, run, dialect=Dialect()).splitlines()
    first_frame, first_sample = (
        datetime.fromisoformat(frames[1].split(",")[1]), datetime.fromisoformat(samples[1].split(",")[0]),
    )  # fmt: skip
    assert first_frame == run.started
    assert (first_sample - first_frame).total_seconds() == pytest.approx(logs.sensor_s[0])


def test_elapsed_sensor_times_count_from_their_own_first_sample():
    run = _run(PLAIN)
    lines = sensor_log_text(make_logs(PLAIN, run), run, dialect=Dialect(sensor_clock="elapsed")).splitlines()
    assert lines[0].startswith("elapsed_s,")
    assert lines[1].startswith("0.000,")


def test_a_review_written_twice_is_the_same_byte_for_byte(tmp_path):
    review = replace(PLAIN, rounds=1, scene_s=2.0)
    folders = [write_review(tmp_path / name, review) for name in ("a", "b")]
    files = [sorted(path.relative_to(folder) for path in folder.rglob("*.*")) for folder in folders]
    assert files[0] == files[1]
    assert len(files[0]) == 2 + 2 * len(list_runs(review))
    for name in files[0]:
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes()


def test_names_with_quotes_and_commas_survive_plan_and_sheet(tmp_path):
    game = replace(GAMES[0], name='Gate, "the \\ third"')
    folder = write_review(tmp_path, replace(PLAIN, rounds=1, scene_s=1.0, games=(game,)))
    plan = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    assert plan["games"][0]["name"] == game.name
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as sheet:
        assert {row["game"] for row in csv.DictReader(sheet)} == {game.name}


@pytest.fixture(scope="module")
def ten_games():
    """The script that makes the bundled review."""
    spec = importlib.util.spec_from_file_location("make_ten_games", DATA / "make_ten_games.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("order", [1, 68, 104, 145, 205])
def test_the_bundled_logs_are_what_the_script_makes(ten_games, tmp_path, order):
    run = list_runs(ten_games.REVIEW)[order - 1]
    (tmp_path / "logs").mkdir()
    write_logs(tmp_path, ten_games.REVIEW, run=run, dialect=Dialect())
    for made in sorted((tmp_path / "logs").iterdir()):
        bundled = (DATA / "ten_games" / "logs" / made.name).read_bytes()
        # Compressors differ between builds; what they hold does not.
        is_packed = made.suffix == ".gz"
        assert (gzip.decompress(bundled) if is_packed else bundled) == (
            gzip.decompress(made.read_bytes()) if is_packed else made.read_bytes()
        )


def test_the_bundled_plan_sheet_and_readme_are_what_the_script_makes(ten_games, tmp_path):
    review, folder = ten_games.REVIEW, DATA / "ten_games"
    sheet = sheet_text(review, list_runs(review), dialect=Dialect())
    assert (folder / "runs.csv").read_text(encoding="utf-8") == sheet
    assert (folder / "plan.toml").read_text(encoding="utf-8") == plan_text(review)
    assert (folder / "README.md").read_text(encoding="utf-8") == ten_games.readme_text()


def test_the_bundled_reviews_stay_small():
    sizes = {path: path.stat().st_size for path in DATA.rglob("*") if path.is_file()}
    assert max(sizes.values()) < 4_000_000
    assert sum(size for path, size in sizes.items() if "ten_games" in path.parts) < 12_000_000
