"""Logs of invented recorders with known truth: dialects of frame logs, random layouts, damage, samples."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

_N = 900
_FORMS = {"s": (1e-3, 6), "ms": (1.0, 4), "us": (1e3, 1), "ns": (1e6, 0), "min": (1 / 6e4, 8)}


@dataclass(frozen=True)
class MadeLog:
    """A made log and the truth about it.

    Attributes
    ----------
    name : what it is
    text : its content
    fps : its average frame rate; None where its rows are no frames, or no reader can know
    """

    name: str
    text: str
    fps: float | None


def frames(rng: np.random.Generator, n: int = _N, usual: float = 9.0) -> np.ndarray:
    """Return frame times [ms] with a few hitches, at least ten seconds of them."""
    frame_ms = rng.gamma(40, usual / 40, max(n, int(10_500 / usual)))
    frame_ms[rng.integers(0, frame_ms.size, 5)] += 3 * usual
    return frame_ms.round(4)


def fps_of(frame_ms: np.ndarray) -> float:
    """Return the average frame rate."""
    return 1000.0 * frame_ms.size / float(frame_ms.sum())


def written(values: np.ndarray, unit: str) -> list[str]:
    """Return times in ms as text in a unit, with usual decimals."""
    factor, decimals = _FORMS[unit]
    return [f"{value * factor:.{decimals}f}" for value in values]


def text_of(columns: dict[str, list], separator: str = ",", decimal: str = ".", above: str = "") -> str:
    """Return columns as text."""
    rows = [separator.join(map(str, row)).replace(".", decimal) for row in zip(*columns.values(), strict=True)]
    return above + "\n".join([separator.join(columns), *rows]) + "\n"


def _stamps(starts: np.ndarray, decimals: int = 3) -> list[str]:
    """Return times [s] as times of day."""
    at = 75_600.0 + starts
    return [f"{int(t // 3600):02d}:{int(t % 3600 // 60):02d}:{t % 60:0{3 + decimals}.{decimals}f}" for t in at]


def frame_dialects(seed: int) -> Iterator[MadeLog]:
    """Yield frame logs in which a column of frame times, its steps, or its inverse can be told, and traps."""
    rng = np.random.default_rng(seed)
    for usual in (5.2, 9.0, 16.9):
        x = frames(rng, usual=usual)
        ends, fps = np.cumsum(x), fps_of(x)
        starts = ends - x
        other = (x * rng.uniform(0.6, 0.95, x.size)).round(4)
        part = rng.integers(1, 9, x.size)
        for time_unit in ("s", "ms", "us"):
            for unit in ("ms", "us", "s"):
                name = f"{usual}: elapsed {time_unit}, time {unit}"
                yield MadeLog(
                    f"{name}, units stated",
                    text_of({f"t [{time_unit}]": written(starts, time_unit), f"d [{unit}]": written(x, unit)}),
                    fps,
                )
                yield MadeLog(
                    f"{name}, no units",
                    text_of({"t": written(ends, time_unit), "d": written(x, unit), "part": part}),
                    fps,
                )
        rate = [f"{1000 / one:.3f}" for one in x]
        yield MadeLog(f"{usual}: elapsed and rates", text_of({"t (s)": written(starts, "s"), "fps": rate}), fps)
        yield MadeLog(f"{usual}: steps of seconds", text_of({"t (s)": written(starts, "s"), "cpu_ms": other}), fps)
        yield MadeLog(f"{usual}: stamps alone", text_of({"clock": _stamps(starts / 1e3)}), fps)
        yield MadeLog(f"{usual}: stamps and time", text_of({"clock": _stamps(starts / 1e3), "frame ms": x}), fps)
        yield MadeLog(f"{usual}: lone column with unit", text_of({"frame (ms)": x}), fps)
        yield MadeLog(f"{usual}: lone column", text_of({"v": x}), fps)
        yield MadeLog(f"{usual}: lone rates", text_of({"v": rate}), fps)
        yield MadeLog(f"{usual}: lone rates with heading", text_of({"fps": rate}), fps)
        yield MadeLog(f"{usual}: tenths of ms", text_of({"v": (x * 10).round().astype(int)}), fps)
        yield MadeLog(f"{usual}: ticks of 10 MHz", text_of({"ticks": (starts * 1e4).round().astype(int)}), fps)
        above = "Tick frequency: 10000000\n"
        yield MadeLog(
            f"{usual}: ticks stated", text_of({"count": (starts * 1e4).round().astype(int)}, above=above), fps
        )
        yield MadeLog(
            f"{usual}: comma decimals",
            text_of({"zeit s": written(ends, "s"), "bild ms": written(x, "ms")}, ";", ","),
            fps,
        )
        yield MadeLog(f"{usual}: inverse pair", text_of({"a": x, "b": rate}), fps)
        yield MadeLog(f"{usual}: inverse pair with unit", text_of({"a ms": x, "fps": rate}), fps)
        yield MadeLog(
            f"{usual}: part beside",
            text_of({"t s": written(ends, "s"), "frame ms": x, "queue ms": other, "fps": rate}),
            fps,
        )
        yield MadeLog(f"{usual}: whole ms", text_of({"t ms": starts.round().astype(int), "d": x.round(1)}), fps)
        yield from _samples(rng, usual)


def _samples(rng: np.random.Generator, usual: float) -> Iterator[MadeLog]:
    """Yield logs whose rows are samples: of rates or frame times once in a while."""
    n = 700
    for step in (0.1, 0.25, 0.5, 1.0):
        value = usual * rng.normal(1, 0.05, n).clip(0.7, 1.4)
        rate = (1000 / value).round(1)
        even, jitter = np.arange(n) * step, np.cumsum(step * rng.normal(1, 0.08, n).clip(0.6, 1.4))
        for name, time in (("even", even), ("jittered", jitter)):
            seconds = [f"{one:.3f}" for one in time]
            label = f"samples {step} s {name} {usual}"
            yield MadeLog(f"{label}: fps", text_of({"time (s)": seconds, "fps": rate}), None)
            yield MadeLog(f"{label}: ms", text_of({"time (s)": seconds, "frame ms": value.round(2)}), None)
            yield MadeLog(f"{label}: ms, no units", text_of({"t": seconds, "v": value.round(2)}), None)
            yield MadeLog(
                f"{label}: with sensors",
                text_of({"t (s)": seconds, "v": value.round(2), "GPU power [W]": rng.normal(300, 9, n).round(1)}),
                None,
            )
            yield MadeLog(f"{label}: stamps", text_of({"clock": _stamps(time), "fps": rate}), None)
            dt = np.diff(time, prepend=time[0] - step) * 1e3
            yield MadeLog(
                f"{label}: with its own distance",
                text_of({"t (s)": seconds, "interval ms": dt.round(3), "fps": rate}),
                None,
            )
        yield MadeLog(f"samples {step} without time {usual}: fps", text_of({"fps": rate}), None)
        yield MadeLog(f"samples {step} without time {usual}: ms", text_of({"frame ms": value.round(2)}), None)


def random_layouts(seed: int, n: int) -> Iterator[MadeLog]:
    """Yield frame logs and logs of samples in random layouts."""
    rng = np.random.default_rng(seed)
    for number in range(n):
        usual = float(rng.uniform(3.5, 24.0))
        is_sampled = rng.random() < 0.25
        if is_sampled:
            step = float(rng.choice([0.05, 0.1, 0.2, 0.5, 1.0]))
            x = (usual * rng.normal(1, 0.06, 600).clip(0.7, 1.5)).round(3)
            spread = 0.0 if rng.random() < 0.4 else 0.1
            ends = np.cumsum(step * 1e3 * rng.normal(1, spread, x.size).clip(0.5, 1.6))
        else:
            x = frames(rng, 700, usual)
            ends = np.cumsum(x)
        starts = ends - (x if not is_sampled else ends[0])
        columns: dict[str, list] = {}
        unit, time_unit = str(rng.choice(["ms", "us", "s"])), str(rng.choice(["s", "ms", "us", "ns"]))
        heading = str(rng.choice(["frame", "dur", "v1", "bild", "x", "delta"]))
        states = rng.random(2) < 0.5
        if rng.random() < 0.75:
            time = ends if rng.random() < 0.5 else starts
            key = str(rng.choice(["t", "zeit", "elapsed", "now"])) + (f" [{time_unit}]" if states[0] else "")
            columns[key] = written(time, time_unit)
        if rng.random() < 0.3:
            columns["stamp"] = _stamps(starts / 1e3, int(rng.choice([0, 3, 6])))
        kind = rng.random()
        if kind < 0.7:
            columns[heading + (f" ({unit})" if states[1] else "")] = written(x, unit)
        if kind > 0.5:
            columns[str(rng.choice(["fps", "rate", "y"]))] = [f"{1000 / one:.2f}" for one in x]
        for extra in ("part", "queue ms", "sim_ms", "busy (ms)", "load %"):
            if rng.random() < 0.25:
                scale = 1.0 if extra == "part" else usual * rng.uniform(0.3, 0.9)
                columns[extra] = (scale * rng.uniform(0.8, 1.2, x.size)).round(2).tolist()
        if not columns:
            columns["v"] = written(x, unit)
        names = list(columns)
        rng.shuffle(names)
        separator, decimal = ((",", "."), (";", ","), ("\t", "."))[int(rng.integers(3))]
        text = text_of({name: columns[name] for name in names}, separator, decimal)
        label = f"layout {seed}.{number} {'samples' if is_sampled else 'frames'} {names}"
        yield MadeLog(label, text, None if is_sampled else fps_of(x))


def damaged(seed: int) -> Iterator[MadeLog]:
    """Yield damaged logs; None where the kit has to ask."""
    rng = np.random.default_rng(seed)
    x = frames(rng)
    ends, fps = np.cumsum(x), fps_of(x)

    def with_time(values: np.ndarray, times: np.ndarray) -> str:
        return text_of({"t s": written(times, "s"), "frame ms": values})

    lines = with_time(x, ends).splitlines(keepends=True)
    yield MadeLog("every row twice", "".join([lines[0], *(line for row in lines[1:] for line in (row, row))]), fps)
    yield MadeLog("block repeated", "".join([*lines, *lines[1:]]), fps)
    y = frames(rng, usual=12.0)
    yield MadeLog(
        "second run below", "".join([*lines, *with_time(y, np.cumsum(y)).splitlines(keepends=True)[1:]]), None
    )
    yield MadeLog("reversed", "".join([lines[0], *lines[:0:-1]]), fps)
    lone = text_of({"frame ms": x})
    yield MadeLog("sum row", f"{lone}{x.sum():.4f}\n", fps)
    yield MadeLog("mean row", f"{lone}{x.mean():.4f}\n", fps)
    yield MadeLog("sum and mean rows", f"{lone}{x.sum():.4f}\n{x.mean():.4f}\n", fps)
    yield MadeLog("mean, least, largest", f"{lone}{x.mean():.4f}\n{x.min()}\n{x.max()}\n", fps)
    yield MadeLog("words below", with_time(x, ends) + "Average FPS: 111\n1 % low: 80\n", fps)
    lost = lines.copy()
    time, cell = lost[400].rstrip("\n").split(",")
    lost[400] = (
        f"{time},{float(cell):.4f}".replace(f"{float(cell):.4f}", f"{float(cell):.4f}".replace(".", "")) + "\n"
    )
    yield MadeLog("lost mark beside time", "".join(lost), fps)
    alone = lone.splitlines(keepends=True)
    alone[400] = alone[400].replace(".", "")
    yield MadeLog("lost mark alone", "".join(alone), None)
    holes = lines.copy()
    for row in (100, 300):
        holes[row] = holes[row].split(",")[0] + ",\n"
    yield MadeLog("empty cells beside time", "".join(holes), fps)
    z = frames(rng, usual=16.0)
    both = sorted(
        [(time, value, "a") for time, value in zip(ends, x, strict=True)]
        + [(time, value, "b") for time, value in zip(np.cumsum(z), z, strict=True)]
    )
    columns = {
        "app": [name for *_, name in both], "t s": written(np.array([one[0] for one in both]), "s"),
        "frame ms": [value for _, value, _ in both],
    }  # fmt: skip
    yield MadeLog("two programs", text_of(columns), None)


def told_in_lines(seed: int) -> Iterator[MadeLog]:
    """Yield logs of frames in sentences, pairs, objects and below lines that speak of the whole run."""
    rng = np.random.default_rng(seed)
    for usual in (4.4, 8.1, 14.5):
        x = frames(rng, 2400, usual)
        fps, ends_s = fps_of(x), np.cumsum(x) / 1e3
        rows = list(zip(_stamps(ends_s), ends_s.round(4).tolist(), x.round(3).tolist(), strict=True))

        def lines(*written: str, _rows: list = rows) -> str:
            told = (
                f"{one.format(k=k, c=c, t=t, x=x, fps=1e3 / x)}\n"
                for k, (c, t, x) in enumerate(_rows)
                for one in written
            )
            return "".join(told)

        for form in (
            "[{c}] Frame {k}: {x:.3f} ms", "{c} frame_ms={x:.3f}", "{c} INFO frame={k} frame_ms={x:.3f}",
            'at="{c}" place="old pier" frame_ms={x:.3f}', "[{t:>10}] frame took {x:.3f} ms", "{c} -> {x:.3f} ms",
            "{t}s {x:.3f}ms {fps:.1f}fps", "{k:05d} {x:.3f}ms", "Bild {k}: {x:.3f} ms", "{x:.3f} ms",
            '{{"t_s": {t}, "ms": {{"frame": {x}, "card": 1.5}}}}',
        ):  # fmt: skip
            yield MadeLog(f"{usual}: {form}", lines(form), fps)
        objects = [{"t_s": t, "frame_ms": value} for _, t, value in rows]
        document = {"place": "old pier", "rows": objects}
        yield MadeLog(f"{usual}: rows in an object", json.dumps(document), fps)
        lists = {"unit": "ms", "frame_ms": [value for *_, value in rows]}
        yield MadeLog(f"{usual}: a list in an object", json.dumps(lists), fps)
        said = f"# place: old pier\n# duration: {ends_s[-1]:.2f} s\n"
        yield MadeLog(f"{usual}: as long as a line says", said + text_of({"frame (ms)": x}), fps)
        yield MadeLog(f"{usual}: a sentence with commas", lines("{c}, frame {k} took {x:.3f} ms, card 1.5 ms"), fps)
        yield MadeLog(
            f"{usual}: two events in turn", lines("{c} frame {k} {x:.3f} ms", "{c} upload {k} 0.4 ms"), fps
        )


def contradicted(seed: int) -> Iterator[MadeLog]:
    """Yield logs that themselves say that a reading of their columns would be wrong."""
    rng = np.random.default_rng(seed)
    x = frames(rng, 6000, 7.3)
    ends_s, fps = np.cumsum(x) / 1e3, fps_of(x)
    t, half = written(1e3 * ends_s, "s"), (x / 2).round(4)

    def paired(values: np.ndarray, above: str = "", **beside: list) -> str:
        return text_of({"t (s)": written(np.cumsum(values), "s"), "frame (ms)": values, **beside}, above=above)

    yield MadeLog("half the time, mean rate above", paired(half, f"average fps: {fps:.1f}\n"), fps)
    yield MadeLog("half the time, length above", paired(half, f"Dauer: {ends_s[-1]:.1f} s\n"), fps)
    yield MadeLog("half the time, rates beside", paired(half, fps=(1e3 / x).round(1)), fps)
    yield MadeLog("part of the time, rates beside", text_of({"work (ms)": half, "fps": (1e3 / x).round(1)}), fps)
    yield MadeLog("frames generated, said above", paired(x, "# frame generation: on\n"), None)
    late = np.where(np.arange(x.size) > 5300, np.arange(x.size) % 2, 0)
    yield MadeLog("frames generated late", paired(x, generated=late), None)
    yield MadeLog(
        "frames of four pieces",
        paired((np.repeat(x / 4, 4) * np.tile([1.3, 0.9, 0.9, 0.9], x.size)).round(4)),
        None,
    )
    yield MadeLog("several frames a row", paired(x, **{"frames per image": np.full(x.size, 2)}), None)
    yield MadeLog("events in turn", paired(x, event=rng.choice(["press", "move"], x.size)), None)
    yield MadeLog("a third dropped", paired(x, state=rng.choice(["shown", "shown", "dropped"], x.size)), None)
    number = np.arange(x.size)
    yield MadeLog("every second row", text_of({"no": number[::2], "t (s)": t[::2]}), fps)
    kept = rng.random(x.size) < 0.5
    yield MadeLog("rows missing at random", text_of({"clock": np.array(_stamps(ends_s))[kept]}), fps)
    paused_s = ends_s + 0.7 * (number // 300)
    yield MadeLog("pauses in the stamps", text_of({"clock": _stamps(paused_s)}), fps)
    cells = np.array([f"{value:.4f}" for value in x])
    lost = rng.random(x.size) < 0.025
    cells[lost] = [one.replace(".", "") for one in cells[lost]]
    yield MadeLog("lost marks", text_of({"t (s)": t, "frame (ms)": cells}), fps)
    yield MadeLog("rates of samples", text_of({"sample": number, "fps": (1e3 / x).round(1)}), None)


@dataclass
class Outcome:
    """How many logs were right and count, right and shown, asked, wrong and shown; those wrong and counted."""

    counts: int = 0
    shown: int = 0
    asked: int = 0
    wrong_shown: int = 0
    wrong: list[str] | None = None


def outcome_of(logs: Iterator[MadeLog], read: Callable[[MadeLog], tuple[float, str] | None]) -> Outcome:
    """Return how logs were read.

    Parameters
    ----------
    logs : made logs
    read : average frame rate and certainty of a log; None where it asks or refuses
    """
    found = Outcome(wrong=[])
    for log in logs:
        answer = read(log)
        if answer is None:
            found.asked += 1
            continue
        fps, certainty = answer
        is_right = log.fps is not None and abs(fps / log.fps - 1) < 0.004
        if certainty == "likely":
            found.shown += is_right
            found.wrong_shown += not is_right
        elif is_right:
            found.counts += 1
        else:
            found.wrong.append(f"{log.name}: {fps:.2f} ({certainty}) for {log.fps}")
    return found
