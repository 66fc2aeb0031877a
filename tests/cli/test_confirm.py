"""A format is confirmed with one key on a terminal, and with lines to paste elsewhere."""

import numpy as np
import pytest
from made_dialects import frames, text_of, written
from made_logs import sensor_signal
from terminal import talk

import gpubench_kit as kit
from gpubench_kit import cli
from gpubench_kit.logs.review import formats_to_confirm, open_review
from gpubench_kit.model.errors import PlanError, ReportError
from gpubench_kit.model.plan import load_plan

pytestmark = pytest.mark.usefixtures("notebooks_here")

PLAN = """[review]
title = "Larkmoor 4"
[[cards]]
name = "Larkmoor 4"
[[tunings]]
name = "factory"
reference = true
[[tunings]]
name = "quiet"
[[games]]
name = "Salt Orchard"
"""


@pytest.fixture
def folder(tmp_path):
    """A review of four runs whose logs hold a lone column, and power that does not say of what."""
    (tmp_path / "logs").mkdir()
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    rows = ["run,tuning,game,round,order,frame_log"]
    for k in range(4):
        frame_ms = frames(np.random.default_rng(k), 1500)
        columns = {"dur": written(frame_ms, "ms"), "power [W]": np.full(frame_ms.size, 250.5 + k)}
        (tmp_path / "logs" / f"r{k}.csv").write_text(text_of(columns), encoding="utf-8")
        rows.append(f"r{k},{('factory', 'quiet')[k % 2]},Salt Orchard,{k // 2 + 1},{k + 1},r{k}.csv")
    (tmp_path / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return tmp_path


def _open(folder):
    """Return the formats that wait."""
    return formats_to_confirm(open_review(load_plan(folder), keep_going=True))


def test_logs_of_one_format_are_asked_for_once(folder):
    (one,) = _open(folder)
    assert (one.card, one.n_logs) == ("Larkmoor 4", 4)
    assert one.facts.first_rows[0] == "dur,power [W]"


def test_lines_to_paste_confirm_the_format(folder, capsys):
    assert cli.main(["inspect", str(folder / "logs" / "r0.csv"), "--confirm", str(folder)]) == 0
    shown = capsys.readouterr().out
    lines = [line.strip() for line in shown.splitlines()]
    entry = lines[lines.index("[[logs.format]]") :]
    assert 'frames = { time = "dur", unit = "ms", rows = "frames" }' in entry
    with (folder / "plan.toml").open("a", encoding="utf-8") as plan:
        plan.write("\n" + "\n".join(entry) + "\n")
    assert _open(folder) == []
    assert cli.main(["inspect", str(folder / "logs" / "r0.csv"), "--confirm", str(folder)]) == 0
    assert "is stated: nothing to confirm." in capsys.readouterr().out


@pytest.mark.parametrize(("key", "rows"), [("1", "frames"), ("3", "samples")])
def test_one_key_writes_the_entry(folder, key, rows):
    shown = talk(["inspect", "logs/r0.csv", "--confirm", "."], [key], folder=folder)
    assert shown.code == 0, shown.text
    (entry,) = load_plan(folder).logs.format
    assert (entry.card, entry.frames.rows) == ("Larkmoor 4", rows)


def test_check_asks_for_the_format_though_the_order_is_still_open(folder):
    sheet = folder / "runs.csv"
    head, *rows = sheet.read_text(encoding="utf-8").splitlines()
    is_open = [",".join([*(cells := row.split(","))[:4], f"{cells[4]} ?", cells[5]]) for row in rows]
    sheet.write_text("\n".join([head, *is_open, ""]), encoding="utf-8")
    shown = talk(["check", "."], ["1"], folder=folder)
    assert shown.code == 0, shown.text
    assert shown.text.count("a question is still open") == 1
    assert "run 'r2', column 'order' ('3 ?') and 1 more row:" in shown.text
    assert "1 of 1   4 logs of one format" in shown.text
    assert len(load_plan(folder).logs.format) == 1


@pytest.mark.parametrize(("point", "is_offered"), [("", True), ('power_measured_at = "board_sensor"\n', False)])
def test_watts_of_the_chip_alone_are_an_answer_where_the_plan_does_not_say_otherwise(folder, point, is_offered):
    plan = PLAN.replace('name = "Larkmoor 4"\n', f'name = "Larkmoor 4"\n{point}', 1)
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    times, load, watts = sensor_signal(60.0)
    sensors = {"time (s)": times, "power [W]": watts.round(1), "GPU load [%]": load}
    (folder / "logs" / "s.csv").write_text(text_of(sensors), encoding="utf-8")
    shown = talk(["inspect", "logs/s.csv", "--confirm", "."], ["2"], folder=folder)
    assert ("only the chip" in shown.text) == is_offered
    if is_offered:
        written_plan = load_plan(folder)
        assert written_plan.cards[0].power_measured_at == "chip_sensor"
        assert written_plan.logs.format[0].sensors["board_w"].column == "power [W]"


def test_enter_leaves_the_plan_as_it_is(folder):
    talk(["inspect", "logs/r0.csv", "--confirm", "."], [""], folder=folder)
    assert (folder / "plan.toml").read_text(encoding="utf-8") == PLAN


def test_one_cell_of_a_notebook_writes_the_entry(folder):
    ready = kit.check(folder)
    assert set(ready.possible.loc[ready.possible["metric"] == "avg_fps", "reason"]) == {"format_not_confirmed"}
    (waiting,) = _open(folder)
    for wrong, match in (
        (("ffffffff", ""), "no format 'ffffffff' waits"),
        ((waiting.facts.format_id, "s"), "not read"),
    ):
        with pytest.raises(PlanError, match=match):
            ready.confirm_format(wrong[0], frames=wrong[1])
    assert (folder / "plan.toml").read_text(encoding="utf-8") == PLAN
    entry = ready.confirm_format(waiting.facts.format_id, frames="ms")
    assert ready.confirm_format(waiting.facts.format_id) == entry
    assert (folder / "plan.toml").read_text(encoding="utf-8").count("[[logs.format]]") == 1
    assert _open(folder) == []


def test_a_plan_that_is_gone_meanwhile_is_told(folder):
    ready = kit.check(folder)
    (waiting,) = _open(folder)
    (folder / "plan.toml").unlink()
    with pytest.raises(ReportError, match=r"plan\.toml: it cannot be read"):
        ready.confirm_format(waiting.facts.format_id)
