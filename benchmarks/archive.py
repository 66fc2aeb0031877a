"""How time, memory and disk of the archive grow with the number of reviews, each of 300 runs.

Run with:  python benchmarks/archive.py [REVIEWS...]       (default: 1 10 100 1000)

The reports are made up: their tables and manifests as `report` writes them, without pages and pictures. Each size
is gathered, opened and asked in processes of their own, whose largest memory is told. Making 1,000 reports takes
a minute or two; they are kept in the folder named by GPUBENCH_MADE_REPORTS, if it is set, and used again.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

from made_reports import MadeReport, write_report

from gpubench_kit.archive.archive import Archive, gather_archive, open_archive

#: An archive of 1,000 reviews is meant to answer all questions of its page in so long [s], in so much memory [MB].
GOAL_S, GOAL_MB = 5.0, 1000.0

#: Reports made with all statistics; the others are varied from them.
_WHOLE = 20
_CARDS, _PER_DRIVER = 40, 50
_METRICS = ("avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j")
_QUESTIONS = (
    "open", "reviews", "findings", "run_noise", "restart_spread", "cards", "control_runs", "driver_changes",
    "games", "claims_made",
)  # fmt: skip


def make_reports(folder: Path, count: int) -> None:
    """Make the reports that are not there yet: ten games, three tunings, ten rounds in two sessions each.

    Some are made whole, statistics and all. The others have their tables, with another card, driver, date and logs,
    and with values of their own.
    """
    for number in range(min(count, _WHOLE)):
        if not (folder / _name(number) / "manifest.json").exists():
            write_report(folder / _name(number), _recipe(number), seed=number, log_names=f"log {number}")
    for number in range(_WHOLE, count):
        if not (folder / _name(number) / "manifest.json").exists():
            _vary(folder / _name(number % _WHOLE), folder / _name(number), number)


def _vary(whole: Path, target: Path, number: int) -> None:
    """Make a report from one that was made whole."""
    old, new = (_recipe(one) for one in (number % _WHOLE, number))
    words = [(f"log {number % _WHOLE}-", f"log {number}-"), *((getattr(old, one), getattr(new, one)) for one in
             ("title", "date", "bench", "driver", "card"))]  # fmt: skip
    (target / "tables").mkdir(parents=True)
    for path in (whole / "tables").glob("*.csv"):
        text = _values_moved(path, number) if path.stem == "run_metrics" else path.read_text(encoding="utf-8")
        (target / "tables" / path.name).write_text(_replaced(text, words), encoding="utf-8", newline="")
    description = json.loads((whole / "tables" / "datapackage.json").read_text(encoding="utf-8"))
    for one in description["resources"]:
        content = (target / "tables" / one["path"]).read_bytes()
        one |= {"bytes": len(content), "hash": f"sha256:{hashlib.sha256(content).hexdigest()}"}
    (target / "tables" / "datapackage.json").write_text(json.dumps(description), encoding="utf-8")
    manifest = (whole / "manifest.json").read_text(encoding="utf-8")
    (target / "manifest.json").write_text(_replaced(manifest, words), encoding="utf-8")


def _values_moved(path: Path, number: int) -> str:
    """Return the values of runs with noise of their own and a restart of their own."""
    values = pd.read_csv(path, keep_default_na=False)
    rng = np.random.default_rng([number, 3])
    shift = 0.003 * rng.standard_normal() + 0.005 * rng.standard_normal(len(values))
    return values.assign(value=values["value"] * np.exp(shift)).to_csv(index=False, lineterminator="\n")


def _replaced(text: str, words: list[tuple[str, str]]) -> str:
    """Return text with whole words replaced, all at once."""
    pattern = "|".join(rf"{re.escape(old)}(?![0-9])" for old, _ in words)
    by_old = dict(words)
    return re.sub(pattern, lambda found: by_old[found[0]], text)


def _name(number: int) -> str:
    """Return the name of a report's folder."""
    return f"review {number:04d}"


def gather(source: Path, target: Path) -> dict[str, float]:
    """Gather reports into an archive."""
    return _timed("gather", lambda: gather_archive(source, target))


def ask(target: Path) -> dict[str, float]:
    """Open an archive and answer every question of its page."""
    opened: list[Archive] = []
    times = _timed("open", lambda: opened.append(open_archive(target)))
    archive = opened[0]
    for name in _QUESTIONS[1:]:
        times |= _timed(name, lambda name=name: getattr(archive, name))
    return times


def main(sizes: list[int]) -> None:
    """Print what each number of reviews takes, and how it grows."""
    with tempfile.TemporaryDirectory() as scratch:
        kept = Path(os.environ.get("GPUBENCH_MADE_REPORTS") or Path(scratch, "made"))
        make_reports(kept, max(sizes))
        rows = [_measure(kept, Path(scratch), size) for size in sizes]
    print("Seconds on the clock, and of the processor; largest memory of the process; sizes on disk.")
    print(f"{'reviews':>8} {'tables':>9} {'gather':>18} {'memory':>8} {'archive':>9}"
          f" {'all questions':>18} {'memory':>8}")  # fmt: skip
    for row in rows:
        told = [f"{row[f'{name}_s']:7.2f} s {row[f'{name}_cpu_s']:6.2f} s" for name in ("gather", "all")]
        print(f"{row['size']:8.0f} {row['tables_mb']:6.1f} MB {told[0]} {row['gather_mb']:5.0f} MB "
              f"{row['parquet_mb']:6.1f} MB {told[1]} {row['ask_mb']:5.0f} MB")  # fmt: skip
    for one, other in pairwise(rows):
        names = ("gather_cpu_s", "all_cpu_s", "gather_mb", "ask_mb", "parquet_mb")
        told = ", ".join(f"{name} {other[name] / one[name]:.2f}" for name in names)
        print(f"{other['size'] / one['size']:.0f} times the reviews: {told} times")
    last = rows[-1]
    for name in _QUESTIONS:
        print(f"{name:16s} {last[f'{name}_cpu_s']:6.2f} s  {last[f'{name}_cpu_s'] / last['all_cpu_s']:6.1%}")
    print(f"all questions: {last['all_s'] / GOAL_S:.1%} of {GOAL_S:.0f} s on the clock, "
          f"{last['all_cpu_s'] / GOAL_S:.1%} of the processor, {last['ask_mb'] / GOAL_MB:.1%} of "
          "the memory")  # fmt: skip


def _timed(name: str, do: Callable[[], object]) -> dict[str, float]:
    """Return how long something takes on the clock and of the processor [s]."""
    wall, processor = time.perf_counter(), time.process_time()
    do()
    return {f"{name}_s": time.perf_counter() - wall, f"{name}_cpu_s": time.process_time() - processor}


def _measure(kept: Path, scratch: Path, size: int) -> dict[str, float]:
    """Return what one number of reviews takes, in processes of their own."""
    source, target = scratch / f"reports {size}", scratch / f"archive {size}"
    source.mkdir()
    for number in range(size):
        name = _name(number)
        # Links would not be followed, so the files themselves are linked under a second name.
        for path in (path for path in (kept / name).rglob("*") if path.is_file()):
            place = source / name / path.relative_to(kept / name)
            place.parent.mkdir(parents=True, exist_ok=True)
            os.link(path, place)
    found = _in_process("gather", source, target)
    asked = _in_process("ask", target)
    sums = {f"all_{end}": sum(asked[f"{name}_{end}"] for name in _QUESTIONS) for end in ("s", "cpu_s")}
    return {
        "size": float(size),
        "tables_mb": _megabytes(source, "*.csv"),
        "parquet_mb": _megabytes(target, "*.parquet"),
        "gather_mb": found.pop("memory_mb"),
        "ask_mb": asked.pop("memory_mb"),
        **found,
        **asked,
        **sums,
    }


def _in_process(what: str, *paths: Path) -> dict[str, float]:
    """Run a part in a process of its own and return what it measured."""
    command = [sys.executable, __file__, f"--{what}", *map(str, paths)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return json.loads(done.stdout.splitlines()[-1])


def _megabytes(folder: Path, pattern: str) -> float:
    """Return the size of files below a folder [MB]."""
    return sum(path.stat().st_size for path in folder.rglob(pattern)) / 1e6


def _recipe(number: int) -> MadeReport:
    """Return the review of a number: one of many cards, a new driver now and then, a month apart in tens."""
    year, month = divmod(number // 10, 12)
    return MadeReport(
        title=f"Review {number}",
        date=f"{2010 + year}-{month + 1:02d}-{number % 10 + 1:02d}",
        card=f"Larkmoor {number % _CARDS}",
        bench=f"desk, driver {number // _PER_DRIVER}",
        driver=f"driver {number // _PER_DRIVER}",
        tunings={"factory": 0.0, "quiet": -1.0, "brisk": 1.5},
        games=10,
        rounds=10,
        rounds_per_session=5,
        metrics=_METRICS,
        level_pct=float(number % _CARDS),
    )


if __name__ == "__main__":
    if len(sys.argv) > 1 and sys.argv[1] in ("--gather", "--ask"):
        part = {"--gather": gather, "--ask": ask}[sys.argv[1]]
        result = part(*map(Path, sys.argv[2:]))
        # The largest memory of this process; on Linux in kilobytes.
        result["memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        print(json.dumps(result))
    else:
        main([int(one) for one in sys.argv[1:]] or [1, 10, 100, 1000])
