"""What is wrong or remarkable in the data, without looking at which tuning gains; here the tables of `check`.

They stand apart from what fills them, so that a command that only reads them loads no statistics.
"""

from __future__ import annotations

from gpubench_kit.model.tables import Column, Table, columns_named

#: Rows of the list, in the order in which they are best run.
REDO = Table(
    "redo", "run to redo", ("run",),
    (
        *columns_named("run"),
        Column("is_needed", "truth", "whether a verdict needs the run; else a cause is to be looked for first"),
        *columns_named("card bench game setting tuning purpose"),
        Column("round", "integer", "block of runs"),
        Column("why", "text", "logged cause, or checks that found something, separated by semicolons"),
        Column("message", "text", "what was found"),
    ),
)  # fmt: skip

POSSIBLE = Table(
    "possible", "metric, game and setting", ("metric", "game", "setting"),
    (
        *columns_named("metric game setting"),
        Column("can", "truth", "whether the runs can give a verdict in every comparison of the plan"),
        Column("reason", "text", "why not, one word; empty where they can"),
        Column("all_of", "text", "tuning of which all runs came before all of `before`; empty where none is"),
        Column("before", "text", "the other tuning"),
        Column("without", "text", "tunings without a run that counts; their comparisons are left out of the row"),
        Column("fix", "text", "what to do; empty where nothing is, or more runs are"),
    ),
)  # fmt: skip
