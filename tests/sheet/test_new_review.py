"""A new review folder: its plan loads once filled in, and nothing is ever overwritten."""

from __future__ import annotations

import json

import pytest

from gpubench_kit.model.errors import PlanError, ReportError
from gpubench_kit.model.plan import SCHEMA_FILE, load_plan
from gpubench_kit.model.plan.rules import Analysis
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.new_review import PLAN_TEMPLATE, SHEET_HEADINGS, new_review
from gpubench_kit.sheet.rows import KNOWN

FILLED = ("Larkmoor 4: quiet", "Larkmoor 4", "quiet", "Salt Orchard")


def filled(text: str) -> str:
    """Return the plan with its gaps filled in, from the top."""
    for value in FILLED:
        text = text.replace('= ""', f'= "{value}"', 1)
    return text


def test_a_new_folder_holds_plan_sheet_and_a_place_for_logs(tmp_path):
    folder = new_review(tmp_path / "reviews" / "larkmoor")
    assert sorted(path.name for path in folder.iterdir()) == ["logs", "plan.schema.json", "plan.toml", "runs.csv"]
    assert (folder / "runs.csv").read_text(encoding="utf-8").strip().split(",") == list(SHEET_HEADINGS)
    assert KNOWN.issuperset(SHEET_HEADINGS)


def test_the_plan_loads_once_filled_in(tmp_path):
    folder = new_review(tmp_path)
    (folder / "plan.toml").write_text(filled(PLAN_TEMPLATE), encoding="utf-8")
    plan = load_plan(folder)
    assert (plan.review.title, plan.cards[0].name, plan.games[0].name) == (FILLED[0], FILLED[1], FILLED[3])
    assert [tuning.name for tuning in plan.tunings] == ["factory", "quiet"]
    assert plan.margin_of("low_1pct_fps") == 3.0
    assert plan.analysis.model_copy(update={"margins": {}}) == Analysis()
    assert len(load_run_sheet(plan).runs) == 0


def test_what_is_commented_out_loads_too(tmp_path):
    folder = new_review(tmp_path)
    keys = [line[2:] if line.startswith("# ") and line[2] in "[abcdefghijklmnopqrstuvwxyz" else line
            for line in filled(PLAN_TEMPLATE).splitlines()[3:]]  # fmt: skip
    text = "\n".join(keys).replace('role = "rival"', 'role = "reviewed"')
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    plan = load_plan(folder)
    assert plan.claims[0].says == "no_loss"
    assert plan.exclude.min_duration_s == 55
    assert plan.tunings[1].changes == {"power_limit_pct": -12.0, "voltage_mv": -60.0}


def test_an_unfilled_plan_names_each_gap(tmp_path):
    with pytest.raises(PlanError) as caught:
        load_plan(new_review(tmp_path))
    assert [fault.where for fault in caught.value.faults] == [
        "plan.toml, [review], title",
        "plan.toml, [[cards]] 1, name",
        "plan.toml, [[tunings]] 2, name",
        "plan.toml, [[games]] 1, name",
    ]


def test_the_plan_is_short_and_every_line_fits_a_screen():
    lines = PLAN_TEMPLATE.splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 110


def test_logs_that_are_there_stay(tmp_path):
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.csv").write_text("x", encoding="utf-8")
    new_review(tmp_path)
    assert (tmp_path / "logs" / "a.csv").read_text(encoding="utf-8") == "x"


@pytest.mark.parametrize("name", ["plan.toml", "runs.csv", "runs.xlsx"])
def test_nothing_is_overwritten(tmp_path, name):
    (tmp_path / name).write_text("mine", encoding="utf-8")
    with pytest.raises(ReportError, match=f"there is '{name}' already, and nothing is overwritten"):
        new_review(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text(encoding="utf-8") == "mine"


def test_a_folder_that_cannot_be_made_is_told(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(ReportError, match=r"cannot be made .* Name a folder that you can write to"):
        new_review(tmp_path / "file" / "review")
    with pytest.raises(ReportError, match="cannot be made"):
        new_review(tmp_path / "file")


def test_the_first_line_names_the_schema_that_lies_beside_the_plan(tmp_path):
    folder = new_review(tmp_path / "new")
    first = (folder / "plan.toml").read_text(encoding="utf-8").splitlines()[0]
    named = folder / first.removeprefix("#:schema ")
    assert json.loads(named.read_text(encoding="utf-8")) == json.loads(SCHEMA_FILE.read_text("utf-8"))
