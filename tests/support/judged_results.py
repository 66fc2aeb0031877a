"""Results made from a change, its standard error and degrees of freedom: judged by the rules of the kit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from signed_claims import in_plan_words

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import COMPARISONS, OVERALL
from gpubench_kit.statistics.contrasts import families_of
from gpubench_kit.statistics.looks import Levels
from gpubench_kit.statistics.results import judge, published
from gpubench_kit.statistics.variance import is_ratio

GAMES = ("Low Tide Racers", "Salt Orchard", "Copper Monsoon", "Glass Tundra")
PAIR = {"of_card": "Larkmoor 4", "of_tuning": "quiet", "of_bench": "",
        "against_card": "Larkmoor 4", "against_tuning": "factory", "against_bench": ""}  # fmt: skip


def claim_plan(*claims: dict, scenes=GAMES, analysis=None, **sections) -> ReviewPlan:
    """Return a plan with claims; about the quiet tuning's frame rate over these games unless they say so."""
    sides = {"of": {"tuning": "quiet"}, "against": {"tuning": "factory"}}
    usual = {"text": "A sentence.", "metric": "avg_fps"} | sides
    games = [game if isinstance(game, dict) else {"name": game} for game in scenes]
    metrics = ["avg_fps", "low_1pct_fps", "board_w", "core_c", "core_mhz", "energy_per_frame_j"]
    plan = {
        "review": {"title": "A test"},
        "cards": [{"name": "Larkmoor 4", "power_measured_at": "inline"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}, {"name": "brisk"}],
        "games": games,
        "analysis": {"metrics": metrics, "margins": {"core_c": 2.0}} | (analysis or {}),
        "claims": [{"id": f"c{number}"} | in_plan_words(usual | claim) for number, claim in enumerate(claims)],
    }
    return ReviewPlan.from_dict(plan | sections)


def game_rows(plan: ReviewPlan, *specs: dict) -> pd.DataFrame:
    """Return ``comparisons`` from specifications.

    ``change`` [% or unit] and ``se`` [log-percent or unit], ``df``; ``own``: standard error and df of the game's
    own runs where its noise is borrowed; other keys are columns.
    """
    usual = {"setting": "", "n": 5, "n_against": 5, "n_blocks": 5, "layout": "rounds", "more_runs": pd.NA}
    rows = [{**usual, "game": GAMES[place % len(GAMES)], **spec} for place, spec in enumerate(specs)]
    table = pd.DataFrame([_game_row(plan, spec) for spec in rows])
    level = 1 - plan.analysis.confidence
    levels = Levels.at(level, len(table), first=level)
    judged = judge(table, levels, plan, family=families_of(table))
    return COMPARISONS.frame(_as_given(published(judged), specs))


def overall_rows(plan: ReviewPlan, *specs: dict) -> pd.DataFrame:
    """Return ``overall`` from specifications as in `game_rows`; ``scope`` is these games unless it says so.

    The interval is at the plan's confidence, or at the ``confidence`` given.
    """
    usual = {"scope": "these_games", "n_games": len(plan.games), "games_left_out": "", "layout": "rounds"}
    table = pd.DataFrame([_row(plan, usual | spec) for spec in specs])
    given = [spec.get("confidence", plan.analysis.confidence) for spec in specs]
    own = 1 - np.array(given, dtype=float)
    page = 1 - plan.analysis.confidence
    judged = judge(table, replace(Levels.at(page, len(table), first=page), of=(own,) * 3), plan)
    return OVERALL.frame(_as_given(published(judged), specs))


def _as_given(table: pd.DataFrame, specs: tuple[dict, ...]) -> pd.DataFrame:
    """Return the table with the columns that a specification names as it gives them."""
    out = table.copy()
    for place, spec in enumerate(specs):
        for name in spec.keys() & {
            "change",
            "carried_by",
            "change_without",
            "bench_change_pct",
            "restart_spread_pct",
        }:
            if name not in out:
                out[name] = pd.NA
            out.loc[out.index[place], name] = spec[name]
    return out


def _row(plan: ReviewPlan, spec: dict) -> dict:
    """Return one row before it is judged, on the scale of the tests."""
    spec = {"metric": "avg_fps", "group": "all", "se": 0.5, "df": 4.0, "withheld": "", "cautions": ""} | spec
    metric, share = METRICS[spec["metric"]], 100 if is_ratio(spec["metric"]) else 1
    margin = plan.margin_of(metric.name)
    change = np.log1p(spec["change"] / 100) if is_ratio(metric.name) else spec["change"]
    parts = dict.fromkeys(("restart_se", "restart_df", "rounding_se"), np.nan)
    facts = {"unit": metric.unit, "scale": metric.scale, "margin": np.nan if margin is None else margin,
             "drifts": False, "change": change, "se": spec["se"] / share}  # fmt: skip
    return PAIR | parts | spec | facts


def _game_row(plan: ReviewPlan, spec: dict) -> dict:
    """Return the row of one game before it is judged."""
    own = spec.pop("own", None)
    row = _row(plan, spec)
    share = 100 if row["scale"] == "ratio" else 1
    alone = (own[0] / share, own[1]) if own else (row["se"], row["df"])
    against = row.get("against_value", 100.0)
    of = against * np.exp(row["change"]) if row["scale"] == "ratio" else against + row["change"]
    values = {"against_value": against, "of_value": row.get("of_value", of)}
    return row | {"borrowed": own is not None, "own_se": alone[0], "own_df": alone[1]} | values
