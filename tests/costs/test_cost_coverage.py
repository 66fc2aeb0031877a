"""Intervals of cost and break-even time hold the truth as often as promised, in made-up reviews.

The daily tests make the first 1,000 reviews of each kind, `nox -s long` all 4,000.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from cost_cases import PRICES, cards
from judged_results import claim_plan
from run_tables import ONE_RESULT

from gpubench_kit.costs import DAYS_PER_YEAR, estimate_costs
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings

BATCH, N_GAMES = 250, 8
REVIEWS = [1000, pytest.param(4000, marks=pytest.mark.long)]
GAME_NAMES = [f"Game {place}" for place in range(N_GAMES)]
#: Watts of the rival in each game, and how much less our card takes: unlike from game to game.
LEVELS, RATIOS = np.linspace(180, 360, N_GAMES), np.linspace(0.70, 0.90, N_GAMES)
EXTRA_PRICE = 60.0
RUN_SD, INSTALLATION_SD = 0.02, 0.01


def tuned_in_rounds(rng: np.random.Generator, group: int) -> pd.DataFrame:
    """Return one review of two tunings: five rounds of every game, tunings alternating."""
    game, round_, place = (part.ravel() for part in np.meshgrid(range(N_GAMES), range(5), range(2), indexing="ij"))
    is_ours = (place + round_) % 2 == 0
    side = np.where(is_ours, "quiet", "factory")
    return _review(rng, group, (game, is_ours), card="Larkmoor 4", tuning=side, round=round_, session="")


def rivals_installed_three_times(rng: np.random.Generator, group: int) -> pd.DataFrame:
    """Return one review of two cards, exchanged A B B A A B, every game twice after each exchange."""
    block, game, again = (part.ravel() for part in np.meshgrid(range(6), range(N_GAMES), range(2), indexing="ij"))
    is_ours = np.isin(block, (0, 3, 4))
    shared = (INSTALLATION_SD * rng.standard_normal(6))[block]
    side = np.where(is_ours, "Larkmoor 4", "Fernholt 3")
    session = [f"{group}-{one}" for one in block]
    return _review(
        rng, group, (game, is_ours), card=side, tuning="factory", round=again, session=session, shift=shared
    )


def _review(rng: np.random.Generator, group: int, cells: tuple, *, shift=0.0, **columns) -> pd.DataFrame:
    """Return the runs of one review, in the order done."""
    game, is_ours = cells
    watts = LEVELS[game] * np.where(is_ours, RATIOS[game], 1.0)
    value = watts * np.exp(shift + RUN_SD * rng.standard_normal(len(game)))
    order = pd.array(np.arange(1, len(game) + 1), dtype="Int64")
    table = pd.DataFrame({"game": np.array(GAME_NAMES)[game], "value": value, "order": order})
    facts = {"setting": f"s{group}", "group": f"g{group}", "metric": "board_w", "power_measured_at": "inline"}
    return table.assign(**facts, **columns)


def covered(make, sides: dict, *, reviews: int, seed: int) -> dict[str, float]:
    """Return the share of reviews whose interval holds the true value, by quantity."""
    rng = np.random.default_rng(seed)
    # Groups that the plan does not name have a page each, so that every interval is at the same level.
    settings = [{"name": f"s{group}"} for group in range(BATCH)]
    scenes = [{"name": name, "settings": settings} for name in GAME_NAMES]
    plan = claim_plan(
        scenes=scenes, cards=cards(560.0 + EXTRA_PRICE, 560.0), costs=PRICES, comparisons=[sides],
        analysis={"metrics": ["board_w"], "primary": "board_w", "applied": "as_recorded", "confidence": ONE_RESULT},
    )  # fmt: skip
    held: dict[str, list[bool]] = {}
    for _ in range(reviews // BATCH):
        runs = pd.concat([make(rng, group) for group in range(BATCH)], ignore_index=True)
        runs["run"] = [f"r{place}" for place in range(len(runs))]
        table = estimate_costs(compare_tunings(runs, plan), compare_over_games(runs, plan), plan)
        for quantity, truth in true_values().items():
            rows = table[table["quantity"] == quantity]
            held.setdefault(quantity, []).extend((rows["ci_low"] <= truth) & (truth <= rows["ci_high"]))
    assert {len(one) for one in held.values()} <= {0, reviews}
    return {quantity: float(np.mean(one)) for quantity, one in held.items() if one}


def true_values() -> dict[str, float]:
    """Return the true power difference [W], running cost and break-even time [years]."""
    watts = float(np.mean(LEVELS * (RATIOS - 1)))
    per_year = watts * PRICES["hours_per_day"] * DAYS_PER_YEAR / 1000 * PRICES["price_per_kwh"]
    return {"power": watts, "running_cost": per_year * PRICES["years"], "break_even_time": EXTRA_PRICE / -per_year}


@pytest.mark.slow
@pytest.mark.parametrize("reviews", REVIEWS)
def test_costs_of_a_tuning_hold_the_truth_in_93_to_97_of_100_reviews(reviews):
    sides = {"of": {"tuning": "quiet"}, "against": {"tuning": "factory"}}
    shares = covered(tuned_in_rounds, sides, reviews=reviews, seed=20261102)
    assert set(shares) == {"power", "running_cost"}
    assert all(0.93 <= share <= 0.97 for share in shares.values()), shares


@pytest.mark.slow
@pytest.mark.parametrize("reviews", REVIEWS)
def test_costs_and_break_even_of_a_rival_hold_the_truth_in_93_to_97_of_100_reviews(reviews):
    sides = {"of": {"card": "Larkmoor 4"}, "against": {"card": "Fernholt 3"}}
    shares = covered(rivals_installed_three_times, sides, reviews=reviews, seed=20261103)
    assert set(shares) == {"power", "running_cost", "break_even_time"}
    assert all(0.93 <= share <= 0.97 for share in shares.values()), shares
