"""Made-up reviews of two cards with typed numbers: a folder as a reviewer would have it, with known truth."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.checks.review import check_review, exclude_runs, used_runs
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.plan import ReviewPlan, load_plan
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings

OURS, RIVAL = "Larkmoor 4", "Fernholt 3"
GAMES = (
    "Low Tide Racers", "Salt Orchard", "Copper Monsoon", "Glass Tundra", "Dust Meridian", "Harbour Lanterns",
)  # fmt: skip
CARDS = {
    "A": {"name": OURS, "power_measured_at": "inline", "price": 620.0},
    "B": {"name": RIVAL, "role": "rival", "power_measured_at": "inline", "price": 560.0},
}
METRICS = ("avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j", "core_c", "sound_dba")
#: Tunings of a sweep: change of frame rate and of power [%], of sound [dBA]; and the steps they are.
SWEPT = {
    "factory": (0.0, 0.0, 0.0), "limit -10": (-0.4, -9.0, -1.0), "limit -20": (-1.6, -18.0, -2.0),
    "limit -30": (-4.5, -27.0, -3.0),
}  # fmt: skip
STEPS = {"limit -10": -10, "limit -20": -20, "limit -30": -30}
SAMPLES = {
    "A": CARDS["A"] | {"name": "L a", "model": OURS},
    "C": CARDS["A"] | {"name": "L b", "model": OURS},
    "B": CARDS["B"] | {"name": "T a", "model": RIVAL},
    "D": CARDS["B"] | {"name": "T b", "model": RIVAL},
}
ONCE = {"avg_fps": 1.0, "low_1pct_fps": 2.0, "board_w": 1.0, "energy_per_frame_j": 1.5, "restarts": 0}
COSTS = {"price_per_kwh": 0.31, "hours_per_day": 3.0, "years": 5.0}

_BASE = {"avg_fps": (90.0, 120.0, 76.0, 143.0, 105.0, 64.0), "board_w": (305.0, 280.0, 330.0, 262.0, 295.0, 322.0)}


@dataclass(frozen=True)
class RivalReview:
    """A made-up review of two cards.

    Attributes
    ----------
    installed : the cards in the order installed, by their letters in ``cards``
    cards : letter -> keys of the card in the plan
    fps, watts, degrees : letter -> factor on frame rate and on power, and difference of temperature [°C]
    tunings : tuning -> (change of frame rate [%], of power [%], of sound level [dBA]); the first is the reference
    steps : tuning -> step of the power limit [%], for a sweep; empty for none
    games : games, each twice per tuning after each exchange
    run_pct, installation_pct : noise of a run and of an installation (standard deviations) [%]
    sections : further sections of the plan
    seed : of the noise
    """

    installed: str = "ABBAAB"
    cards: Mapping[str, Mapping[str, Any]] = field(default_factory=lambda: CARDS)
    fps: Mapping[str, float] = field(default_factory=lambda: {"A": 1.31})
    watts: Mapping[str, float] = field(default_factory=lambda: {"A": 0.80})
    degrees: Mapping[str, float] = field(default_factory=lambda: {"A": -6.0})
    tunings: Mapping[str, tuple[float, float, float]] = field(
        default_factory=lambda: {"factory": (0.0, 0.0, 0.0), "quiet": (-0.5, -14.0, -3.5)}
    )
    steps: Mapping[str, float] = field(default_factory=dict)
    games: tuple[str, ...] = GAMES
    run_pct: float = 0.5
    installation_pct: float = 0.3
    sections: Mapping[str, Any] = field(default_factory=dict)
    seed: int = 20261107

    @property
    def plan(self) -> ReviewPlan:
        """The plan, without a folder."""
        return ReviewPlan.from_dict(self.mapping)

    @property
    def mapping(self) -> dict[str, Any]:
        """The plan as a mapping."""
        tunings = [{"name": name, "reference": place == 0} for place, name in enumerate(self.tunings)]
        tunings = [
            one | {"changes": {"power_limit_pct": self.steps[one["name"]]}} if one["name"] in self.steps else one
            for one in tunings
        ]
        analysis = {"metrics": list(METRICS), "margins": {"core_c": 2.0, "sound_dba": 1.0}}
        sections = dict(self.sections)
        analysis |= sections.pop("analysis", {})
        return {
            "review": {"title": f"{OURS} against {RIVAL}"},
            "cards": [dict(self.cards[letter]) for letter in dict.fromkeys(self.installed)],
            "tunings": tunings,
            "games": [{"name": name, "scene": "the measured lap"} for name in self.games],
            "analysis": analysis,
            "costs": COSTS,
        } | sections

    def rows(self) -> list[dict[str, Any]]:
        """Return the rows of the run sheet, in the order done."""
        rng = np.random.default_rng(self.seed)
        rows = [row for place in range(len(self.installed)) for row in self._installation(place, rng)]
        return [{"run": f"r{order:03d}", "order": order} | row for order, row in enumerate(rows, start=1)]

    def _installation(self, place: int, rng: np.random.Generator) -> Iterator[dict[str, Any]]:
        """Yield the runs of one installation: every game twice under each tuning, then a soak of each tuning."""
        letter = self.installed[place]
        shift = {name: self.installation_pct / 100 * rng.standard_normal() for name in _BASE}
        facts = {"card": self.cards[letter]["name"], "session": f"installation {place + 1}"}
        names = list(self.tunings)
        for game, round_ in product(range(len(self.games)), (1, 2)):
            for tuning in names if round_ == 1 else reversed(names):
                about = {"tuning": tuning, "game": self.games[game], "round": round_, "purpose": "measure"}
                yield facts | about | self._numbers(letter, tuning, game=game, shift=shift, rng=rng)
        for tuning in names:
            about = {"tuning": tuning, "game": self.games[0], "round": 3, "purpose": "soak"}
            yield facts | about | self._heat(letter, tuning, rng)

    def _numbers(self, letter: str, tuning: str, *, game: int, shift: Mapping, rng) -> dict[str, Any]:
        """Return frame rates and power of one run."""
        change = dict(zip(("avg_fps", "board_w"), self.tunings[tuning], strict=False))
        factor = {"avg_fps": self.fps.get(letter, 1.0), "board_w": self.watts.get(letter, 1.0)}
        value = {
            name: _BASE[name][game % 6] * factor[name] * (1 + change[name] / 100)
            * np.exp(shift[name] + self.run_pct / 100 * rng.standard_normal())
            for name in _BASE
        }  # fmt: skip
        low = 0.78 * value["avg_fps"] * np.exp(0.012 * rng.standard_normal())
        return {
            "avg_fps": f"{value['avg_fps']:.2f}",
            "low_1pct_fps": f"{low:.2f}",
            "board_w": f"{value['board_w']:.1f}",
        }

    def _heat(self, letter: str, tuning: str, rng) -> dict[str, Any]:
        """Return temperature and sound level of one soak run."""
        core = 71 + self.degrees.get(letter, 0.0) + self.tunings[tuning][1] / 3 + 0.5 * rng.standard_normal()
        sound = 39 + self.degrees.get(letter, 0.0) / 3 + self.tunings[tuning][2] + 0.3 * rng.standard_normal()
        return {"core_c": f"{core:.1f}", "sound_dba": f"{sound:.1f}"}

    def write(self, folder: Path) -> Path:
        """Write plan and run sheet, and return the folder."""
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "plan.toml").write_text(toml_text(self.mapping), encoding="utf-8")
        write_rows(folder, self.rows())
        return folder


def write_rows(folder: Path, rows: list[dict[str, Any]]) -> None:
    """Write rows as the run sheet; what a row lacks is left empty."""
    names = dict.fromkeys(name for row in rows for name in row)
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(names))
        writer.writeheader()
        writer.writerows(rows)


def toml_text(mapping: Mapping[str, Any]) -> str:
    """Return a mapping of sections as TOML."""
    lines = []
    for section, value in mapping.items():
        for one in value if isinstance(value, list) else [value]:
            lines.append(f"[[{section}]]" if isinstance(value, list) else f"[{section}]")
            lines += [f"{key} = {_toml(inner)}" for key, inner in one.items()]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    """Return a value as TOML, tables inline."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return str(value).lower() if isinstance(value, bool) else repr(value)


@dataclass(frozen=True)
class Measured:
    """A review as far as its tables: what the sections of the page are made of."""

    plan: ReviewPlan
    usable: pd.DataFrame
    runs: pd.DataFrame
    comparisons: pd.DataFrame
    overall: pd.DataFrame


def measure(folder: Path) -> Measured:
    """Return the tables of a review folder, through the functions that the notebook calls."""
    plan = load_plan(folder)
    review = open_review(plan)
    run_metrics = compute_run_metrics(review, plan)
    findings = check_review(review, run_metrics, plan)
    usable = exclude_runs(review, run_metrics, findings)
    return Measured(
        plan=plan,
        usable=usable,
        runs=used_runs(review, findings),
        comparisons=compare_tunings(usable, plan),
        overall=compare_over_games(usable, plan),
    )
