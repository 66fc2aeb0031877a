"""The table of runs to redo, apart from what fills it: a command that only writes it loads no statistics."""

from __future__ import annotations

from gpubench_kit.model.tables import Column, Table

#: Rows of the list, in the order in which they are best run.
REDO = Table(
    "redo", "run to redo", ("run",),
    (
        Column("run", "text", "name of the run"),
        Column("is_needed", "truth", "whether a verdict needs the run; else a cause is to be looked for first"),
        Column("card", "text", "card that was measured"),
        Column("bench", "text", "rest of the machine"),
        Column("game", "text", "what was played"),
        Column("setting", "text", "resolution and quality"),
        Column("tuning", "text", "state of the card's limits"),
        Column("purpose", "text", "what the run is for"),
        Column("round", "integer", "block of runs"),
        Column("why", "text", "logged cause, or checks that found something, separated by semicolons"),
        Column("message", "text", "what was found"),
    ),
)  # fmt: skip
