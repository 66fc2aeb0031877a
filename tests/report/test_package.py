"""Tables as files: full precision, described, harmless in a spreadsheet, the same bytes."""

from __future__ import annotations

import hashlib
import json
import zipfile

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.tables import ALL_TABLES, NOISE, RUNS
from gpubench_kit.report.package import csv_text, harmless, read_table, write_tables
from tests.page.conftest import made_up


@pytest.fixture(scope="module")
def review():
    """Return a made-up review with a game whose name is a formula."""
    return made_up(("=1+1", "Salt Orchard", "+2", "-3", "@x", "'=4"))


@pytest.fixture(scope="module")
def folder(review, tmp_path_factory):
    """Return a folder with the tables of the review."""
    place = tmp_path_factory.mktemp("report")
    write_tables(
        {"runs": review.runs, "noise": review.noise, "comparisons": review.comparisons}, place, plan=review.plan
    )
    return place


@pytest.mark.parametrize("name", ["runs", "noise", "comparisons"])
def test_a_table_comes_back_as_it_was(folder, review, name):
    declared = ALL_TABLES[name]
    back = read_table(folder / "tables" / f"{name}.csv", declared)
    pd.testing.assert_frame_equal(back, declared.frame(getattr(review, name)), check_exact=True)


def test_numbers_keep_every_digit():
    row = {"card": "a", "mean": 1 / 3, "sd": np.nan}
    assert f"{1 / 3!r},," in csv_text(NOISE.frame([row]), NOISE)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "＝1", "'=1"])
def test_no_text_is_taken_for_a_formula(text):
    assert harmless(text) == f"'{text}"


@pytest.mark.parametrize("text", ["", "1440p", "a=1", "'quoted'", "Widow's Aqueduct"])
def test_other_text_is_left_alone(text):
    assert harmless(text) == text


def test_no_cell_of_any_file_begins_a_formula(folder):
    for path in (folder / "tables").glob("*.csv"):
        cells = pd.read_csv(path, dtype=str, keep_default_na=False)
        texts = [column.name for column in ALL_TABLES[path.stem].columns if column.kind == "text"]
        assert not cells[texts].map(lambda cell: cell.startswith(("=", "+", "-", "@"))).any(axis=None)


def test_every_column_is_described_with_type_meaning_and_unit(folder):
    package = json.loads((folder / "tables" / "datapackage.json").read_text(encoding="utf-8"))
    for resource in package["resources"]:
        data = (folder / "tables" / resource["path"]).read_bytes()
        assert resource["bytes"] == len(data)
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        fields = resource["schema"]["fields"]
        assert data.decode().splitlines()[0].split(",") == [field["name"] for field in fields]
        assert all(
            field["description"] and field["type"] in ("string", "number", "integer", "boolean") for field in fields
        )
        assert set(resource["schema"]["primaryKey"]) <= {field["name"] for field in fields}
    units = {field["name"]: field.get("unit") for field in package["resources"][0]["schema"]["fields"]}
    assert units["duration_s"] == "s"


def test_the_licence_of_the_plan_is_named(review, tmp_path):
    plan = review.plan.model_copy(
        update={"review": review.plan.review.model_copy(update={"licence": "CC-BY-4.0", "author": "Bench notes"})}
    )
    write_tables({"runs": review.runs}, tmp_path, plan=plan)
    package = json.loads((tmp_path / "tables" / "datapackage.json").read_text(encoding="utf-8"))
    assert package["licenses"] == [{"name": "CC-BY-4.0"}]
    assert package["contributors"][0]["title"] == "Bench notes"


def test_the_archive_holds_the_same_files(folder):
    with zipfile.ZipFile(folder / "tables.zip") as archive:
        for name in archive.namelist():
            assert archive.read(name) == (folder / name).read_bytes()
        assert len(archive.namelist()) == 4


def test_the_same_tables_give_the_same_bytes(folder, review, tmp_path):
    write_tables(
        {"runs": review.runs, "noise": review.noise, "comparisons": review.comparisons}, tmp_path, plan=review.plan
    )
    for name in ("tables.zip", "tables/datapackage.json", "tables/comparisons.csv"):
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes()


def test_a_table_that_is_not_declared_is_refused(review, tmp_path):
    with pytest.raises(ReportError, match="table 'extra' is not declared"):
        write_tables({"extra": review.runs}, tmp_path, plan=review.plan)


def test_truth_is_written_as_the_standard_reads_it(review):
    line = csv_text(review.runs, RUNS).splitlines()[1].split(",")
    assert line[RUNS.names.index("used")] == "true"
