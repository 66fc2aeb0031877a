"""The command `archive`, from reports to a page, its tables and the files behind them."""

from __future__ import annotations

import html
import json
import math
import re
from dataclasses import dataclass
from pathlib import Path

import duckdb
import nbformat
import pandas as pd
import pytest
from made_reports import MadeReport, write_report

from gpubench_kit.archive.gather import ARCHIVE_TABLES
from gpubench_kit.cli.command import main
from gpubench_kit.report.manifest import file_hash

pytestmark = pytest.mark.slow

#: Three reviews on one bench: a new driver in the third, which costs 4 %; three sessions in each.
DRIVERS = ("571.1", "571.1", "580.2")
COSTS_PCT = -4.0


@dataclass(frozen=True)
class Made:
    """The archive made twice, and what the command said of the first."""

    first: Path
    second: Path
    codes: tuple[int, int]
    told: str

    @property
    def page(self) -> str:
        """The page of the first as text without markup."""
        text = (self.first / "index.html").read_text(encoding="utf-8")
        shown = re.sub(r"<(style|script|svg)\b.*?</\1>", "", text, flags=re.DOTALL)
        return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", shown)))


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Made:
    """Return the archive of three reviews, made by the command in two places."""
    desk = tmp_path_factory.mktemp("desk")
    for number, driver in enumerate(DRIVERS):
        review = MadeReport(
            title=f"Review {number}", date=f"2026-0{number + 1}-05", driver=driver, bench=f"desk, {driver}",
            games=3, rounds=6, rounds_per_session=2, level_pct=COSTS_PCT if driver == DRIVERS[-1] else 0.0,
        )  # fmt: skip
        write_report(desk / "reports" / f"r{number}", review, seed=number, log_names=f"log{number}")
    first, second = desk / "first", tmp_path_factory.mktemp("elsewhere") / "second"
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(desk)
        printed: list[str] = []
        patch.setattr("builtins.print", lambda *words, **_options: printed.append(" ".join(map(str, words))))
        codes = (main(["archive", "reports", "-o", "first"]), main(["archive", "reports", "-o", str(second)]))
    return Made(first, second, codes, printed[0])


def test_the_command_says_what_a_plan_can_take_over(made):
    lines = made.told.splitlines()
    assert made.codes == (0, 0)
    assert lines[:2] == [str(made.first / "index.html"), "3 reviews, 108 runs"]
    assert re.fullmatch(r"restart_spread = \{ avg_fps = 0\.\d+, restarts = \d \}", lines[-1])


def test_all_files_are_there_and_the_tables_are_as_described(made):
    there = {path.name for path in made.first.iterdir()}
    assert there == {"index.html", "manifest.json", "notebooks", "parquet", "tables", "tables.zip"}
    described = json.loads((made.first / "tables" / "datapackage.json").read_text(encoding="utf-8"))["resources"]
    assert {one["name"] for one in described} == {*ARCHIVE_TABLES, "findings"}
    for one in described:
        assert one["hash"] == f"sha256:{file_hash(made.first / 'tables' / one['path'])}"


def test_the_parquet_files_hold_the_runs_of_all_reports(made):
    rows = duckdb.sql(f"SELECT review, count(*) AS n FROM '{made.first / 'parquet' / 'runs.parquet'}' GROUP BY ALL")
    assert sorted(rows.df()["n"]) == [36, 36, 36]


def test_the_manifest_names_every_report_and_says_that_this_is_an_archive(made):
    manifest = json.loads((made.first / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["kind"] == "archive"
    places = [(one["place"], one["date"]) for one in manifest["reports"].values()]
    assert places == [(f"reports/r{number}", f"2026-0{number + 1}-05") for number in range(3)]


def test_the_notebook_was_executed_to_its_end(made):
    notebook = nbformat.read(made.first / "notebooks" / "archive.ipynb", as_version=4)
    cells = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(cell.execution_count for cell in cells)
    assert any('section("drivers")' in cell.source and cell.outputs for cell in cells)


def test_the_page_names_cards_drivers_games_and_the_noise_that_the_tables_hold(made):
    noise = pd.read_csv(made.first / "tables" / "run_noise.csv")
    whole = noise[noise["scope"] == "all"]
    assert len(whole) == 3
    assert f"varies by {whole['noise'].median():.2f} % in the median of 3 games" in made.page
    for row in whole.itertuples():
        assert f"{row.game} all {row.noise:.2f} {row.ci_low:.2f} to {row.ci_high:.2f}" in made.page
    assert "From “571.1” to “580.2” the average frame rate of the Larkmoor 4 changed by −4" in made.page


def test_the_new_driver_is_found_with_its_cost(made):
    row = pd.read_csv(made.first / "tables" / "driver_changes.csv", dtype={"of_driver": str, "against_driver": str})
    found = row.iloc[0]
    assert (len(row), found["against_driver"], found["of_driver"]) == (1, "571.1", "580.2")
    assert found["ci_low"] < 100 * math.expm1(COSTS_PCT / 100) < found["ci_high"]
    assert found["verdict"] == "worse"


def test_no_published_file_tells_where_it_was_made(made):
    places = [str(made.first.parent), str(made.second.parent), str(made.first.parent.parent)]
    for path in made.first.rglob("*"):
        text = path.read_bytes() if path.is_file() else b""
        assert [one for one in places if one.encode() in text] == [], path.name


def test_a_second_run_elsewhere_gives_the_same_bytes(made):
    names = {path.relative_to(made.first) for path in made.first.rglob("*") if path.is_file()}
    assert names == {path.relative_to(made.second) for path in made.second.rglob("*") if path.is_file()}
    assert len([name for name in names if name.suffix == ".csv"]) == len(ARCHIVE_TABLES) + 1
    differ = [
        name for name in sorted(names) if (made.first / name).read_bytes() != (made.second / name).read_bytes()
    ]
    assert differ == []


def test_without_a_game_run_twice_nothing_is_known_of_the_bench(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    write_report(tmp_path / "reports" / "once", MadeReport(games=2, rounds=1), seed=1, log_names="log")
    assert main(["archive", "reports"]) == 1
    told = capsys.readouterr()
    assert (told.err, told.out.splitlines()[0]) == ("", str(tmp_path / "reports" / "archive" / "index.html"))
    assert "The spread between restarts is not known well enough to widen by" in told.out
    page = (tmp_path / "reports" / "archive" / "index.html").read_text(encoding="utf-8")
    assert "no tuning was run twice in one session of any game" in page
    assert len(pd.read_csv(tmp_path / "reports" / "archive" / "tables" / "run_noise.csv")) == 0
