"""What each pixel of a drawing is mixed of, so that one drawing serves every theme.

A chart is drawn once, each role of colour in a paint of its own. A pixel in the middle of a mark has the paint of
one role; where the edge of a mark lies on another mark, drawing mixes two. The paints are chosen so that the lines
between any two of them keep apart: from the mixed paint the two roles and their shares are found again, and can be
mixed anew of the colours of a theme. Where the edges of three marks meet in one pixel, it is taken for the
nearest mixture of two.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations_with_replacement

import numpy as np
import pandas as pd
from matplotlib.colors import to_rgb

#: Distance by which rounding moves a mixed paint (of 255), as a standard deviation.
_ROUNDING = 1.0
#: A paint this near to that of a role is the role's own (of 255).
_OWN = 1.5
#: Greatest value of a pixel, as one number of 32 bits, that nothing was drawn in: its highest byte is the opacity.
_CLEAR = 0x00FFFFFF


@dataclass(frozen=True)
class Mixtures:
    """The mixtures of a drawing; the first is nothing at all.

    Attributes
    ----------
    places : place of each pixel's mixture, shape (pixels,)
    first, second : role of each mixture's parts, as places in the list of paints, shape (mixtures,)
    share : share of the second role, 0 to 1/2, shape (mixtures,)
    opacity : 0 to 1, shape (mixtures,)
    """

    places: np.ndarray
    first: np.ndarray
    second: np.ndarray
    share: np.ndarray
    opacity: np.ndarray

    def __len__(self) -> int:
        """Return how many mixtures there are."""
        return len(self.first)

    def coloured(self, colours: Mapping[str, str]) -> np.ndarray:
        """Return red, green, blue and opacity of each mixture, 0 to 255, shape (mixtures, 4), not rounded.

        Parameters
        ----------
        colours : colour of each role, in the order of the paints
        """
        roles = 255 * np.array([to_rgb(colour) for colour in colours.values()])
        share = self.share[:, None]
        mixed = roles[self.first] * (1 - share) + roles[self.second] * share
        return np.column_stack([mixed, 255 * self.opacity])

    def rounded(self, *, shares: int, opacities: int, at_most: int) -> Mixtures | None:
        """Return the mixtures with shares and opacities in so many steps, what is the same then as one.

        Parameters
        ----------
        shares, opacities : steps from 0 to 1
        at_most : mixtures that may remain; None is returned where there are more
        """
        share, opacity = np.rint(self.share * shares), np.rint(self.opacity * opacities)
        second = np.where(share > 0, self.second, self.first)
        parts = np.column_stack([self.first, second, share, opacity]).astype(np.uint16)
        parts[0] = 0  # nothing is nothing, whatever it would be mixed of
        codes, distinct = pd.factorize(np.ascontiguousarray(parts).view(np.uint64).ravel())
        if len(distinct) > at_most:
            return None
        kept = np.unique(codes, return_index=True)[1]
        return Mixtures(
            places=codes.astype(self.places.dtype)[self.places],
            first=self.first[kept],
            second=second[kept],
            share=share[kept] / shares,
            opacity=opacity[kept] / opacities,
        )


def mixtures_of(pixels: bytes | memoryview, paints: Sequence[str]) -> Mixtures:
    """Return what each pixel of a drawing in paints is mixed of.

    Parameters
    ----------
    pixels : red, green, blue and opacity of each pixel, row by row, colours not multiplied by opacity
    paints : the paint of each role, as hex
    """
    packed = np.frombuffer(pixels, dtype="<u4")
    drawn = np.flatnonzero(packed > _CLEAR)
    codes, colours = pd.factorize(packed[drawn])
    channels = colours.astype("<u4").view(np.uint8).reshape(-1, 4)
    first, second, share = _parts(channels[:, :3].astype(float), tuple(paints))
    is_mostly_second = share > 0.5
    places = np.zeros(len(packed), dtype=np.uint32)
    places[drawn] = codes + 1
    return Mixtures(
        places=places,
        first=_after_nothing(np.where(is_mostly_second, second, first)),
        second=_after_nothing(np.where(is_mostly_second, first, second)),
        share=_after_nothing(np.where(is_mostly_second, 1 - share, share)),
        opacity=_after_nothing(channels[:, 3] / 255),
    )


def _after_nothing(values: np.ndarray) -> np.ndarray:
    """Return the values behind that of nothing, 0."""
    return np.concatenate([np.zeros(1, dtype=values.dtype), values])


def _parts(colours: np.ndarray, paints: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return both roles of each colour, and the share of the second.

    Of pairs that would do, the likelier is the one of which the drawing shows more mixtures: an edge shows many.
    """
    placed = _placed(paints)
    from_roles = np.linalg.norm(colours[:, None] - placed, axis=2)
    there = np.flatnonzero((from_roles < _OWN).any(axis=0))
    candidates = there if len(there) else np.arange(len(paints))
    pairs = np.array(list(combinations_with_replacement(candidates, 2)))
    start, way = placed[pairs[:, 0]], placed[pairs[:, 1]] - placed[pairs[:, 0]]
    along = ((colours[:, None] - start) * way).sum(axis=2) / np.maximum((way**2).sum(axis=1), 1)
    share = along.clip(0, 1)
    missed = np.linalg.norm(colours[:, None] - start - way * share[..., None], axis=2)
    unlikely = 0.5 * (missed / _ROUNDING) ** 2
    is_mixed = from_roles.min(axis=1, initial=np.inf) > 4 * _ROUNDING
    seen = np.exp(-unlikely[is_mixed]).sum(axis=0)
    best = (np.log1p(seen) - unlikely).argmax(axis=1)
    return pairs[best, 0], pairs[best, 1], share[np.arange(len(colours)), best]


@lru_cache(maxsize=1)
def _placed(paints: tuple[str, ...]) -> np.ndarray:
    """Return the paints as points, 0 to 255, shape (roles, 3)."""
    return np.rint(255 * np.array([to_rgb(paint) for paint in paints]))
