"""Every table of the kit, declared once: columns, types, units and meaning; and findings, the rows of one of them.

A table has a fixed set of columns, in order, each with a type, a unit and a meaning. Options change
values, never columns. The Data Package schema of a report is made from these declarations.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass

import pandas as pd

from gpubench_kit.model.verdicts import VERDICTS

__all__ = [
    "ALL_TABLES",
    "CLAIMS",
    "COMPARISONS",
    "FINDINGS",
    "METRIC_VALUES",
    "NOISE",
    "OVERALL",
    "PAIR_KEY",
    "PURPOSES",
    "RUNS",
    "RUN_METRICS",
    "RUN_SHEET",
    "TYPED_VALUES",
    "USABLE",
    "Column",
    "Table",
]  # fmt: skip


#: pandas type of each declared type. ``number`` and ``integer`` may hold missing values (nan, <NA>).
_DTYPES = {"text": "str", "number": "float64", "integer": "Int64", "truth": "boolean"}


@dataclass(frozen=True)
class Column:
    """One column: its name, type (``text``, ``number``, ``integer``, ``truth``), meaning and unit."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    allowed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """One table: its name, what a row is, the columns that identify a row, and all columns."""

    name: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """Names of all columns, in order."""
        return [column.name for column in self.columns]

    def frame(self, rows: Iterable[Mapping] | pd.DataFrame = ()) -> pd.DataFrame:
        """Return the rows as a DataFrame with exactly the declared columns and types.

        Columns that the rows lack are filled with missing values; others are dropped.
        """
        frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
        typed = {column.name: _typed(frame, column.name, column.kind) for column in self.columns}
        return pd.DataFrame(typed, index=pd.RangeIndex(len(frame)))


def _typed(frame: pd.DataFrame, name: str, kind: str) -> pd.api.extensions.ExtensionArray:
    """Return a column of the frame in the pandas type of a declared one; missing values where it lacks it."""
    if name not in frame:
        return pd.array(["" if kind == "text" else None] * len(frame), dtype=_DTYPES[kind])
    series = frame[name].astype(_DTYPES[kind])
    return (series.fillna("") if kind == "text" and series.hasnans else series).array


def _text(name: str, meaning: str, allowed: tuple[str, ...] = ()) -> Column:
    """Return a text column."""
    return Column(name, "text", meaning, allowed=allowed)


def _number(name: str, meaning: str, unit: str = "") -> Column:
    """Return a column of numbers; a missing value means *not defined*."""
    return Column(name, "number", meaning, unit)


def _count(name: str, meaning: str) -> Column:
    """Return a column of whole numbers."""
    return Column(name, "integer", meaning)


def _truth(name: str, meaning: str) -> Column:
    """Return a column of true and false."""
    return Column(name, "truth", meaning)


#: What a run can be for.
PURPOSES = ("measure", "warm_up", "soak", "idle", "pilot")

#: Columns that several tables have.
_RUN = _text("run", "name of the run")
_CARD = _text("card", "card that was measured")
_BENCH = _text("bench", "rest of the machine")
_TUNING = _text("tuning", "state of the card's limits")
_GAME = _text("game", "what was played")
_SETTING = _text("setting", "resolution and quality")
_METRIC = _text("metric", "name of the metric")
_GROUP = _text("group", "settings of one kind")

RUNS = Table(
    "runs", "run", ("run",),
    (
        _RUN, _CARD, _BENCH, _TUNING, _GAME, _SETTING,
        _text("purpose", "what the run is for", PURPOSES),
        _text("session", "runs between two restarts of the machine or mountings of the card"),
        _text("launch", "runs between two starts of the game"),
        _count("round", "block of runs, one of each tuning, close in time"),
        _count("order", "run number as planned"),
        _count("order_done", "run number as done; empty where not known"),
        _text("tuning_change", "one act of applying a tuning"),
        _count("n_frames", "frames that count"),
        _number("duration_s", "sum of the frame times", "s"),
        _truth("used", "whether the run enters verdicts"),
        _text("excluded_for", "why the run is left out"),
        _text("frame_log_sha256", "SHA-256 of the frame log's bytes"),
    ),
)  # fmt: skip

#: How sure a value is read: by agreement of the log with itself, by what it or the reviewer states, or only likely.
CERTAINTIES = ("proven", "stated", "likely")

RUN_METRICS = Table(
    "run_metrics", "run and metric", ("run", "metric"),
    (
        _RUN, _METRIC,
        _number("value", "value of the metric in this run, in `unit`"),
        _text("unit", "unit of the value"),
        _text("source", "where the value comes from", ("log", "typed")),
        _text("definition", "definition used"),
        _number("step", "resolution of the recorded value, in `unit`; 0 where none is known"),
        _text("certainty", "how sure the reading is; a likely one is shown and enters no verdict", CERTAINTIES),
    ),
)  # fmt: skip

#: (run, metric, value, step): numbers typed into the run sheet; inside the kit only.
TYPED_VALUES = Table(
    "typed_values", "run and metric", ("run", "metric"),
    (
        _RUN, _METRIC,
        _number("value", "value as typed"),
        _number("step", "one unit of the last written decimal"),
    ),
)  # fmt: skip

FINDINGS = Table(
    "findings", "finding", ("finding",),
    (
        _text("finding", "number of the finding"),
        _text("severity", "what it does", ("stop", "exclude", "note")),
        _text("run", "run concerned; empty where it is more than one"),
        _text("check", "name of the check"),
        _number("found", "value found, in `unit`"),
        _number("limit", "limit it was held against, in `unit`"),
        _text("unit", "unit of `found` and `limit`"),
        _text("message", "what was found and where"),
        _text("action", "what to do"),
    ),
)  # fmt: skip

#: What the statistics read: one row per used run and metric; inside the kit only.
USABLE = Table(
    "usable", "run and metric", ("run", "metric"),
    (
        _RUN,
        _text("run_id", "what the run is known by at every look: its log, else its row"),
        _CARD,
        _text("model", "model of which the card is a sample; the card's name where none is given"),
        _BENCH, _TUNING, _GAME, _SETTING, _GROUP,
        _text("purpose", "what the run is for"),
        _text("session", "runs between two restarts; empty where not given"),
        _text("launch", "runs between two starts of the game; empty where not given"),
        _text("tuning_change", "one act of applying a tuning; empty where not declared"),
        _count("round", "block of runs; empty where not given"),
        _count("order", "order done where known, else as planned; empty where neither is given"),
        _truth("order_known", "whether `order` comes from clocks"),
        _text("power_measured_at", "where power was measured"),
        _text("frames_counted", "which frames count"),
        _count("generated_per_rendered", "frames generated between rendered ones"),
        _number("frame_limit_fps", "declared frame limit; 0 for none", "fps"),
        _text("limited_by", "what the reviewer says limits the game"),
        _text("game_version", "version of the game"),
        _text("corrected", "why a typed number was corrected after a look"),
        _METRIC,
        _number("value", "value of the metric in this run"),
        _number("step", "resolution of the recorded value; 0 where none is known"),
        _text("withheld_for", "reason for which verdicts that need this value are withheld; else empty"),
        _truth("flagged", "far from the other runs of its game and tuning: verdicts are tried with and without it"),
    ),
)  # fmt: skip

_COLUMNS = {one.name: one for one in (*RUN_METRICS.columns, *USABLE.columns)}


def columns_named(names: str) -> tuple[Column, ...]:
    """Return columns that several tables have, as runs and their metrics have them.

    Parameters
    ----------
    names : of the columns, with blanks between them
    """
    return tuple(_COLUMNS[name] for name in names.split())


_FIRST = columns_named(
    "run metric value unit card bench tuning game setting group purpose session round order source certainty"
)

#: Values of all runs with all that the statistics read beside them: for plots, and for comparisons in notebooks.
METRIC_VALUES = Table(
    "metrics", "run and metric", ("run", "metric"),
    (
        *_FIRST,
        _truth("used", "whether the run enters verdicts"),
        *(column for column in USABLE.columns if column not in _FIRST),
    ),
)  # fmt: skip

_FROM_SHEET = (
    "run", "card", "model", "bench", "tuning", "game", "setting", "group", "purpose", "session", "launch",
    "tuning_change", "round", "game_version", "power_measured_at", "frames_counted", "generated_per_rendered",
    "frame_limit_fps", "limited_by",
)  # fmt: skip

#: Rows of the run sheet with what the plan says about them; inside the kit only.
RUN_SHEET = Table(
    "run_sheet", "row of the run sheet", ("run",),
    (
        *(column for column in USABLE.columns if column.name in _FROM_SHEET),
        _count("order", "run number as planned; empty where not given"),
        _text("started_at", "time at which the run started, as written"),
        _text("frame_log", "file of the frame log, as written"),
        _text("sensor_log", "file of the sensor log, as written"),
        _text("excluded", "logged cause for which the run is left out"),
        _text("replaces", "run that this one repeats"),
        _text("corrected", "why a typed number was corrected after a look"),
        _text("note", "the reviewer's note"),
    ),
)  # fmt: skip

NOISE = Table(
    "noise", "card, bench, tuning, game, setting and metric",
    ("card", "bench", "tuning", "game", "setting", "metric"),
    (
        _CARD, _BENCH, _TUNING, _GAME, _SETTING, _METRIC,
        _count("n", "runs"),
        _number("mean", "mean over the runs, geometric on the ratio scale, in the metric's unit"),
        _number("sd", "standard deviation between runs, of the natural log on the ratio scale"),
        _number("cv_pct", "coefficient of variation; empty on the difference scale", "%"),
        _number("detectable_pct", "smallest difference found with 80 % chance by this many runs", "%"),
    ),
)  # fmt: skip

_PAIR = tuple(
    _text(f"{side}_{name}", f"{what} {compared}")
    for side, compared in (("of", "compared"), ("against", "compared with"))
    for name, what in (("card", "card"), ("tuning", "tuning"), ("bench", "bench of the card"))
)

PAIR_KEY = tuple(column.name for column in _PAIR)


def _interval(stem: str, meaning: str) -> tuple[Column, Column]:
    """Return the two ends of an interval."""
    return (
        _number(f"{stem}_low", f"lower end of the interval {meaning}, as `change`"),
        _number(f"{stem}_high", f"upper end of the interval {meaning}, as `change`"),
    )


_CHANGE = _number("change", "`of` against `against`: % on the ratio scale, else in `unit`")

_NOISE = (
    _number("se", "standard error from the noise of runs, in natural log on the ratio scale"),
    _number("df", "degrees of freedom of `se`"),
    _number("restart_se", "what the spread between restarts adds, as `se`; empty where it adds nothing"),
    _number("restart_df", "degrees of freedom of `restart_se`; empty for an assumed spread"),
    _number("rounding_se", "what the rounding of typed values adds, as `se`; empty where it adds nothing"),
)

_TESTS = (
    _number("p_difference", "p-value against no difference"),
    _number("p_difference_adjusted", "the same, to be held against `level`"),
    _number("p_equivalence", "p-value against a difference as large as the margin"),
    _number("p_equivalence_adjusted", "the same, to be held against `level`"),
    _number("p_non_inferiority", "p-value against a loss as large as the margin"),
    _number("p_non_inferiority_adjusted", "the same, to be held against `level`"),
    _number("margin", "smallest difference that matters: % on the ratio scale, else in `unit`"),
    _text("verdict", "outcome", tuple(VERDICTS)),
    _truth("no_loss", "whether a loss as large as the margin is ruled out"),
    _text("reason", "why there is no verdict, or what to know about the one given"),
)

_TIPPING = (
    _number("bench_change_pct", "without rounds: change of the bench between the blocks that would explain it; %"),
    _number("restart_spread_pct", "without rounds: spread between restarts from which on it says nothing; %"),
)

COMPARISONS = Table(
    "comparisons", "pair, game, setting and metric", (*PAIR_KEY, "game", "setting", "metric"),
    (
        *_PAIR,
        _GAME, _SETTING, _METRIC, _GROUP,
        _text("layout", "class of the order in which the runs were done"),
        _count("n", "runs of `of`"),
        _count("n_against", "runs of `against`"),
        _count("n_blocks", "units of the test: rounds, or blocks of each side"),
        _number("of_value", "mean over the runs of `of`, in `unit`"),
        _number("against_value", "mean over the runs of `against`, in `unit`"),
        _text("unit", "unit of the metric"),
        _text("scale", "`ratio` or `difference`", ("ratio", "difference")),
        _CHANGE,
        *_interval("ci", "against zero, this game by itself"),
        *_interval("equivalence_ci", "against the margin, this game by itself"),
        *_interval("own_ci", "against zero, from this game's own runs alone"),
        *_interval("own_equivalence_ci", "against the margin, from this game's own runs alone"),
        _text("own_verdict", "verdict from this game's own runs alone", tuple(VERDICTS)),
        _number("confidence", "of the intervals"),
        _number("level", "what adjusted p-values are held against: the level of the first look"),
        *_NOISE,
        _number("own_se", "`se` from this game's own runs alone"),
        _number("own_df", "degrees of freedom of `own_se`"),
        _truth("borrowed", "whether the other games' noise was borrowed"),
        *_TESTS,
        *_TIPPING,
        _count("more_runs", "further rounds (`restarts`: blocks of each side) that settle it, 9 times in 10"),
        _text("more_runs_for", "what they settle: `whatever` the difference is, or `clear` (nothing or the margin)",
              ("", "whatever", "clear")),
        _number("margin_of_twelve", "margin that 12 rounds would show, where no feasible number does"),
    ),
)  # fmt: skip

OVERALL = Table(
    "overall", "pair, group, scope and metric", (*PAIR_KEY, "group", "scope", "metric"),
    (
        *_PAIR,
        _GROUP,
        _text("scope", "games the result speaks of", ("these_games", "games_like_these")),
        _METRIC,
        _text("layout", "class of the order in which the runs were done"),
        _count("n_games", "games that entered"),
        _text("games_left_out", "games that could not enter, separated by semicolons"),
        _text("unit", "unit of the metric"),
        _text("scale", "`ratio` or `difference`", ("ratio", "difference")),
        _CHANGE,
        *_interval("ci", "that decides"),
        _number("change_w", "mean over games of the differences; metrics in watts only", "W"),
        _number("change_w_ci_low", "lower end of its interval, at the same confidence", "W"),
        _number("change_w_ci_high", "upper end of its interval", "W"),
        _number("confidence", "of the interval: 1 - this result's share of the page's level"),
        _number("level", "of the page, what adjusted p-values are held against; empty for what stands alone"),
        _number("share", "part of the page's level that this result has; empty for what stands alone"),
        *_NOISE,
        *_TESTS,
        _text("carried_by", "game without which the result would be another; else empty"),
        _number("change_without", "`change` without that game"),
        *_TIPPING,
        _number("spread_of_games", "standard deviation of the true change between games; % or in `unit`"),
    ),
)  # fmt: skip

CLAIMS = Table(
    "claims", "claim", ("id",),
    (
        _text("id", "short name of the claim"),
        _text("text", "sentence that will be said"),
        _text("metric", "metric it speaks of"),
        _text("of", "what it speaks of"),
        _text("against", "what it is compared with"),
        _text("over", "games it speaks of"),
        _text("says", "what it says"),
        _text("by", "by how much, with unit"),
        _number("p", "p-value of the claim against its own boundary; empty where there is none"),
        _number("p_adjusted", "the same, adjusted for all claims of the script (Holm 1979)"),
        _text("written", "before the first look with verdicts, or after it", ("before", "after")),
        _text("verdict", "outcome", ("supported", "contradicted", "not_shown")),
        _text("reason", "why it is not shown, or how it was judged; may be empty"),
        _text("evidence", "result it was held against"),
        _text("suggested_text", "the weakest true sentence instead"),
        _count("more_runs", "further rounds (between cards: installations of each) that would settle it"),
        _text("to_settle", "what would settle it, as a sentence"),
    ),
)  # fmt: skip

#: Tables that a report folder holds, in the order of the page's downloads.
ALL_TABLES: dict[str, Table] = {
    table.name: table for table in (RUNS, RUN_METRICS, FINDINGS, NOISE, COMPARISONS, OVERALL, CLAIMS)
}


SEVERITIES = ("stop", "exclude", "note")


@dataclass(frozen=True)
class Finding:
    """One thing noticed in the data.

    Attributes
    ----------
    severity : ``stop`` (verdicts that need the run are withheld), ``exclude`` (the run is left
        out by a rule of the plan) or ``note``
    check : name of the check, lower case with underscores
    message : one sentence: what was found, where
    run : name of the run; empty when the finding concerns more than one
    found, limit : the value found and the limit it was held against, in ``unit``
    action : what the reviewer can do
    """

    severity: str
    check: str
    message: str
    run: str = ""
    found: float | None = None
    limit: float | None = None
    unit: str = ""
    action: str = ""


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Return the table ``findings``: most severe first, then by check and run, numbered.

    Parameters
    ----------
    findings : any number of `Finding`

    Returns
    -------
    DataFrame, one row per finding; see ``tables.FINDINGS``
    """
    rank = {severity: place for place, severity in enumerate(SEVERITIES)}
    unique = list(dict.fromkeys(findings))
    ordered = sorted(unique, key=lambda one: (rank[one.severity], one.check, one.run))
    rows = [{"finding": f"f{number:03d}", **asdict(one)} for number, one in enumerate(ordered, start=1)]
    return FINDINGS.frame(rows)
