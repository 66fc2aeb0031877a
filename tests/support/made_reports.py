"""Made-up report folders without pages: the tables and manifest of reviews whose truth is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.claims.check import check_claims
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import FINDINGS, RUN_METRICS, RUNS
from gpubench_kit.report.manifest import make_manifest
from gpubench_kit.report.package import json_text, write_tables
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise

#: Average of each metric: frames per second, and watts.
_LEVELS = {"avg_fps": 100.0, "low_1pct_fps": 70.0, "board_w": 280.0, "energy_per_frame_j": 2.8}


@dataclass(frozen=True)
class MadeReport:
    """A review whose truth is known; standard deviations and changes in percent (100 times natural log).

    Attributes
    ----------
    title, date, card, bench, driver : as in the plan
    tunings : true change of each, the reference first
    games, rounds, rounds_per_session : how much was measured
    metrics : names of the metrics
    noise_pct : run-to-run noise; ``noise_of`` for single games
    restart_pct : spread between sessions, shared by all games
    level_pct : how far all values lie from the usual level
    decimals : decimals that were typed of each value; None: all digits, of which nothing is told
    sections : further sections of the plan
    """

    title: str = "Larkmoor 4: what a lower power limit costs"
    date: str = "2026-03-02"
    card: str = "Larkmoor 4"
    bench: str = "desk"
    driver: str = ""
    tunings: Mapping[str, float] = field(default_factory=lambda: {"factory": 0.0, "quiet": -1.0})
    games: int = 6
    rounds: int = 6
    rounds_per_session: int = 3
    metrics: tuple[str, ...] = ("avg_fps",)
    noise_pct: float = 0.5
    noise_of: Mapping[str, float] = field(default_factory=dict)
    restart_pct: float = 0.3
    level_pct: float = 0.0
    decimals: int | None = None
    sections: Mapping = field(default_factory=dict)

    @property
    def game_names(self) -> list[str]:
        """Names of the games."""
        return [f"game {number:02d}" for number in range(1, self.games + 1)]

    def plan(self) -> ReviewPlan:
        """Return the review's plan."""
        names = list(self.tunings)
        return ReviewPlan.from_dict(
            {
                "review": {"title": self.title, "date": self.date},
                "cards": [{"name": self.card, "power_measured_at": "board_sensor"}],
                "benches": [{"name": self.bench, "driver": self.driver}],
                "tunings": [{"name": name, "reference": name == names[0]} for name in names],
                "games": [{"name": name} for name in self.game_names],
                "analysis": {"metrics": list(self.metrics), "primary": self.metrics[0]},
                **self.sections,
            }
        )

    def values(self, seed: int) -> pd.DataFrame:
        """Return usable runs, one row per run and metric."""
        names = list(self.tunings)
        shape = (self.rounds, self.games, len(names))
        round_, game, tuning = (index.ravel() for index in np.indices(shape))
        rng = np.random.default_rng([seed, 7])
        slot = (tuning + round_ + game) % len(names)
        order = np.lexsort((slot, game, round_)).argsort() + 1
        session = round_ // self.rounds_per_session
        runs = pd.DataFrame(
            {
                "run": [f"r{number:04d}" for number in order],
                "card": self.card,
                "bench": self.bench,
                "tuning": np.array(names)[tuning],
                "game": np.array(self.game_names)[game],
                "setting": "",
                "group": "all",
                "purpose": "measure",
                "session": [f"session {one + 1}" for one in session],
                "launch": "",
                "round": pd.array(round_ + 1, dtype="Int64"),
                "order": pd.array(order, dtype="Int64"),
                "power_measured_at": "board_sensor",
            }
        )
        effect = np.array(list(self.tunings.values()))[tuning]
        spread = np.array([self.noise_of.get(name, self.noise_pct) for name in self.game_names])[game]
        parts = []
        for metric in self.metrics:
            restart = self.restart_pct * rng.standard_normal(int(session.max()) + 1)[session]
            log = (effect + self.level_pct + restart + spread * rng.standard_normal(len(game))) / 100
            value = _LEVELS[metric] * np.exp(log + 0.1 * game)
            typed, step = (
                (value, 0.0) if self.decimals is None else (value.round(self.decimals), 10.0**-self.decimals)
            )
            parts.append(runs.assign(metric=metric, value=typed, step=step))
        return pd.concat(parts, ignore_index=True).sort_values(["metric", "order"], kind="stable")


def write_report(
    folder: str | Path, made: MadeReport, *, seed: int, log_names: str = "", values: pd.DataFrame | None = None
) -> Path:
    """Write the tables and the manifest of a review as `report` does; no page, no pictures.

    Parameters
    ----------
    folder : folder of the report
    made : the review
    seed : of its noise
    log_names : what the hashes of its frame logs begin with; empty: the numbers were typed
    values : usable runs; default those of the recipe
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    plan = made.plan()
    usable = made.values(seed) if values is None else values
    runs = usable.drop_duplicates("run").sort_values("order")
    hashes = [f"{log_names}-{run}" if log_names else "" for run in runs["run"]]
    runs = runs.assign(order_done=runs["order"], used=True, n_frames=6000, duration_s=60.0, frame_log_sha256=hashes)
    overall, comparisons = compare_over_games(usable, plan), compare_tunings(usable, plan)
    source = "log" if log_names else "typed"
    tables = {
        "runs": RUNS.frame(runs),
        "run_metrics": RUN_METRICS.frame(usable.assign(source=source, unit="")),
        "findings": FINDINGS.frame(),
        "noise": estimate_noise(usable, plan),
        "comparisons": comparisons,
        "overall": overall,
        "claims": check_claims(comparisons, overall, plan),
    }
    write_tables(tables, folder, plan=plan)
    judged = {name: tables[name] for name in ("overall", "comparisons", "claims")}
    manifest = make_manifest(plan, [], **judged, looks_made=1)
    (folder / "manifest.json").write_text(json_text(manifest), encoding="utf-8", newline="\n")
    (folder / "index.html").write_text("<!doctype html><title>a report</title>", encoding="utf-8")
    return folder
