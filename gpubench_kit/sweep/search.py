"""The search of a sweep: how far down the loss stays inside the margin, and what to measure next."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from gpubench_kit.statistics.planning import chance_of_not_worse


@dataclass(frozen=True)
class Search:
    """What a fixed sequence of tests found; arrays (steps, ...), from the factory state outward.

    Attributes
    ----------
    tested : whether a step was reached
    passed : whether a loss as large as the margin is ruled out there, and at every step before it
    too_much : whether a loss larger than the margin is shown there, and at every step beyond it
    """

    tested: np.ndarray
    passed: np.ndarray
    too_much: np.ndarray

    @property
    def n_passed(self) -> np.ndarray:
        """Steps passed, from the factory state on; 0 where none is."""
        return self.passed.sum(axis=0)


def search_sequence(p_non_inferiority: np.ndarray, p_too_much: np.ndarray, *, level: float) -> Search:
    """Test the steps of a ladder in fixed order, each only if the one before it passed.

    Parameters
    ----------
    p_non_inferiority : array (steps, ...), p-values against a loss of at least the margin, factory state outward;
        nan is *not shown*
    p_too_much : the same against a loss of less than the margin; tested from the far end inward
    level : of each test, and of the whole sequence

    Returns
    -------
    Search

    Notes
    -----
    The first step that loses more than the margin is passed with a chance of at most the level, and no step
    beyond it is tested before it passes. So the chance that any such step is passed is at most the level,
    whatever the shape of the response and however the steps' errors hang together. No correction is needed.

    References
    ----------
    Maurer, W., Hothorn, L. A. and Lehmacher, W. (1995). Multiple comparisons in drug clinical trials and
    preclinical assays: a-priori ordered hypotheses. Biometrie in der chemisch-pharmazeutischen Industrie 6, 3-18.
    """
    passed = np.logical_and.accumulate(p_non_inferiority <= level, axis=0)
    tested = np.ones_like(passed)
    tested[1:] = passed[:-1]
    too_much = np.logical_and.accumulate((p_too_much <= level)[::-1], axis=0)[::-1]
    return Search(tested, passed, too_much)


def best_kept(p_worse: np.ndarray, *, level: float) -> np.ndarray:
    """Return which settings may be the best: those that no other is shown to beat.

    Parameters
    ----------
    p_worse : array (settings, settings): one-sided p-value against row being as good as column; nan where
        they cannot be compared, and on the diagonal
    level : of the set

    Returns
    -------
    array (settings,) of truth: holds the truly best setting with a chance of at least 1 - level

    Notes
    -----
    The best setting is dropped only if one of its K - 1 true hypotheses is rejected; each is tested at
    level / (K - 1) (comparison with the best, after Hsu 1984, with Bonferroni in place of one common variance).

    References
    ----------
    Hsu, J. C. (1984). Constrained simultaneous confidence intervals for multiple comparisons with the best.
    doi:10.1214/aos/1176346732
    """
    others = max(len(p_worse) - 1, 1)
    beaten = np.where(np.isnan(p_worse), False, p_worse <= level / others)
    return np.logical_not(beaten.any(axis=1))


#: Less than this share of the range taken away is not worth a bench session.
WORTH_WHILE = 0.1
#: A gap is worth dividing when it is this many times as wide as the narrowest.
_DIVIDED = 1.5
_LEAST_ROUNDS = 3


@dataclass(frozen=True)
class Sequence:
    """The tested steps of one line, from the factory state outward (K).

    Attributes
    ----------
    at : places on the ladder
    passed, too_much : see `gpubench_kit.sweep.search.Search`
    failed : whether failures were seen there
    error, df, n : variance of the change, its degrees of freedom, rounds behind it
    step : least distance of neighbours on the whole ladder
    margin, level : of the tests
    may_go_on : whether a place beyond the last one lowers power or voltage; nothing else is proposed there
    """

    at: np.ndarray
    passed: np.ndarray
    too_much: np.ndarray
    failed: np.ndarray
    error: np.ndarray
    df: np.ndarray
    n: np.ndarray
    step: float
    margin: float
    level: float
    may_go_on: bool = False

    @property
    def is_free(self) -> np.ndarray:
        """Which steps neither failed nor lie beyond one that did."""
        return ~np.logical_or.accumulate(self.failed)

    def reaches(self, at: float) -> bool:
        """Whether a place lies nearer to the factory state than everything that failed."""
        return not (self.failed & (np.abs(self.at) <= abs(at))).any()


@dataclass(frozen=True)
class Range:
    """Where the last setting that loses no more than the margin can lie.

    Attributes
    ----------
    inner : the last step passed; 0, the factory state, where none is
    outer : the first step shown to lose more; nan where none is
    """

    inner: float
    outer: float


@dataclass(frozen=True)
class Proposal:
    """Rounds to run at one setting, each with the factory state beside it.

    Attributes
    ----------
    at : place on the ladder
    is_new : whether it is a setting of its own, to be added to the plan
    rounds : rounds to run
    range_now, range_expected : width of the range around the answer now, and to be expected after
        them; nan where it cannot be told
    """

    at: float
    is_new: bool
    rounds: int
    range_now: float
    range_expected: float


@dataclass(frozen=True)
class Advice:
    """Proposals, best first, or why to stop: ``settled``, ``not_worth``, ``failures``, ``end`` or empty."""

    proposals: tuple[Proposal, ...]
    stop: str


def answer_range(sequence: Sequence) -> Range:
    """Return where the answer can lie.

    Parameters
    ----------
    sequence : steps with the outcome of their tests
    """
    count = int(sequence.passed.sum())
    inner = float(sequence.at[count - 1]) if count else 0.0
    lost = np.flatnonzero(sequence.too_much)
    return Range(inner, float(sequence.at[lost[0]]) if len(lost) else np.nan)


def next_settings(sequence: Sequence, response: Callable[[float], float]) -> Advice:
    """Propose what to measure next.

    Parameters
    ----------
    sequence : steps with the outcome of their tests
    response : fitted change against the factory state at a place of the ladder [natural log]

    Returns
    -------
    Advice

    Notes
    -----
    For each candidate the chance that it passes, or is shown to lose more, is calculated at its place on the
    fitted curve with the noise measured so far; the range around the answer that is then expected is
    compared with the range now. Places that failed, and those beyond them, are not proposed.
    """
    known = np.isfinite(sequence.error) & (sequence.df > 0)
    if not known[sequence.is_free].all():
        # The rounds without which nothing can be judged, in the order of the tests.
        first = np.flatnonzero(~known & sequence.is_free)
        rounds = [max(_LEAST_ROUNDS - int(sequence.n[place]), 2) for place in first]
        at = map(float, sequence.at[first])
        return Advice(tuple(Proposal(one, False, n, np.nan, np.nan) for one, n in zip(at, rounds, strict=True)), "")
    if not known.all():
        return Advice((), "failures")
    found = answer_range(sequence)
    outer = found.outer if np.isfinite(found.outer) else sequence.at[-1] + _side(sequence) * sequence.step
    if sequence.passed.all():
        # The step beyond the last one, where it lowers power or voltage and nothing failed before it.
        if sequence.failed.any():
            return Advice((), "failures")
        if not sequence.may_go_on:
            return Advice((), "end")
        beyond = float(sequence.at[-1]) + _side(sequence) * sequence.step
        return Advice((Proposal(beyond, True, max(_LEAST_ROUNDS, int(sequence.n.max())), np.nan, np.nan),), "")
    width = abs(outer - found.inner)
    every = [*_again(sequence, found, outer), *_between(sequence, found, outer)]
    tried = [one for one in every if sequence.reaches(one[0])]
    if every and not tried:
        return Advice((), "failures")
    gains = [(_gain(sequence, one, response=response), one) for one in tried]
    made = [Proposal(at, is_new, rounds, width, width - gain) for gain, (at, is_new, rounds, *_) in gains]
    worth = [one for one in made if width - one.range_expected >= WORTH_WHILE * width]
    ordered = tuple(sorted(worth, key=lambda one: one.range_expected))
    return Advice(ordered, "" if ordered else "not_worth" if made else "settled")


#: A candidate: place, whether new, rounds, and what passing and being shown to lose more would take away.
_Candidate = tuple[float, bool, int, float, float]


def _again(sequence: Sequence, found: Range, outer: float) -> Iterator[_Candidate]:
    """Yield further rounds at the steps next to the ends of what is undecided."""
    undecided = np.flatnonzero(~sequence.passed & ~sequence.too_much)
    rounds = max(_LEAST_ROUNDS, int(sequence.n.max()))
    for place in undecided[[0, -1]] if len(undecided) > 1 else undecided:
        at = float(sequence.at[place])
        passing = abs(at - found.inner) if place == undecided[0] else 0.0
        losing = abs(outer - at) if place == undecided[-1] else 0.0
        yield at, False, rounds, passing, losing


def _between(sequence: Sequence, found: Range, outer: float) -> Iterator[_Candidate]:
    """Yield new settings in gaps at the ends of the range that are wider than the narrowest of the ladder."""
    inside = (sequence.at - found.inner) * (sequence.at - outer) < 0
    stops = np.array([found.inner, *sequence.at[inside], *([found.outer] if np.isfinite(found.outer) else [])])
    limit, rounds = _DIVIDED * sequence.step, max(_LEAST_ROUNDS, int(sequence.n.max()))
    for place in sorted({0, len(stops) - 2} & set(range(len(stops) - 1))):
        if abs(stops[place + 1] - stops[place]) > limit:
            at = float(stops[place] + stops[place + 1]) / 2
            if (sequence.at == np.round(sequence.at)).all() and abs(stops[place + 1] - stops[place]) > 1.5:
                at = float(np.round(at))  # Whole, where the ladder's places are.
            passing = abs(at - found.inner) if place == 0 else 0.0
            losing = abs(outer - at) if place == len(stops) - 2 and np.isfinite(found.outer) else 0.0
            yield at, True, rounds, passing, losing


def _gain(sequence: Sequence, candidate: _Candidate, *, response: Callable[[float], float]) -> float:
    """Return the width that a candidate is expected to take off the range."""
    at, is_new, rounds, passing, losing = candidate
    # Rounds in all, noise of one round and degrees of freedom after the rounds proposed.
    sigmas = np.sqrt(sequence.error * np.maximum(sequence.n, 1) / 2)
    per_round, n = sequence.df / np.maximum(sequence.n - 1, 1), rounds
    sigma, df = float(np.median(sigmas)), float(np.median(per_round)) * (rounds - 1)
    if not is_new:
        place = int(np.flatnonzero(sequence.at == at)[0])
        n += int(sequence.n[place])
        sigma, df = float(sigmas[place]), float(per_round[place]) * (n - 1)
    effect = response(at)
    pass_chance, lose_chance = (
        float(chance_of_not_worse(one, sigma, margin=sequence.margin, n=n, level=sequence.level, df=df))
        for one in (effect, -effect - 2 * sequence.margin)
    )
    return pass_chance * passing + lose_chance * losing


def _side(sequence: Sequence) -> float:
    """Return -1 where the sequence leads down the ladder, 1 where up."""
    return -1.0 if sequence.at[-1] < 0 else 1.0
