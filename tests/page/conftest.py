"""A made-up review as tables, for the sections of the page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from nbformat import NotebookNode
from simulated_runs import Design, Noise, make_review

from gpubench_kit import page
from gpubench_kit.logs.frame_timing import FRAME_SHARES
from gpubench_kit.logs.run_facts import RunFacts, Trace
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUN_METRICS, RUNS, Finding, findings_table
from gpubench_kit.page.results import Results
from gpubench_kit.report.notebook_run import page_of
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise, levels_of_games

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
    factors=(1.0,),
) -> MadeUp:
    """Return a made-up review of the given games and tunings; rates of the games are multiplied by the factors."""
    plan = ReviewPlan.from_dict(
        {
            "review": {"title": title},
            "cards": [{"name": "Larkmoor 4", "power_measured_at": "board_sensor"}],
            "tunings": [{"name": name, "reference": place == 0} for place, name in enumerate(tunings)],
            "games": [{"name": name, "scene": name} for name in games],
            "analysis": {"metrics": list(metrics)},
        }
    )
    usable = pd.concat(
        [usable_runs(games, tunings, metric, rounds=rounds) for metric in metrics], ignore_index=True
    )
    by_game = {game: factors[place % len(factors)] for place, game in enumerate(games)}
    is_rate = usable["metric"].str.endswith("_fps")
    usable["value"] *= usable["game"].map(by_game).where(is_rate, 1.0)
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


def without_verdicts(review: MadeUp, reason="confounded") -> MadeUp:
    """Return a review in which nothing has a verdict."""
    none = {"verdict": "no_verdict", "reason": reason, "ci_low": float("nan"), "ci_high": float("nan")}
    return replace(review, comparisons=review.comparisons.assign(**none), overall=review.overall.assign(**none))


def facts_of(review: MadeUp):
    """Return made-up facts of every run by its name: frame times of 100 pieces, quantiles, one sensor."""
    rates = review.usable[review.usable["metric"] == "avg_fps"].set_index("run")["value"]

    def facts(run: str) -> RunFacts | None:
        if run not in rates:
            return None
        ms = 1000 / rates[run]
        piece = ms * (1 + 0.08 * np.sin(np.arange(150) / 9) + 0.02 * np.cos(np.arange(150) * 2.3))
        trace = Trace(np.arange(150) * 0.2, 0.9 * piece, piece, piece * (1.03 + 0.3 * (np.arange(150) % 7 == 0)))
        quantiles = tuple(ms * (1 + share / 200) for share in FRAME_SHARES)
        sensors = {"board_w": (np.arange(30.0), np.full(30, 250.0))}
        return RunFacts(
            run, n_frames=int(30_000 / ms), duration_s=30.0, longest_ms=2 * ms, longest_at_s=15.0, trace=trace,
            frame_quantiles_ms=quantiles, sensor_traces=sensors,
        )  # fmt: skip

    return facts


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


def whole_page(results: Results) -> str:
    """Return the page as the command makes it."""
    sections = [page.look(results.plan), *page_sections(results)]
    outputs = [NotebookNode({"data": one._repr_mimebundle_()}) for one in sections]
    return page_of(NotebookNode({"cells": [NotebookNode({"outputs": outputs})]}))


def rich_results() -> Results:
    """Return what the page of twenty games under seven states is made of, frame times and a sensor included."""
    tunings = ("factory", *(f"limit {number}" for number in range(1, 7)))
    review = made_up(games=tuple(f"Gate {number}" for number in range(20)), tunings=tunings)
    return results_of(review, facts_of=facts_of(review), pictures="film")


def usable_runs(games, tunings, metric: str, *, rounds: int) -> pd.DataFrame:
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
