"""The shape of a response over the ladder: monotone and concave, with a band, and its knee.

Why this shape: a limit cuts off what the card would take beyond it, so raising it helps less and less and
never harms. Nothing else is assumed, no formula and no common noise. The curve is the least-squares one of that
shape. The band holds every curve of that shape that runs through the simultaneous intervals of the settings; it
is exact at any number of runs, and where no such curve exists the shape is rejected and no band is drawn.

References
----------
Hildreth, C. (1954). Point estimates of ordinates of concave functions. doi:10.1080/01621459.1954.10483523
Dümbgen, L. (2003). Optimal confidence bands for shape-restricted curves. doi:10.3150/bj/1065444812
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gpubench_kit.statistics.adapters import least_squares_not_negative, linear_minimum

#: Places between the ends of the ladder at which curves are drawn and read.
GRID = 61
_REDRAWS = 400


@dataclass(frozen=True)
class Points:
    """What was measured along one line, sorted by place; the factory state, where on the line, is 0 exactly.

    Attributes
    ----------
    at : places on the ladder (K), rising
    change : against the factory state (K)
    half : half-widths of simultaneous intervals (K); nan where not known, 0 for the factory state itself
    se, df : standard error and degrees of freedom (K); 0 and infinite for the factory state
    weight : runs behind each (K)
    """

    at: np.ndarray
    change: np.ndarray
    half: np.ndarray
    se: np.ndarray
    df: np.ndarray
    weight: np.ndarray

    def mirrored(self) -> Points:
        """Return the points with the ladder turned round."""
        turned = {name: getattr(self, name)[::-1] for name in self.__dataclass_fields__}
        return Points(**turned | {"at": -turned["at"]})


@dataclass(frozen=True)
class Shape:
    """A fitted response and its band along one line.

    Attributes
    ----------
    at : places (GRID and the measured ones), rising
    change, low, high : fitted curve and band there, against the factory state; nan where there is no band
    rises : whether the response rises with the place on the ladder
    fits : whether a curve of this shape runs through all simultaneous intervals
    bends : whether no straight line does
    knee, knee_ci_low, knee_ci_high : place of the knee and its range over redraws; nan where no bend is shown
    """

    at: np.ndarray
    change: np.ndarray
    low: np.ndarray
    high: np.ndarray
    rises: bool
    fits: bool
    bends: bool
    knee: float
    knee_ci_low: float
    knee_ci_high: float

    def value_at(self, place: np.ndarray | float, *, of: str = "change") -> np.ndarray:
        """Return curve or band (``low``, ``high``) at places within the ladder; nan outside."""
        return np.interp(place, self.at, getattr(self, of), left=np.nan, right=np.nan)


def fit_shape(points: Points, *, seed: int = 0) -> Shape | None:
    """Fit a monotone, concave response.

    Parameters
    ----------
    points : at least two
    seed : of the redraws that give the range of the knee

    Returns
    -------
    Shape; None with fewer than two points. Whether it rises or falls along the ladder is what fits better.
    """
    if len(points.at) < 2:
        return None
    turned = points.mirrored()
    rises = _misfit(points) <= _misfit(turned)
    shape = _rising_shape(points if rises else turned, seed)
    return shape if rises else replace(
        shape, at=-shape.at[::-1], change=shape.change[::-1], low=shape.low[::-1], high=shape.high[::-1],
        rises=False, knee=-shape.knee, knee_ci_low=-shape.knee_ci_high, knee_ci_high=-shape.knee_ci_low,
    )  # fmt: skip


def has_concave_curve(points: Points) -> bool:
    """Return whether a rising concave curve runs through all intervals that are known."""
    return np.isfinite(_extreme(points, points.at[0], sign=1.0, is_straight=False))


def fitted_values(points: Points) -> np.ndarray:
    """Return the least-squares values (K) of a rising, concave response, weighted by runs.

    Notes
    -----
    The generators of the cone are ``-max(t - x, 0)``, one for each place t beyond the first, and a constant;
    their coefficients are found by least squares that are not negative. The factory state's noise is common
    to all changes; the free constant takes it up, so that it does not bend the curve.
    """
    basis = -np.maximum(points.at[None, 1:] - points.at[:, None], 0.0)
    columns = np.column_stack([np.ones(len(points.at)), -np.ones(len(points.at)), basis])
    root = np.sqrt(points.weight)
    return columns @ least_squares_not_negative(columns * root[:, None], points.change * root)


def _misfit(points: Points) -> float:
    """Return the weighted sum of squares left by a rising, concave response."""
    return float((points.weight * (points.change - fitted_values(points)) ** 2).sum())


def _rising_shape(points: Points, seed: int) -> Shape:
    """Return the fit of a rising response."""
    at = np.union1d(np.linspace(points.at[0], points.at[-1], GRID), points.at)
    values = fitted_values(points)
    has_band = bool(np.isfinite(points.half).all())
    fits = not has_band or has_concave_curve(points)
    low, high = np.full((2, len(at)), np.nan)
    if has_band and fits:
        # The least and greatest values that a curve of the shape can take at each place.
        low, high = (way * np.array([_extreme(points, place, sign=way, is_straight=False) for place in at])
                     for way in (1.0, -1.0))  # fmt: skip
    # A curve through the least-squares values may leave the band by a hair; what is drawn does not.
    known = np.flatnonzero(points.half == 0)
    at_factory = float(values[known[0]]) if len(known) else 0.0
    curve = np.fmin(np.fmax(np.interp(at, points.at, values - at_factory), low), high)
    bends = has_band and fits and not np.isfinite(_extreme(points, points.at[0], sign=1.0, is_straight=True))
    shape = Shape(at, curve, low, high, True, fits, bends, np.nan, np.nan, np.nan)
    if bends:
        knee, low_end, high_end = _knee_range(points, values, seed)
        shape = replace(shape, knee=knee, knee_ci_low=low_end, knee_ci_high=high_end)
    return shape


def _extreme(points: Points, place: float, *, sign: float, is_straight: bool) -> float:
    """Return the least value of ``sign`` times the curve at a place; nan where no curve is possible."""
    at = np.union1d(points.at, [place])
    where = np.searchsorted(at, points.at)
    low, high = np.full(len(at), -np.inf), np.full(len(at), np.inf)
    known = np.isfinite(points.half)
    low[where[known]] = (points.change - points.half)[known]
    high[where[known]] = (points.change + points.half)[known]
    slopes = np.diff(np.eye(len(at)), axis=0) / np.diff(at)[:, None]
    bends = np.diff(slopes, axis=0)
    rows = np.vstack([bends, -slopes[-1:], *([-bends] if is_straight else [])])
    aim = np.where(at == place, sign, 0.0)
    return linear_minimum(aim, rows, low=low, high=high)


def _knee_range(points: Points, values: np.ndarray, seed: int) -> tuple[float, float, float]:
    """Return the knee of the fitted curve and the middle 95 % of its places over redraws of the noise."""
    rng = np.random.default_rng(seed)
    # Half of each variance is the factory state's, common to all.
    own = rng.standard_normal((_REDRAWS, len(points.at)))
    common = rng.standard_normal((_REDRAWS, 1))
    df = np.where(np.isfinite(points.df), points.df, 1e6)
    scale = points.se * np.sqrt(df / rng.chisquare(df, (_REDRAWS, len(points.at))))
    noise = scale * (own - common) / np.sqrt(2)
    places = [_knee(points.at, fitted_values(replace(points, change=values + one))) for one in noise]
    low, high = np.nanquantile([*places, _knee(points.at, values)], [0.025, 0.975])
    return _knee(points.at, values), float(low), float(high)


def _knee(at: np.ndarray, values: np.ndarray) -> float:
    """Return the place where a concave curve stands highest above the straight line between its ends."""
    above = values - np.interp(at, at[[0, -1]], values[[0, -1]])
    return float(at[int(above.argmax())]) if above.max() > 1e-12 else np.nan
