"""The verdicts that the kit knows: one row each, with word, sign, class, meaning and what it claims.

The sign follows the number: up or down, filled where the change matters, hollow where it is real but under the
margin. Whether that is good or bad is a word and a colour.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Verdict:
    """One outcome of a comparison.

    Attributes
    ----------
    name : as in tables
    word : as a reader is told, where nothing better suits the metric
    signs : of a change up, and of any other
    css : class of its cell on the page
    colour : in charts: ``good``, ``bad``, ``n`` where nothing is decided, else ``i``
    claims : what it says of the difference: its sign (``up`` and ``down`` for better and worse, ``rise`` and
        ``fall`` of metrics without a direction), and ``small``, that it is smaller than the margin
    meaning : one line for the reader
    """

    name: str
    word: str
    signs: str
    css: str
    colour: str
    claims: frozenset[str]
    meaning: str

    @property
    def is_small(self) -> bool:
        """Whether it says that the difference is smaller than the margin."""
        return "small" in self.claims

    @property
    def is_difference(self) -> bool:
        """Whether it says that there is a difference, small or not."""
        return bool(self.claims - {"small"})

    @property
    def is_open(self) -> bool:
        """Whether it decides nothing."""
        return not self.claims


_REAL, _HOLLOW = "▲▼", "△▽"

_ROWS = (
    Verdict("better", "better", _REAL, "vg", "good", frozenset({"up"}),
            "A real change for the better: chance alone would hardly make one this clear."),
    Verdict("worse", "worse", _REAL, "vb", "bad", frozenset({"down"}),
            "A real change for the worse: chance alone would hardly make one this clear."),
    Verdict("better_but_small", "slightly better", _HOLLOW, "vs", "i", frozenset({"up", "small"}),
            "Really better, but by less than our margin."),
    Verdict("worse_but_small", "slightly worse", _HOLLOW, "vs", "i", frozenset({"down", "small"}),
            "Really worse, but by less than our margin."),
    Verdict("same_within_margin", "same", "==", "ve", "i", frozenset({"small"}),
            "A difference as large as our margin is ruled out, either way."),
    Verdict("undecided", "undecided", "??", "vu", "n", frozenset(),
            "Too noisy to tell: neither a difference nor its absence is shown. It is not a draw."),
    Verdict("no_verdict", "no verdict", "", "vn", "n", frozenset(),
            "The measurements cannot answer this; the reason stands beside it."),
    Verdict("higher", "higher", _REAL, "vh", "i", frozenset({"rise"}),
            "Really higher: chance alone would hardly make a difference this clear."),
    Verdict("lower", "lower", _REAL, "vh", "i", frozenset({"fall"}),
            "Really lower: chance alone would hardly make a difference this clear."),
    Verdict("higher_but_small", "slightly higher", _HOLLOW, "vs", "i", frozenset({"rise", "small"}),
            "Really higher, but by less than our margin."),
    Verdict("lower_but_small", "slightly lower", _HOLLOW, "vs", "i", frozenset({"fall", "small"}),
            "Really lower, but by less than our margin."),
)  # fmt: skip

VERDICTS: dict[str, Verdict] = {row.name: row for row in _ROWS}

_OTHER_SIDE = {"up": "down", "down": "up", "rise": "fall", "fall": "rise"}


def other_way(verdict: str) -> str:
    """Return the verdict of the same difference seen from the other side; itself where there is none.

    Parameters
    ----------
    verdict : a name of `VERDICTS`
    """
    claims = VERDICTS[verdict].claims
    seen = frozenset(_OTHER_SIDE.get(one, one) for one in claims)
    return next((name for name, row in VERDICTS.items() if claims and row.claims == seen), verdict)
