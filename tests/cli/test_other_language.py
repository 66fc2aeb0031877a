"""A second language is a file: every sentence that a command prints comes from the catalogue."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made_dialects import frames, text_of, written
from made_reports import MadeReport, write_report
from second_language import said_in_english, wide_catalogue

from gpubench_kit import cli
from gpubench_kit.files import bundled_path
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import load_plan
from gpubench_kit.wording.catalogue import spoken
from tests.cli.test_new_from_logs import GAMES, write_logs

pytestmark = pytest.mark.usefixtures("notebooks_here")

#: Commands, options and places in plan and sheet are the same in every language; so is a table printed as data.
_CODE = re.compile(
    r"gpubench-kit(?: (?:check|report|inspect|schedule|archive|new|sweep)\b)?|\[+[\w. ]+\]+.*|--\w[\w-]*|\b\w+ = .*"
    r"|/[\w./-]+|\b\w+\.(?:toml|csv|html)\S*|\[\w+\]|\w+_\w+"
)


def printed(capsys, *words: str | Path) -> str:
    """Return what a command prints in the made-up language, each line a paragraph."""
    with spoken(wide_catalogue()):
        cli.main(list(map(str, words)))
    told = capsys.readouterr()
    lines = [_CODE.sub("", line) for line in (told.out + told.err).splitlines()]
    return "".join(f"<p>{line}</p>" for line in lines)


def evidence_in(sheet: Path) -> str:
    """Return what a run sheet says that its cells were taken from, each cell a paragraph."""
    cells = pd.read_csv(sheet, dtype=str)["evidence"].dropna()
    return "".join(f"<p>{cell}</p>" for cell in cells)


def names_of(review: Path) -> list[str]:
    """Return what a plan calls things."""
    plan = load_plan(review)
    settings = [name for game in plan.games for one in game.settings for name in (one.name, one.group)]
    cards = [one.name for one in plan.cards]
    names = [*cards, *(one.name for one in plan.games), *(one.name for one in plan.tunings), *settings]
    return [*filter(None, names), *(one.name for one in plan.benches if one.name)]


LOGS = {
    "proven": {"MsBetween (ms)": "frames", "Time (s)": "time"},
    "likely": {"dur": "frames", "power (W)": 250.5},
    "steps": {"Time (s)": "time"},
    "sensors beside": {"frame (ms)": "frames", "Time (s)": "time", "GPU Power (W)": 250.5, "fan": 1200.0},
}


@pytest.mark.parametrize("case", LOGS)
def test_every_sentence_of_inspect_is_in_the_catalogue(tmp_path, capsys, case):
    frame_ms = frames(np.random.default_rng(1), 3000)
    made = {"frames": written(frame_ms, "ms"), "time": written(np.cumsum(frame_ms), "s")}
    columns = {
        head: made[what] if isinstance(what, str) else what + np.arange(frame_ms.size) % 7
        for head, what in LOGS[case].items()
    }
    log = tmp_path / "r1.csv"
    log.write_text(text_of(columns), encoding="utf-8")
    text = printed(capsys, "inspect", log)
    names = [*LOGS[case], *(one.label for one in METRICS.values()), *METRICS, "ms/min", "ms"]
    assert said_in_english(text, names=names) == []


@pytest.mark.parametrize("block", [False, True])
@pytest.mark.parametrize("name", ["{game} {tuning} {n}.csv", "{place:03}.csv", "{game} {place:03}.csv"])
def test_every_sentence_of_a_draft_from_logs_is_in_the_catalogue(tmp_path, capsys, name, block):
    logs = write_logs(tmp_path / "logs", block=block, name=name)
    shutil.copy(next(logs.iterdir()), logs / "copy.csv")
    text = printed(capsys, "new", tmp_path / "made", "--from", logs, "--no-input")
    text += evidence_in(tmp_path / "made" / "runs.csv")
    names = [*GAMES, "factory", "quiet", "logs", "copy", "game", "tuning", "round", "order", "session"]
    assert said_in_english(text, names=names) == []


TABLES = {
    "rounds": "game,tuning,run,avg fps,1% low,order\nA B,factory,1,100.1,80.2,1\nA B,quiet,1,99.1,79,2\n"
    "A B,factory,2,101.1,81.2,3\nA B,quiet,2,98.1,78,4\n",
    "days": "game,tuning,avg fps,power,date\nA B,factory,100.1,250,2026-01-02 10:00\nA B,quiet,99.1,230,2026-01-02"
    " 11:00\nA B,factory,100.1,250,2026-01-03 10:00\nA B,quiet,990.1,230,2026-01-03 11:00\n",
    "commas": "game;tuning;avg fps;comment\nA B;factory;100,1;x\nA B;quiet;99,1;y\nA B;factory;100,2;x\n",
}


@pytest.mark.parametrize("case", TABLES)
def test_every_sentence_of_a_draft_from_a_table_is_in_the_catalogue(tmp_path, capsys, case):
    table = tmp_path / "results.csv"
    table.write_text(TABLES[case], encoding="utf-8")
    text = printed(capsys, "new", tmp_path / "made", "--from", table, "--no-input")
    text += evidence_in(tmp_path / "made" / "runs.csv")
    names = [
        *METRICS,
        "A B",
        "factory",
        "quiet",
        *(one.label for one in METRICS.values()),
        "power",
        "date",
        "comment",
    ]
    assert said_in_english(text, names=names) == []


def test_every_sentence_of_sweep_is_in_the_catalogue(tmp_path, capsys):
    review = bundled_path("data", "limit_sweep")
    text = printed(capsys, "sweep", review, "--output", tmp_path / "out")
    assert said_in_english(text, names=[*names_of(review), "voltage", "mV"]) == []


def test_every_sentence_of_archive_is_in_the_catalogue(tmp_path, capsys):
    for number in range(3):
        made = MadeReport(title=f"Larkmoor {number}", date=f"2026-0{number + 1}-05", driver="571.1", rounds=4)
        write_report(tmp_path / "reports" / f"r{number}", made, seed=number, log_names=f"log{number}")
    text = printed(capsys, "archive", tmp_path / "reports", "--output", tmp_path / "out")
    names = ["Larkmoor", "factory", "quiet", *(one.label for one in METRICS.values())]
    assert said_in_english(text, names=names) == []
