"""Tables of the planner, declared once: noise it counts with, rounds needed, steps of the session, rows to run."""

from __future__ import annotations

from gpubench_kit.model.tables import Column, Table

#: Where the noise of one game and metric comes from.
SOURCES = ("pilot", "measured", "archive", "typical", "none")

_SCENE = (
    Column("game", "text", "what is played"),
    Column("setting", "text", "resolution and quality"),
    Column("metric", "text", "name of the metric"),
)

PLANNED_NOISE = Table(
    "planned_noise", "game, setting and metric", ("game", "setting", "metric"),
    (
        *_SCENE,
        Column("group", "text", "settings of one kind"),
        Column("source", "text", "where the noise comes from", allowed=SOURCES),
        Column("runs", "integer", "runs that it was seen in; 0 where it is typical"),
        Column("sd", "number", "run-to-run standard deviation counted with, of the natural log on the ratio scale"),
        Column("df", "number", "its degrees of freedom"),
        Column("noise", "number", "`sd` in `unit`"),
        Column("unit", "text", "% on the ratio scale, else the metric's unit"),
        Column("restart_sd", "number", "spread between restarts, as `sd`; 0 where none is known"),
    ),
)  # fmt: skip

NEEDS = Table(
    "needs", "game, setting and metric", ("game", "setting", "metric"),
    (
        *_SCENE,
        Column("group", "text", "settings of one kind"),
        Column("unit", "text", "% on the ratio scale, else the metric's unit"),
        Column("margin", "number", "smallest difference that matters, in `unit`"),
        Column("rounds", "integer", "rounds that the plan has, those done included"),
        Column("detectable", "number", "smallest difference that they find with 80 % chance, in `unit`"),
        Column("chance", "number", "chance that they decide the game if it differs by nothing or by the margin"),
        Column("rounds_to_decide", "integer", "rounds that do so with 80 % chance; empty above 16: not feasible"),
        Column("margin_of_twelve", "number", "smallest margin that 12 rounds can show, in `unit`"),
        Column("outlook", "text", "whether that chance is 80 % or more", allowed=("yes", "no", "none")),
    ),
)  # fmt: skip

NEEDS_OVERALL = Table(
    "needs_overall", "group and metric", ("group", "metric"),
    (
        Column("group", "text", "settings of one kind"),
        Column("metric", "text", "name of the metric"),
        Column("unit", "text", "% on the ratio scale, else the metric's unit"),
        Column("games", "integer", "games that enter"),
        Column("rounds", "integer", "rounds of each, those done included; the fewest of any game"),
        Column("these_games", "number", "half-width of the interval over these games, in `unit`"),
        Column("games_like_these", "number", "half-width over games like these, in `unit`"),
        Column("margin", "number", "smallest difference that matters, in `unit`"),
        Column("is_enough", "truth", "whether both “no difference” and one at the margin would be shown"),
    ),
)  # fmt: skip

PLANNED_RUNS = Table(
    "planned_runs", "run", ("run",),
    (
        Column("run", "text", "name of the run"),
        Column("card", "text", "card that is measured"),
        Column("bench", "text", "rest of the machine"),
        Column("tuning", "text", "state of the card's limits"),
        Column("game", "text", "what is played"),
        Column("setting", "text", "resolution and quality"),
        Column("purpose", "text", "what the run is for"),
        Column("session", "text", "runs between two restarts or mountings"),
        Column("launch", "text", "runs between two starts of the game"),
        Column("round", "integer", "block of runs, one of each tuning; empty where the run only warms up"),
        Column("order", "integer", "run number as planned"),
        Column("pause_s", "number", "pause before it, so that a sensor clock that is off shows", "s"),
        Column("note", "text", "the pause, as the run sheet says it"),
    ),
)  # fmt: skip

VISITS = Table(
    "visits", "start of a game", ("visit",),
    (
        Column("visit", "integer", "number of the start of a game"),
        Column("session", "text", "runs between two restarts or mountings"),
        Column("card", "text", "card that is measured"),
        Column("game", "text", "what is played"),
        Column("setting", "text", "resolution and quality"),
        Column("runs", "integer", "runs from this start"),
        Column("starts_s", "number", "time since the bench session began", "s"),
        Column("change_s", "number", "exchanging the card, restarting the machine", "s"),
        Column("launch_s", "number", "starting the game", "s"),
        Column("settle_s", "number", "waiting until temperatures settle", "s"),
        Column("pause_s", "number", "pauses before rounds, of different lengths", "s"),
        Column("tuning_s", "number", "applying tunings", "s"),
        Column("scene_s", "number", "playing the scene", "s"),
    ),
)  # fmt: skip

VERDICT_CHANCES = Table(
    "verdict_chances", "group, metric, true difference and number of rounds",
    ("group", "metric", "difference_pct", "rounds"),
    (
        Column("group", "text", "settings of one kind"),
        Column("metric", "text", "name of the metric"),
        Column("difference_pct", "number", "true difference", "%"),
        Column("rounds", "integer", "rounds, or blocks of each side"),
        Column("chance", "number", "chance that a game with the middle noise of the group gets a verdict"),
        Column("noise", "number", "that noise", "%"),
    ),
)  # fmt: skip
