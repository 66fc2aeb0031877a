"""The answers of one line of settings: the tests in order, the setting of least power, what to measure next."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import Ladder, Line, Setting
from gpubench_kit.model.tables import Column, Table
from gpubench_kit.statistics.variance import scaled_margin
from gpubench_kit.sweep.curves import Curves, points_of
from gpubench_kit.sweep.measured import ENERGY, POWER, RATE, Failures, Measured, ruled_out
from gpubench_kit.sweep.search import Advice, Search, Sequence, answer_range, next_settings, search_sequence

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


SWEEP: Table = Table(
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

CURVES: Table = Table(
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

ANSWERS: Table = Table(
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

NEXT: Table = Table(
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

READINGS: Table = Table(
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

BETWEEN: Table = Table(
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


@dataclass(frozen=True)
class Answer:
    """What the tests of one line found.

    Attributes
    ----------
    curves : line and fitted curves
    search : outcome of each step of ``curves.line.sequence``
    row : columns of ``sweep_answers`` that need no other line
    proposals : rows of ``sweep_next``
    """

    curves: Curves
    search: Search
    row: dict
    proposals: list[dict]

    def outcome(self, tuning: str) -> dict:
        """Return place and outcome of a setting's test; nothing where it is not in the order of the tests."""
        for place, step in enumerate(self.curves.line.sequence):
            if step.tuning == tuning:
                outcome = {"is_tested": self.search.tested, "is_inside": self.search.passed,
                           "is_beyond": self.search.too_much}  # fmt: skip
                return {"place": place + 1} | {name: bool(array[place]) for name, array in outcome.items()}
        return {}


def answer_line(
    measured: Measured,
    curves: Curves,
    *,
    failures: Mapping[str, Failures],
    group: int,
    plan: ReviewPlan,
    is_judged: bool,
) -> Answer:
    """Test the steps of a line in order, and say what follows.

    Parameters
    ----------
    measured, curves : settings of one card on one bench, and the curves of the line
    failures : what failed, by tuning
    group : place of the group of game settings
    plan : ReviewPlan
    is_judged : whether there may be verdicts at all
    """
    level = measured.level / len(measured.ladder.lines)
    steps, rows = curves.line.sequence, [measured.place_of(one.tuning) for one in curves.line.sequence]
    stands = np.array([is_judged and not measured.reason(row, group) for row in rows], dtype=bool)
    p, p_too_much = (
        np.where(stands, one[rows, group], np.nan) for one in (measured.tests.p, measured.tests.p_too_much)
    )
    search = search_sequence(p, p_too_much, level=level)
    sequence = Sequence(
        at=np.array([one.at for one in steps]),
        passed=search.passed,
        too_much=search.too_much,
        failed=np.array([failures[one.tuning].any for one in steps], dtype=bool),
        error=np.where(stands, measured.rate.found.error[rows, group], np.nan),
        df=measured.rate.df[rows, group],
        n=measured.rate.n[rows, group],
        step=measured.ladder.step,
        margin=scaled_margin(plan, RATE),
        level=level,
        may_go_on=measured.ladder.lowers_load(steps[-1].at) if steps else False,
    )
    advice = (
        next_settings(sequence, _response(measured, curves, group)) if is_judged else Advice((), "too_many_looks")
    )
    found = answer_range(sequence)
    is_out = np.array([one.tuning in ruled_out(measured.ladder, failures) for one in steps], dtype=bool)
    row = {
        "level": level,
        "confidence": 1 - measured.level,
        "margin": plan.margin_of(RATE),
        "n_tested": len(steps),
        "n_inside": int(search.n_passed),
        "lowest_tuning": _lowest(measured, steps, group=group, passed=search.passed & ~is_out),
        "inner": found.inner,
        "outer": found.outer,
        "stop": advice.stop,
    }
    proposals = _proposal_rows(advice, curves.line, ladder=measured.ladder, failures=failures)
    if curves.rate is not None:
        names = ("fits", "rises", "bends", "knee", "knee_ci_low", "knee_ci_high")
        row |= {name: getattr(curves.rate, name) for name in names}
    return Answer(curves, search, row, proposals)


def _lowest(measured: Measured, steps: tuple[Setting, ...], *, group: int, passed: np.ndarray) -> str:
    """Return the setting of least power, the factory state among them.

    Without power it is the lowest of a falling ladder. A step that raises power, voltage or clock is none,
    whatever its measured power.
    """
    ladder = measured.ladder
    inside = [steps[place] for place in np.flatnonzero(passed) if not ladder.raises_load(steps[place].at)]
    power = np.array([measured.power.change[measured.place_of(one.tuning), group] for one in inside])
    if not inside:
        return ladder.reference
    if np.isfinite(power).all():
        return inside[int(np.argmin(power))].tuning if power.min() < 0 else ladder.reference
    return inside[-1].tuning if ladder.lowers_load(inside[-1].at) else ladder.reference


def _response(measured: Measured, curves: Curves, group: int) -> Callable[[float], float]:
    """Return the change of frame rate at a place: on the fitted curve, or between settings where none fits."""
    shape = curves.rate
    if shape is not None and shape.fits:
        return lambda place: float(np.interp(place, shape.at, shape.change))
    points = points_of(measured, curves.line, losses=measured.rate, group=group)
    return lambda place: float(np.interp(place, points.at, points.change)) if len(points.at) else 0.0


def _proposal_rows(advice: Advice, line: Line, *, ladder: Ladder, failures: Mapping[str, Failures]) -> list[dict]:
    """Return proposals as rows."""
    named, last = {one.at: one.tuning for one in line.sequence}, max(abs(one.at) for one in line.sequence)
    return [
        {
            "rank": rank, "at": one.at, "tuning": "" if one.is_new else named[one.at], "rounds": one.rounds,
            "range_now": one.range_now, "range_expected": one.range_expected,
            "is_beyond_ladder": abs(one.at) > last,
            "near_failures": "; ".join(_failed_near(one.at, line, ladder=ladder, failures=failures)),
        }
        for rank, one in enumerate(advice.proposals, start=1)
    ]  # fmt: skip


def _failed_near(at: float, line: Line, *, ladder: Ladder, failures: Mapping[str, Failures]) -> Iterator[str]:
    """Yield the settings beside a place that failed: its neighbours on the line, and those of other lines."""
    below = [one for one in line.settings if one.at < at]
    above = [one for one in line.settings if one.at > at]
    beside = [*below[-1:], *above[:1]]
    for other in ladder.lines:
        near = beside if other is line else [one for one in other.settings if abs(one.at - at) <= ladder.step]
        yield from (one.tuning for one in near if failures[one.tuning].any)


#: Beginning of the columns of each metric.
_NAMES = {RATE: "fps", POWER: "power", ENERGY: "energy"}


def setting_rows(
    measured: Measured,
    answers: Collection[Answer],
    failures: Mapping[str, Failures],
    *,
    group: int,
    factory: Mapping[str, float],
) -> Iterator[dict]:
    """Yield one row per setting, the factory state first.

    Parameters
    ----------
    measured : settings of one card on one bench
    answers : of each line
    failures : what failed, by tuning
    group : place of the group of game settings
    factory : value of the factory state in each metric, in its unit
    """
    reference, rate = measured.ladder.reference, measured.rate
    yield {
        "tuning": reference, "line": "", "at": 0.0, "is_factory": True,
        "n": int(rate.n[:, group].max(initial=0)), "n_games": int(rate.n_games[:, group].max(initial=0)),
        **factory, **_failure_columns(failures[reference]),
    }  # fmt: skip
    for answer, setting in ((one, setting) for one in answers for setting in one.curves.line.settings):
        row = measured.place_of(setting.tuning)
        columns: dict[str, float] = {}
        for metric, losses in ((RATE, measured.rate), (POWER, measured.power), (ENERGY, measured.energy)):
            change, half = losses.change[row, group], losses.half_width(measured.level)[row, group]
            ends = {"change": change, "ci_low": change - half, "ci_high": change + half}
            columns[metric] = float(factory[metric] * np.exp(change))
            columns |= {f"{_NAMES[metric]}_{end}": float(100 * np.expm1(value)) for end, value in ends.items()}
        yield {
            "tuning": setting.tuning, "line": answer.curves.line.name, "at": setting.at, "is_factory": False,
            "n": int(rate.n[row, group]), "n_games": int(rate.n_games[row, group]),
            "reason": measured.reason(row, group),
            **columns,
            "loss_at_most": 100 * -np.expm1(-measured.tests.worst_loss[row, group]),
            "p_non_inferiority": measured.tests.p[row, group],
            **answer.outcome(setting.tuning), **_failure_columns(failures[setting.tuning]),
        }  # fmt: skip


def _failure_columns(failed: Failures) -> dict:
    """Return what failed at a setting, as columns."""
    return {
        "runs_tried": failed.tried,
        "runs_failed": failed.crashed,
        "failing_runs_at_most": None if failed.share is None else 100 * failed.share,
        "hours": failed.hours,
        "failures": failed.failures,
        "failures_per_hour_at_most": failed.rate,
    }


def most_efficient(rows: Collection[Mapping], left_out: Collection[str]) -> str:
    """Return the setting of least energy per frame among those not left out; empty where none is known."""
    known = [row for row in rows if np.isfinite(row[ENERGY]) and row["tuning"] not in left_out]
    return min(known, key=lambda row: row[ENERGY])["tuning"] if known else ""
