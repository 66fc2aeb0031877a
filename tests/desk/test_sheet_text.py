"""The sheet keeps its form, and what another program writes into it is never lost."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_evening import Evening, made_review

from gpubench_kit.desk.keeper import merged
from gpubench_kit.schedule.run_sheet import read_sheet

ROWS = (
    ("run", "tuning", "game", "note", "my own"),
    ("r001", "quiet", "A; b", "", "x, y"),
    ("r002", "fast", "B", "", ""),
)


@pytest.mark.parametrize("separator", [",", ";", "\t"], ids=["comma", "semicolon", "tab"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("head", ["", "sep"])
def test_changed_cells_are_written_and_all_else_stays_byte_for_byte(tmp_path, separator, line_end, encoding, head):
    lines = [separator.join(f'"{cell}"' if cell else "" for cell in row) for row in ROWS]
    text = line_end.join([f"sep={separator}"] * bool(head) + lines) + line_end
    file = tmp_path / "runs.csv"
    file.write_bytes(text.encode(encoding))
    sheet = read_sheet(file, file.read_bytes())
    assert sheet.with_cells(sheet.cells) == file.read_bytes()
    wanted = sheet.cells
    wanted["r002"]["note"] = "=1+1"
    wanted["r003"] = {"run": "r003", "tuning": "fast", "game": "B", "frame_log": "logs/r003.csv"}
    file.write_bytes(sheet.with_cells(wanted))
    again = read_sheet(file, file.read_bytes())
    assert again.cells["r002"]["note"] == "=1+1"
    assert again.cells["r003"]["frame_log"] == "logs/r003.csv"
    written = file.read_bytes().decode("utf-16" if encoding == "utf-16" else "utf-8-sig")
    assert lines[1] in written
    assert "'=1+1" in written


def _cells(**notes: str) -> dict:
    return {run: {"run": run, "note": note} for run, note in notes.items()}


def test_only_theirs_is_taken_only_ours_is_written_and_of_both_theirs_stays():
    base = _cells(r1="a", r2="a", r3="a")
    changed, conflicts = merged(base, _cells(r1="b", r2="a", r3="c"), _cells(r1="a", r2="d", r3="e"))
    assert changed == {"r1": {"note": "b"}, "r3": {"note": "c"}}
    assert conflicts == [("r3", "note", "c", "e")]


def test_rows_of_theirs_come_and_go_and_rows_of_ours_stay():
    base = _cells(r1="", r2="")
    changed, conflicts = merged(base, _cells(r1="", r9="new"), _cells(r1="", r2="", r3="ours"))
    assert not conflicts
    assert changed == {"r2": {}, "r9": {"run": "r9", "note": "new"}}


@settings(max_examples=15, deadline=None)
@given(edits=st.lists(st.tuples(st.integers(0, 5), st.sampled_from(["note", "excluded", "row"])), max_size=4))
def test_no_edit_is_lost_and_no_run_is_taken_twice(tmp_path_factory, edits):
    review = made_review(games=1, rounds=2, tunings=3, scene_s=3.0, fps=30.0)
    with Evening(tmp_path_factory.mktemp("merge"), review) as evening:
        expected, step = [], 0
        while evening.desk.due and step < 12:
            for at, kind in edits:
                if at == step:
                    expected.append(_edit(evening, kind, step))
            step += 1
            evening.wait(1)
            if evening.desk.due:
                evening.record()
        rows = evening.rows()
        for run, column, text in expected:
            assert rows[run][column] == text
        logs = [row["frame_log"] for row in rows.values() if row["frame_log"]]
        assert len(set(logs)) == len(logs)


def _edit(evening: Evening, kind: str, step: int) -> tuple[str, str, str]:
    """Edit the sheet as another program does; return what has to stand there in the end."""
    file = evening.folder / "runs.csv"
    sheet = read_sheet(file, file.read_bytes())
    cells = sheet.cells
    run = list(cells)[step % len(cells)]
    if kind == "row":
        run = f"x{step}{len(cells)}"
        cells[run] = {"run": run, "tuning": "factory", "game": "Copper Monsoon", "order": "900", "note": "mine"}
        out = run, "note", "mine"
    else:
        text = "background_load" if kind == "excluded" else f"seen at {step}"
        cells[run][kind] = text
        out = run, kind, text
    file.write_bytes(sheet.with_cells(cells))
    return out


def test_where_both_changed_a_cell_it_is_asked(tmp_path):
    with Evening(tmp_path, made_review(games=1, rounds=1, scene_s=3.0, fps=30.0)) as evening:
        evening.record("r002", rest=0)
        file = evening.folder / "runs.csv"
        sheet = read_sheet(file, file.read_bytes())
        cells = sheet.cells
        cells["r002"]["frame_log"] = "logs/mine.csv"
        (evening.folder / "logs" / "mine.csv").write_text("x\n")
        file.write_bytes(sheet.with_cells(cells))
        evening.wait(10)
        assert evening.rows()["r002"]["frame_log"] == "logs/mine.csv"
