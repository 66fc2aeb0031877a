"""Results made from a change, its standard error and degrees of freedom: judged by the rules of the kit."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import COMPARISONS, OVERALL
from gpubench_kit.statistics.difference import run_tests
from gpubench_kit.statistics.mirrored import families_of
from gpubench_kit.statistics.result_rows import direction_of, judge, scaled_margin
from gpubench_kit.statistics.units import is_ratio
from gpubench_kit.statistics.verdict import decide

GAMES = ("Low Tide Racers", "Salt Orchard", "Copper Monsoon", "Glass Tundra")
PAIR = {"of_card": "Larkmoor 4", "of_tuning": "quiet", "of_bench": "",
        "against_card": "Larkmoor 4", "against_tuning": "factory", "against_bench": ""}  # fmt: skip
_ENDS = ("ci_low", "ci_high", "equivalence_ci_low", "equivalence_ci_high")


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
        "claims": [{"id": f"c{number}"} | usual | claim for number, claim in enumerate(claims)],
    }
    return ReviewPlan.from_dict(plan | sections)


def game_rows(plan: ReviewPlan, *specs: dict) -> pd.DataFrame:
    """Return ``comparisons`` from specifications.

    ``change`` [% or unit] and ``se`` [log-percent or unit], ``df``; ``own``: standard error and df of the game's
    own runs where its noise is borrowed; other keys are columns.
    """
    rows = [_game_row(plan, {"game": GAMES[place % len(GAMES)]} | spec) for place, spec in enumerate(specs)]
    return COMPARISONS.frame(_judged(rows, plan))


def overall_rows(plan: ReviewPlan, *specs: dict) -> pd.DataFrame:
    """Return ``overall`` from specifications as in `game_rows`; ``scope`` is these games unless it says so."""
    usual = {"scope": "these_games", "n_games": len(plan.games), "games_left_out": "", "layout": "rounds"}
    return OVERALL.frame(_judged([_row(plan, usual | spec) for spec in specs], plan))


def _judged(rows: list[dict], plan: ReviewPlan) -> pd.DataFrame:
    """Return rows with adjusted p-values and verdicts."""
    table = pd.DataFrame(rows)
    return judge(table, family=families_of(table), level=1 - plan.analysis.confidence, plan=plan)


def _row(plan: ReviewPlan, spec: dict) -> dict:
    """Return one row before adjustment."""
    spec = {"metric": "avg_fps", "group": "all", "se": 0.5, "df": 4.0, "withheld": "", "cautions": ""} | spec
    metric = METRICS[spec["metric"]]
    found = _tests(plan, spec, (spec["se"], spec["df"]))
    margin = plan.margin_of(metric.name)
    level = 1 - plan.analysis.confidence
    se = spec["se"] / 100 if is_ratio(metric.name) else spec["se"]
    facts = {"unit": metric.unit, "scale": metric.scale, "confidence": 1 - level,
             "margin": np.nan if margin is None else margin}  # fmt: skip
    return PAIR | found | spec | facts | {"se": se}


def _game_row(plan: ReviewPlan, spec: dict) -> dict:
    """Return the row of one game before adjustment."""
    own = spec.pop("own", None)
    row = _row(plan, {"setting": "", "n": 5, "n_against": 5, "n_blocks": 5, "layout": "rounds"} | spec)
    alone = _tests(plan, row, own or (row["se"] * (100 if row["scale"] == "ratio" else 1), row["df"]))
    row |= {f"own_{name}": alone[name] for name in _ENDS}
    row["own_verdict"] = _verdict_alone(row, alone)
    against = row.get("against_value", 100.0)
    of = against * (1 + row["change"] / 100) if row["scale"] == "ratio" else against + row["change"]
    return {"more_runs": pd.NA} | row | {"borrowed": own is not None, "against_value": against, "of_value": of}


def _verdict_alone(row: dict, alone: dict) -> str:
    """Return the verdict from a game's own runs, not adjusted."""
    values = (np.array([one]) for one in (row["change"], alone["p_difference"], alone["p_equivalence"]))
    direction = np.array(direction_of(row["metric"]))
    return str(decide(*values, level=1 - row["confidence"], direction=direction)[0])


def _tests(plan: ReviewPlan, spec: dict, noise: tuple[float, float]) -> dict:
    """Return intervals and p-values of a change with a standard error and df."""
    ratio = is_ratio(spec["metric"])
    change = np.log1p(spec["change"] / 100) if ratio else spec["change"]
    se = noise[0] / 100 if ratio else noise[0]
    tests = run_tests(
        np.array([change]), np.array([se**2]), np.array([noise[1]]), margin=scaled_margin(plan, spec["metric"]),
        level=1 - plan.analysis.confidence, direction=direction_of(spec["metric"]),
    )  # fmt: skip
    ends = {name: float(getattr(tests, name)[0]) for name in _ENDS}
    ends = {name: 100 * np.expm1(end) for name, end in ends.items()} if ratio else ends
    return ends | {
        name: float(getattr(tests, name)[0]) for name in ("p_difference", "p_equivalence", "p_non_inferiority")
    }
