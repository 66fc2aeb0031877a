"""The cards, benches and tunings of a chart: their names, and their places in the series of colours."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.wording.terms import subject_text

SUBJECT = ["card", "bench", "tuning"]


def subject_names(data: pd.DataFrame, plan: ReviewPlan) -> dict[tuple[str, str, str], str]:
    """Return the name of each (card, bench, tuning): card and bench only where there is more than one."""
    with_card, with_bench = data["card"].nunique() > 1, data["bench"].nunique() > 1
    return {
        key: subject_text((key[0], key[2], key[1]), with_card=with_card, with_bench=with_bench)
        for key in _subjects(data, plan)
    }


def places_of(data: pd.DataFrame, plan: ReviewPlan) -> dict[tuple[str, str, str], int]:
    """Return the series of each (card, bench, tuning); the plan's order, so charts agree on colours."""
    tunings = [one.name for one in plan.tunings]
    cards = [one.name for one in plan.cards]
    several = data["bench"].nunique() > 1
    places = {}
    for number, key in enumerate(_subjects(data, plan)):
        own = tunings.index(key[2]) if key[2] in tunings else number
        of_card = cards.index(key[0]) if key[0] in cards else 0
        places[key] = number if several else own + of_card * len(tunings)
    return places


def _subjects(data: pd.DataFrame, plan) -> list[tuple[str, str, str]]:
    """Return the subjects of the data in the plan's order."""
    ranks = [[one.name for one in part] for part in (plan.cards, plan.benches, plan.tunings)]
    found = list(data[SUBJECT].drop_duplicates().itertuples(index=False, name=None))
    return sorted(found, key=lambda key: [_rank(ranks[place], key[place]) for place in range(3)])


def _rank(names: list[str], name: str) -> int:
    """Return the place of a name in the plan; names that are not in it come last."""
    return names.index(name) if name in names else len(names)
