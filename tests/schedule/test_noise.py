"""Noise that a plan counts with: runs of this bench, an earlier report, or typical values, each named."""

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.model.errors import DesignError, TableError
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.tables import NOISE
from gpubench_kit.report.package import csv_text
from gpubench_kit.schedule.make import make_schedule
from gpubench_kit.schedule.noise import noise_file_of

#: Logs of these have the standard deviation 0.01 (factory) and 0.02 (quiet).
FACTORY, QUIET = (99.0050, 100.0, 101.0050), (98.0199, 100.0, 102.0201)


def _pilots(game: str = "Low Tide Racers", purpose: str = "pilot", start: int = 1) -> list[str]:
    """Return rows of three runs of each tuning."""
    values = [("factory", one) for one in FACTORY] + [("quiet", one) for one in QUIET]
    return [
        f"p{number},{tuning},{game},{purpose},,{(number - start) % 3 + 1},{number},{value}"
        for number, (tuning, value) in enumerate(values, start=start)
    ]


def _earlier(folder, *, game: str = "Low Tide Racers", sd: float = 0.01, n: int = 5):
    """Write the report of an earlier review: only its noise."""
    rows = NOISE.frame([{"card": "Old", "tuning": "factory", "game": game, "metric": "avg_fps", "n": n, "sd": sd}])
    tables = folder / "old" / "tables"
    tables.mkdir(parents=True)
    (tables / "noise.csv").write_text(csv_text(rows, NOISE), encoding="utf-8")
    return folder / "old"


def test_without_any_run_each_metric_has_its_typical_value(folder):
    metrics = ["avg_fps", "low_1pct_fps", "board_w"]
    schedule = make_schedule(folder(2, analysis={"metrics": metrics}).plan)
    assert set(schedule.noise["source"]) == {"typical"}
    for row in schedule.noise.itertuples():
        assert row.noise == pytest.approx(METRICS[row.metric].noise_pct)
    assert "typical values" in " ".join(schedule.messages)
    assert schedule.noise_source == "", "the messages say it"


def test_pilots_of_all_tunings_are_pooled_by_their_degrees_of_freedom(folder):
    made = folder(1)
    made.write_sheet(*_pilots())
    row = make_schedule(made.plan).noise.iloc[0]
    assert (row["source"], row["runs"], row["df"]) == ("pilot", 6, 4)
    assert row["sd"] == pytest.approx(np.sqrt((0.01**2 + 0.02**2) / 2), rel=1e-4)


def test_a_difference_between_tunings_is_no_noise(folder):
    made = folder(1)
    made.write_sheet(*_pilots())
    before = make_schedule(made.plan).noise
    made.write_sheet(
        *(row.replace(",quiet,", ",quiet,") if "factory" in row else _doubled(row) for row in _pilots())
    )
    pd.testing.assert_frame_equal(before, make_schedule(made.plan).noise, rtol=1e-4)


def _doubled(row: str) -> str:
    """Return a row with twice its value."""
    *cells, value = row.split(",")
    return ",".join([*cells, f"{2 * float(value):.4f}"])


def test_games_without_pilots_get_the_typical_value_and_the_page_says_so(folder):
    made = folder(2)
    made.write_sheet(*_pilots())
    schedule = make_schedule(made.plan)
    assert list(schedule.noise["source"]) == ["pilot", "typical"]
    assert "where those lack a game or a metric, from typical values" in schedule.noise_source


def test_measured_runs_count_as_well(folder):
    made = folder(1)
    made.write_sheet(*_pilots(purpose="measure"))
    assert make_schedule(made.plan).noise["source"].iloc[0] == "measured"


def test_pilots_asked_for_but_not_there_are_refused(folder):
    made = folder(1, session_plan={"noise_from": "pilot"})
    with pytest.raises(DesignError, match=r"no tuning of any game has two recorded runs yet.*purpose 'pilot'"):
        make_schedule(made.plan)
    made.write_sheet("p1,factory,Low Tide Racers,pilot,,,1,100.0")
    with pytest.raises(DesignError, match="two recorded runs"):
        make_schedule(made.plan)


def test_typical_noise_asked_for_leaves_pilots_aside(folder):
    made = folder(1, session_plan={"noise_from": "typical"})
    made.write_sheet(*_pilots())
    assert make_schedule(made.plan).noise["source"].iloc[0] == "typical"


def test_an_earlier_report_in_the_folder_is_used_where_nothing_was_measured(folder, tmp_path):
    made = folder(2)
    found = noise_file_of(_earlier(tmp_path, sd=0.013, n=9))
    (made.path / "noise.csv").write_bytes(found.read_bytes())
    schedule = make_schedule(made.plan)
    assert list(schedule.noise["source"]) == ["archive", "typical"]
    assert schedule.noise["sd"].iloc[0] == pytest.approx(0.013)
    assert schedule.noise["df"].iloc[0] == 8
    made.write_sheet(*_pilots())
    assert make_schedule(made.plan).noise["source"].iloc[0] == "pilot"


def test_the_archive_in_the_working_directory_is_found(folder, tmp_path, monkeypatch):
    report = _earlier(tmp_path)
    (tmp_path / "reports").mkdir()
    report.rename(tmp_path / "reports" / "archive")
    tables = tmp_path / "reports" / "archive" / "tables"
    (tables / "noise.csv").rename(tables / "run_noise.csv")
    monkeypatch.chdir(tmp_path)
    schedule = make_schedule(folder(1, session_plan={"noise_from": "archive"}).plan)
    assert "earlier reviews (reports/archive/tables/run_noise.csv)" in schedule.noise_source


@pytest.mark.parametrize(
    ("game", "match"),
    [(None, "neither noise.csv in the review folder nor reports/archive"), ("Another", "holds none of the plan's")],
    ids=["no report", "no game in common"],
)
def test_an_archive_asked_for_but_not_there_is_refused(folder, tmp_path, monkeypatch, game, match):
    monkeypatch.chdir(tmp_path)
    made = folder(1, session_plan={"noise_from": "archive"})
    if game:
        (made.path / "noise.csv").write_bytes(noise_file_of(_earlier(tmp_path, game=game)).read_bytes())
    with pytest.raises(DesignError, match=match):
        make_schedule(made.plan)


@pytest.mark.parametrize(
    ("content", "match"),
    [(b"a,b\n1,2\n", "lacks the column 'game'"), (b"", "cannot be read as a table"), (b"\xff\xfe\x00bad", "noise")],
    ids=["another table", "empty", "no text"],
)
def test_a_table_that_is_no_noise_is_refused(tmp_path, content, match):
    (tmp_path / "noise.csv").write_bytes(content)
    with pytest.raises(TableError, match=match):
        noise_file_of(tmp_path)
    with pytest.raises(TableError, match="there is no table of noise"):
        noise_file_of(tmp_path / "nowhere")


def test_metrics_of_soak_runs_are_named_as_not_planned_here(folder):
    schedule = make_schedule(folder(1, analysis={"metrics": ["avg_fps", "core_c", "load_pct"]}).plan)
    assert set(schedule.noise["metric"]) == {"avg_fps", "load_pct"}
    assert dict(zip(schedule.noise["metric"], schedule.noise["source"], strict=True))["load_pct"] == "none"
