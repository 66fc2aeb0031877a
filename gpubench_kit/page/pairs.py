"""Pairs and groups by name, in the order of the plan."""

from __future__ import annotations

from typing import Any

import pandas as pd

from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.terms import subject_text


def groups_in(rows: pd.DataFrame, plan) -> list[str]:
    """Return the groups of settings of a table, in the order of the plan."""
    present = set(rows["group"])
    return [one for one in all_groups(plan) if one in present]


def subject_names(row: Any, plan) -> tuple[str, str]:
    """Return both sides of a comparison in running text: tunings in quotes, cards and benches where they differ."""
    with_card = len(plan.cards) > 1
    with_bench = row.of_bench != row.against_bench
    of, against = (
        _name(getattr(row, f"{side}_card"), getattr(row, f"{side}_tuning"), getattr(row, f"{side}_bench"),
              shown=(with_card, with_bench))
        for side in ("of", "against")
    )  # fmt: skip
    return of, against


def _name(card: str, tuning: str, bench: str, *, shown: tuple[bool, bool]) -> str:
    """Return one side in running text."""
    with_card, with_bench = shown
    place = subject_text((card, "", bench), with_card=with_card, with_bench=with_bench)
    return f"{place} “{tuning}”".strip()


def runs_words(row: Any) -> str:
    """Return how many runs each side has."""
    if row.n == row.n_against:
        return f"{count_text(row.n, 'run')} each"
    return f"{count_text(row.n)} and {count_text(row.n_against, 'run')}"


def all_groups(plan) -> list[str]:
    """Return the groups of settings of the plan, in its order."""
    return list(dict.fromkeys(one.group for game in plan.games for one in game.settings))
