"""How many more rounds settle what a look left undecided: one number for a game, or none that is feasible.

The numbers follow from the noise, from how many comparisons of the family are decided, and from the level of the
next look; never from the difference that was seen, which would bias that look.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.statistics.adapters import t_quantile
from gpubench_kit.statistics.design import CLASSES, RESTARTS
from gpubench_kit.statistics.planning import MOST_ROUNDS, cautious_sigma, degrees_of_freedom
from gpubench_kit.statistics.runs import group_ids
from gpubench_kit.statistics.testing import DIFFERENT, SAME, UNDECIDED

#: Settled whatever the difference is; settled where nothing, or at least the margin, is there.
WHATEVER, CLEAR = "whatever", "clear"
#: Rounds for which the margin is given that they could show, where no feasible number settles a game.
SHOWN_ROUNDS = 12

#: A game's noise counts as at least so many times the median game's: one quiet pilot is luck.
_LEAST_OF_MEDIAN = 1.3
#: From so many rounds on the noise is known well enough for a promise whatever the difference is.
_ROUNDS_FOR_WHATEVER = 4
_TIMES = 4
_NINE_IN_TEN = 1.282
_FEWEST = 2


@dataclass(frozen=True)
class Compared:
    """Comparisons of games, decided and undecided, on the scale of the tests; arrays of one length.

    Attributes
    ----------
    family : which comparisons are adjusted together, integers from 0
    pair : which of them are of the same two sides and metric, integers from 0
    n : complete rounds, or blocks of each side, so far
    sigma, df : run-to-run standard deviation as the verdict used it, and its degrees of freedom; nan: not known
    borrowed, in_blocks : truth values: whether the other games' noise is in it; whether blocks are the units
    margin : smallest difference that matters; nan where none is given
    different, same, undecided : truth values: what the look found
    """

    family: np.ndarray
    pair: np.ndarray
    n: np.ndarray
    sigma: np.ndarray
    df: np.ndarray
    borrowed: np.ndarray
    in_blocks: np.ndarray
    margin: np.ndarray
    different: np.ndarray
    same: np.ndarray
    undecided: np.ndarray

    @classmethod
    def of(cls, rows: pd.DataFrame, family: np.ndarray) -> Compared:
        """Return judged rows of ``comparisons`` that are adjusted in families."""
        numbers = {"n": "n_blocks", "sigma": "sigma", "df": "df", "margin": "margin_scaled"}
        verdict = rows["verdict"].to_numpy()
        return cls(
            family, group_ids([family, rows["place"].to_numpy()]),
            **{name: rows[column].to_numpy(float) for name, column in numbers.items()},
            borrowed=rows["borrowed"].to_numpy(bool), in_blocks=(rows["layout"] == CLASSES[RESTARTS]).to_numpy(),
            different=np.isin(verdict, DIFFERENT), same=np.isin(verdict, SAME), undecided=verdict == UNDECIDED,
        )  # fmt: skip


@dataclass(frozen=True)
class MoreRounds:
    """What more rounds would do for each comparison.

    Attributes
    ----------
    more : further rounds, or blocks of each side; nan where no number is given
    settles : `WHATEVER`, `CLEAR`, or empty
    margin_shown : margin that 12 rounds would show, on the scale of the tests; nan where a number is given, where
        the comparison is decided or where its noise is not known
    """

    more: np.ndarray
    settles: np.ndarray
    margin_shown: np.ndarray


def more_rounds(compared: Compared, *, level: float, adjust: str) -> MoreRounds:
    """Return how many more rounds settle each undecided comparison, nine times in ten.

    Parameters
    ----------
    compared : comparisons of whole families
    level : level of the next look; nan where none is left, and then nothing is advised
    adjust : how the family is adjusted: ``fdr_bh``, ``holm`` or ``none``

    Returns
    -------
    MoreRounds

    Notes
    -----
    With ``c_d`` and ``c_s`` the quantiles against zero and against the margin at the level that the family will
    leave to this game, ``(c_d + c_s) se <= margin`` leaves no difference undecided, and ``max(c_d, c_s) + 1.282``
    in its place settles nothing and the margin. Benjamini and Hochberg (1995) test at a share of the level that
    grows with what is decided: those decided so far, and half of those that get more rounds. The noise counted
    with is its upper 80 % limit, and at least 1.3 times the median game's.
    """
    count = len(compared.n)
    known = compared.undecided & (compared.sigma >= 0) & (compared.margin > 0)
    given = MoreRounds(np.full(count, np.nan), np.full(count, "", dtype=object), np.full(count, np.nan))
    if not known.any() or not level > 0:
        return given
    median = pd.Series(compared.sigma).groupby(compared.pair).transform("median").to_numpy()
    sigma = np.fmax(cautious_sigma(compared.sigma, df=compared.df), _LEAST_OF_MEDIAN * median)
    advised = known
    for _ in range(_TIMES + 1):
        levels = _levels(compared, advised, level=level, adjust=adjust)
        more, settles = _answers(compared, np.flatnonzero(advised), sigma=sigma, levels=levels)
        given.more[:], given.settles[:] = np.nan, ""
        given.more[advised], given.settles[advised] = more, settles
        if (settles != "").all():
            break
        advised = given.settles != ""
    open_rows = np.flatnonzero(known & (given.settles == ""))
    levels = _levels(compared, advised, level=level, adjust=adjust)
    df = _df(compared, open_rows, np.array([SHOWN_ROUNDS]))[:, 0]
    against_zero, against_margin = (t_quantile(1 - one[open_rows], df) for one in levels)
    error = sigma[open_rows] * np.sqrt(2 / SHOWN_ROUNDS)
    given.margin_shown[open_rows] = (np.maximum(against_zero, against_margin) + _NINE_IN_TEN) * error
    return given


def rounds_for_overall(se: float, *, df: float, n: int, margin: float, level: float) -> int | None:
    """Return the rounds of every game that settle a result over games, nine times in ten.

    Parameters
    ----------
    se, df : standard error of the result and its degrees of freedom, with the rounds so far
    n : rounds of each game so far
    margin : smallest difference that matters, same scale as ``se``
    level : level of the result at the next look

    Returns
    -------
    int above ``n`` and at most 16; None where no such number settles it, or an input is not usable

    Notes
    -----
    ``(t(1 - level/2, nu) + 1.282) se(n) <= margin``; nu counts three quarters of Satterthwaite's (1946), which few
    rounds of unequal games overrate.
    """
    if not (se >= 0 and df > 0 and n >= _FEWEST and margin > 0 and level > 0):
        return None
    rounds = np.arange(n + 1, MOST_ROUNDS + 1)
    nu = 0.75 * df * (rounds - 1) / (n - 1)
    enough = (t_quantile(1 - level / 2, nu) + _NINE_IN_TEN) * se * np.sqrt(n / rounds) <= margin
    return int(rounds[enough.argmax()]) if enough.any() else None


def _levels(compared: Compared, advised: np.ndarray, *, level: float, adjust: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the tail of each comparison's test against zero, and that of its tests against the margin."""
    family = compared.family
    size = np.bincount(family)
    if adjust == "none":
        shares = [np.ones(len(size))] * 2
    elif adjust == "holm":
        shares = [1 / size] * 2
    else:
        hoped = np.bincount(family, weights=advised) / 2
        shares = [
            np.maximum(1, np.bincount(family, weights=decided, minlength=len(size)) + hoped) / size
            for decided in (compared.different, compared.same)
        ]
    return level * shares[0][family] / 2, level * shares[1][family]


def _answers(compared: Compared, rows: np.ndarray, *, sigma: np.ndarray, levels: tuple) -> tuple:
    """Return more rounds of some comparisons, and what they settle."""
    rounds = np.arange(_FEWEST, MOST_ROUNDS + 1)
    df = _df(compared, rows, rounds)
    against_zero, against_margin = (_quantiles(one[rows], df) for one in levels)
    allowed = compared.margin[rows, None] / (sigma[rows, None] * np.sqrt(2 / rounds))
    later = rounds > compared.n[rows, None]
    whatever = later & (against_zero + against_margin <= allowed)
    whatever &= compared.n[rows, None] >= _ROUNDS_FOR_WHATEVER
    clear = later & (np.maximum(against_zero, against_margin) + _NINE_IN_TEN <= allowed)
    settles = np.select([whatever.any(axis=1), clear.any(axis=1)], [WHATEVER, CLEAR], "").astype(object)
    first = np.where(settles == WHATEVER, whatever.argmax(axis=1), clear.argmax(axis=1))
    more = np.where(settles != "", rounds[first] - compared.n[rows], np.nan)
    return more, settles


def _df(compared: Compared, rows: np.ndarray, rounds: np.ndarray) -> np.ndarray:
    """Return the degrees of freedom of some comparisons (down) with so many rounds (across)."""
    in_blocks, borrowed = compared.in_blocks[rows, None], compared.borrowed[rows, None]
    own = np.where(borrowed, degrees_of_freedom(rounds, borrowing=True), degrees_of_freedom(rounds))
    return np.where(in_blocks, degrees_of_freedom(rounds, in_blocks=True), own)


def _quantiles(tails: np.ndarray, df: np.ndarray) -> np.ndarray:
    """Return t quantiles; the same few tails and df come again and again, so each is calculated once."""
    keys, places = np.unique(np.stack([np.broadcast_to(tails[:, None], df.shape), df], -1).reshape(-1, 2),
                             axis=0, return_inverse=True)  # fmt: skip
    return t_quantile(1 - keys[:, 0], keys[:, 1])[places.ravel()].reshape(df.shape)
