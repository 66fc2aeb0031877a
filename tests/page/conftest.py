"""A made-up review as tables, for the sections of the page."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import pandas as pd
import pytest

from gpubench_kit import page
from gpubench_kit.model.findings import Finding, findings_table
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUN_METRICS, RUNS
from gpubench_kit.page.results import Results
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise
from gpubench_kit.statistics.levels import levels_of_games
from gpubench_kit.synthetic import Design, Noise, make_review

GAMES = ("Low Tide Racers", "Salt Orchard", "Copper Monsoon", "Glass Tundra", "Dust Meridian", "Harbour Lanterns")
EFFECTS = {"avg_fps": (-0.6, 3.0), "low_1pct_fps": (-1.0, 2.5), "board_w": (-16.0, 9.0)}


@dataclass(frozen=True)
class MadeUp:
    """A plan and every table that the page is made of."""

    plan: ReviewPlan
    usable: pd.DataFrame
    runs: pd.DataFrame
    run_metrics: pd.DataFrame
    findings: pd.DataFrame
    noise: pd.DataFrame
    levels: pd.DataFrame
    comparisons: pd.DataFrame
    overall: pd.DataFrame


def made_up(
    games=GAMES,
    *,
    title="Larkmoor 4: what two tunings do",
    tunings=("factory", "quiet", "brisk"),
    metrics=tuple(EFFECTS),
    rounds=5,
) -> MadeUp:
    """Return a made-up review of the given games and tunings."""
    plan = ReviewPlan.from_dict(
        {
            "review": {"title": title},
            "cards": [{"name": "Larkmoor 4", "power_measured_at": "board_sensor"}],
            "tunings": [{"name": name, "reference": place == 0} for place, name in enumerate(tunings)],
            "games": [{"name": name, "scene": name} for name in games],
            "analysis": {"metrics": list(metrics)},
        }
    )
    usable = pd.concat([_usable(games, tunings, metric, rounds=rounds) for metric in metrics], ignore_index=True)
    noise = estimate_noise(usable, plan)
    runs = usable[["run", "card", "tuning", "game", "round", "order"]].drop_duplicates("run")
    finding = Finding(
        "note",
        "missing_frames",
        f"run 'r1' of {games[0]}: frames are missing",
        run="r1",
        found=2.5,
        limit=1.0,
        unit="s",
    )
    return MadeUp(
        plan=plan,
        usable=usable,
        runs=RUNS.frame(runs.assign(purpose="measure", used=True, order_done=runs["order"])),
        run_metrics=RUN_METRICS.frame(usable.assign(definition="frames / time", source="log")),
        findings=findings_table([finding]),
        noise=noise,
        levels=levels_of_games(noise, plan),
        comparisons=compare_tunings(usable, plan),
        overall=compare_over_games(usable, plan),
    )


def results_of(review: MadeUp, **more) -> Results:
    """Return what the page is made of; further attributes, or others, by name."""
    names = ("plan", "runs", "findings", "noise", "usable", "comparisons", "overall", "levels", "run_metrics")
    return Results(**({name: getattr(review, name) for name in names} | more))


def page_sections(results: Results) -> list:
    """Return all sections of the report page."""
    parts = (page.answer, page.by_game, page.watts, page.games, page.script, page.quality)
    return [*(part(results) for part in parts), page.cautions(results.plan), page.downloads(results)]


def page_html(results: Results) -> str:
    """Return all sections of the report page as one text."""
    return "".join(section._repr_html_() for section in page_sections(results))


def _usable(games, tunings, metric: str, *, rounds: int) -> pd.DataFrame:
    """Return the usable runs of one metric."""
    further = [place * EFFECTS[metric][place % 2] for place in range(len(tunings) - 1)]
    effects = {tunings[0]: 0.0} | dict(zip(tunings[1:], [*EFFECTS[metric], *further[2:]], strict=False))
    design = Design(games=len(games), rounds=rounds, metric=metric)
    usable = make_review(effects, design, noise=Noise(run_pct=0.5), seed=list(EFFECTS).index(metric))
    names = dict(zip(sorted(usable["game"].unique()), games, strict=True))
    return usable.assign(
        game=usable["game"].map(names),
        card="Larkmoor 4",
        group="all",
        setting="",
        power_measured_at="board_sensor",
        bench="",
        purpose="measure",
    )


@pytest.fixture(scope="session")
def review() -> MadeUp:
    """Return a review of six games and three tunings."""
    return made_up()


@pytest.fixture(scope="session")
def results(review) -> Results:
    """Return what the page of that review is made of."""
    return results_of(review)


def result_row(**given) -> SimpleNamespace:
    """Return a row of ``overall``; what is not given is a plain result on the average frame rate."""
    usual = {
        "of_card": "Larkmoor 4", "of_tuning": "quiet", "of_bench": "", "against_card": "Larkmoor 4",
        "against_tuning": "factory", "against_bench": "", "group": "all", "metric": "avg_fps", "unit": "fps",
        "scale": "ratio", "change": -0.3, "ci_low": -0.6, "ci_high": 0.1, "change_w": float("nan"),
        "change_w_ci_low": float("nan"), "change_w_ci_high": float("nan"), "carried_by": "", "n_games": 6,
        "scope": "these_games", "games_left_out": "", "layout": "rounds",
        "confidence": 0.95, "margin": 2.0, "verdict": "same_within_margin", "no_loss": True, "reason": "",
    }  # fmt: skip
    return SimpleNamespace(**usual | given)
