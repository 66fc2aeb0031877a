"""A card and its rival with prices, and results between them, for tests of what power costs."""

from __future__ import annotations

from judged_results import GAMES, claim_plan, game_rows, overall_rows

PRICES = {"price_per_kwh": 0.31, "hours_per_day": 3.0, "years": 5.0}
RIVAL = {"against_card": "Fernholt 3", "of_tuning": "factory"}
POWER = {"metric": "board_w", "change": -20.0, "se": 1.5}
RATE = {"metric": "avg_fps", "change": 8.0}


def cards(*prices: float | None) -> list[dict]:
    """Return our card and the rival with their prices; None for none."""
    sides = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
    given = [{} if price is None else {"price": price} for price in prices]
    return [one | price | {"power_measured_at": "inline"} for one, price in zip(sides, given, strict=True)]


def cost_tables(*specs: dict, against_value: float = 300.0, sides=RIVAL, prices=(620.0, 560.0), costs=PRICES):
    """Return plan, comparisons and overall results of four games that are all alike."""
    plan = claim_plan(cards=cards(*prices), costs=costs)
    games = [spec | sides | {"game": game, "against_value": against_value} for spec in specs for game in GAMES]
    return plan, game_rows(plan, *games), overall_rows(plan, *(spec | sides for spec in specs))
