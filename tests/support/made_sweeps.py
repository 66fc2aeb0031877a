"""Made-up sweeps as tables: a plan with a ladder, and runs with known losses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd
from simulated_runs import Design, Noise, make_review

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUNS
from gpubench_kit.sweep.find import Sweep, find_tuning

STEPS = (-5, -10, -15, -20, -25, -30)
LOSSES = (-0.1, -0.3, -0.8, -1.6, -3.2, -5.4)
POWERS = (-3.0, -7.0, -12.0, -17.0, -22.0, -27.0)


@dataclass(frozen=True)
class MadeSweep:
    """A plan, usable values and runs, and what is found in them."""

    plan: ReviewPlan
    usable: pd.DataFrame
    runs: pd.DataFrame

    def find(self, **given) -> Sweep:
        """Return what is found."""
        return find_tuning(self.usable, self.runs, self.plan, **given)


def step_name(step: float) -> str:
    """Return the name of a step's tuning."""
    return f"limit {step:g}"


def sweep_plan(
    steps: Sequence[float] = STEPS, *, games: int = 3, changes: Mapping | None = None, **tuning
) -> ReviewPlan:
    """Return a plan whose tunings step the power limit; ``tuning`` is given to every step."""
    ladder = [{"name": step_name(one), "changes": {"power_limit_pct": one}, **tuning} for one in steps]
    return ReviewPlan.from_dict(
        {
            "review": {"title": "Larkmoor 4: how low can the power limit go"},
            "cards": [{"name": "Larkmoor 4", "power_measured_at": "board_sensor"}],
            "tunings": [{"name": "factory", "reference": True}, *ladder],
            "games": [{"name": f"game {number:02d}"} for number in range(1, games + 1)],
            "sweep": {"ladder": "power_limit_pct"},
            **(changes or {}),
        }
    )


def made_sweep(
    steps: Sequence[float] = STEPS,
    losses: Sequence[float] = LOSSES,
    powers: Sequence[float] = POWERS,
    *,
    rounds: int = 5,
    run_pct: float = 0.4,
    plan: ReviewPlan | None = None,
) -> MadeSweep:
    """Return a sweep with known losses and powers in percent."""
    plan = plan or sweep_plan(steps)
    names = [step_name(one) for one in steps]
    design = Design(games=len(plan.games), rounds=rounds)
    noise = Noise(run_pct=run_pct, games_df=float("inf"))
    rate = make_review({"factory": 0.0, **dict(zip(names, losses, strict=True))}, design, noise=noise, seed=11)
    rate = rate.assign(setting="", group="all", bench="", power_measured_at="board_sensor")
    share = rate["tuning"].map(
        {"factory": 1.0, **{one: 1 + power / 100 for one, power in zip(names, powers, strict=True)}}
    )
    watts = 3 * make_review({"factory": 0.0}, Design(games=1, rounds=len(rate)), noise=noise, seed=12)["value"]
    watts = rate.assign(metric="board_w", value=watts.to_numpy() * share)
    energy = rate.assign(metric="energy_per_frame_j", value=watts["value"] / rate["value"])
    usable = pd.concat([rate, watts, energy], ignore_index=True)
    return MadeSweep(plan, usable, RUNS.frame(rate.assign(purpose="measure", used=True)))


def crashed(made: MadeSweep, tuning: str, count: int) -> MadeSweep:
    """Return the sweep with crashed runs of a setting added to the sheet."""
    rows = made.runs[made.runs["tuning"] == tuning].head(count)
    rows = rows.assign(run=[f"x{number}" for number in range(len(rows))], used=False, excluded_for="crash")
    return replace(made, runs=pd.concat([made.runs, rows], ignore_index=True))
