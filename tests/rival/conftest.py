"""Made-up reviews with a rival card, each measured once for all tests."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from made_rivals import ONCE, SAMPLES, Measured, RivalReview, measure

_REVIEWS = {
    "in turns": RivalReview(),
    "once": RivalReview(installed="AB", sections={"analysis": {"restart_spread": ONCE}}),
    "confounded": RivalReview(installed="AB"),
    "samples": RivalReview(
        installed="ABDC",
        cards=SAMPLES,
        fps={"A": 1.31, "C": 1.32},
        watts={"A": 0.80, "C": 0.81},
        degrees={"A": -6.0, "C": -6.5},
    ),
}


@pytest.fixture(scope="session")
def rival(tmp_path_factory) -> Callable[[str], Measured]:
    """Return a function that gives a review by name, measured when first asked for."""
    made: dict[str, Measured] = {}

    def of(name: str) -> Measured:
        if name not in made:
            made[name] = measure(_REVIEWS[name].write(tmp_path_factory.mktemp("rival")))
        return made[name]

    return of
