"""Make the bundled review ``data/ten_games``: plan, run sheet, logs, and a README with the true effects.

Run from anywhere: ``python data/make_ten_games.py [FOLDER]``. The same versions give the same bytes.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning, Mishap
from gpubench_kit.synthetic.review import write_review
from gpubench_kit.wording.numbers import change_text, value_text

SEED = 20261102

TRACED = "1440p ray tracing"

GAMES = (
    MadeGame("Low Tide Racers", 144.0, "harbour lap", "1440p", "1440p", board_w=296.0, run_cv_pct=0.35),
    MadeGame("Salt Orchard", 88.0, "walk to the press", "1440p", "1440p", board_w=305.0, run_cv_pct=0.5),
    MadeGame("Copper Monsoon", 112.0, "market in the rain", "1440p", "1440p", board_w=309.0, run_cv_pct=0.6),
    MadeGame("Copper Monsoon", 58.0, "market in the rain", TRACED, TRACED, board_w=312.0, run_cv_pct=0.5),
    MadeGame("Glass Tundra", 71.0, "crossing the rift", "1440p", "1440p", board_w=318.0, run_cv_pct=0.4),
    MadeGame("Glass Tundra", 41.0, "crossing the rift", TRACED, TRACED, board_w=319.0, run_cv_pct=0.45),
    MadeGame("Dust Meridian", 126.0, "convoy", "1440p", "1440p", board_w=288.0, run_cv_pct=0.8),
    MadeGame("Harbour Lanterns", 167.0, "pier at night", "1440p", "1440p", board_w=262.0, run_cv_pct=0.25),
    MadeGame("Ninefold Keep", 97.0, "third gate", "1440p", "1440p", board_w=301.0, run_cv_pct=1.1),
    MadeGame(
        "Kestrel Parish", 138.0, "market day", "1440p", "1440p", "processor",
        board_w=171.0, load_pct=61.0, run_cv_pct=0.9, hitches_per_min=9.0,
    ),
    MadeGame("Thornway Express", 84.0, "viaduct", "1440p", "1440p", board_w=311.0, run_cv_pct=0.7),
    MadeGame(
        "Widow's Aqueduct", 103.0, "flooded hall", "1440p", "1440p",
        board_w=299.0, run_cv_pct=2.0, roughness=0.14, hitches_per_min=12.0,
    ),
)  # fmt: skip

TUNINGS = (
    MadeTuning("factory"),
    MadeTuning(
        "quiet",
        fps_pct=-0.7, fps_in={"Glass Tundra": -4.2, "Harbour Lanterns": -0.3, "Salt Orchard": -1.1},
        power_pct=-15.0, core_mhz=2610.0, core_mv=960.0, core_c=61.0, fan_rpm=1380.0, sound_dba=34.5,
        changes={"power_limit_pct": -12, "voltage_mv": -90},
    ),
    MadeTuning(
        "brisk",
        fps_pct=3.3, fps_in={"Dust Meridian": 2.6, "Glass Tundra": 4.1},
        power_pct=9.0, core_mhz=2790.0, core_mv=1055.0, core_c=72.0, fan_rpm=1850.0, sound_dba=40.2,
        changes={"core_mhz": 140, "memory_mhz": 400, "power_limit_pct": 8},
    ),
)  # fmt: skip

MISHAPS = (
    Mishap(
        "short_run", "brisk", "Thornway Express", 2, setting="1440p",
        excluded="crash", note="driver reset after 13 s",
    ),
    Mishap(
        "background_load", "factory", "Ninefold Keep", 4, setting="1440p",
        excluded="background_load", note="a download had started in the background",
    ),
    Mishap("gap", "quiet", "Salt Orchard", 3, setting="1440p"),
)  # fmt: skip

PLAN_END = """
[[benches]]
name = "desk"
driver = "driver A, made up"
room_c = 22

[analysis]
metrics = [
    "avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j",
    "core_c", "fan_rpm", "sound_dba", "core_mhz",
]
margin_pct = 2.0
margins = { low_1pct_fps = 3.0, core_c = 2.0, fan_rpm = 100.0, sound_dba = 1.0 }
applied = "each_run"
seed = 20261102

[exclude]
min_duration_s = 27

[[claims]]
id = "quiet-costs-little"
text = "At 1440p the quiet tuning costs less than 2 % of the frame rate over our ten games."
metric = "avg_fps"
of = { tuning = "quiet" }
against = { tuning = "factory" }
over = "these_games"
group = "1440p"
loses_at_most = "2 %"

[[claims]]
id = "quiet-loses-nothing"
text = "The quiet tuning loses nothing."
metric = "avg_fps"
of = { tuning = "quiet" }
against = { tuning = "factory" }
over = "these_games"
says = "no_loss"

[[claims]]
id = "quiet-per-frame"
text = "In games like these the quiet tuning needs less energy for each frame."
metric = "energy_per_frame_j"
of = { tuning = "quiet" }
against = { tuning = "factory" }
over = "games_like_these"
says = "better"

[[claims]]
id = "brisk-by-five"
text = "The brisk tuning is at least 5 % faster."
metric = "avg_fps"
of = { tuning = "brisk" }
against = { tuning = "factory" }
over = "these_games"
gains_at_least = "5 %"

[[claims]]
id = "aqueduct-lows"
text = "Widow's Aqueduct feels smoother under the brisk tuning."
metric = "low_1pct_fps"
of = { tuning = "brisk" }
against = { tuning = "factory" }
over = "Widow's Aqueduct"
says = "better"

[costs]
currency = "EUR"
price_per_kwh = 0.31
hours_per_day = 2.0
years = 4
"""

REVIEW = MadeReview(
    title="Larkmoor 4: what two tunings do in ten games",
    tunings=TUNINGS, games=GAMES, seed=SEED, rounds=5, rounds_per_session=3, scene_s=30.0,
    soak_games=("Copper Monsoon", "Glass Tundra"), soak_rounds=3, with_idle=True,
    round_pct=0.12, drift_pct_per_run=-0.002,
    mishaps=MISHAPS, plan_end=PLAN_END,
)  # fmt: skip

README = """# Ten games, three tunings: a made-up review

Nothing here was measured: card, games and numbers are invented, and made by `data/make_ten_games.py` with the seed
{seed}. To make it again, byte for byte: `python data/make_ten_games.py`. Since the truth is known, a reader can
hold the report against it.

## True effects

A tuning scales all frame times of a run alike, so the average frame rate and the lows change by the same
percentage. Power changes by {power}; in the game that the processor limits by half as much.

{effects}

Over the ten games at 1440p (ratio of geometric means): {overall}.

After a soak of fifteen minutes:

{soak}

## Sentences held against it

The plan makes five claims, chosen so that every outcome is seen: two that the data support (`quiet-costs-little`,
`quiet-per-frame`), two that they contradict (`quiet-loses-nothing`: it loses 1 %, more with ray tracing;
`brisk-by-five`: the truth is 3 %), and one that is not shown (`aqueduct-lows`: true, but the game is too noisy for
five rounds to tell).

## What else is in it

- Five rounds, the games in random order in each, the tunings side by side and rotated from round to round; two
  sessions, each begun with a warm-up run, then a third session of soak runs in two games and of idling.
- Run-to-run noise of 0.25 % (Harbour Lanterns) to 2 % (Widow's Aqueduct), an offset of each game's round of 0.12 %,
  a drift of −0.002 % per run.
- Frame times with a scene's course, wandering and hitches; sensors that show the mean of the last second, twice a
  second. Frame logs count seconds from their first frame; sensor logs carry the clock and start some
  seconds earlier.
- `Thornway Express`, `brisk`, round 2 crashed; `Ninefold Keep`, `factory`, round 4 ran beside a download. Both are
  excluded with their cause and were repeated at once.
- `Salt Orchard`, `quiet`, round 3 lacks 2.5 s of its frame log: a gap, which is reported and excludes nothing.
"""


def write(folder: Path) -> None:
    """Write the review and its README into a folder."""
    write_review(folder, REVIEW)
    (folder / "README.md").write_text(readme_text(), encoding="utf-8", newline="\n")


def readme_text() -> str:
    """Return the README, its numbers taken from the recipe."""
    tuned = TUNINGS[1:]
    effects = [_row("game", "setting", "factory", *(f"{tuning.name}, true change" for tuning in tuned))]
    effects.append(_row(*["---"] * (3 + len(tuned))))
    for game in GAMES:
        changes = (change_text(100 * (tuning.fps_factor(game) - 1)) for tuning in tuned)
        effects.append(_row(game.name, game.setting, value_text(game.avg_fps, "avg_fps"), *changes))
    soak = [_row("tuning", "core", "fan", "sound"), _row(*["---"] * 4)]
    for tuning in TUNINGS:
        shown = (value_text(getattr(tuning, name), name) for name in ("core_c", "fan_rpm", "sound_dba"))
        soak.append(_row(tuning.name, *shown))
    return README.format(
        seed=SEED,
        power=" and ".join(f"{change_text(tuning.power_pct)} under `{tuning.name}`" for tuning in tuned),
        effects="\n".join(effects),
        overall=", ".join(f"`{tuning.name}` {_overall(tuning)}" for tuning in tuned),
        soak="\n".join(soak),
    )


def _overall(tuning: MadeTuning) -> str:
    """Return the true change over the games at 1440p."""
    logs = [np.log(tuning.fps_factor(game)) for game in GAMES if game.group == "1440p"]
    return f"{100 * np.expm1(np.mean(logs)):+.2f} %".replace("-", "−")


def _row(*cells: str) -> str:
    """Return one row of a Markdown table."""
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "ten_games")
