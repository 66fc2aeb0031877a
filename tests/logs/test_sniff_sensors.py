"""Columns of sensors: by declaration, exact name, stated unit or single words; words against go first."""

import re
import tomllib
from importlib import resources

import numpy as np
import pytest
from made_logs import sensor_signal, table
from made_sensors import outcome_of_sensors, sensor_logs

from gpubench_kit.logs.format import Certainty, ConfirmedFormat, Declaration
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.metrics import fitting_metrics
from gpubench_kit.model.words import fold, words_against

TIMES, LOAD, WATTS = sensor_signal(300.0)
RNG = np.random.default_rng(3)
VALUES = {
    "W": WATTS.round(1),
    "mW": (1000 * WATTS).round(),
    "kW": (WATTS / 1000).round(5),
    "C": (40 + 25 * np.clip(TIMES / 300, 0, 1)).round(1),
    "K": (313.15 + 25 * np.clip(TIMES / 300, 0, 1)).round(2),
    "F": (104 + 0.45 * LOAD).round(1),
    "MHz": (2000 + 8 * LOAD).round(),
    "%": LOAD,
    "rpm": (900 + 3 * LOAD).round(),
    "V": (0.8 + LOAD / 1000).round(3),
}


def _log(tmp_path, columns, **options):
    """Return the sensor log of these columns beside a time."""
    path = tmp_path / "sensors.csv"
    path.write_text(table({"time (s)": TIMES, **columns}), encoding="utf-8")
    return read_sensor_log(path, **options)


def _certainties(log):
    """Return the certainty of each sensor that is read."""
    return {one.role: one.certainty.word for one in log.choices if one.role in log.values}


RIGHT = {
    ("board_w", "W"): ("board_w", "stated"),
    ("GPU power [W]", "W"): ("board_w", "stated"),
    ("Board power (mW)", "mW"): ("board_w", "stated"),
    ("card kW", "kW"): ("board_w", "stated"),
    ("Grafikkarte Leistung [W]", "W"): ("board_w", "stated"),
    ("Wall socket (W)", "W"): ("wall_w", "stated"),
    ("GPU temp [K]", "K"): ("core_c", "stated"),
    ("GPU temp °F", "F"): ("core_c", "stated"),
    ("VRAM temp (C)", "C"): ("memory_c", "stated"),
    ("hot spot (°C)", "C"): ("hotspot_c", "stated"),
    ("GPU clock MHz", "MHz"): ("core_mhz", "stated"),
    ("GPU %", "%"): ("load_pct", "stated"),
    ("GPU voltage [V]", "V"): ("core_mv", "stated"),
    ("card fan rpm", "rpm"): ("fan_rpm", "stated"),
    ("board power usage [W]", "W"): ("board_w", "stated"),
    ("Grafikkartenleistung [W]", "W"): ("board_w", "stated"),
    ("GpuTemp [°C]", "C"): ("core_c", "stated"),
    ("GPUTemp [°C]", "C"): ("core_c", "stated"),
    ("GPUPowerW", "W"): ("board_w", "stated"),
    ("Grafikkarte U/min", "rpm"): ("fan_rpm", "stated"),
    ("Karte - Leistung (W)", "W"): ("board_w", "stated"),
    ("GPU power - other (W)", "W"): ("board_w", "likely"),
    ("memory card temp (C)", "C"): ("memory_c", "likely"),
    ("GPU edge (°C)", "C"): ("core_c", "stated"),
    ("gpu.power.w", "W"): ("board_w", "stated"),
    ("GPU plug power (W)", "W"): ("wall_w", "likely"),
    ("dGPU power [W]", "W"): ("board_w", "stated"),
    ("Temperature of the card's core (°C)", "C"): ("core_c", "stated"),
    ("Grafikspeichertemperatur (°C)", "C"): ("memory_c", "stated"),
    ("显存温度(℃)", "C"): ("memory_c", "stated"),
    ("显卡风扇转速rpm", "rpm"): ("fan_rpm", "stated"),
    ("GPU消費電力(W)", "W"): ("board_w", "stated"),
    ("メモリ温度(℃)", "C"): ("memory_c", "likely"),
    ("显卡接口温度(℃)", "C"): ("core_c", "likely"),
    ("scheda video potenza [W]", "W"): ("board_w", "stated"),
    ("ekran kartı sıcaklık [°C]", "C"): ("core_c", "stated"),
    ("grafikkort fläkt [varv/min]", "rpm"): ("fan_rpm", "stated"),
    ("розетка (Вт)", "W"): ("wall_w", "stated"),
    ("Température carte graphique (°C)", "C"): ("core_c", "stated"),
    ("GPU board temp [°C]", "C"): ("core_c", "likely"),
    ("GPU outlet temp [°C]", "C"): ("core_c", "likely"),
    ("Netzwerkkartentemperatur [°C]", "C"): ("core_c", "likely"),
    ("power [W]", "W"): ("board_w", "likely"),
    ("Socket power [W]", "W"): ("wall_w", "likely"),
    ("puissance (W)", "W"): ("board_w", "likely"),
    ("temperature", "C"): ("core_c", "likely"),
    ("Leistung", "W"): ("board_w", "likely"),
    ("Total GPU power draw [W]", "W"): ("board_w", "stated"),
    ("Grafikkarte Leistungsaufnahme (W)", "W"): ("board_w", "stated"),
    ("gpuPower (W)", "W"): ("board_w", "stated"),
    ("Speichertemperatur Karte (C)", "C"): ("memory_c", "stated"),
    ("memory temp (C)", "C"): ("memory_c", "likely"),
    ("Memory clock (MHz)", "MHz"): ("memory_mhz", "likely"),
    ("GPU auxiliary power (W)", "W"): ("board_w", "likely"),
    ("Card 12V bus (W)", "W"): ("board_w", "likely"),
    ("GPU power loss (W)", "W"): ("board_w", "likely"),
    ("Monitor outlet (W)", "W"): ("wall_w", "likely"),
    ("GPU liquid temp (C)", "C"): ("core_c", "likely"),
    ("GPU video clock (MHz)", "MHz"): ("core_mhz", "likely"),
    ("GPU decode usage (%)", "%"): ("load_pct", "likely"),
    ("GPU power (12V only) (W)", "W"): ("board_w", "likely"),
    ("GPU power / 2 (W)", "W"): ("board_w", "likely"),
    ("GPU [1] power (W)", "W"): ("board_w", "stated"),
    ("Pobór mocy karty [W]", "W"): ("board_w", "stated"),
    ("显卡功耗 (W)", "W"): ("board_w", "stated"),
    ("GPU電力 (W)", "W"): ("board_w", "stated"),
    ("Температура ГП (°C)", "C"): ("core_c", "stated"),
    ("Частота ГП (МГц)", "MHz"): ("core_mhz", "stated"),
    ("Taktowanie GPU [MHz]", "MHz"): ("core_mhz", "stated"),
    ("Uso de GPU (%)", "%"): ("load_pct", "stated"),
    ("util_gpu_pct", "%"): ("load_pct", "stated"),
    ("gpu_clk_mhz", "MHz"): ("core_mhz", "stated"),
}


@pytest.mark.parametrize(("heading", "unit"), RIGHT, ids=[heading for heading, _ in RIGHT])
def test_a_column_is_told_by_its_heading_with_its_certainty(tmp_path, heading, unit):
    metric, certainty = RIGHT[heading, unit]
    log = _log(tmp_path, {heading: VALUES[unit]})
    assert _certainties(log) == {metric: certainty}


#: Parts of the card's power and of its supply, and power of something else.
NOT_OF_THE_CARD = {
    "GPU slot power [W]": "power of the supply is not used",
    "GPU 12V rail [W]": "power of the supply is not used",
    "GPU 8-pin power (W)": "power of the supply is not used",
    "Grafikkarte Steckplatz Leistung [W]": "power of the supply is not used",
    "GPU fan power [W]": "fan in W",
    "Laptop power [W]": "'laptop' is not the card",
    "Akku Leistung [W]": "'akku' is not the card",
    "NPU power [W]": "'npu' is not the card",
}


@pytest.mark.parametrize("heading", NOT_OF_THE_CARD)
def test_power_of_a_part_of_the_card_or_of_something_else_is_left_out(tmp_path, heading):
    log = _log(tmp_path, {heading: VALUES["W"]})
    assert log.values == {}
    (left_out,) = [one for one in log.findings if one.check == "columns_left_out"]
    assert f"column '{heading}' ({NOT_OF_THE_CARD[heading]})" in left_out.message


def test_a_heading_that_is_understood_whole_goes_before_one_that_is_not(tmp_path):
    clocks, loads = {"GPU clock (MHz)": "MHz", "GPU video clock (MHz)": "MHz"}, {"GPU load (%)": "%"}
    headings = {**clocks, **loads, "GPU decode load (%)": "%"}
    log = _log(tmp_path, {heading: VALUES[unit] for heading, unit in headings.items()})
    assert _certainties(log) == {"core_mhz": "stated", "load_pct": "stated"}
    assert [one.label for one in log.choices[1:]] == ["column 'GPU clock (MHz)'", "column 'GPU load (%)'"]


def test_energy_that_rises_is_no_time_and_seconds_that_say_so_number_no_rows(tmp_path):
    path, power = tmp_path / "sensors.csv", np.where(np.arange(240) % 200 > 30, 290.0, 35.0)
    energy = (np.cumsum(power) / 3600).round(4)
    path.write_text(table({"t (s)": np.arange(240), "GPU energy (Wh)": energy, "GPU (W)": power}), encoding="utf-8")
    assert read_sensor_log(path).time_s[-1] == 239.0


@pytest.mark.parametrize(
    ("heading", "values"),
    [("GPU power (mW)", VALUES["W"]), ("GPU clock (MHz)", VALUES["MHz"] / 1000), ("GPU load (%)", LOAD / 100),
     ("GPU fan (rpm)", 30 + LOAD / 2), ("GPU voltage (mV)", VALUES["V"])],
)  # fmt: skip
def test_a_stated_unit_in_which_a_card_at_work_cannot_be_is_asked(tmp_path, heading, values):
    log = _log(tmp_path, {heading: values})
    assert log.values == {}
    assert any("cannot be" in one.message for one in log.findings)


def test_a_fan_that_stands_still_is_at_zero(tmp_path):
    assert _log(tmp_path, {"GPU fan (rpm)": np.zeros(TIMES.size)}).values["fan_rpm"].max() == 0.0


def test_times_in_minutes_are_read(tmp_path):
    path = tmp_path / "sensors.csv"
    path.write_text(table({"t (min)": (TIMES / 60).round(6), "GPU (W)": VALUES["W"]}), encoding="utf-8")
    assert read_sensor_log(path).time_s[-1] == pytest.approx(TIMES[-1], abs=1e-3)


def test_units_are_turned_into_those_of_the_metrics(tmp_path):
    log = _log(tmp_path, {"GPU power [mW]": VALUES["mW"], "GPU temp [K]": VALUES["K"], "GPU [V]": VALUES["V"]})
    assert log.values["board_w"] == pytest.approx(WATTS, abs=0.01)
    assert log.values["core_c"] == pytest.approx(VALUES["C"], abs=0.06)
    assert log.values["core_mv"] == pytest.approx(1000 * VALUES["V"], abs=0.6)
    used = np.rint(1024**3 * (7 + LOAD / 200)).astype(np.int64)
    log = _log(tmp_path, {"vram_bytes": used, "gpu_uW": (1e6 * WATTS).astype(np.int64)})
    assert log.values["memory_used_gb"] == pytest.approx(7 + LOAD / 200)
    assert log.values["board_w"] == pytest.approx(WATTS, abs=0.01)


LEFT_OUT = {
    "CPU package power [W]": "W",
    "system power W": "W",
    "SoC (W)": "W",
    "iGPU power [W]": "W",
    "GPU power limit [W]": "W",
    "GPU power cap (W)": "W",
    "GPU power peak (W)": "W",
    "GPU idle (%)": "%",
    "average board power [W]": "W",
    "GPU chip power [W]": "W",
    "PSU output (W)": "W",
    "Mainboard temp [°C]": "C",
    "room temp (°C)": "C",
    "water temp C": "C",
    "CPU usage %": "%",
    "GPU fan %": "%",
    "GPU power %": "%",
    "VRAM usage %": "%",
    "pump rpm": "rpm",
    "GPU current [A]": "W",
    "energy [J]": "W",
    "GPU [blob]": "W",
    "CPULeistung [W]": "W",
    "CPU功率(W)": "W",
    "显卡平均功耗(W)": "W",
    "核显功耗(W)": "W",
    "内存温度(℃)": "C",
    "マザーボード温度(℃)": "C",
    "scheda madre temperatura (°C)": "C",
    "placa-mãe temperatura (°C)": "C",
    "GPU base clock (MHz)": "MHz",
    "fps": "W",
    "x": "W",
}


def test_the_vocabulary_holds_single_words_once():
    lists = tomllib.loads(resources.files("gpubench_kit.model").joinpath("words.toml").read_text(encoding="utf-8"))
    for text in (text for group in lists.values() for text in group.values()):
        words = text.split()
        assert len(set(words)) == len(words)
        assert all(re.fullmatch(r"[^\W\d_]+", fold(word)) for word in words)


@pytest.mark.parametrize("heading", LEFT_OUT)
def test_what_is_not_the_cards_reading_is_never_taken(tmp_path, heading):
    assert _log(tmp_path, {heading: VALUES[LEFT_OUT[heading]]}).values == {}


def test_sensors_of_several_numbered_cards_are_only_likely(tmp_path):
    mixed = {"GPU0 power (W)": VALUES["W"], "GPU1 temp (C)": VALUES["C"], "GPU1 clock (MHz)": VALUES["MHz"]}
    assert set(_certainties(_log(tmp_path, mixed)).values()) == {"likely"}
    brackets = {"GPU [0] power (W)": VALUES["W"], "GPU [1] temp (C)": VALUES["C"]}
    assert set(_certainties(_log(tmp_path, brackets)).values()) == {"likely"}
    one = {"GPU1 power (W)": VALUES["W"], "GPU1 temp (C)": VALUES["C"], "CPU1 clock (MHz)": VALUES["MHz"]}
    assert _certainties(_log(tmp_path, one)) == {"board_w": "stated", "core_c": "stated"}
    stated = Declaration(sensors={"core_c": "GPU #2 temp (C)"})
    assert _certainties(_log(tmp_path, {"GPU #2 temp (C)": VALUES["C"]}, declared=stated)) == {"core_c": "stated"}


def test_one_of_several_sockets_is_only_likely_the_machines(tmp_path):
    assert _certainties(_log(tmp_path, {"outlet 2 (W)": VALUES["W"]})) == {"wall_w": "likely"}
    assert _certainties(_log(tmp_path, {"outlet (W)": VALUES["W"]})) == {"wall_w": "stated"}


def test_what_a_battery_gives_is_no_load(tmp_path):
    assert _certainties(_log(tmp_path, {"GPU discharge (W)": VALUES["W"]})).get("board_w") != "stated"


def test_what_is_generated_is_not_rated():
    assert not words_against("generated power (W)")
    assert words_against("rated power (W)") == {"rated"}


def test_two_columns_as_sure_as_each_other_are_asked_for(tmp_path):
    log = _log(tmp_path, {"GPU power [W]": VALUES["W"], "graphics power [W]": VALUES["W"] + 9})
    assert log.values == {}
    (asked,) = [one for one in log.findings if one.check == "sensors_unclear"]
    assert "column 'GPU power [W]' could be board_w; column 'graphics power [W]' could be board_w" in asked.message
    assert asked.action.endswith('[logs] sensors = { board_w = "GPU power [W]" }')


def test_a_stated_column_goes_before_a_likely_one(tmp_path):
    log = _log(tmp_path, {"power [W]": VALUES["W"] + 40, "GPU power [W]": VALUES["W"]})
    assert log.values["board_w"] == pytest.approx(VALUES["W"])


def test_values_that_cannot_be_are_asked_and_not_taken(tmp_path):
    log = _log(tmp_path, {"board_w": VALUES["mW"]})
    assert log.values == {}
    (asked,) = [one for one in log.findings if one.check == "sensors_unclear"]
    assert "values about 2.999e+05 cannot be" in asked.message


def test_values_alone_make_no_sensor(tmp_path):
    log = _log(tmp_path, {"x": LOAD, "y": WATTS.round(1) + 0.1, "z": VALUES["MHz"]})
    assert log.values == {}
    (asked,) = [one for one in log.findings if one.check == "sensors_unclear"]
    assert "column 'x' could be load_pct" in asked.message


def test_declared_and_confirmed_columns_are_stated(tmp_path):
    log = _log(tmp_path, {"x": VALUES["W"]}, declared=Declaration(sensors={"board_w": "x"}))
    assert _certainties(log) == {"board_w": "stated"}
    confirmed = ConfirmedFormat(log.format_id, sensors=(("board_w", "x", "W"),))
    assert _certainties(_log(tmp_path, {"x": VALUES["W"]}, declared=Declaration(formats=(confirmed,)))) == {
        "board_w": "stated"
    }


def test_impossible_samples_and_stray_zeros_are_left_out_with_their_number(tmp_path):
    watts = VALUES["W"].copy()
    watts[200], watts[300] = 65535.0, 0.0
    log = _log(tmp_path, {"board_w": watts})
    assert np.isnan(log.values["board_w"][[200, 300]]).all()
    assert np.isfinite(np.delete(log.values["board_w"], [200, 300])).all()
    (told,) = [one for one in log.findings if one.check == "samples_left_out"]
    assert "2 samples of board_w cannot be, or are stray zeros" in told.message


@pytest.mark.parametrize("counted", [np.arange(100.0), np.arange(1.0, 90.0), np.arange(0.0, 500.0, 5.0)])
def test_what_rises_by_the_same_whole_number_is_no_sensor(counted):
    assert fitting_metrics(counted, 1.0) == []


def test_time_goes_before_a_row_number_that_stands_beside_it(tmp_path):
    path = tmp_path / "sensors.csv"
    columns = {"n": range(TIMES.size), "e": (1000 * TIMES + 3).round(), "board_w": WATTS.round(1)}
    path.write_text(table(columns), encoding="utf-8")
    log = read_sensor_log(path)
    assert log.time_s == pytest.approx(TIMES, abs=1e-6)
    assert log.findings == ()
    assert Certainty.STATED.word == "stated"


STEADY = (RNG.normal(65, 1, TIMES.size)).round(1)


def test_power_that_does_not_rise_with_the_load_is_not_the_cards(tmp_path):
    log = _log(tmp_path, {"GPU load [%]": LOAD, "power [W]": STEADY})
    assert "board_w" not in log.values
    (told,) = [one for one in log.findings if one.check == "sensor_stays"]
    assert "column 'power [W]' does not rise where column 'GPU load [%]' does" in told.message
    assert '[logs] sensors = { board_w = "power [W]" }' in told.action


def test_load_that_does_not_rise_with_the_power_is_not_the_cards(tmp_path):
    log = _log(tmp_path, {"load [%]": STEADY, "GPU power [W]": WATTS.round(1)})
    assert set(log.values) & {"board_w", "load_pct"} == {"board_w"}


def test_power_that_is_named_or_surer_than_the_load_stays(tmp_path):
    assert "board_w" in _log(tmp_path, {"load_pct": LOAD, "board_w": STEADY}).values
    assert "board_w" in _log(tmp_path, {"load [%]": LOAD, "GPU power [W]": STEADY}).values
    declared = Declaration(sensors={"board_w": "power [W]"})
    assert "board_w" in _log(tmp_path, {"GPU load [%]": LOAD, "power [W]": STEADY}, declared=declared).values


def test_no_sensor_of_made_logs_is_wrong_and_counted(tmp_path):
    path = tmp_path / "sensors.csv"

    def read(log):
        path.write_text(log.text, encoding="utf-8")
        try:
            found = read_sensor_log(path)
        except LogError:
            return {}
        certainty = {one.role: one.certainty.word for one in found.choices}
        return {metric: (float(np.nanmean(values)), certainty[metric]) for metric, values in found.values.items()}

    found = outcome_of_sensors(sensor_logs(7, 60), read)
    assert found.wrong == []
    assert found.counts > 0.6 * (found.counts + found.shown + found.asked)


@pytest.mark.parametrize("second", ["GPU W.1", "GPU power (W).1"])
def test_a_second_column_of_the_same_heading_is_asked(tmp_path, second):
    log = _log(tmp_path, {second.removesuffix(".1"): VALUES["W"], second: VALUES["W"] / 2})
    assert "board_w" not in log.values


@pytest.mark.parametrize("unit", ["mW", "kW", "°C"])
def test_a_unit_that_the_heading_denies_confirms_nothing(tmp_path, unit):
    sensors = (("board_w", "Power (W)", unit),)
    format_id = _log(tmp_path, {"Power (W)": VALUES["W"]}).format_id
    declared = Declaration(formats=(ConfirmedFormat(format_id, sensors=sensors),))
    log = _log(tmp_path, {"Power (W)": VALUES["W"]}, declared=declared)
    assert _certainties(log) == {"board_w": "likely"}
    assert any(f"the plan says {unit} where the log says W" in one.message for one in log.findings)


@pytest.mark.parametrize(
    ("heading", "values"),
    [("GPU temp [F]", VALUES["C"] / 2), ("VRAM used [MB]", TIMES / 50), ("GPU memory [GB]", 0 * TIMES + 16)],
)
def test_values_that_no_card_at_work_has_are_asked(tmp_path, heading, values):
    log = _log(tmp_path, {heading: values.round(2)})
    assert log.values == {}
    assert "sensors_unclear" in {one.check for one in log.findings}


def test_memory_in_use_needs_no_word_for_the_card(tmp_path):
    assert _certainties(_log(tmp_path, {"VRAM used [GB]": (2 + TIMES / 50).round(2)})) == {
        "memory_used_gb": "stated"
    }
