"""What ran before a run started is seen by its load, or by its power where no load is recorded."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from plans import small_plan

from gpubench_kit.desk.classify import known_run
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.logs.run_log import RunLog

_TIME_S = np.arange(-60.0, 60.0)
_RUNS = _TIME_S >= 0
_JUST_BEFORE = (_TIME_S >= -8) & (_TIME_S < 0)


def before_pct(**sensors) -> float:
    facts = RunFacts("r001", duration_s=60.0, alignment="clock")
    log = RunLog("r001", facts, sensor_time_s=_TIME_S, sensors=sensors)
    keeper = SimpleNamespace(plan=small_plan(), session=SimpleNamespace(rows={"r001": {"tuning": "factory"}}))
    return known_run(log, keeper).before_pct


@pytest.mark.parametrize("is_busy", [True, False])
def test_load_before_a_run_is_seen_in_load_or_power(is_busy):
    busy = _RUNS | (_JUST_BEFORE & is_busy)
    noise = np.sin(_TIME_S)
    load = np.where(busy, 97.0, 2.0) + noise
    power = np.where(busy, 240.0, 30.0) + noise
    for found in (before_pct(load_pct=load), before_pct(board_w=power), before_pct(load_pct=load, board_w=power)):
        assert (found > 90) == is_busy
        assert (found < 10) != is_busy


def test_power_that_never_idles_says_nothing_of_what_ran_before():
    power = 240 + 5 * np.sin(_TIME_S)
    assert math.isnan(before_pct(board_w=power))
    assert math.isnan(before_pct())
