"""Every limit of the plan's section ``[checks]`` with its default and meaning, from the models."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from gpubench_kit.model.plan.rules import Checks


@dataclass(frozen=True)
class Limit:
    """One limit: its key in ``[checks]``, its default, and what it means, with the unit in brackets."""

    key: str
    default: float
    meaning: str


def list_limits() -> list[Limit]:
    """Return every limit of findings, in the order of the plan's model."""
    return [Limit(key, one.default, one.description or "") for key, one in Checks.model_fields.items()]


def limits_text(*, width: int = 100) -> str:
    """Return every limit as text for a terminal: key, default, meaning.

    Parameters
    ----------
    width : of a line, in letters
    """
    limits = list_limits()
    wide = max(len(f"{one.key} = {one.default:g}") for one in limits) + 4
    lines = [
        textwrap.fill(
            one.meaning, max(width, wide + 30),
            initial_indent=f"  {one.key} = {one.default:g}".ljust(wide), subsequent_indent=" " * wide,
        )
        for one in limits
    ]  # fmt: skip
    return "\n".join(["limits of findings, set in [checks] of plan.toml (defaults shown):", *lines])
