"""Reports into Parquet files: cells of equal runs, runs that count once, and all tables of all reports."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import pandas as pd

from gpubench_kit.archive.reports import Found, admit, find_reports
from gpubench_kit.archive.reviews import conditions_of, reviews_table
from gpubench_kit.archive.store import PARQUET, Store
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.findings import Finding, findings_table
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.withheld import CARD_POWER, FRAME_RATES
from gpubench_kit.wording.numbers import count_text

#: Reasons in a report's comparisons with which a game's values say nothing about noise.
_NO_NOISE = (
    "held_by_cap", "frame_limit_declared", "all_values_equal", "tuning_not_applied", "same_file_twice",
    "same_samples_twice", "log_unusable", "sensor_log_unusable", "value_not_usable", "format_not_confirmed",
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


#: Typed numbers can agree by chance. Runs of one tuning are taken for the same only where chance would do as much
#: less often than this.
LARGEST_CHANCE = 1e-5

#: Runs that agree, but not beyond chance, are told of from so many on, and from such a share of the fewer runs.
LEAST_TOLD, LEAST_SHARE = 3, 0.5

#: Two runs agree by chance in about (last decimal / standard deviation) times 0.28 where values follow a normal
#: law, 0.29 where they spread evenly. The rest allows for a spread known from few runs.
_AGREE = 0.5

#: Spread of runs of which none was repeated, as a share of the value: less than on any bench.
_LEAST_SPREAD = 0.001

#: Runs with a log: the log says which run it is.
_LOGGED = """
SELECT r.review, r.run, min(v.place_in_time) OVER (PARTITION BY r.frame_log_sha256) AS first_place
FROM runs r JOIN reviews v USING (review) WHERE r.frame_log_sha256 <> ''
"""

#: Typed runs: hashes of where they stand (tuning, game, setting, purpose, round) and of that with all values, and
#: the chance that another run there has the same values: that of the one metric that tells most.
_TYPED = f"""
numbers AS (
    SELECT r.review, v.place_in_time, r.run, r.card, r.bench, r.tuning, r.game, r.setting, r.purpose, r.round,
        m.metric, m.value, m.step
    FROM runs r JOIN run_metrics m USING (review, run) JOIN reviews v USING (review)
    WHERE r.frame_log_sha256 = '' AND m.value IS NOT NULL),
repeats AS (
    SELECT card, game, setting, metric, count(*) - 1 AS df,
        stddev_samp(value) / nullif(abs(avg(value)), 0) AS spread
    FROM numbers GROUP BY review, card, bench, tuning, game, setting, purpose, metric HAVING count(*) > 1),
of_scene AS (
    SELECT card, game, setting, metric, sqrt(sum(df * spread ** 2) / sum(df)) AS own FROM repeats GROUP BY ALL),
of_card AS (SELECT card, metric, median(spread) AS usual FROM repeats GROUP BY ALL),
spreads AS (
    SELECT n.*, coalesce(least(own, usual), {_LEAST_SPREAD}) * abs(value) AS spread
    FROM numbers n LEFT JOIN of_scene USING (card, game, setting, metric) LEFT JOIN of_card USING (card, metric)),
telling AS (
    SELECT *, CASE WHEN step > 0 AND spread > 0 THEN least(1, {_AGREE} * step / spread) ELSE 1 END AS chance
    FROM spreads),
typed AS (
    SELECT review, place_in_time, run, card, bench, tuning, min(chance) AS chance,
        hash(card, bench, tuning, game, setting, purpose, round) AS stands,
        hash(card, bench, tuning, game, setting, purpose, round,
             string_agg(metric || '=' || value, ';' ORDER BY metric)) AS same
    FROM telling
    GROUP BY review, place_in_time, run, card, bench, tuning, game, setting, purpose, round)
"""

#: Pairs of reviews with runs of one tuning that agree: how many, of how many, and the natural log of a bound on the
#: chance of so many. With an expected number of agreements of m, k or more come with a chance of at most m^k / k!.
_AGREEING = f"""
WITH {_TYPED},
pairs AS (
    SELECT s.review, t.review AS other, s.card, s.bench, s.tuning, s.run, t.run AS run_there, t.place_in_time
    FROM typed s JOIN typed t ON t.same = s.same AND t.place_in_time < s.place_in_time),
groups AS (
    SELECT review, other, card, bench, tuning, place_in_time, count(DISTINCT run) AS n,
        least(count(DISTINCT run), count(DISTINCT run_there)) AS k
    FROM pairs GROUP BY ALL),
sizes AS (SELECT review, card, bench, tuning, count(*) AS n FROM typed GROUP BY ALL),
expected AS (
    SELECT g.review, g.other, g.card, g.bench, g.tuning, sum(greatest(s.chance, t.chance)) AS m
    FROM groups g JOIN typed s USING (review, card, bench, tuning)
    JOIN typed t ON t.review = g.other AND t.stands = s.stands GROUP BY ALL),
judged AS (
    SELECT g.*, least(a.n, b.n) AS fewer, g.k * ln(e.m) - lgamma(g.k + 1) AS log_chance
    FROM groups g JOIN expected e USING (review, other, card, bench, tuning)
    JOIN sizes a USING (review, card, bench, tuning)
    JOIN sizes b ON (b.review, b.card, b.bench, b.tuning) = (g.other, g.card, g.bench, g.tuning))
"""

_IS_SURE = f"log_chance <= ln({LARGEST_CHANCE})"

_SHARED = f"""
{_AGREEING}
SELECT p.review, p.run, min(p.place_in_time) AS first_place
FROM pairs p JOIN judged j USING (review, other, card, bench, tuning) WHERE {_IS_SURE} GROUP BY ALL
"""

_PERHAPS = f"""
{_AGREEING}
SELECT v.place, o.place AS other, sum(j.n)::BIGINT AS n
FROM judged j JOIN reviews v USING (review) JOIN reviews o ON o.review = j.other
WHERE NOT {_IS_SURE} AND j.n >= {LEAST_TOLD} AND j.n >= {LEAST_SHARE} * fewer
GROUP BY ALL ORDER BY v.place, other
"""


def mark_repeated(store: Store) -> list[Finding]:
    """Write the table ``repeated`` (review and run) of runs that an earlier review holds too, and tell of them.

    Parameters
    ----------
    store : holds ``runs``, ``run_metrics`` and ``reviews``

    Returns
    -------
    list of Finding, one for each pair of reviews: runs that count once, and runs that only may be the same

    Notes
    -----
    A run with a frame log is known by the log's hash. Typed runs are the same where card, bench, tuning, game,
    setting, purpose, round and all values agree, if so many agreements are no chance. That is calculated for the
    runs of one tuning in two reviews, from the last decimal that was typed and the spread of repeated runs: 101
    and 101 in a game whose runs hardly differ says nothing, ten numbers with two decimals say all. Runs that agree,
    but may do so by chance, count in both reviews, and that is told.
    """
    store.derive(
        "repeated",
        f"""
        SELECT f.review, f.run, o.review AS other FROM (
            SELECT l.review, l.run, l.first_place FROM ({_LOGGED}) l JOIN reviews v USING (review)
            WHERE l.first_place < v.place_in_time
            UNION ALL ({_SHARED})
        ) f JOIN reviews o ON o.place_in_time = f.first_place ORDER BY o.place_in_time, f.review, f.run
        """,
    )
    pairs = store.ask(
        "SELECT v.place, o.place AS other, count(*) AS n FROM repeated r JOIN reviews v USING (review) "
        "JOIN reviews o ON o.review = r.other GROUP BY ALL ORDER BY v.place, other"
    )
    return [*_findings(pairs), *_doubts(store.ask(_PERHAPS))]


def _findings(pairs: pd.DataFrame) -> Iterable[Finding]:
    """Yield what is told of runs that two reviews share."""
    for pair in pairs.itertuples():
        runs = "1 run is" if pair.n == 1 else f"{pair.n} runs are"
        told = f"{pair.place}: {runs} also in {pair.other}, so each counts once, there."
        yield Finding("note", "same_run_twice", told, found=float(pair.n), limit=0.0)


def _doubts(pairs: pd.DataFrame) -> Iterable[Finding]:
    """Yield what is told of runs whose numbers agree, but may do so by chance."""
    for pair in pairs.itertuples():
        told = (
            f"{pair.place}: {count_text(pair.n, 'run')} typed there have the same numbers as in {pair.other}. That "
            "may be chance, so they count in both."
        )
        action = "If they are the same runs, leave them out of one of the two reviews."
        yield Finding("note", "same_numbers_twice", told, found=float(pair.n), action=action)


#: What is kept of the conditions that the manifests state.
_CONDITIONS = {
    "benches": ("name", "driver", "room_c"),
    "cards": ("name", "model", "role", "power_measured_at"),
    "tunings": ("name", "reference"),
    "games": ("name", "setting", "frames_counted", "generated_per_rendered", "versions"),
}


def gather(folders: Sequence[str | Path], folder: str | Path) -> Store:
    """Read all reports below folders into Parquet files.

    Parameters
    ----------
    folders : folders that hold report folders, at any depth
    folder : folder of the archive; its Parquet files go into ``parquet/``

    Returns
    -------
    Store with the tables of all reports, each with ``review`` in front; ``reviews``; what the manifests state of
    ``benches``, ``cards``, ``tunings`` and ``games``; ``repeated``, ``cells`` and ``findings``

    Raises
    ------
    ReportError : there is no report that can be read below the folders
    """
    found = find_reports(folders, but=folder)
    reports, findings = admit(found.candidates)
    check_any(reports, [*found.findings, *findings], found, folders=folders)
    store = Store(Path(folder) / PARQUET)
    reports, unreadable = store.read_reports(reports)
    check_any(reports, unreadable, found, folders=folders)
    findings += unreadable
    reviews, clocks = reviews_table(reports)
    store.keep("reviews", reviews)
    for part, names in _CONDITIONS.items():
        store.keep(part, conditions_of(reports, part, names))
    findings += [*clocks, *mark_repeated(store)]
    derive_cells(store)
    store.keep("findings", findings_table([*found.findings, *findings]))
    return store


def check_any(there: Sequence, findings: Sequence[Finding], found: Found, *, folders: Sequence[str | Path]) -> None:
    """Raise where nothing is left that could be read, with what was refused.

    Parameters
    ----------
    there : reports, or folders that look like reports, that are left
    findings : what was refused, and why
    found : how much was looked at
    folders : folders that were given

    Raises
    ------
    ReportError : nothing is left
    """
    if there:
        return
    looked = f"{count_text(found.n_files, 'file')} in {count_text(found.n_folders, 'folder')}"
    faults = [Fault("", f"{one.message} {one.action}".strip()) for one in findings]
    problem = f"no report that can be read lies below ({looked} looked at)."
    action = "Name folders in which `gpubench-kit report` wrote reports, for example reports."
    raise ReportError([Fault(", ".join(map(str, folders)), problem, action), *faults])
