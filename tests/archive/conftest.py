"""A bench of eight made-up reviews whose noise, restarts and drivers are known."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from made_bench import bench_review
from made_reports import write_report

from gpubench_kit.archive.archive import Archive, gather_archive


@dataclass(frozen=True)
class Bench:
    """A folder of reports and its archive."""

    folder: Path
    archive: Archive


@pytest.fixture(scope="session")
def bench(tmp_path_factory) -> Bench:
    """Return the bench of eight reviews."""
    folder = tmp_path_factory.mktemp("bench")
    for number in range(8):
        write_report(folder / "reports" / f"r{number}", bench_review(number), seed=number, log_names=f"log{number}")
    return Bench(folder, gather_archive(folder / "reports", folder / "kept"))
