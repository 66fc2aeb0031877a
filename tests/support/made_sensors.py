"""Sensor logs of invented recorders with known truth: headings in many languages, units, other parts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from made_dialects import Outcome, text_of
from made_logs import sensor_signal

#: Heading, metric that it truly is (empty: none of the card's), signal, factor and offset of the values written.
_HEADINGS = [
    line.split("|")
    for line in """
GPU power [W]|board_w|power|1|0
Board Power (W)|board_w|power|1|0
graphics card power, mW|board_w|power|1000|0
Grafikkarte Leistung [kW]|board_w|power|0.001|0
puissance carte (W)|board_w|power|1|0
potencia tarjeta [W]|board_w|power|1|0
scheda potenza (W)|board_w|power|1|0
karta moc [W]|board_w|power|1|0
board_w|board_w|power|1|0
power [W]|board_w|power|1|0
Leistung|board_w|power|1|0
consommation W|board_w|power|1|0
GPU temp [°C]|core_c|heat|1|0
GPU temperature (F)|core_c|heat|1.8|32
card temp K|core_c|heat|1|273.15
Grafikkarte Temperatur °C|core_c|heat|1|0
core_c|core_c|heat|1|0
temperature [C]|core_c|heat|1|0
Hot Spot [°C]|hotspot_c|heat|1|12
GPU junction temp (C)|hotspot_c|heat|1|12
VRAM temp [°C]|memory_c|heat|1|6
Speicher Temperatur (C)|memory_c|heat|1|6
GPU load [%]|load_pct|load|1|0
GPU usage (%)|load_pct|load|1|0
Grafikkarte Auslastung [%]|load_pct|load|1|0
charge GPU %|load_pct|load|1|0
load_pct|load_pct|load|1|0
load [%]|load_pct|load|1|0
GPU clock [MHz]|core_mhz|clock|1|0
GPU Takt (GHz)|core_mhz|clock|0.001|0
core_mhz|core_mhz|clock|1|0
memory clock [MHz]|memory_mhz|clock|3|0
GPU fan [rpm]|fan_rpm|fan|1|0
Lüfter Grafikkarte (rpm)|fan_rpm|fan|1|0
GPU voltage [V]|core_mv|volt|0.001|0
wall power [W]|wall_w|power|1|120
board power usage [W]|board_w|power|1|0
Steckdose (W)|wall_w|power|1|120
CPU package power [W]||power|0.4|10
Prozessor Leistung (W)||power|0.4|10
SoC power [W]||power|0.1|4
iGPU power [W]||power|0.1|4
GPU power limit [W]||power|0|350
max board power (W)||power|0|360
GPU power avg [W]||power|0.9|5
GPU chip power [W]||power|0.7|5
GPU slot power [W]||power|0.2|2
GPU 12V rail [W]||power|0.4|2
graphics card connector power (W)||power|0.4|2
GPU 8-pin power [W]||power|0.4|2
GPU cable power (W)||power|0.4|2
GPU input rail power [W]||power|0.8|2
Grafikkarte Steckplatz Leistung [W]||power|0.2|2
GPU fan power [W]||power|0.01|1
GPU fan temp [°C]||heat|0.4|10
GPU 12V rail voltage [V]||power|0.001|11
laptop power [W]||power|1|40
battery power (W)||power|1|40
Akku Leistung [W]||power|1|40
NPU power [W]||power|0.1|2
GPU power [%]||load|1|0
GPU current [A]||power|0.08|0
energy GPU [J]||power|10|0
PSU power (W)||power|1.2|80
Netzteil W||power|1.2|80
mainboard temp [°C]||heat|0.4|20
Raum Temperatur (C)||heat|0|22
ambient [°C]||heat|0|23
CPU temp (°C)||heat|1|5
SSD temp [°C]||heat|0.3|30
water temp (C)||heat|0.4|20
VRM [°C]||heat|1|8
GPU temp limit [°C]||heat|0|83
CPU load [%]||load|0.5|5
memory usage [%]||load|0.3|20
GPU fan [%]||load|0.5|20
RAM clock [MHz]||clock|1|0
CPU clock (MHz)||clock|2|0
pump [rpm]||fan|2|0
case fan (rpm)||fan|0.7|0
fps||load|1.2|1
latency [ms]||heat|0.3|0
x||power|1|0
value 3||heat|1|0
""".strip().splitlines()
]


#: The same in more languages, scripts without blanks, compounds, other places of a unit: each in a log of its own.
_MORE_HEADINGS = [
    line.split("|")
    for line in """
GPUPowerW|board_w|power|1|0
gpu.temp.c|core_c|heat|1|0
dGPU power (W)|board_w|power|1|0
Temperature of the card's core (°C)|core_c|heat|1|0
Grafikspeichertemperatur (°C)|memory_c|heat|1|6
Kerntakt der Grafikkarte (MHz)|core_mhz|clock|1|0
Lüfterdrehzahl der Grafikkarte (U/min)|fan_rpm|fan|1|0
scheda video potenza [W]|board_w|power|1|0
placa gráfica temperatura [°C]|core_c|heat|1|0
grafikkort fläkt [varv/min]|fan_rpm|fan|1|0
videokaart belasting [%]|load_pct|load|1|0
ekran kartı sıcaklık [°C]|core_c|heat|1|0
näytönohjain teho [W]|board_w|power|1|0
частота видеокарты [МГц]|core_mhz|clock|1|0
видеопамять температура (°C)|memory_c|heat|1|6
显卡功耗 [W]|board_w|power|1|0
显存温度(℃)|memory_c|heat|1|6
显卡热点温度℃|hotspot_c|heat|1|12
GPU消費電力(W)|board_w|power|1|0
グラフィックカード 温度 [°C]|core_c|heat|1|0
그래픽카드 사용률 [%]|load_pct|load|1|0
fan [rpm]|fan_rpm|fan|1|0
розетка (Вт)|wall_w|power|1|120
plug (W)|wall_w|power|1|120
CPU温度(℃)||heat|1|5
プロセッサ電力(W)||power|0.4|10
内存温度(℃)||heat|0.1|35
显卡平均功耗(W)||power|0.9|5
显卡功耗上限(W)||power|0|350
核显功耗(W)||power|0.1|4
CPULeistungW||power|0.4|10
scheda madre temperatura (°C)||heat|0.4|20
placa-mãe temperatura (°C)||heat|0.4|20
Grafikkarte Leistungsgrenze (W)||power|0|350
GPU power requested (W)||power|0|350
GPU base clock (MHz)||clock|0|1500
GPU [0.1 W]||power|10|0
""".strip().splitlines()
]


@dataclass(frozen=True)
class MadeSensorLog:
    """A made sensor log, and the mean of each metric that it truly holds."""

    name: str
    text: str
    means: Mapping[str, float]


def sensor_logs(seed: int, n: int) -> Iterator[MadeSensorLog]:
    """Yield a log for each heading alone, and random layouts of several headings.

    Parameters
    ----------
    seed : of the layouts
    n : how many layouts
    """
    rng = np.random.default_rng(seed)
    for row in (*_HEADINGS, *_MORE_HEADINGS):
        yield _log([row], np.random.default_rng(seed) if row in _MORE_HEADINGS else rng)
    for _ in range(n):
        picked = rng.choice(len(_HEADINGS), size=rng.integers(2, 9), replace=False)
        yield _log([_HEADINGS[place] for place in picked], rng)


def _log(rows: list[list[str]], rng: np.random.Generator) -> MadeSensorLog:
    """Return a log with these columns beside a time."""
    times, load, watts = sensor_signal(200.0, before_s=20.0, after_s=20.0)
    heat = 40 + 30 * (1 - np.exp(-np.maximum(times - 20, 0) / 60))
    signals = {
        "power": watts + rng.normal(0, 1.5, times.size), "heat": heat.round(1), "load": load,
        "clock": (300 + 20 * load + rng.integers(-30, 30, times.size)).round(),
        "fan": (900 + 12 * (heat - 40)).round(), "volt": 700 + 3 * load,
    }  # fmt: skip
    columns, means = {"time (s)": times.tolist()}, {}
    for heading, metric, signal, factor, zero in rows:
        values = signals[signal] * float(factor) + float(zero)
        columns[heading] = [f"{one:.{5 if float(factor) < 0.01 else 2}f}" for one in values]
        if metric:
            own = signals[signal] + (float(zero) if metric in ("hotspot_c", "memory_c", "wall_w") else 0.0)
            means.setdefault(metric, []).append(float((own * (3.0 if metric == "memory_mhz" else 1.0)).mean()))
    separator = ";" if any("," in heading for heading in columns) else ","
    name = " + ".join(heading for heading, *_ in rows)
    return MadeSensorLog(name, text_of(columns, separator=separator), {key: one[0] for key, one in means.items()})


def outcome_of_sensors(
    logs: Iterator[MadeSensorLog], read: Callable[[MadeSensorLog], dict[str, tuple[float, str]]]
) -> Outcome:
    """Return how the sensors of logs were read, each metric of each log for itself.

    Parameters
    ----------
    logs : made logs
    read : mean and certainty of each metric that is read of a log
    """
    found = Outcome(wrong=[])
    for log in logs:
        told = read(log)
        found.asked += len(log.means.keys() - told.keys())
        for metric, (mean, certainty) in told.items():
            is_right = metric in log.means and abs(mean - log.means[metric]) <= 0.01 * abs(log.means[metric])
            if certainty == "likely":
                found.shown += is_right
                found.wrong_shown += not is_right
            elif is_right:
                found.counts += 1
            else:
                found.wrong.append(f"{log.name}: {metric} {mean:.2f} ({certainty}) for {log.means.get(metric)}")
    return found
