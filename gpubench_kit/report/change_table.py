"""The table of what changed between two reports of one review."""

from __future__ import annotations

from gpubench_kit.model.tables import Column, Table

#: Kinds of change, as the page orders them: what a report says, then what it was made of.
SAID, MADE_OF = (
    ("overall", "game", "claim", "claim_text"),
    ("title", "input", "input_name", "decision", "version", "looks"),
)

_NUMBERS = ("change", "ci_low", "ci_high", "margin")


def _side(name: str, meaning: str) -> tuple[Column, ...]:
    """Return the columns of a result before, or now."""
    return (
        *(Column(f"{name}_{one}", "number", f"{one} {meaning}, in `unit`") for one in _NUMBERS),
        Column(f"{name}_reason", "text", f"reason of the verdict {meaning}"),
        Column(f"{name}_no_loss", "text", f"whether a loss was ruled out {meaning}", allowed=("true", "false")),
    )


CHANGES = Table(
    "changes", "correction, part, thing that changed and metric", ("correction", "part", "what", "metric"),
    (
        Column("correction", "integer", "number of the correction; the latest has the highest"),
        Column("part", "text", "kind of what changed", allowed=(*SAID, *MADE_OF)),
        Column("what", "text", "what changed: comparison, sentence, file, decision or package"),
        Column("metric", "text", "metric of a result"),
        Column("before", "text", "verdict, hash, value or version before; empty: it was not there"),
        Column("now", "text", "the same now; empty: it is no longer there"),
        Column("unit", "text", "unit of the numbers that follow"),
        *_side("before", "before"),
        *_side("now", "now"),
    ),
)  # fmt: skip
