"""Chance of a verdict against number of rounds, for a game with the middle noise of its group."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.schedule.needs import noise_of_unit, planned_test, scaled_size
from gpubench_kit.schedule.tables import VERDICT_CHANCES
from gpubench_kit.statistics.levels import chance_of_verdict
from gpubench_kit.statistics.planning import MOST_ROUNDS

#: True differences for which the chance is told [%].
DIFFERENCES_PCT = (0.0, 1.0, 2.0, 3.0)

_ROUNDS = np.arange(2, MOST_ROUNDS + 1)


def verdict_chances(
    noise: pd.DataFrame, plan: ReviewPlan, *, rounds: Mapping[tuple[str, str], int], in_blocks: bool
) -> pd.DataFrame:
    """Return the chance of a verdict for 2 to 16 rounds and true differences of 0, 1, 2 and 3 %.

    Parameters
    ----------
    noise : see ``schedule.tables.PLANNED_NOISE``
    plan : gives margins, looks and confidence
    rounds : rounds of each (game, setting); games without are left out
    in_blocks : whether restarts are the units

    Returns
    -------
    DataFrame, see ``schedule.tables.VERDICT_CHANCES``; metrics on the ratio scale whose noise is known
    """
    keep = [rounds.get(key, 0) > 0 for key in zip(noise["game"], noise["setting"], strict=True)]
    there = noise[np.array(keep, dtype=bool) & (noise["sd"] > 0).to_numpy()]
    ratio = there["metric"].map(lambda name: METRICS[name].scale == "ratio").astype(bool)
    rows: list[dict] = []
    for (group, metric), part in there[ratio].groupby(["group", "metric"], sort=False):
        test = planned_test(plan, games=part["game"].nunique(), in_blocks=in_blocks)
        sigma = noise_of_unit(float(part["sd"].median()), part["restart_sd"].iloc[0], in_blocks=in_blocks)
        margin = scaled_size(metric, plan.margin_of(metric))
        key = {"group": group, "metric": metric, "noise": 100 * np.expm1(sigma)}
        rows += [key | one for one in _curves(sigma, margin, metric=metric, test=test)]
    return VERDICT_CHANCES.frame(rows)


def _curves(sigma: float, margin: float, *, metric: str, test) -> Iterator[dict]:
    """Yield the points of all curves of one metric."""
    for difference in DIFFERENCES_PCT:
        effect = scaled_size(metric, difference, is_margin=False)
        chances = chance_of_verdict(effect, sigma, margin=margin, n=_ROUNDS, level=test.among, df=test.df(_ROUNDS))
        for rounds, chance in zip(_ROUNDS, chances, strict=True):
            yield {"difference_pct": difference, "rounds": int(rounds), "chance": float(chance)}
