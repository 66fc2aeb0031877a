"""What was measured at the settings of one card on one bench: changes, tests and failures, before any answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import combinations

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import Ladder, Pair, Subject
from gpubench_kit.statistics.adapters import t_tail
from gpubench_kit.statistics.comparison import measure_pair
from gpubench_kit.statistics.games import Games
from gpubench_kit.statistics.looks import without_flagged
from gpubench_kit.statistics.overall import these_games
from gpubench_kit.statistics.runs import CodedRuns
from gpubench_kit.statistics.stability import failure_share_limit, pooled_failure_bound
from gpubench_kit.statistics.testing import Uncertainty, half_width, one_sided_p
from gpubench_kit.statistics.variance import direction_of, scaled_margin
from gpubench_kit.sweep.search import best_kept
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import bound_text, count_text

RATE, POWER, ENERGY = "avg_fps", "board_w", "energy_per_frame_j"
#: A setting whose change is over fewer games than another's could pass by what it lacks.
GAMES_MISSING = "games_missing"
_CRASH = "crash"


@dataclass(frozen=True)
class Losses:
    """Settings against the factory state in one metric; arrays (settings, groups).

    Attributes
    ----------
    change : mean difference of natural logs (or in the unit)
    found : how well it is known
    n : rounds, or units of the side that has fewer, of the game that has fewest
    n_games : games in ``change``
    withheld : why nothing can be judged; empty where something can
    """

    change: np.ndarray
    found: Uncertainty
    n: np.ndarray
    n_games: np.ndarray
    withheld: np.ndarray

    @property
    def se(self) -> np.ndarray:
        """Standard error; nan where nothing can be judged."""
        judged = (self.withheld == "") & (self.found.error > 0)
        return np.sqrt(np.where(judged, self.found.error, np.nan))

    @property
    def df(self) -> np.ndarray:
        """Degrees of freedom of the standard error."""
        return self.found.df

    def half_width(self, level: float) -> np.ndarray:
        """Return half of the interval, two-sided at a level; nan where nothing can be judged."""
        return np.where(np.isfinite(self.se), half_width(level, self.found), np.nan)


@dataclass(frozen=True)
class MarginTests:
    """One-sided tests of every setting against the margin; arrays (settings, groups).

    Attributes
    ----------
    p_non_inferiority : against a loss as large as the margin or larger
    p_too_much : against a loss smaller than the margin
    p_no_loss_on_card : the larger of ``p_non_inferiority`` and that over the games limited by the card alone
    worst_loss : one-sided end of the interval: no more than this is lost [natural log, positive]
    """

    p_non_inferiority: np.ndarray
    p_too_much: np.ndarray
    p_no_loss_on_card: np.ndarray
    worst_loss: np.ndarray

    @property
    def p(self) -> np.ndarray:
        """The p-value that a step must pass: over all games, and over those limited by the card; nan: neither."""
        return np.maximum(self.p_non_inferiority, self.p_no_loss_on_card)


def measure_settings(
    coded: CodedRuns, pairs: Sequence, *, groups: Sequence[str], metric: str, plan: ReviewPlan
) -> Losses:
    """Measure settings against the factory state.

    Parameters
    ----------
    coded : usable runs
    pairs : each setting against the factory state
    groups : groups of game settings, which are never pooled
    metric : name of the metric
    plan : ReviewPlan

    Returns
    -------
    Losses, arrays (pairs, groups)
    """
    shape = (len(pairs), len(groups))
    change = np.full(shape, np.nan)
    parts = {field.name: np.zeros(shape) for field in fields(Uncertainty)}
    parts |= {name: np.full(shape, np.nan) for name in ("error", "df")}
    counts = {name: np.zeros(shape, dtype=np.int64) for name in ("n", "n_games")}
    withheld = np.full(shape, "not_measured", dtype=object)
    place_of = {group: place for place, group in enumerate(groups)}
    for row, pair in enumerate(pairs):
        measured = measure_pair(coded, pair, place=row, metric=metric, plan=plan)
        if measured is None:
            continue
        games = Games(measured)
        pooled = games.pool(games.judged)
        result = these_games(games, pooled, pooled.found)
        names = np.full(len(result.change), "", dtype=object)
        names[measured.pair.family] = measured.pair.cell_text("group")
        columns = np.array([place_of[name] for name in names])
        change[row, columns] = result.change
        for name, array in parts.items():
            array[row, columns] = getattr(result.found, name)
        counts["n_games"][row, columns] = result.n_games
        family, entered = measured.pair.family, result.entered
        fewest = np.full(len(result.change), np.iinfo(np.int64).max)
        np.minimum.at(fewest, family[entered], measured.used.n_units[entered].astype(np.int64))
        counts["n"][row, columns] = np.where(fewest == np.iinfo(np.int64).max, 0, fewest)
        withheld[row, columns] = result.withheld
    return Losses(change, Uncertainty(**parts), **counts, withheld=withheld)


def judge_settings(
    coded: CodedRuns, pairs: Sequence, *, groups: Sequence[str], metric: str, plan: ReviewPlan, level: float
) -> tuple[Losses, MarginTests]:
    """Measure settings and hold each against the margin.

    Parameters
    ----------
    coded, pairs, groups, metric, plan : as in `measure_settings`
    level : of each one-sided test

    Returns
    -------
    tuple of Losses and MarginTests

    Notes
    -----
    With a flagged run each test is made with and without it, and the larger p-value stands. Games not
    limited by the card hardly depend on its tuning; so that they cannot hide a loss, a step must pass over
    the card's games alone too. Both must hold, so no correction is needed (Berger 1982).
    """
    direction, margin = direction_of(metric), scaled_margin(plan, metric)
    variants = [coded, without_flagged(coded)] if coded.numbers["flagged"].any() else [coded]
    measured = [measure_settings(one, pairs, groups=groups, metric=metric, plan=plan) for one in variants]
    losses, on_all = measured[0], [_margin_p(one, margin, direction) for one in measured]
    p_card = on_all[0][0]
    for one, everywhere in zip(variants, on_all, strict=True):
        narrow = _on_card(one, plan)
        if narrow is not None:
            card = measure_settings(narrow, pairs, groups=groups, metric=metric, plan=plan)
            p_narrow = _margin_p(card, margin, direction)[0]
            # Where no game of a group is limited by the card, there is nothing that could be hidden.
            p_card = np.maximum(p_card, np.where(card.withheld == "not_measured", everywhere[0], p_narrow))
    worst = losses.half_width(2 * level) - direction * losses.change
    p_non_inferiority, p_too_much = (np.maximum.reduce([one[way] for one in on_all]) for way in (0, 1))
    return losses, MarginTests(p_non_inferiority, p_too_much, p_card, worst)


def _margin_p(losses: Losses, margin: float, direction: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the p-values against a loss of at least, and of less than, the margin."""
    lost = direction * losses.change + margin
    known = np.isfinite(losses.se)
    against_loss, against_less = (np.where(known, one_sided_p(way * lost, losses.found), np.nan) for way in (1, -1))
    return against_loss, against_less


def _on_card(coded: CodedRuns, plan: ReviewPlan) -> CodedRuns | None:
    """Return the runs of games limited by the card; None where the plan has no others."""
    limited = {game.name: game.limited_by == "card" for game in plan.games}
    if all(limited.values()):
        return None
    of_game = np.array([limited.get(name, True) for name in coded.names["game"]], dtype=bool)
    return coded.take(np.flatnonzero(of_game[coded.codes["game"]]))


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
    sentences : all that can be said
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


def measure_ladder(
    coded: CodedRuns, ladder: Ladder, *, subject: tuple[str, str], plan: ReviewPlan, level: float
) -> Measured:
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


def most_efficient_set(
    coded: CodedRuns, measured: Measured, tunings: tuple[str, ...], *, plan: ReviewPlan
) -> np.ndarray:
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


def failures_of(tuning: str, runs: pd.DataFrame, *, subject: tuple[str, str], plan: ReviewPlan) -> Failures:
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
    sentences = []
    if share is not None and crashed:
        at_most, runs_text = bound_text(100 * share, up=True), count_text(tried, "run")
        sentences.append(say("sweep.failed.crashed", crashed=crashed, runs=runs_text, share=at_most))
    if not tests:
        if crashed:
            sentences.append(say("sweep.failed.no_hours"))
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
