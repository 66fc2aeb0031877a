"""The tables of a sweep: its settings, fitted curves, answers, what to measure next, and readings of the curves."""

from __future__ import annotations

from gpubench_kit.model.tables import Column, Table

_SUBJECT = (
    Column("card", "text", "card that was measured"),
    Column("bench", "text", "rest of the machine"),
    Column("group", "text", "game settings of one kind"),
)
_LINE = Column("line", "text", "changes beside the stepped one; empty on the line of the factory state")
_AT = Column(
    "at", "number", "place on the ladder: offset from the factory state, in the unit of the stepped change"
)


def _interval(name: str, of: str) -> tuple[Column, ...]:
    """Return the columns of a change with its interval."""
    return (
        Column(f"{name}_change", "number", f"{of} against the factory state", "%"),
        Column(f"{name}_ci_low", "number", "lower end of its interval against zero", "%"),
        Column(f"{name}_ci_high", "number", "upper end of its interval", "%"),
    )


SWEEP = Table(
    "sweep", "card, bench, group and tuning", ("card", "bench", "group", "tuning"),
    (
        *_SUBJECT,
        Column("tuning", "text", "setting of the ladder"),
        _LINE,
        _AT,
        Column("is_factory", "truth", "whether it is the factory state"),
        Column("place", "integer", "number in the order of the tests; empty where it is not tested"),
        Column("n", "integer", "rounds, of the game that has fewest"),
        Column("n_games", "integer", "games that the change is over"),
        Column("reason", "text", "why nothing can be judged; empty where something can"),
        Column("avg_fps", "number", "average frame rate, geometric mean over games", "fps"),
        *_interval("fps", "average frame rate"),
        Column("loss_at_most", "number", "one-sided bound: no more frame rate than this is lost", "%"),
        Column("p_non_inferiority", "number", "p-value against a loss as large as the margin"),
        Column("is_tested", "truth", "whether the order of the tests reached it"),
        Column("is_inside", "truth", "whether a loss as large as the margin is ruled out here and at all before"),
        Column("is_beyond", "truth", "whether a loss larger than the margin is shown, here and at each step after"),
        Column("board_w", "number", "board power, geometric mean over games", "W"),
        *_interval("power", "board power"),
        Column("energy_per_frame_j", "number", "energy per frame, geometric mean over games", "J"),
        *_interval("energy", "energy per frame"),
        Column("may_be_most_efficient", "truth", "whether no other setting is shown to spend less on a frame"),
        Column("runs_tried", "integer", "runs tried"),
        Column("runs_failed", "integer", "runs that crashed"),
        Column("failing_runs_at_most", "number", "upper 95 % limit of the share of runs that fail", "%"),
        Column("hours", "number", "hours of stability tests", "h"),
        Column("failures", "integer", "failures in these hours"),
        Column("failures_per_hour_at_most", "number", "upper 95 % limit of the failure rate", "1/h"),
    ),
)  # fmt: skip

CURVES = Table(
    "sweep_curves", "card, bench, group, line, metric and place",
    ("card", "bench", "group", "line", "metric", "at"),
    (
        *_SUBJECT,
        _LINE,
        Column("metric", "text", "name of the metric"),
        _AT,
        Column("change", "number", "fitted change against the factory state", "%"),
        Column("ci_low", "number", "lower end of the band; empty where there is none", "%"),
        Column("ci_high", "number", "upper end of the band", "%"),
    ),
)  # fmt: skip

ANSWERS = Table(
    "sweep_answers", "card, bench, group and line", ("card", "bench", "group", "line"),
    (
        *_SUBJECT,
        _LINE,
        Column("level", "number", "level of each test, and of the whole sequence of this line"),
        Column("confidence", "number", "of intervals and bands"),
        Column("margin", "number", "largest loss of frame rate that does not matter", "%"),
        Column("n_tested", "integer", "settings in the order of the tests"),
        Column("n_inside", "integer", "settings that passed"),
        Column("lowest_tuning", "text", "setting of least power that passed without a failure; else the factory"),
        Column("inner", "number", "the last place that passed; 0 is the factory state"),
        Column("outer", "number", "the first place shown to lose more than the margin; empty where none is"),
        Column("most_efficient_tuning", "text", "least energy per frame of all settings without failures"),
        Column("fits", "truth", "whether a monotone, concave frame rate fits the measurements"),
        Column("rises", "truth", "whether the fitted frame rate rises along the ladder"),
        Column("bends", "truth", "whether a straight line is ruled out"),
        Column("knee", "number", "place of the knee; empty where no bend is shown"),
        Column("knee_ci_low", "number", "lower end of its range over redraws of the noise"),
        Column("knee_ci_high", "number", "upper end of its range"),
        Column("stop", "text", "why nothing more is proposed; empty where something is"),
    ),
)  # fmt: skip

NEXT = Table(
    "sweep_next", "card, bench, group, line and rank", ("card", "bench", "group", "line", "rank"),
    (
        *_SUBJECT,
        _LINE,
        Column("rank", "integer", "best first"),
        _AT,
        Column("tuning", "text", "setting; empty for one that is to be added"),
        Column("rounds", "integer", "rounds to run, each with the factory state beside it"),
        Column("range_now", "number", "width of the range around the answer now, in the unit of the ladder"),
        Column("range_expected", "number", "width to be expected after these rounds"),
        Column("is_beyond_ladder", "truth", "whether it lies beyond the settings measured"),
        Column("near_failures", "text", "settings beside it that failed, separated by semicolons"),
    ),
)  # fmt: skip

READINGS = Table(
    "sweep_readings", "card, bench, group, line, reading and given value",
    ("card", "bench", "group", "line", "reading", "given"),
    (
        *_SUBJECT,
        _LINE,
        Column("reading", "text", "frame rate at a power [W], or power at a loss of frame rate [%]",
               allowed=("rate_at_power", "power_at_loss")),
        Column("given", "number", "power [W] or loss of frame rate [%]"),
        Column("value", "number", "frame rate [fps] or power [W] on the fitted curves"),
        Column("ci_low", "number", "lower end, from the bands of both curves"),
        Column("ci_high", "number", "upper end"),
    ),
)  # fmt: skip

BETWEEN = Table(
    "sweep_between", "two cards, bench, group, reading and given value",
    ("of_card", "against_card", "bench", "group", "reading", "given"),
    (
        Column("of_card", "text", "card that was compared"),
        Column("against_card", "text", "card that it was compared with"),
        Column("bench", "text", "rest of the machine"),
        Column("group", "text", "game settings of one kind"),
        Column("reading", "text", "frame rate at equal power [W], or power at equal frame rate [fps]",
               allowed=("rate_at_power", "power_at_rate")),
        Column("given", "number", "power [W] or frame rate [fps], as the second card takes or gives it"),
        Column("change", "number", "first card against the second on the fitted curves", "%"),
        Column("ci_low", "number",
               "lower end, from the bands of both cards and the difference of the factory states", "%"),
        Column("ci_high", "number", "upper end", "%"),
        Column("difference", "number", "the same as a difference: frame rate [fps] or power [W]"),
        Column("difference_ci_low", "number", "lower end of its range"),
        Column("difference_ci_high", "number", "upper end"),
        Column("reason", "text", "why the two cards cannot be compared; empty where they can"),
    ),
)  # fmt: skip

#: Every table of a sweep by name, in the order written.
SWEEP_TABLES = {table.name: table for table in (SWEEP, CURVES, ANSWERS, NEXT, READINGS, BETWEEN)}
