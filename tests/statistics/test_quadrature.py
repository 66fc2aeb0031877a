"""The rule of quadrature against integrals that are known."""

from __future__ import annotations

import numpy as np
import pytest

from gpubench_kit.statistics.adapters import gauss_legendre


def test_two_points_are_those_of_the_textbook():
    points, weights = gauss_legendre(2)
    assert points == pytest.approx([0.5 - np.sqrt(3) / 6, 0.5 + np.sqrt(3) / 6])
    assert weights == pytest.approx([0.5, 0.5])


@pytest.mark.parametrize("power", [0, 1, 7, 300])
def test_powers_are_integrated_exactly(power):
    points, weights = gauss_legendre(400)
    assert points**power @ weights == pytest.approx(1 / (power + 1), rel=1e-12)


def test_a_rule_that_others_share_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        gauss_legendre(3)[0][0] = 1
