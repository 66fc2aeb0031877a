"""The noise of the bench: from run to run within a session, and between restarts, each with an interval."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.archive.scale import in_unit, unit_of
from gpubench_kit.archive.store import Store
from gpubench_kit.archive.tables import RUN_NOISE
from gpubench_kit.statistics.restarts import sd_interval

_POOLED = """
SELECT CASE WHEN grouping(bench) = 1 THEN 'all' ELSE 'bench' END AS scope, coalesce(bench, '') AS bench,
    game, setting, metric, sum(n)::BIGINT AS n, sum(squares) AS squares, sum(n - 1)::DOUBLE AS df,
    count(DISTINCT review) AS n_reviews, count(DISTINCT (review, card, bench, session)) AS n_sessions
FROM cells GROUP BY GROUPING SETS ((game, setting, metric), (bench, game, setting, metric))
HAVING sum(n - 1) > 0 ORDER BY scope, bench, game, setting, metric
"""


def run_noise(store: Store) -> pd.DataFrame:
    """Return the run-to-run noise of each game and metric, over all benches and on each.

    Parameters
    ----------
    store : holds ``cells``

    Returns
    -------
    DataFrame; see ``archive.tables.RUN_NOISE``; games without two runs in any cell have no row

    Notes
    -----
    Squares are taken about the mean of one card, bench, tuning and session of one review, so neither a difference
    between these nor a restart enters. Variances are pooled by their degrees of freedom, as if all tunings and
    cards had the same noise; the interval is that of a chi-squared variance and takes that for granted.
    """
    rows = store.ask(_POOLED)
    sd = np.sqrt(rows["squares"] / rows["df"])
    low, high = sd_interval(sd.to_numpy(dtype=float), df=rows["df"].to_numpy(dtype=float))
    shown = {
        name: in_unit(one, rows["metric"]) for name, one in (("noise", sd), ("ci_low", low), ("ci_high", high))
    }
    return RUN_NOISE.frame(rows.assign(sd=sd, unit=[unit_of(name) for name in rows["metric"]], **shown))
