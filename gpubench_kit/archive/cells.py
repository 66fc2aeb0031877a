"""From runs to cells: count, mean and squares of one tuning in one game and session, on the scale of the metric."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.archive.store import Store
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.withheld import CARD_POWER, FRAME_RATES

#: Reasons in a report's comparisons with which a game's values say nothing about noise.
_NO_NOISE = (
    "held_by_cap", "frame_limit_declared", "all_values_equal", "tuning_not_applied", "same_file_twice",
    "same_samples_twice", "log_unusable", "sensor_log_unusable", "value_not_usable",
)  # fmt: skip

#: Beyond these no measurement lies, and logs stay numbers.
_SMALLEST, _LARGEST = 1e-50, 1e50

#: The cells of the tuning that each review has as its reference.
REFERENCE_CELLS = """(SELECT c.* FROM cells c JOIN tunings t ON t.review = c.review AND t.name = c.tuning
WHERE t.reference = 'True')"""

_CELLS = """
SELECT r.review, v.place_in_time, r.card, r.bench, coalesce(nullif(b.driver, ''), r.bench) AS driver,
    r.tuning, r.session, r.game, r.setting, m.metric,
    count(*) AS n, avg(x) AS mean, var_pop(x) * count(*) AS squares,
    any_value(m.definition) AS definition, coalesce(any_value(b.number)::INTEGER, 0) AS bench_number,
    CASE WHEN any_value(m.counts_frames)
         THEN coalesce(any_value(g.frames_counted || ' ' || g.generated_per_rendered), '') ELSE '' END AS frames,
    CASE WHEN any_value(m.is_power) THEN coalesce(any_value(c.power_measured_at), '') ELSE '' END
        AS power_measured_at,
    coalesce(any_value(g.versions), '') AS versions
FROM (
    SELECT *, CASE WHEN f.is_ratio THEN ln(value) ELSE value END AS x
    FROM run_metrics JOIN metric_facts f USING (metric)
    WHERE abs(value) < {largest} AND (value > {smallest} OR NOT f.is_ratio)
) m
JOIN runs r USING (review, run) JOIN reviews v USING (review)
LEFT JOIN benches b ON b.review = r.review AND b.name = r.bench
LEFT JOIN cards c ON c.review = r.review AND c.name = r.card
LEFT JOIN games g ON g.review = r.review AND g.name = r.game AND g.setting = r.setting
ANTI JOIN repeated p ON p.review = r.review AND p.run = r.run
ANTI JOIN silent s ON s.review = r.review AND s.game = r.game AND s.setting = r.setting AND s.metric = m.metric
WHERE r.used AND r.purpose = m.purpose_wanted
GROUP BY ALL
ORDER BY v.place_in_time, r.card, r.bench, r.tuning, r.session, r.game, r.setting, m.metric
"""


def derive_cells(store: Store) -> None:
    """Write the table ``cells``: what all questions about noise, restarts, drivers and cards are answered from.

    Parameters
    ----------
    store : holds ``runs``, ``run_metrics``, ``comparisons``, ``reviews``, ``benches`` and ``repeated``

    Notes
    -----
    Values are natural logs on the ratio scale. Only used runs of the purpose that the metric's verdicts use count,
    each once; games that a report says were held by a cap, or whose runs could not be trusted, are left out there.
    """
    facts = pd.DataFrame(
        [
            {
                "metric": name,
                "is_ratio": metric.scale == "ratio",
                "purpose_wanted": metric.purpose,
                "counts_frames": metric.needs in ("frames", "both"),
                "is_power": name in CARD_POWER,
            }
            for name, metric in METRICS.items()
        ]
    )
    store.keep("metric_facts", facts)
    reasons = "|".join(_NO_NOISE)
    rates = ", ".join(f"'{name}'" for name in FRAME_RATES)
    store.derive(
        "silent",
        "SELECT DISTINCT review, game, setting, metric FROM comparisons "
        f"WHERE regexp_matches(reason, '{reasons}') AND (metric IN ({rates}) "
        "OR NOT regexp_matches(reason, 'held_by_cap|frame_limit_declared')) ORDER BY ALL",
    )
    store.derive("cells", _CELLS.format(largest=_LARGEST, smallest=_SMALLEST))
