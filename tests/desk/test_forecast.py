"""The forecast: the real pace, what could be left out in the planner's order, enough runs by the noise alone."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from made_evening import GAMES, Evening, made_review

from gpubench_kit.desk.forecast import GameForecast, _pace, drops_of
from gpubench_kit.desk.journal import session_of
from gpubench_kit.model.plan import load_plan


def _known(steps: list[tuple[str, str, float]], plan=None) -> SimpleNamespace:
    """Return what the pace is read from: steps as (kind, run, seconds); the first letter of a run is its game."""
    runs = sorted({run for _, run, _ in steps if run})
    lines = [{"n": 1, "did": "open", "mono": 0.0, "boot": "a", "rows": [
        {"run": run, "tuning": "quiet", "game": run[0]} for run in runs]}]  # fmt: skip
    lines += [{"n": n, "did": did, "run": run, "mono": at, "boot": "a"}
              for n, (did, run, at) in enumerate(steps, start=2)]  # fmt: skip
    session = SimpleNamespace(scene_s=60.0, tuning_change_s=20.0, launch_s=240.0, settle_s=90.0)
    plan = SimpleNamespace(session_plan=session)
    return SimpleNamespace(keeper=SimpleNamespace(session=session_of(lines), plan=plan))


def test_before_two_runs_the_pace_is_the_planned_one():
    assert _pace(_known([("take", "a1", 50.0)])) == (80.0, 410.0)


def test_the_pace_is_the_median_within_a_game_and_apart_where_a_game_is_begun():
    at = {"a1": 0.0, "a2": 100.0, "a3": 210.0, "b1": 700.0, "b2": 790.0}
    assert _pace(_known([("take", run, time) for run, time in at.items()])) == (100.0, 490.0)


def test_only_the_last_ten_intervals_count():
    times = [0.0]
    for step in [500.0] * 20 + [90.0] * 10:
        times.append(times[-1] + step)
    assert _pace(_known([("take", f"a{n:02d}", time) for n, time in enumerate(times)]))[0] == 90.0


@pytest.mark.parametrize("break_by", ["pause", "restart"])
def test_pauses_and_restarts_are_out_of_the_pace(break_by):
    steps = [("take", "a1", 0.0), ("take", "a2", 100.0), (break_by, "", 150.0), ("go_on", "", 900.0),
             ("take", "a3", 1000.0), ("take", "a4", 1110.0)]  # fmt: skip
    assert _pace(_known(steps))[0] == 105.0


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """Return a plan of three tunings and eight games."""
    evening = Evening(tmp_path_factory.mktemp("plan"), made_review(games=8, rounds=5, scene_s=4.0, fps=30.0))
    return load_plan(evening.folder)


def _rows(*, games: int, rounds: int, tunings: tuple[str, ...] = ("factory", "quiet", "brisk")) -> dict:
    return {
        f"{game}{number}{tuning}": {"game": game, "round": str(number), "tuning": tuning}
        for game in GAMES[:games]
        for number in range(1, rounds + 1)
        for tuning in tunings
    }


def _game(name: str, *, more: int | None) -> GameForecast:
    return GameForecast(name, "", 2, 4, "1 %", False, more, has_margin=True)


def test_what_is_dropped_goes_tuning_then_idle_games_then_rounds_then_games_the_last_first(plan):
    games = [_game(name, more=None if name == GAMES[1] else 2) for name in GAMES[:7]]
    found = [(column, text) for column, text, *_ in drops_of(_rows(games=7, rounds=5), plan, games)]
    last_first = [name for name in reversed(GAMES[:7]) if name not in (GAMES[0], GAMES[1])]
    assert found == [("tuning", "brisk"), ("game", GAMES[1]), ("round", "5"), ("round", "4"),
                     *(("game", name) for name in last_first)]  # fmt: skip


def test_a_game_that_decides_nothing_stays_where_six_or_fewer_are_left(plan):
    games = [_game(name, more=None) for name in GAMES[:6]]
    found = [column for column, *_ in drops_of(_rows(games=6, rounds=3), plan, games)]
    assert found == ["tuning", *["game"] * 5], "the first game always stays, and three rounds"


def test_neither_the_reference_nor_a_must_nor_one_of_two_tunings_is_dropped(plan):
    session = plan.session_plan.model_copy(update={"must_have": ("quiet", "brisk")})
    assert "tuning" not in [one for one, *_ in drops_of(_rows(games=2, rounds=4), plan.model_copy(
        update={"session_plan": session}), [])]  # fmt: skip
    rows = _rows(games=2, rounds=4, tunings=("factory", "brisk"))
    assert "tuning" not in [one for one, *_ in drops_of(rows, plan, [])]


def test_what_is_dropped_saves_the_time_of_its_runs_and_they_are_no_longer_due(tmp_path):
    with Evening(tmp_path, made_review(games=2, rounds=2, scene_s=4.0, fps=30.0)) as evening:
        what, runs = evening.desk.forecast.drops[0]
        assert what.what == "Tuning “brisk”"
        left = evening.desk.forecast.left_s
        evening.press("7", "1")
        assert not set(runs) & set(evening.desk.due)
        assert {evening.desk.session.tuning(run) for run in evening.desk.due} == {"factory", "quiet"}
        assert left - evening.desk.forecast.left_s == pytest.approx(60 * what.saves_min, abs=400)
        evening.press("0")
        assert set(runs) <= set(evening.desk.due)


def test_all_games_are_paged_by_the_key_3_and_by_the_arrows(tmp_path):
    with Evening(tmp_path, made_review(games=8, rounds=1, tunings=2, scene_s=3.0, fps=30.0)) as evening:
        games = evening.desk.forecast.games
        many = [GameForecast(f"game {n}", "", 1, 4, "1 %", True, 0, has_margin=True) for n in range(20)]
        evening.press("7")
        evening.desk.forecast = type(evening.desk.forecast)(games=(*many, *games))
        seen = []
        for key in ("3", "down", "down", "down", "up", "up"):
            evening.press(key)
            seen.append([line[:7].strip() for line in evening.views[-1].now if line.startswith("game ")][:1])
        assert seen == [["game 8"], ["game 16"], [], ["game 0"], [], ["game 16"]]


def test_enough_runs_are_told_by_the_noise_and_need_two_rounds(tmp_path):
    review = made_review(games=1, rounds=3, tunings=2, scene_s=4.0, fps=40.0)
    with Evening(tmp_path, review) as evening:
        states = []
        while evening.desk.due:
            evening.record()
            game = evening.desk.forecast.games[0]
            states.append((game.done, game.noise == "typical"))
        assert [done for done, _ in states] == [0, 1, 1, 2, 2, 3]
        assert states[0][1]
        assert not states[-1][1], "the noise of its own runs is known by then"
