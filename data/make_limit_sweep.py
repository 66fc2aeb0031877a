"""Make the bundled review ``data/limit_sweep``: plan, run sheet with typed numbers, and a README with the truth.

Run from anywhere: ``python data/make_limit_sweep.py [FOLDER]``. The same versions give the same bytes.
"""

from __future__ import annotations

import csv
import io
import math
import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

SEED = 20261116
ROUNDS = 4
LIMIT_W = 300.0
STEPS = (-5, -10, -15, -20, -25, -30, -35, -40)
LOW_STEPS = (0, -10, -20, -30)
VOLTAGE_MV = -60

#: Game -> frame rate [fps] and power [W] that it would take without a limit.
GAMES = {"Low Tide Racers": (144.0, 296.0), "Salt Orchard": (88.0, 306.0), "Glass Tundra": (71.0, 287.0)}

#: Power at the same clock with the lower voltage, as a share.
LOW_VOLTAGE_SHARE = 0.92
#: Spread of power within a scene, as a share: the limit cuts off the peaks first.
WITHIN_SCENE = 0.05
RATE_NOISE, POWER_NOISE, ROUND_NOISE = 0.0045, 0.004, 0.0015

#: Tuning -> game and round in which it crashed.
CRASHES = {"limit -30, low voltage": (("Salt Orchard", 3),), "limit -40": (("Glass Tundra", 2),)}

PLAN = """[review]
title = "Larkmoor 4: how low can the power limit go"
date = 2026-11-16
licence = "CC0-1.0"

[[cards]]
name = "Larkmoor 4"
power_measured_at = "board_sensor"

{tunings}
{games}
[analysis]
metrics = ["avg_fps", "board_w", "energy_per_frame_j"]
margin_pct = 2.0
applied = "each_run"
seed = 20261116

[sweep]
ladder = "power_limit_pct"
"""

STABILITY = {
    "limit -10, low voltage": "[{ hours = 12.5, failures = 0 }]",
    "limit -20, low voltage": "[{ hours = 9.0, failures = 0 }]",
    "limit -30, low voltage": "[{ hours = 2.5, failures = 2 }]",
    "limit -15": "[{ hours = 14.0, failures = 0 }]",
}


def main() -> None:
    """Write the review into the folder named, or beside this file."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent / "limit_sweep"
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in (("plan.toml", plan_text()), ("runs.csv", sheet_text()), ("README.md", readme_text())):
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    print(folder)


def tunings() -> dict[str, dict[str, int]]:
    """Return every tuning with its changes, the factory state first."""
    plain = {f"limit {step}": {"power_limit_pct": step} for step in STEPS}
    low = {
        f"limit {step}, low voltage" if step else "low voltage": {"power_limit_pct": step, "voltage_mv": VOLTAGE_MV}
        for step in LOW_STEPS
    }
    return {"factory": {}, **plain, **low}


def truth(changes: dict[str, int], game: str) -> tuple[float, float]:
    """Return the true frame rate [fps] and power [W] of a game."""
    fps, demand = GAMES[game]
    demand *= LOW_VOLTAGE_SHARE if changes.get("voltage_mv") else 1.0
    power = cut_off(demand, LIMIT_W * (1 + changes.get("power_limit_pct", 0) / 100))
    return fps * (1 - 0.62 * (1 - power / demand) ** 1.8), power


def cut_off(demand: float, limit: float) -> float:
    """Return the mean of a demand that varies within a scene and that a limit cuts off."""
    spread = WITHIN_SCENE * demand
    z = (limit - demand) / spread
    below = 0.5 * (1 + math.erf(z / math.sqrt(2)))
    density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return demand * below - spread * density + limit * (1 - below)


def sheet_text() -> str:
    """Return the run sheet: game by game in rounds, the tunings in a random order that is rotated."""
    rng = np.random.default_rng(SEED)
    names, rows = list(tunings()), []
    first = {game: rng.permutation(len(names)) for game in GAMES}
    for number in range(1, ROUNDS + 1):
        for game in [list(GAMES)[place] for place in rng.permutation(len(GAMES))]:
            shift = ROUND_NOISE * rng.standard_normal()
            for place in np.roll(first[game], -3 * number):
                rows += run_rows(names[place], game, number, shift=shift, rng=rng)
    clock = datetime(2026, 11, 16, 18, 30)
    for order, row in enumerate(rows, start=1):
        started = (clock + timedelta(seconds=105 * order)).isoformat(sep=" ")
        row |= {"run": f"r{order:03d}", "session": 1, "order": order, "started_at": started}
        row["replaces"] = f"r{order - 1:03d}" if row["replaces"] else ""
    text = io.StringIO()
    columns = [
        "run",
        "tuning",
        "game",
        "round",
        "session",
        "order",
        "started_at",
        "avg_fps",
        "board_w",
        "excluded",
        "replaces",
    ]
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def run_rows(tuning: str, game: str, number: int, *, shift: float, rng: np.random.Generator) -> list[dict]:
    """Return the row of a run; after a crash also that of its repeat."""
    fps, power = truth(tunings()[tuning], game)
    noise = rng.standard_normal(2)
    row = {
        "tuning": tuning, "game": game, "round": number, "excluded": "", "replaces": "",
        "avg_fps": f"{fps * math.exp(shift + RATE_NOISE * noise[0]):.2f}",
        "board_w": f"{power * math.exp(POWER_NOISE * noise[1]):.1f}",
    }  # fmt: skip
    if (game, number) not in CRASHES.get(tuning, ()):
        return [row]
    return [row | {"avg_fps": "", "board_w": "", "excluded": "crash"}, row | {"replaces": "yes"}]


def plan_text() -> str:
    """Return the plan."""
    parts = []
    for name, changes in tunings().items():
        lines = ["[[tunings]]", f'name = "{name}"', *(["reference = true"] if not changes else [])]
        if changes:
            listed = ", ".join(f"{change} = {value}" for change, value in changes.items())
            lines.append(f"changes = {{ {listed} }}")
        if name in STABILITY:
            lines.append(f"stability = {STABILITY[name]}")
        parts.append("\n".join(lines) + "\n")
    games = [f'[[games]]\nname = "{game}"\nscene = "the measured lap"\n' for game in GAMES]
    return PLAN.format(tunings="\n".join(parts), games="\n".join(games))


def signed(value: float, decimals: int) -> str:
    """Return a number with its sign."""
    return f"{value:+.{decimals}f}".replace("-", "−")


def readme_text() -> str:
    """Return the README with the true changes."""
    lines = []
    for name, changes in tunings().items():
        ratios = np.array([np.divide(truth(changes, game), truth({}, game)) for game in GAMES])
        fps, power = 100 * (np.exp(np.log(ratios).mean(axis=0)) - 1)
        lines.append(f"| {name} | {signed(fps, 2)} % | {signed(power, 1)} % |")
    return README.format(rows="\n".join(lines), seed=SEED, crashes=" and ".join(f"`{name}`" for name in CRASHES))


README = """# A ladder of power limits: a made-up review

Nothing here was measured: card, games and numbers are invented, and made by `data/make_limit_sweep.py` with the
seed {seed}. To make it again, byte for byte: `python data/make_limit_sweep.py`. The numbers are typed into the run
sheet; there are no logs. `gpubench-kit sweep data/limit_sweep` searches it, and since the truth is known, a reader
can hold the page against it.

Eight power limits, and four settings with a lower voltage, in three games and four rounds. A limit cuts off the
peaks of a game's power first; the lower voltage takes 8 % less power for the same clock. A run crashed under
{crashes}; both were repeated at once.

## True changes against the factory state (geometric means over the games)

| tuning | frame rate | board power |
| --- | --- | --- |
{rows}
"""

if __name__ == "__main__":
    main()
