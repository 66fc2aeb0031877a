"""What was measured at the settings of one card on one bench: changes, tests and failures, before any answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from gpubench_kit.model.plan.references import Pair, Subject
from gpubench_kit.statistics.adapters import t_tail
from gpubench_kit.statistics.coded_runs import CodedRuns
from gpubench_kit.statistics.stability import failure_share_limit, pooled_failure_bound
from gpubench_kit.statistics.sweep_ladder import Ladder, Losses, MarginTests, judge_settings, measure_settings
from gpubench_kit.statistics.sweep_search import best_kept
from gpubench_kit.wording.numbers import bound_text, count_text

RATE, POWER, ENERGY = "avg_fps", "board_w", "energy_per_frame_j"
#: A setting whose change is over fewer games than another's could pass by what it lacks.
GAMES_MISSING = "games_missing"
_CRASH = "crash"


@dataclass(frozen=True)
class Measured:
    """The settings of one card on one bench.

    Attributes
    ----------
    card, bench, ladder : what was swept
    groups : groups of game settings, second axis of all arrays
    tunings : the settings beside the factory state, first axis of all arrays
    rate, power, energy : changes against the factory state
    tests : of the frame rate against the margin
    level : of each test
    """

    card: str
    bench: str
    ladder: Ladder
    groups: tuple[str, ...]
    tunings: tuple[str, ...]
    rate: Losses
    power: Losses
    energy: Losses
    tests: MarginTests
    level: float

    def place_of(self, tuning: str) -> int:
        """Return the row of a tuning."""
        return self.tunings.index(tuning)

    def reason(self, row: int, group: int) -> str:
        """Return why the frame rate of a setting cannot be judged; empty where it can."""
        withheld = str(self.rate.withheld[row, group])
        fewer = self.rate.n_games[row, group] < self.rate.n_games[:, group].max()
        return withheld or (GAMES_MISSING if fewer else "")


@dataclass(frozen=True)
class Failures:
    """What failed at one setting, and the upper 95 % limits; None where nothing was tried.

    Attributes
    ----------
    tried, crashed : runs
    share : limit of the share of runs that fail
    hours, failures, rate : stability tests, and the limit per hour
    sentences : all that may be said
    """

    tried: int
    crashed: int
    share: float | None
    hours: float | None
    failures: int | None
    rate: float | None
    sentences: tuple[str, ...]

    @property
    def any(self) -> bool:
        """Whether anything failed."""
        return bool(self.crashed or self.failures)


def measure_ladder(coded: CodedRuns, ladder: Ladder, *, subject: tuple[str, str], plan, level: float) -> Measured:
    """Measure every setting of a ladder against the factory state.

    Parameters
    ----------
    coded : usable runs
    ladder : the settings
    subject : card and bench
    plan : ReviewPlan
    level : of the family of tests

    Returns
    -------
    Measured
    """
    card, bench = subject
    groups = tuple(coded.names["group"])
    tunings = ladder.tunings
    factory = Subject(card, ladder.reference, bench)
    pairs = [Pair(Subject(card, tuning, bench), factory) for tuning in tunings]
    losses, tests = judge_settings(coded, pairs, groups=groups, metric=RATE, plan=plan, level=level)
    power, energy = (
        measure_settings(coded, pairs, groups=groups, metric=metric, plan=plan) for metric in (POWER, ENERGY)
    )
    return Measured(card, bench, ladder, groups, tunings, losses, power, energy, tests, level)


def most_efficient_set(coded: CodedRuns, measured: Measured, tunings: tuple[str, ...], *, plan) -> np.ndarray:
    """Return which settings no other is shown to beat in energy per frame, array (tunings, groups).

    Parameters
    ----------
    coded : usable runs
    measured : the settings
    tunings : those compared, the factory state among them
    plan : ReviewPlan
    """
    card, bench, count = measured.card, measured.bench, len(tunings)
    places = list(combinations(range(count), 2))
    subjects = [Subject(card, one, bench) for one in tunings]
    pairs = [Pair(subjects[one], subjects[other]) for one, other in places]
    found = measure_settings(coded, pairs, groups=measured.groups, metric=ENERGY, plan=plan)
    p_worse = np.full((count, count, len(measured.groups)), np.nan)
    more = t_tail(found.change / found.se, found.df)
    for row, (one, other) in enumerate(places):
        p_worse[one, other], p_worse[other, one] = more[row], 1 - more[row]
    return np.column_stack(
        [best_kept(p_worse[..., group], level=measured.level) for group in range(p_worse.shape[2])]
    )


def failures_of(tuning: str, runs: pd.DataFrame, *, subject: tuple[str, str], plan) -> Failures:
    """Return what failed at a setting.

    Parameters
    ----------
    tuning : its name
    runs : every run of the sheet; see ``tables.RUNS``
    subject : card (or model) and bench
    plan : ReviewPlan, gives the stability tests
    """
    cards = plan.cards_named(subject[0])
    own = runs[(runs["tuning"] == tuning) & runs["card"].isin(cards) & (runs["bench"] == subject[1])]
    tried = int((own["excluded_for"] != "not_recorded").sum())
    crashed = int((own["excluded_for"] == _CRASH).sum())
    share = failure_share_limit(crashed, tried) if tried else None
    tests = next(one.stability for one in plan.tunings if one.name == tuning)
    sentences = [_runs_sentence(crashed, tried, share)] if crashed else []
    if not tests:
        if crashed:
            sentences.append("No hours of a stability test are stated, so no rate per hour can be given.")
        return Failures(tried, crashed, share, None, None, None, tuple(sentences))
    bound = pooled_failure_bound((test.failures, test.hours) for test in tests)
    return Failures(
        tried, crashed, share, bound.hours, bound.failures, bound.upper_per_hour, (*sentences, bound.sentence)
    )


def ruled_out(ladder: Ladder, failures: Mapping[str, Failures]) -> frozenset[str]:
    """Return the settings that failed, and those farther out on the same side of the same line.

    Farther out only adds to what made a setting fail: that it has not failed yet shows little.
    """
    failed = {one for one, found in failures.items() if found.any}
    rows = [(line, one) for line in ladder.lines for one in line.settings]
    beyond = {
        one.tuning
        for line, one in rows
        if any(other.tuning in failed and other.at * one.at >= 0 and abs(other.at) <= abs(one.at)
               for other in line.settings)
    }  # fmt: skip
    return frozenset(failed | beyond)


def _runs_sentence(crashed: int, tried: int, share: float) -> str:
    """Return what crashed runs show."""
    at_most = bound_text(100 * share, up=True)
    found = f"{crashed} of {count_text(tried, 'run')} crashed: not stable"
    return f"{found}; up to {at_most} of runs failing cannot be ruled out with 95 % confidence."
