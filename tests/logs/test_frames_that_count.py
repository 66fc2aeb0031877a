"""The reviewer declares which frames count; none is dropped in silence, and no time is lost."""

import numpy as np
import pytest
from made_logs import clock, frame_times, table

from gpubench_kit.logs.format import Declaration
from gpubench_kit.logs.match_files import declaration_of
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.plan import ReviewPlan

FRAME_MS = frame_times()
STARTS_S = (np.cumsum(FRAME_MS) - FRAME_MS) / 1000
LOST = np.arange(400) % 40 == 7


def _read(tmp_path, text, **count_only):
    """Return the frame log with this text, with what the plan says about frames that count."""
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    return read_frame_log(path, declared=Declaration(count_only=count_only))


def _with_outcome(shown="shown", lost="lost"):
    """Return a log in which one frame of forty has another outcome."""
    outcome = np.where(LOST, lost, shown)
    return table({"t": [f"{one:.6f}" for one in STARTS_S], "f": FRAME_MS, "end": outcome, "board_w": FRAME_MS * 10})


def _two_sources():
    """Return a log of a game and a window, in the order in which their frames came."""
    game = [(start, one, "game") for start, one in zip(STARTS_S, FRAME_MS, strict=True)]
    window = [(0.004 + 0.07 * (k // 2) + 0.04 * (k % 2), 40.0 - 10 * (k % 2), "window") for k in range(100)]
    rows = sorted(game + window)
    stamps = clock([row[0] for row in rows])
    columns = [f"{row[0]:.6f}" for row in rows], [f"{row[1]:.3f}" for row in rows], [row[2] for row in rows]
    return table({"at": stamps, **dict(zip(("t", "f", "of"), columns, strict=True))})


@pytest.mark.parametrize(("shown", "lost"), [("shown", "lost"), ("0", "1")], ids=["words", "whole numbers"])
def test_another_outcome_is_told_with_the_line_that_declares_which_count(tmp_path, shown, lost):
    log = _read(tmp_path, _with_outcome(shown, lost))
    assert log.frames.frame_ms.size == 400
    (finding,) = log.findings
    assert (finding.check, finding.found) == ("other_outcomes", 10.0)
    assert f'[logs] count_only = {{ "end" = ["{shown}"] }}' in finding.action


def test_frames_that_do_not_count_leave_their_time_to_the_frame_before(tmp_path):
    log = _read(tmp_path, _with_outcome(), end=("shown",))
    assert log.frames.frame_ms.size == 390
    assert log.frames.frame_ms.sum() == pytest.approx(FRAME_MS.sum())
    assert log.frames.frame_ms[6] == pytest.approx(FRAME_MS[6] + FRAME_MS[7])
    assert log.frames.time_s.tolist() == pytest.approx(STARTS_S[~LOST].tolist(), abs=1e-6)
    assert log.sensors["board_w"].tolist() == pytest.approx((FRAME_MS[~LOST] * 10).tolist())
    (finding,) = log.findings
    assert (finding.check, finding.found) == ("frames_not_counted", 10.0)
    assert "'lost' (10)" in finding.message


def test_first_frames_that_do_not_count_are_no_part_of_the_run(tmp_path):
    text = table({"f": FRAME_MS[:20], "t": STARTS_S[:20].round(6), "end": ["lost"] * 3 + ["shown"] * 17})
    log = _read(tmp_path, text, end=("shown",))
    assert log.frames.frame_ms.tolist() == pytest.approx(FRAME_MS[3:20].tolist())


def test_declared_source_is_used_in_place_of_the_longest(tmp_path):
    log = _read(tmp_path, _two_sources(), of=("window",))
    assert log.frames.frame_ms.tolist() == [40.0, 30.0] * 50
    (finding,) = log.findings
    assert "'window' are declared and used (100 rows), the others are not: 'game' (400)" in finding.message
    assert finding.action == ""


def test_line_that_the_question_prints_can_be_pasted(tmp_path):
    with pytest.raises(LogError, match="which is the game") as caught:
        _read(tmp_path, _two_sources())
    (fault,) = caught.value.faults
    assert fault.action.split("[logs] count_only = ")[1] == '{ "of" = ["game"] }'


def test_clock_of_a_log_with_several_sources_starts_with_the_first_frame(tmp_path):
    log = _read(tmp_path, _two_sources(), of=("game",))
    assert log.clock == pytest.approx(1793653200.0, abs=0.002)


def test_value_that_no_row_has_is_refused_with_those_found(tmp_path):
    with pytest.raises(LogError, match=r"no row has 'visible' in column 'end'.*found: 'shown', 'lost'"):
        _read(tmp_path, _with_outcome(), end=("visible",))


def test_heading_that_the_log_lacks_is_refused(tmp_path):
    with pytest.raises(LogError, match=r"column 'fate', declared as what tells which frames count, is not in"):
        _read(tmp_path, _with_outcome(), fate=("shown",))


def test_memory_of_layouts_changes_nothing_about_frames_that_count(tmp_path):
    memory, declared, sizes = FormatMemory(), Declaration(count_only={"end": ("shown",)}), []
    for number in range(3):
        path = tmp_path / f"{number}.csv"
        path.write_text(_with_outcome(), encoding="utf-8")
        sizes.append(read_frame_log(path, declared=declared, memory=memory).frames.frame_ms.size)
    assert sizes == [390, 390, 390]


def test_plan_declares_which_frames_count_as_a_decision():
    plan = {
        "review": {"title": "t"},
        "cards": [{"name": "Larkmoor 4"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": "Salt Orchard"}],
    }
    plain = ReviewPlan.from_dict(plan)
    counted = ReviewPlan.from_dict({**plan, "logs": {"count_only": {"end": ["shown"]}}})
    assert declaration_of(counted, "Larkmoor 4").count_only == {"end": ("shown",)}
    assert plain.fingerprint != counted.fingerprint
    assert not any(key.startswith("logs") for key in plain.decisions())
