"""Chances of a verdict, runs needed and what is derived from them."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from error_rates_exact import runs_needed
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from gpubench_kit.statistics.planning import (
    cautious_sigma,
    chance_decided,
    chance_of_difference,
    chance_of_not_worse,
    chance_of_same,
    degrees_of_freedom,
    detectable_difference,
    level_of_game,
    margin_shown,
    overall_decided,
    overall_half_width,
    rounds_to_decide,
    rounds_to_plan,
)

REFERENCE = Path(__file__).parents[1] / "reference"
MARGIN = -math.log(1 - 0.02)

# Percent run-to-run variation -> runs with own variance and with borrowing, in the order of QUESTIONS.
RUNS_NEEDED = {
    0.3: ((4, 3), (3, 2), (4, 3), (3, 2), (2, 2), (3, 2)),
    0.5: ((7, 6), (4, 3), (6, 6), (3, 3), (3, 2), (3, 2)),
    1.0: ((18, 18), (7, 6), (19, 19), (6, 6), (4, 3), (5, 4)),
    2.0: ((66, 66), (19, 19), (70, 70), (19, 19), (9, 9), (14, 14)),
    3.0: ((145, 145), (38, 38), (154, 154), (40, 40), (19, 19), (29, 29)),
}
QUESTIONS = (
    ("difference", math.log(1.01)),
    ("difference", math.log(1.02)),
    ("same", -math.log(0.99)),
    ("same", -math.log(0.98)),
    ("same", -math.log(0.97)),
    ("not_worse", -math.log(0.98)),
)


def reference(name):
    return pd.read_csv(REFERENCE / f"{name}.csv", comment="#")


@pytest.mark.parametrize("cv", RUNS_NEEDED)
def test_runs_needed_are_those_of_the_published_table(cv):
    found = tuple(
        tuple(runs_needed(question, cv / 100, size=size, borrowing=borrowing) for borrowing in (False, True))
        for question, size in QUESTIONS
    )
    assert found == RUNS_NEEDED[cv]


@pytest.mark.parametrize(
    ("sigma", "n", "df", "expected"),
    [(0.010, 5, 4, (0.65436, 0.68172, 0.83236, 2.3787)), (0.006, 3, 4, (0.85022, 0.90974, 0.95435, 1.8425))],
    ids=["own variance", "borrowed variance"],
)
def test_chances_are_those_of_the_published_figures(sigma, n, df, expected):
    found = (
        chance_of_difference(math.log(1.02), sigma, n=n, df=df),
        chance_of_same(0, sigma, margin=MARGIN, n=n, df=df),
        chance_of_not_worse(0, sigma, margin=MARGIN, n=n, df=df),
        100 * detectable_difference(sigma, n=n, df=df),
    )
    assert found == pytest.approx(expected, abs=1e-4)


def test_detectable_difference_agrees_with_r_for_two_groups():
    table = reference("power_detectable")
    sigma = np.sqrt(np.log1p((table.cv_pct / 100) ** 2))
    n = table.runs_per_cell.to_numpy()
    found = detectable_difference(sigma.to_numpy(), n=n, df=2 * (n - 1), power=0.8)
    # The 400-point integral is good to a few millionths.
    assert found == pytest.approx(table.detectable_log.to_numpy(), rel=4e-6)


def test_chance_of_difference_agrees_with_r_for_two_groups():
    table = reference("power_runs_needed")
    n = table.runs_per_cell.to_numpy()
    found = chance_of_difference(table.delta_log.to_numpy(), table.sd_log.to_numpy(), n=n, df=2 * (n - 1))
    assert found == pytest.approx(table.power_at_runs.to_numpy(), rel=1e-6)


def test_one_run_less_than_r_needs_is_not_enough():
    table = reference("power_runs_needed").query("runs_per_cell > 2")
    n = table.runs_per_cell.to_numpy() - 1
    found = chance_of_difference(table.delta_log.to_numpy(), table.sd_log.to_numpy(), n=n, df=2 * (n - 1))
    assert (found < table.power.to_numpy()).all()


@given(st.floats(0, 3), st.integers(2, 12))
def test_chance_of_difference_is_that_of_the_noncentral_t(effect, n):
    df, shift = n - 1, effect / math.sqrt(2 / n)
    bound = stats.t.ppf(0.975, df)
    exact = stats.nct.sf(bound, df, shift) + stats.nct.cdf(-bound, df, shift)
    assert chance_of_difference(effect, 1.0, n=n) == pytest.approx(exact, abs=2e-4)


def test_chance_of_difference_without_effect_is_the_level():
    n = np.array([2, 3, 5, 10, 40])
    assert chance_of_difference(0.0, 0.01, n=n, level=0.027) == pytest.approx(0.027, abs=2e-4)


def test_chance_of_same_at_the_margin_is_at_most_the_level():
    assert chance_of_same(MARGIN, 0.002, margin=MARGIN, n=8) == pytest.approx(0.05, abs=1e-4)
    assert chance_of_same(MARGIN, 0.02, margin=MARGIN, n=3) < 0.05


@given(st.floats(0.001, 0.02), st.floats(-0.03, 0.03), st.integers(2, 12))
def test_chances_do_not_depend_on_the_sign_of_the_effect(sigma, effect, n):
    for sign in (1, -1):
        found = (
            chance_of_difference(sign * effect, sigma, n=n),
            chance_of_same(sign * effect, sigma, margin=0.02, n=n),
        )
        assert found == pytest.approx(
            (chance_of_difference(effect, sigma, n=n), chance_of_same(effect, sigma, margin=0.02, n=n)), abs=1e-12
        )


def test_chances_broadcast_over_effects_and_runs():
    effects, n = np.array([[0.0], [0.01], [0.02]]), np.array([2, 3, 5, 8])
    found = chance_of_difference(effects, 0.006, n=n)
    assert found.shape == (3, 4)
    assert found[2, 2] == pytest.approx(chance_of_difference(0.02, 0.006, n=5), rel=1e-12)


def test_borrowing_adds_at_most_four_degrees_of_freedom_and_ends_at_eight():
    n = np.array([2, 3, 5, 8, 9, 12])
    assert degrees_of_freedom(n, borrowing=True).tolist() == [2, 4, 8, 11, 8, 11]
    assert degrees_of_freedom(n).tolist() == [1, 2, 4, 7, 8, 11]
    assert degrees_of_freedom(n, in_blocks=True).tolist() == [2, 4, 8, 14, 16, 22]


UNITS = {"own": {}, "borrowed": {"borrowing": True}, "blocks": {"in_blocks": True}}


@pytest.mark.parametrize("units", UNITS.values(), ids=UNITS)
@pytest.mark.parametrize("sigma", [0.0005, 0.003, 0.006, 0.01, 0.015, 0.02])
def test_rounds_to_decide_reach_both_verdicts_and_one_fewer_does_not(sigma, units):
    found = rounds_to_decide(sigma, MARGIN, **units)
    chances = [_smaller_chance(sigma, n, units) for n in range(2, 17)]
    assert found == next((n for n, chance in enumerate(chances, start=2) if chance >= 0.8), None)


def _smaller_chance(sigma, n, units):
    df = degrees_of_freedom(n, **units)
    found = min(
        chance_of_same(0, sigma, margin=MARGIN, n=n, df=df), chance_of_difference(MARGIN, sigma, n=n, df=df)
    )
    assert chance_decided(sigma, margin=MARGIN, n=n, level=0.05, df=df) == pytest.approx(found, abs=1e-12)
    return found


@pytest.mark.parametrize(
    ("sigma", "margin"),
    [
        (0.03, MARGIN),
        (math.nan, MARGIN),
        (math.inf, MARGIN),
        (0.01, None),
        (None, MARGIN),
        (0.01, 0.0),
        (0.01, -1.0),
    ],
    ids=["too noisy", "noise unknown", "noise endless", "no margin", "no noise", "margin zero", "margin negative"],
)
def test_rounds_to_decide_is_none_where_no_number_of_runs_helps(sigma, margin):
    assert rounds_to_decide(sigma, margin) is None


def test_rounds_to_decide_without_noise_is_two():
    assert rounds_to_decide(0.0, MARGIN) == 2


@given(st.floats(1e-4, 0.05), st.floats(1e-4, 0.05))
def test_rounds_to_decide_does_not_fall_when_the_noise_grows(one, other):
    quieter, noisier = sorted((one, other))
    few, many = rounds_to_decide(quieter, MARGIN), rounds_to_decide(noisier, MARGIN)
    assert many is None or few <= many


def test_a_stricter_level_needs_more_runs():
    assert rounds_to_decide(0.01, MARGIN, level=0.012) > rounds_to_decide(0.01, MARGIN)


@pytest.mark.parametrize(("question", "size"), QUESTIONS[1::2], ids=["difference", "same", "not worse"])
def test_runs_needed_without_noise_are_two(question, size):
    assert runs_needed(question, 0.0, size=size) == 2


def test_cautious_sigma_has_the_published_factors():
    assert cautious_sigma(1.0, df=np.array([2, 4, 6, 8])) == pytest.approx([2.117, 1.558, 1.398, 1.320], abs=5e-4)
    assert np.isnan(cautious_sigma(1.0, df=0))


def test_margin_shown_by_ten_runs_is_shown_with_the_wanted_chance():
    margin = margin_shown(0.02, n=10)
    assert chance_of_same(0, 0.02, margin=margin, n=10) == pytest.approx(0.8, abs=1e-9)


def test_detectable_difference_is_undefined_for_one_run():
    assert np.isnan(detectable_difference(0.01, n=1))
    assert detectable_difference(0.0, n=3) == 0


def test_half_width_in_these_games_is_that_of_equal_games_by_hand():
    expected = stats.t.ppf(0.975, 6 * 4) * math.sqrt(2 * 0.25 / (5 * 6))
    assert overall_half_width([0.25] * 6, n=5) == pytest.approx(expected, rel=1e-12)


def test_half_width_in_games_like_these_hardly_falls_with_runs_when_games_differ():
    few, many = (overall_half_width([0.04] * 6, n=n, spread_of_games=1.0) for n in (3, 30))
    assert few == pytest.approx(stats.t.ppf(0.975, 5) * math.sqrt((1 + 2 * 0.04 / 3) / 6), rel=1e-12)
    assert many > 0.98 * few


@pytest.mark.parametrize(
    ("variances", "n", "spread"),
    [([], 5, None), ([0.1], 1, None), ([0.1], 5, 1.0), ([0.1, 0.2], 0, 1.0)],
    ids=["no game", "one run", "one game", "no run"],
)
def test_half_width_is_undefined_without_enough_games_or_rounds(variances, n, spread):
    assert math.isnan(overall_half_width(variances, n=n, spread_of_games=spread))


def test_half_width_without_noise_is_zero():
    assert overall_half_width([0.0, 0.0], n=3) == 0


def test_a_table_of_games_leaves_a_game_what_its_adjustment_takes():
    levels = {adjust: level_of_game(0.04, adjust=adjust, comparisons=20) for adjust in ("none", "holm", "fdr_bh")}
    assert levels == pytest.approx({"none": 0.04, "holm": 0.002, "fdr_bh": 0.032})
    assert level_of_game(0.04, adjust="fdr_bh", comparisons=1) == 0.04


def test_rounds_of_a_plan_are_the_fewest_that_decide_four_of_five_games_on_average():
    sigmas = np.array([0.004, 0.006, 0.008, 0.010, 0.005, 0.007])
    planned = rounds_to_plan(sigmas, MARGIN, level=0.032, borrowing=True)
    shares = [
        np.mean([_smaller_chance_at(s, n, level=0.032, borrowing=True) for s in sigmas]) for n in range(3, 17)
    ]
    assert planned.rounds == 3 + next(place for place, one in enumerate(shares) if one >= 0.8)
    assert planned.share == pytest.approx(shares[planned.rounds - 3], abs=1e-9)
    assert planned.is_overall_decided


def _smaller_chance_at(sigma, n, *, level, borrowing):
    df = degrees_of_freedom(n, borrowing=borrowing)
    return chance_decided(sigma, margin=MARGIN, n=n, level=level, df=df)


def test_no_game_is_left_to_luck_by_an_overall_result_that_needs_more_rounds():
    sigmas = np.full(2, 0.006)
    alone = rounds_to_plan(sigmas, MARGIN, level=0.04)
    both = rounds_to_plan(sigmas, MARGIN, level=0.04, overall=(np.full(2, 0.012**2), 0.01))
    assert both.rounds > alone.rounds


def test_games_too_noisy_for_any_feasible_number_get_what_the_overall_result_needs():
    sigmas, variances = np.full(10, 0.03), np.full(10, 0.03**2)
    planned = rounds_to_plan(sigmas, MARGIN, level=0.032, borrowing=True, overall=(variances, 0.02))
    enough = [n for n in range(3, 17) if overall_decided(variances, margin=MARGIN, n=n, level=0.02)]
    assert (planned.rounds, planned.is_overall_decided) == (max(enough[0], 4), True)
    assert planned.share < 0.8


def test_one_wild_game_does_not_set_the_rounds_of_the_others():
    sigmas = np.array([0.002] * 6 + [0.1])
    planned = rounds_to_plan(sigmas, MARGIN, level=0.032, borrowing=True, overall=(sigmas**2, 0.02))
    assert (planned.rounds, planned.is_overall_decided) == (3, False)
    hopeless = rounds_to_plan(np.full(3, 0.1), MARGIN, level=0.032, overall=(np.full(3, 0.01), 0.02))
    assert hopeless.rounds == 4


def test_overall_result_is_decided_as_worked_by_hand():
    # Two games, sd 0.6 and 0.8 %, 5 rounds: V = 2 (0.36 + 0.64) / (5 * 4) = 0.1, nu = 0.75 * 4 / (0.1296 + 0.4096).
    variances, nu = np.array([0.36, 0.64]), 0.75 * 4 / (0.36**2 + 0.64**2)
    limit = (stats.t.ppf(0.975, nu) + 1.645) * math.sqrt(0.1)
    assert overall_decided(variances, margin=limit * 1.001, n=5, level=0.05)
    assert not overall_decided(variances, margin=limit * 0.999, n=5, level=0.05)
    assert overall_decided([], margin=0.1, n=5, level=0.05)
