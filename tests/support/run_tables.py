"""Small tables of runs for the tests of the statistics, written as they were done: ``A1 B1 B2 A2``."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence
from gpubench_kit.checks.review import find
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import Finding

#: Confidence of a plan of one pair and one metric whose result over games, 0.8 of the page, has a level of 0.05.
ONE_RESULT = 1 - 0.05 / 0.8

REFERENCE = Path(__file__).parents[1] / "reference"

#: In sequences, A is the tuning compared and B the reference.
TUNINGS = {"A": "quiet", "B": "factory", "C": "brisk"}

CASES = {
    "a_tidy": ("quiet", "brisk"),
    "c_rounds": ("quiet", "brisk", "lowvolt"),
    "e_onegame": ("quiet", "brisk"),
    "g_flatcell": ("quiet",),
    "h_confounded": ("quiet", "brisk"),
    "j_equal": ("lowvolt",),
}

REFERENCE_METRICS = {
    "avg_fps": "avg_fps",
    "low_1pct_fps": "low_1pct_fps",
    "board_w": "board_power_w",
    "frames_per_j": "frames_per_joule",
}


#: Games of every table here, so that each is one of the plan.
GAMES = (
    "Low Tide Racers", "Copper Monsoon", "Dust Meridian", "Glass Tundra", "Harbour Lanterns", "Kestrel Parish",
    "Ninefold Keep", "Névé Crossing", "Paper Lantern Rally", "Salt Orchard", "The Amber Ledger", "Thornway Express",
    "Widow's Aqueduct", "only quiet", "odd", *(f"game {number}" for number in range(61)),
    *(f"game {number:02d}" for number in range(1, 10)),
)  # fmt: skip


def make_plan(tunings=("factory", "quiet"), *, cards=("Larkmoor 4",), sections=None, **analysis) -> ReviewPlan:
    """Return a plan whose reference is the first tuning; keywords go to its section ``analysis``."""
    # One look: the level is 0.05, at which the values of R and of hand-worked cases are held.
    analysis = {"metrics": ["avg_fps"], "looks": 1} | analysis
    analysis.setdefault("primary", analysis["metrics"][0])
    cards = [card if isinstance(card, dict) else {"name": card} for card in cards]
    return ReviewPlan.from_dict(
        {
            "review": {"title": "A test"},
            "cards": [{"power_measured_at": "board_sensor"} | card for card in cards],
            "tunings": [{"name": name, "reference": place == 0} for place, name in enumerate(tunings)],
            "games": [{"name": name} for name in GAMES],
            "analysis": analysis,
            **(sections or {}),
        }
    )


def run_table(
    sequence: str, *, seed: int = 1, effect: float = 0.0, noise: float = 0.005, **columns
) -> pd.DataFrame:
    """Return the runs of one game, in the order done.

    ``A1`` is a run of the tuning compared in round 1; ``A-`` has no round. Keywords set columns: one
    value, or one for each run.
    """
    tokens = sequence.split()
    rng = np.random.default_rng(seed)
    of = np.array([token[0] == "A" for token in tokens])
    table = pd.DataFrame(
        {
            "run": [f"r{seed}-{number}" for number in range(len(tokens))],
            "card": "Larkmoor 4",
            "tuning": [TUNINGS[token[0]] for token in tokens],
            "game": "Low Tide Racers",
            "setting": "",
            "group": "all",
            "round": pd.array([pd.NA if token[1:] == "-" else int(token[1:]) for token in tokens], dtype="Int64"),
            "order": pd.array(range(1, len(tokens) + 1), dtype="Int64"),
            "session": "",
            "metric": "avg_fps",
            "value": 100 * np.exp(effect * of + noise * rng.standard_normal(len(tokens))),
        }
    )
    return table.assign(**columns)


def games(sequence: str, count: int, *, effect: float = 0.0, noise: float = 0.005, **columns) -> pd.DataFrame:
    """Return several games of the same sequence, one after the other."""
    parts = [
        run_table(sequence, seed=number, effect=effect, noise=noise, game=f"game {number}", **columns)
        for number in range(1, count + 1)
    ]
    table = pd.concat(parts, ignore_index=True)
    return table.assign(order=pd.array(range(1, len(table) + 1), dtype="Int64"))


def balanced(count: int, rounds: int = 5, **options) -> pd.DataFrame:
    """Return several games of alternating rounds: AB BA AB ..."""
    turns = [f"A{number} B{number}" if number % 2 else f"B{number} A{number}" for number in range(1, rounds + 1)]
    return games(" ".join(turns), count, **options)


def reference_runs(case: str, *tunings: str) -> pd.DataFrame:
    """Return a reference case as usable runs, all four metrics: all tunings, or the reference and those named."""
    table = _all_reference_runs(case)
    return table[table["tuning"].isin(("factory", *tunings))] if tunings else table


@cache
def _all_reference_runs(case: str) -> pd.DataFrame:
    """Return a reference case as usable runs; read once."""
    wide = pd.read_csv(REFERENCE / "runs" / f"{case}.csv")
    wide["frames_per_joule"] = wide["avg_fps"] / wide["board_power_w"]
    wide = wide.rename(columns={theirs: ours for ours, theirs in REFERENCE_METRICS.items()})
    wide["run"] = [f"r{number:03d}" for number in range(len(wide))]
    keys = ["run", "card", "tuning", "game", "round", "order", "session"]
    return wide.melt(keys, list(REFERENCE_METRICS), "metric", "value")


def reference_table(name: str, **wanted: str) -> pd.DataFrame:
    """Return the rows of a table of reference values that have the values wanted."""
    table = _read_reference(name)
    for column, value in wanted.items():
        table = table[table[column] == value]
    return table


@cache
def _read_reference(name: str) -> pd.DataFrame:
    """Return a table of reference values; read once."""
    return pd.read_csv(REFERENCE / f"{name}.csv", comment="#")


def closed(wanted, *, relative: float = 1e-6, absolute: float = 1e-9):
    """Return a function that compares numbers with those of a closed form, missing ones with missing ones."""
    wanted = np.asarray(wanted, dtype=float)

    def agree(got) -> bool:
        got = np.asarray(got, dtype=float)
        return bool(np.all(np.isclose(got, wanted, rtol=relative, atol=absolute, equal_nan=True)))

    return agree


def find_layouts(usable: pd.DataFrame, plan: ReviewPlan) -> list[Finding]:
    """Return what the checks say of how the runs were laid out."""
    none = pd.DataFrame()
    return find(Evidence(none, none, none, plan, usable=usable), "usable")
