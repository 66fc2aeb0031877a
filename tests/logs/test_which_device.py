"""Which device a sensor is of: one of several cards, the machine at the wall, or the other of two exchanged."""

import re

import numpy as np
import pytest
from made_logs import sensor_signal, table

from gpubench_kit.logs.format import Declaration
from gpubench_kit.logs.read_samples import read_sensor_log

TIMES, LOAD, WATTS = sensor_signal(300.0)
RNG = np.random.default_rng(3)
HEAT = (40 + 25 * np.clip(TIMES / 300, 0, 1)).round(1)
VALUES = {"W": WATTS.round(1), "C": HEAT, "V": (0.8 + LOAD / 1000).round(3), "%": LOAD}


def _log(tmp_path, columns, *, above="", **options):
    """Return the sensor log of these columns beside a time."""
    path = tmp_path / "sensors.csv"
    path.write_text(above + table({"time (s)": TIMES, **columns}), encoding="utf-8")
    return read_sensor_log(path, **options)


def _certainties(log):
    """Return the certainty of each sensor that is read."""
    return {one.role: one.certainty.word for one in log.choices if one.role in log.values}


@pytest.mark.parametrize("other", ["GPU #2 temp (C)", "second GPU temp (C)", "andere Karte Temperatur (C)"])
def test_a_card_beside_which_a_log_has_another_is_only_likely(tmp_path, other):
    log = _log(tmp_path, {"GPU power (W)": VALUES["W"], other: VALUES["C"]})
    assert _certainties(log) == {"board_w": "likely", "core_c": "likely"}


def test_a_card_of_number_1_is_the_second_where_a_log_counts_from_zero(tmp_path):
    one = {"GPU1 power (W)": VALUES["W"], "GPU1 rail (V)": VALUES["V"]}
    assert _certainties(_log(tmp_path, {**one, "CPU 0 load (%)": VALUES["%"]})) == {"board_w": "likely"}
    assert _certainties(_log(tmp_path, {**one, "above 0.5 (%)": VALUES["%"]})) == {"board_w": "stated"}


@pytest.mark.parametrize(("part", "whole"), [("GPU power (W)", "wall power (W)"), ("GPU (C)", "GPU hot spot (C)")])
def test_a_part_above_its_whole_denies_both(tmp_path, part, whole):
    values = VALUES["W" if "W" in part else "C"]
    right = _log(tmp_path, {part: values, whole: values + 9})
    assert sorted(_certainties(right).values()) == ["stated", "stated"]
    wrong = _log(tmp_path, {part: values + 9, whole: values})
    assert wrong.values == {}
    (told,) = [one for one in wrong.findings if one.check == "sensors_exchanged"]
    pasted = dict(re.findall(r'(\w+) = "([^"]+)"', told.action))
    assert list(pasted.values()) == [whole, part]
    assert len(_log(tmp_path, {part: values + 9, whole: values}, declared=Declaration(sensors=pasted)).values) == 2


def test_of_a_part_above_its_whole_the_surer_one_stays(tmp_path):
    log = _log(tmp_path, {"GPU power (W)": VALUES["W"], "socket (W)": VALUES["W"] - 9})
    assert _certainties(log) == {"board_w": "stated"}


MAINS = (230 + RNG.normal(0, 0.4, TIMES.size)).round(1)


@pytest.mark.parametrize(
    ("beside", "metric", "certainty"),
    [
        ({"voltage (V)": MAINS}, "wall_w", "stated"),
        ({"U (V)": (MAINS / 2).round(1)}, "wall_w", "stated"),
        ({"voltage (V)": MAINS, "temp (C)": VALUES["C"]}, "wall_w", "stated"),
        ({"voltage (V)": MAINS, "GPU (C)": VALUES["C"]}, "wall_w", "likely"),
        ({"power factor": (MAINS / 240).round(3), "kWh": TIMES + 0.1}, "wall_w", "likely"),
        ({"voltage (V)": (MAINS / 19).round(2)}, "board_w", "likely"),
        ({"voltage (V)": VALUES["W"]}, "board_w", "likely"),
    ],
)
def test_volts_of_the_mains_and_words_of_meters_tell_power_at_the_wall(tmp_path, beside, metric, certainty):
    log = _log(tmp_path, {"power (W)": VALUES["W"], **beside})
    assert _certainties(log)[metric] == certainty
    if certainty == "stated":
        assert (len(log.values), log.findings) == (1, ())


def test_power_of_something_that_is_not_known_is_only_likely_that_at_the_wall(tmp_path):
    log = _log(tmp_path, {"monitor power (W)": VALUES["W"], "monitor voltage (V)": MAINS})
    assert _certainties(log) == {"wall_w": "likely"}
    log = _log(tmp_path, {"AC active power (W)": VALUES["W"], "AC voltage (V)": MAINS})
    assert _certainties(log) == {"wall_w": "stated"}


def test_a_line_above_the_heading_tells_a_wall_meter(tmp_path):
    log = _log(tmp_path, {"power (W)": VALUES["W"]}, above="# wall meter of the bench\n")
    assert _certainties(log) == {"wall_w": "likely"}


def test_a_power_that_names_the_card_is_not_the_machines(tmp_path):
    log = _log(tmp_path, {"GPU power (W)": VALUES["W"], "voltage (V)": MAINS})
    assert _certainties(log) == {"board_w": "stated"}


MEMORY = {"memory clock (MHz)": np.where(LOAD > 50, 10251, 405), "memory (°C)": (60 + LOAD / 5).round(1)}
OF_CARD = {"GPU load (%)": LOAD, "GPU power (W)": VALUES["W"]}


def test_memory_that_follows_the_load_as_only_a_cards_does_needs_no_word_for_the_card(tmp_path):
    assert set(_certainties(_log(tmp_path, {**OF_CARD, **MEMORY})).values()) == {"stated"}
    for beside in ({"CPU (°C)": HEAT}, {"pump (rpm)": 2000 + LOAD}, {"board power (W)": VALUES["W"]}):
        log = _log(tmp_path, {**(OF_CARD if "board" not in next(iter(beside)) else {}), **beside, **MEMORY})
        found = _certainties(log)
        assert (found["memory_mhz"], found["memory_c"]) == ("likely", "likely")
    others = {"memory clock (MHz)": np.where(LOAD > 50, 3200, 800), "memory (°C)": (44 + LOAD / 10).round(1)}
    found = _certainties(_log(tmp_path, {**OF_CARD, **others, "fan (rpm)": 900 + LOAD}))
    assert {found[one] for one in ("memory_mhz", "memory_c", "fan_rpm")} == {"likely"}
    video = {"memory video clock (MHz)": MEMORY["memory clock (MHz)"]}
    assert _certainties(_log(tmp_path, {**OF_CARD, **video}))["memory_mhz"] == "likely"


@pytest.mark.parametrize(
    ("beside", "certainty"),
    [
        ({"board temp (C)": HEAT}, "likely"),
        ({"GPU board temp (C)": HEAT}, "stated"),
        ({"core (C)": HEAT}, "stated"),
    ],
)
def test_a_board_that_has_a_temperature_of_its_own_may_be_the_mainboard(tmp_path, beside, certainty):
    assert _certainties(_log(tmp_path, {"board power (W)": VALUES["W"], **beside}))["board_w"] == certainty
