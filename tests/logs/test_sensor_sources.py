"""Samples of several cards, or several sensors in one column, are never mixed: one is declared, or none is read."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_logs import clock, frame_log, frame_times, sensor_signal, table

from gpubench_kit.logs.format import Declaration, RunTask
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.model.errors import LogError

TIMES, LOAD, WATTS = sensor_signal(60.0)


def _read(tmp_path, columns, **count_only):
    """Return the sensor log of these columns, with what the plan says about rows that count."""
    path = tmp_path / "sensors.csv"
    path.write_text(table(columns), encoding="utf-8")
    return read_sensor_log(path, declared=Declaration(count_only=count_only))


def _two_cards(names=("0", "1"), *, later_s=0.0, form="%Y-%m-%dT%H:%M:%S.%f"):
    """Return a log in which the rows of a busy and an idle card alternate, the second one's by so much later."""
    return {
        "at": clock(np.column_stack([TIMES, TIMES + later_s]).ravel(), form=form),
        "card": list(names) * TIMES.size,
        "board_w": np.column_stack([WATTS, np.full(TIMES.size, 9.5)]).ravel(),
        "load_pct": np.column_stack([LOAD, np.zeros(TIMES.size)]).ravel(),
    }


@pytest.mark.parametrize("names", [("0", "1"), ("Larkmoor 4", "Larkmoor 6"), ("a0:2", "")], ids=str)
@pytest.mark.parametrize("later_s", [0.0, 0.05], ids=["equal stamps", "stamps in turn"])
def test_rows_of_two_cards_are_refused_with_the_line_that_says_which_counts(tmp_path, names, later_s):
    with pytest.raises(LogError) as caught:
        _read(tmp_path, _two_cards(names, later_s=later_s))
    (fault,) = caught.value.faults
    assert "rows of 2 cards or sensors are mixed, and column 'card' tells them apart" in fault.problem
    assert all(f"'{name}' ({TIMES.size})" in fault.problem for name in names)
    assert f'[logs] count_only = {{ "card" = ["{names[0]}"] }}' in fault.action


def test_stamps_of_whole_seconds_hide_no_second_card(tmp_path):
    with pytest.raises(LogError, match="rows of 2 cards or sensors are mixed"):
        _read(tmp_path, _two_cards(form="%Y-%m-%dT%H:%M:%S"))


def test_cards_that_are_sampled_at_paces_of_their_own_are_told_apart(tmp_path):
    other_s = np.arange(0.1, 70.0, 0.8)
    rows = sorted([(at, "first", 200.0) for at in TIMES] + [(at, "second", 9.5) for at in other_s])
    at, card, watts = zip(*rows, strict=True)
    columns = {"at": clock(at), "card": card, "board_w": watts}
    with pytest.raises(LogError, match="rows of 2 cards or sensors are mixed"):
        _read(tmp_path, columns)
    assert _read(tmp_path, columns, card=("second",)).values["board_w"].size == other_s.size


def test_a_state_beside_unsteady_samples_tells_no_cards_apart(tmp_path):
    rng = np.random.default_rng(8)
    at = np.cumsum(rng.gamma(2.0, 0.25, 200))
    log = _read(
        tmp_path, {"at": clock(at), "state": rng.choice(["power", "heat"], 200), "board_w": rng.normal(200, 9, 200)}
    )
    assert log.time_s.size == 200


def test_rows_of_equal_stamps_are_told_apart_in_any_order(tmp_path):
    columns = _two_cards(("first", "second"))
    turned = np.repeat(np.random.default_rng(4).random(TIMES.size) < 0.5, 2)
    order = np.where(turned, np.arange(2 * TIMES.size) ^ 1, np.arange(2 * TIMES.size))
    with pytest.raises(LogError, match="rows of 2 cards or sensors are mixed"):
        _read(tmp_path, {heading: np.array(cells)[order] for heading, cells in columns.items()})


@pytest.mark.parametrize(("card", "watts"), [("0", WATTS), ("1", np.full(TIMES.size, 9.5))])
def test_declared_card_is_read_alone(tmp_path, card, watts):
    log = _read(tmp_path, _two_cards(), card=(card,))
    assert log.time_s.tolist() == pytest.approx(TIMES.tolist())
    assert log.values["board_w"].tolist() == watts.tolist()
    assert log.told_apart == ("card",)
    (finding,) = log.findings
    assert (finding.check, finding.found) == ("samples_not_counted", float(TIMES.size))


def test_cards_below_each_other_are_refused_and_the_declared_one_is_read(tmp_path):
    columns = {
        "at": [*clock(TIMES), *clock(TIMES + 0.1)],
        "card": np.repeat(["first", "second"], TIMES.size),
        "board_w": [*WATTS, *(WATTS - 20)],
    }
    with pytest.raises(LogError, match="column 'card' tells them apart"):
        _read(tmp_path, columns)
    log = _read(tmp_path, columns, card=("second",))
    assert log.values["board_w"].tolist() == (WATTS - 20).tolist()


def _long(names=("board_w", "core_c", "load_pct")):
    """Return a log with a row for each sensor."""
    values = np.column_stack([WATTS.round(1), 40 + TIMES // 10, LOAD]).ravel()
    return {"at": clock(np.repeat(TIMES, 3)), "sensor": list(names) * TIMES.size, "value": values}


@pytest.mark.parametrize("names", [("board_w", "core_c", "load_pct"), ("1", "2", "3")], ids=["words", "numbers"])
def test_a_row_for_each_sensor_is_refused(tmp_path, names):
    path = tmp_path / "sensors.csv"
    path.write_text(table(_long(names)), encoding="utf-8")
    with pytest.raises(LogError, match="of 3 cards or sensors are mixed, and column 'sensor' tells them apart"):
        read_sensor_log(path, declared=Declaration(sensors={"board_w": "value"}))
    assert read_sensor_log(path).values == {} if names[0] == "1" else True


def test_one_sensor_of_many_can_be_declared(tmp_path):
    path = tmp_path / "sensors.csv"
    path.write_text(table(_long()), encoding="utf-8")
    declared = Declaration(count_only={"sensor": ("board_w",)}, sensors={"board_w": "value"})
    log = read_sensor_log(path, declared=declared)
    assert log.values["board_w"].tolist() == WATTS.round(1).tolist()


@pytest.mark.parametrize(
    "column",
    [
        [0, 1] * (TIMES.size // 2),
        [0, 500] * (TIMES.size // 2),
        np.where(LOAD > 50, "busy", "idle"),
        np.random.default_rng(5).choice(["power", "heat", "none"], TIMES.size),
        np.random.default_rng(6).integers(0, 9, TIMES.size),
        ["Larkmoor 4"] * TIMES.size,
    ],
    ids=["half of the second", "milliseconds", "state", "limiter", "level", "one card"],
)
@pytest.mark.parametrize("form", ["%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S"], ids=["fine", "whole seconds"])
def test_columns_that_tell_no_cards_apart_change_nothing(tmp_path, column, form):
    columns = {"at": clock(TIMES, form=form), "of": column, "board_w": WATTS, "load_pct": LOAD}
    log = _read(tmp_path, columns)
    assert log.values["board_w"].tolist() == WATTS.tolist()


def test_recordings_one_below_the_other_are_no_cards(tmp_path):
    columns = {"t": [*TIMES, *TIMES[:40]], "session": [1] * TIMES.size + [2] * 40, "board_w": [*WATTS, *WATTS[:40]]}
    log = _read(tmp_path, columns)
    assert log.values["board_w"].tolist() == WATTS.tolist()


def _run(tmp_path, frames, sensors, **count_only):
    """Return a run of these logs."""
    for name, text in (("f.csv", frames), ("s.csv", sensors)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    paths = {"frame_path": str(tmp_path / "f.csv"), "sensor_path": str(tmp_path / "s.csv")}
    names = {"frame_name": "f.csv", "sensor_name": "s.csv"}
    return read_run(RunTask("r1", **paths, **names, declared=Declaration(count_only=count_only)))


def test_line_pasted_for_the_sensor_log_leaves_the_frame_log_as_it_is(tmp_path):
    frames = frame_log(frame_times(3750))
    run = _run(tmp_path, frames, table(_two_cards()), card=("0",))
    assert run.faults == ()
    assert run.frames.frame_ms.size == 3750
    assert run.sensors["board_w"].tolist() == WATTS.tolist()


def test_number_of_a_column_is_that_of_the_log_without_headings(tmp_path):
    sensors = table(_two_cards()).split("\n", 1)[1]
    path = tmp_path / "sensors.csv"
    path.write_text(table(dict(zip(("", " ", "  ", "   "), _two_cards().values(), strict=True))), encoding="utf-8")
    with pytest.raises(LogError, match=r'count_only = \{ "2" = \["0"\] \}'):
        read_sensor_log(path, declared=Declaration(sensors={"board_w": "3"}))
    run = _run(tmp_path, frame_log(frame_times(3750)), sensors, **{"2": ("0",)})
    assert run.faults == ()
    assert run.frames.frame_ms.size == 3750


def test_heading_that_neither_log_has_is_refused(tmp_path):
    run = _run(tmp_path, frame_log(frame_times()), table(_two_cards()), card=("0",), fate=("shown",))
    (fault,) = run.faults
    assert "column 'fate', declared as what tells which frames count, is not in the log" in fault.problem


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(n_cards=st.integers(2, 5), seed=st.integers(0, 2**32 - 1), wanted=st.integers(0, 4), words=st.booleans())
def test_any_number_of_cards_is_refused_and_each_can_be_declared(tmp_path, n_cards, seed, wanted, words):
    rng = np.random.default_rng(seed)
    watts = np.round(rng.normal(0, 0.5, (TIMES.size, n_cards)) + 40 + 55 * np.arange(n_cards), 1)
    names = [f"card {k}" if words else str(k) for k in range(n_cards)]
    columns = {
        "at": clock(np.repeat(TIMES, n_cards)),
        "card": names * TIMES.size,
        "board_w": watts.ravel(),
    }
    with pytest.raises(LogError, match=f"rows of {n_cards} cards or sensors are mixed"):
        _read(tmp_path, columns)
    wanted %= n_cards
    assert _read(tmp_path, columns, card=(names[wanted],)).values["board_w"].tolist() == watts[:, wanted].tolist()
