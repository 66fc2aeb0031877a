"""A made-up sweep that several tests look at."""

from __future__ import annotations

import pytest
from made_sweeps import MadeSweep, made_sweep

from gpubench_kit.sweep.find import Sweep


@pytest.fixture(scope="session")
def made() -> MadeSweep:
    """Return a sweep of six steps, five rounds, three games."""
    return made_sweep()


@pytest.fixture(scope="session")
def found(made) -> Sweep:
    """Return what is found in it."""
    return made.find()
