"""What a sensor could be, from its values alone."""

import numpy as np
import pytest
from made_logs import sensor_signal

from gpubench_kit.model.metrics import fitting_metrics

TIMES, LOAD, WATTS = sensor_signal(60.0, step_s=0.5)
IS_BUSY = LOAD > 50
RNG = np.random.default_rng(4)
SIGNALS = {
    "load_pct": (LOAD, 1.0, ["load_pct"]),
    "board_w": (WATTS + RNG.normal(0, 2, TIMES.size), 0.1, ["board_w"]),
    "core_mhz": (np.where(IS_BUSY, 2650, 345) + RNG.integers(-15, 15, TIMES.size), 1.0, ["core_mhz"]),
    "core_c": (np.round(45 + 20 * (1 - np.exp(-TIMES / 20))), 1.0, ["core_c"]),
    "fan_rpm": (np.round(1200 + 4 * TIMES) + RNG.integers(-8, 8, TIMES.size), 1.0, ["fan_rpm"]),
    "core_mv": (np.where(IS_BUSY, 1.05, 0.71), 0.001, ["core_mv"]),
    "heat with decimals, which could be power": (45 + TIMES / 3, 0.1, ["core_c", "board_w"]),
    "a constant": (np.full(TIMES.size, 60.0), 1.0, []),
    "below zero": (WATTS - 300, 0.1, []),
    "too few": (np.array([1.0, 2.0]), 0.1, []),
}


@pytest.mark.parametrize(("values", "step", "expected"), SIGNALS.values(), ids=SIGNALS.keys())
def test_kind_follows_from_range_and_movement(values, step, expected):
    assert fitting_metrics(values, step) == expected
