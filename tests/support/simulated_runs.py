"""Made-up reviews, one row per run, with known effects and known noise.

For the tests, benchmarks and the error-rate suite: thousands of suites come as one
table, each suite a `group` (and a `setting`) of its own. Logs of single frames are made by
``gpubench_kit.synthetic.review.write_review``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import DesignError

LAYOUTS = ("rounds", "shared-rounds", "restarts", "confounded")

#: An effect [%]: one for every game, or one for each.
Effect = float | Sequence[float]


@dataclass(frozen=True)
class Design:
    """How many runs there are and in which order they are done.

    Attributes
    ----------
    games : games in one suite
    rounds : runs of each tuning in each game
    suites : suites, independent of each other; each is a group
    layout : ``rounds`` (one run of each tuning side by side, each with its own tuning change),
        ``shared-rounds`` (one tuning change serves all games of a round), ``restarts`` (separate
        blocks of one tuning, interleaved, each a session), ``confounded`` (one block per tuning)
    blocks : blocks of each tuning where the layout is ``restarts``; divides ``rounds``
    metric : name of the metric made up
    """

    games: int = 10
    rounds: int = 5
    suites: int = 1
    layout: str = "rounds"
    blocks: int = 3
    metric: str = "avg_fps"

    def __post_init__(self):
        if self.layout not in LAYOUTS:
            raise DesignError(f"layout {self.layout!r} is not known; one of {', '.join(LAYOUTS)} is expected.")
        if self.layout == "restarts" and self.rounds % self.blocks:
            raise DesignError(f"{self.rounds} rounds do not divide into {self.blocks} blocks; choose a multiple.")


@dataclass(frozen=True)
class Noise:
    """What moves a run besides the tuning; standard deviations in percent (100 times natural log).

    Attributes
    ----------
    run_pct : run-to-run noise of a typical game
    games_df : spread of that noise over games: a game has ``run_pct * sqrt(df / chi2_df)``;
        ``inf``: all games alike
    by_game : factor on the noise of each game, or array (suites, games); empty: 1
    by_tuning : factor on the noise of each tuning; not named: 1
    effects_pct : spread of the true effect over games
    round_pct : offset shared by the runs of one game's round
    change_pct : offset shared by all runs of one tuning change
    session_pct : offset shared by all runs of one session
    drift_pct_per_run : steady change from each run to the next in the order done
    """

    run_pct: float = 0.6
    games_df: float = 4.0
    by_game: Sequence[float] | np.ndarray = ()
    by_tuning: Mapping[str, float] = field(default_factory=dict)
    effects_pct: float = 0.0
    round_pct: float = 0.0
    change_pct: float = 0.0
    session_pct: float = 0.0
    drift_pct_per_run: float = 0.0


#: Integer arrays of shape (suites, games, rounds, tunings): place in the order done from 0, number
#: of the tuning change, of the session, and of the round as written, all within the suite.
@dataclass(frozen=True)
class _Places:
    order: np.ndarray
    change: np.ndarray
    session: np.ndarray
    round: np.ndarray


def make_review(
    effects: Mapping[str, Effect], design: Design | None = None, *, noise: Noise | None = None, seed: int = 0
) -> pd.DataFrame:
    """Make up the runs of one or many suites.

    Parameters
    ----------
    effects : change of each tuning against a common base [%], the reference first and usually 0;
        one number for all games or one for each game
    design : numbers and order of the runs; default `Design()`
    noise : what moves a run besides; default `Noise()`
    seed : the same seed and arguments give the same table

    Returns
    -------
    DataFrame, one row per run, in the order done within each suite: the columns of
    ``tables.USABLE`` that layout and comparison need. ``group`` and ``setting`` name the suite.

    Raises
    ------
    DesignError : an effect or a factor is not given for every game

    Notes
    -----
    Within a round the tunings follow a random permutation that is rotated from round to round
    (two tunings: AB, BA, AB with a random start).

    Examples
    --------
    >>> runs = make_review({"factory": 0.0, "quiet": -1.0}, Design(games=2, rounds=3), seed=1)
    >>> runs.shape[0], sorted(runs["tuning"].unique())
    (12, ['factory', 'quiet'])
    """
    design, noise = design or Design(), noise or Noise()
    rng = np.random.default_rng(seed)
    shape = (design.suites, design.games, design.rounds, len(effects))
    places = _places(design, shape, rng)
    suites, games, _, tunings = shape
    level = np.log(np.geomspace(60.0, 180.0, games))
    effect = np.array([_of_each_game(one, games, f"the effect of '{name}'") for name, one in effects.items()])
    true = np.log1p(effect.T / 100)
    if noise.effects_pct:
        true = true + noise.effects_pct / 100 * rng.standard_normal((suites, games, tunings))
    sigma = noise.run_pct / 100 * _noise_factors(noise.by_game, suites, games)
    if np.isfinite(noise.games_df):
        sigma = sigma * np.sqrt(noise.games_df / rng.chisquare(noise.games_df, (suites, games)))
    factor = np.array([noise.by_tuning.get(name, 1.0) for name in effects])
    spread = np.broadcast_to(sigma, (suites, games))[:, :, None, None] * factor
    means = level[:, None] + np.broadcast_to(true, (suites, games, tunings))
    logs = means[:, :, None, :] + spread * rng.standard_normal(shape)
    logs += _offsets(noise, places, rng)
    return _table(list(effects), design, places=places, values=np.exp(logs))


def _places(design: Design, shape: tuple, rng: np.random.Generator) -> _Places:
    """Return where each run stands."""
    suites, games, rounds, tunings = shape
    of_game, of_round = np.arange(games)[:, None, None], np.arange(rounds)[:, None]
    if design.layout in ("rounds", "shared-rounds"):
        is_shared = design.layout == "shared-rounds"
        each = (suites, 1 if is_shared else games, 1, tunings)
        slot = (rng.permuted(np.broadcast_to(np.arange(tunings), each), axis=3) + of_round) % tunings
        # Round by round; one tuning change serves all games, or each game has its own.
        change = of_round * tunings + slot if is_shared else (of_round * games + of_game) * tunings + slot
        change = np.broadcast_to(change, shape)
        order = change * games + of_game if is_shared else change
        return _Places(order, change, np.zeros(shape, int), np.broadcast_to(of_round + 1, shape))
    # Blocks of one tuning, the tunings in turn and back (A B B A A B); each block is a session.
    runs = rounds // (design.blocks if design.layout == "restarts" else 1)
    block, repeat = np.divmod(np.arange(rounds), runs)
    slot = np.where(block[:, None] % 2 == 0, np.arange(tunings), np.arange(tunings)[::-1])
    session = np.broadcast_to(block[:, None] * tunings + slot, shape)
    order = session * games * runs + of_game * runs + repeat[:, None]
    return _Places(order, session, session, np.broadcast_to(repeat[:, None] + 1, shape))


def _offsets(noise: Noise, places: _Places, rng: np.random.Generator) -> np.ndarray:
    """Return the offsets that several runs share."""
    suites, games, rounds, _ = places.order.shape
    total = noise.drift_pct_per_run / 100 * places.order.astype(float)
    if noise.round_pct:
        total = total + noise.round_pct / 100 * rng.standard_normal((suites, games, rounds, 1))
    for spread, number in ((noise.change_pct, places.change), (noise.session_pct, places.session)):
        if spread:
            drawn = rng.standard_normal((suites, number.max() + 1))
            total = total + spread / 100 * drawn[np.arange(suites)[:, None, None, None], number]
    return total


def _noise_factors(by_game: Sequence[float] | np.ndarray, suites: int, games: int) -> np.ndarray:
    """Return one factor for each game, or for each game of each suite."""
    factors = np.asarray(by_game if len(by_game) else 1.0, dtype=float)
    if factors.ndim == 2 and factors.shape == (suites, games):
        return factors
    return _of_each_game(factors, games, "by_game")


def _of_each_game(values: Effect | np.ndarray, games: int, what: str) -> np.ndarray:
    """Return one number for each game."""
    found = np.asarray(values, dtype=float)
    if found.ndim and found.shape != (games,):
        raise DesignError(f"{what} has {found.size} numbers for {games} games; give one, or one for each game.")
    return np.broadcast_to(found, (games,))


def _table(tunings: list[str], design: Design, *, places: _Places, values: np.ndarray) -> pd.DataFrame:
    """Return the runs as a table, sorted by suite and order."""
    suite, game, _, tuning = (index.ravel() for index in np.indices(values.shape, sparse=False))
    runs = values[0].size
    order = places.order.ravel() + suite * runs
    done = np.argsort(order)
    suites = [f"suite {number:05d}" for number in range(1, design.suites + 1)]
    columns = {
        "run": _labels([f"r{number:07d}" for number in range(1, values.size + 1)], np.arange(values.size)),
        "card": _labels(["Larkmoor 4"], np.zeros(values.size, int)),
        "tuning": _labels(tunings, tuning[done]),
        "game": _labels([f"game {number:02d}" for number in range(1, design.games + 1)], game[done]),
        "setting": _labels(suites, suite[done]),
        "group": _labels(suites, suite[done]),
        "round": pd.array(places.round.ravel()[done], dtype="Int64"),
        "order": pd.array(order[done] + 1, dtype="Int64"),
        "session": _numbered("s", suite[done], places.session.ravel()[done]),
        "tuning_change": _numbered("c", suite[done], places.change.ravel()[done]),
        "metric": _labels([design.metric], np.zeros(values.size, int)),
        "value": values.ravel()[done],
    }
    return pd.DataFrame(columns)


def _labels(names: list[str], codes: np.ndarray) -> pd.api.extensions.ExtensionArray:
    """Return one name per code as a text column."""
    return pd.array(names, dtype="str").take(codes)


def _numbered(letter: str, suite: np.ndarray, number: np.ndarray) -> pd.api.extensions.ExtensionArray:
    """Return names such as ``c00001-004``, one per pair of suite and number."""
    width = int(number.max()) + 1
    codes, places = np.unique(suite * width + number, return_inverse=True)
    names = [f"{letter}{code // width + 1:05d}-{code % width + 1:03d}" for code in codes]
    return _labels(names, places)
