"""Which runs count: a run that several reviews hold counts once, in the earliest of them."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from gpubench_kit.archive.store import Store
from gpubench_kit.findings import Finding

#: Typed numbers can agree by chance. Those of one tuning are the same runs only where so many agree, and so large a
#: share of the side that has fewer.
LEAST_AGREEING, LEAST_SHARE = 3, 0.5

#: Runs with a log: the log says which run it is.
_LOGGED = """
SELECT r.review, r.run, min(v.place_in_time) OVER (PARTITION BY r.frame_log_sha256) AS first_place
FROM runs r JOIN reviews v USING (review) WHERE r.frame_log_sha256 <> ''
"""

#: Typed runs: card, bench, tuning, game, setting, purpose and round, and every value.
_TYPED = """
SELECT r.review, v.place_in_time, r.run, r.card, r.bench, r.tuning,
    hash(r.card, r.bench, r.tuning, r.game, r.setting, r.purpose, r.round,
         string_agg(m.metric || '=' || m.value, ';' ORDER BY m.metric)) AS same
FROM runs r JOIN run_metrics m USING (review, run) JOIN reviews v USING (review)
WHERE r.frame_log_sha256 = '' AND m.value IS NOT NULL
GROUP BY r.review, v.place_in_time, r.run, r.card, r.bench, r.tuning, r.game, r.setting, r.purpose, r.round
"""

_SHARED = """
WITH typed AS ({typed}),
shared AS (SELECT * FROM typed QUALIFY min(place_in_time) OVER (PARTITION BY same) < place_in_time),
earlier AS (
    SELECT s.review, s.card, s.bench, s.tuning, s.run, t.review AS other, t.place_in_time AS first_place
    FROM shared s JOIN typed t ON t.same = s.same AND t.place_in_time < s.place_in_time),
sizes AS (SELECT review, card, bench, tuning, count(*) AS n FROM typed GROUP BY ALL)
SELECT e.review, e.run, min(e.first_place) AS first_place FROM earlier e
JOIN (
    SELECT p.review, p.other, p.card, p.bench, p.tuning
    FROM (SELECT review, other, card, bench, tuning, count(DISTINCT run) AS n FROM earlier GROUP BY ALL) p
    JOIN sizes a ON (a.review, a.card, a.bench, a.tuning) = (p.review, p.card, p.bench, p.tuning)
    JOIN sizes b ON (b.review, b.card, b.bench, b.tuning) = (p.other, p.card, p.bench, p.tuning)
    WHERE p.n >= {least} AND p.n >= {share} * least(a.n, b.n)
) sure ON (sure.review, sure.other, sure.card, sure.bench, sure.tuning)
     = (e.review, e.other, e.card, e.bench, e.tuning)
GROUP BY ALL
"""


def mark_repeated(store: Store) -> list[Finding]:
    """Write the table ``repeated`` (review and run) of runs that an earlier review holds too, and tell of them.

    Parameters
    ----------
    store : holds ``runs``, ``run_metrics`` and ``reviews``

    Returns
    -------
    list of Finding, one for each pair of reviews

    Notes
    -----
    A run with a frame log is known by the log's hash. Typed runs are the same where card, bench, tuning, game,
    setting, round and all values agree; since single numbers may agree by chance, at least `LEAST_AGREEING` runs of
    the tuning, and `LEAST_SHARE` of those of the review that has fewer, must do so.
    """
    shared = _SHARED.format(typed=_TYPED, least=LEAST_AGREEING, share=LEAST_SHARE)
    store.derive(
        "repeated",
        f"""
        SELECT f.review, f.run, o.review AS other FROM (
            SELECT l.review, l.run, l.first_place FROM ({_LOGGED}) l JOIN reviews v USING (review)
            WHERE l.first_place < v.place_in_time
            UNION ALL ({shared})
        ) f JOIN reviews o ON o.place_in_time = f.first_place ORDER BY o.place_in_time, f.review, f.run
        """,
    )
    pairs = store.ask(
        "SELECT v.place, o.place AS other, count(*) AS n FROM repeated r JOIN reviews v USING (review) "
        "JOIN reviews o ON o.review = r.other GROUP BY ALL ORDER BY v.place, other"
    )
    return list(_findings(pairs))


def _findings(pairs: pd.DataFrame) -> Iterable[Finding]:
    """Yield what is told of runs that two reviews share."""
    for pair in pairs.itertuples():
        runs = "1 run is" if pair.n == 1 else f"{pair.n} runs are"
        told = f"{pair.place}: {runs} also in {pair.other}, so each counts once, there."
        yield Finding("note", "same_run_twice", told, found=float(pair.n), limit=0.0)
