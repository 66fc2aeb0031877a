"""Facts kept: what is handed in comes back as it was, and the table holds the same."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gpubench_kit.logs.format import ColumnChoice
from gpubench_kit.logs.frame_timing import FRAME_SHARES
from gpubench_kit.logs.run_facts import KeptFacts, RunFacts, Trace

_EMPTY = RunFacts("")
_SAMPLES = (np.float32([0, 1]), np.float32([100, 101]))
_CHOICE = ColumnChoice("frame_time", 2, "column 'a'", "ms", "its values fit", 0.9)
_OF_TYPE = {
    str: st.text(max_size=8),
    int: st.integers(0, 2**50),
    float: st.floats(allow_nan=True, allow_infinity=True),
}


@st.composite
def _facts(draw):
    """Draw facts with any texts and numbers, with or without traces and columns."""
    given_ = {
        field.name: draw(_OF_TYPE[type(getattr(_EMPTY, field.name))])
        for field in fields(RunFacts)
        if type(getattr(_EMPTY, field.name)) in _OF_TYPE
    }
    length = draw(st.integers(0, 5))
    part = st.lists(st.floats(width=32, allow_nan=False), min_size=length, max_size=length)
    trace = Trace(*(np.float32(draw(part)) for _ in range(4))) if length else None
    columns = draw(st.lists(st.just(_CHOICE) | st.builds(replace, st.just(_CHOICE), why=st.text()), max_size=3))
    sensors = draw(st.sampled_from([{}, {"board_w": _SAMPLES}]))
    lengths = st.lists(st.floats(0, 1e6), min_size=len(FRAME_SHARES), max_size=len(FRAME_SHARES))
    quantiles = draw(st.just(()) | st.builds(tuple, lengths))
    return RunFacts(
        **given_,
        trace=trace,
        frame_quantiles_ms=quantiles,
        sensor_traces=sensors,
        frame_columns=tuple(columns),
    )


def _same(one: RunFacts, other: RunFacts) -> None:
    """Assert that facts are equal, nan included, and of the same types."""
    for field in fields(RunFacts):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if field.name == "trace" and a is not None:
            a, b = ([getattr(trace, part.name) for part in fields(Trace)] for trace in (a, b))
            np.testing.assert_array_equal(a, b)
            assert b[0].dtype == np.float32
        elif field.name == "sensor_traces":
            np.testing.assert_equal(a, b)
        else:
            assert type(a) is type(b)
            np.testing.assert_equal(a, b)


@given(st.lists(_facts(), max_size=5, unique_by=lambda one: one.run))
def test_what_is_handed_in_comes_back_as_it_was(many):
    kept = KeptFacts()
    for one in many:
        kept.keep(one)
    assert (len(kept), list(kept)) == (len(many), [one.run for one in many])
    for one in many:
        assert one.run in kept
        assert kept.n_frames(one.run) == one.n_frames
        _same(one, kept[one.run])


@given(st.lists(_facts(), min_size=1, max_size=4, unique_by=lambda one: one.run))
def test_the_table_has_texts_and_numbers_of_the_runs_asked_for(many):
    kept = KeptFacts()
    for one in many:
        kept.keep(one)
    asked = [one.run for one in reversed(many)]
    table = kept.table(asked)
    assert table["run"].tolist() == asked
    for name in table.columns.drop("sensor_traces"):
        np.testing.assert_equal(table[name].tolist(), [getattr(one, name) for one in reversed(many)])
    assert kept.table(asked, names=("run", "n_frames")).columns.tolist() == ["run", "n_frames"]


def test_the_table_of_no_runs_has_the_types_of_one_with_runs():
    kept = KeptFacts()
    empty = kept.table([]).dtypes
    kept.keep(RunFacts("a"))
    assert empty.equals(kept.table(["a"]).dtypes)


def test_a_run_that_is_not_known_has_no_facts_and_no_frames():
    kept = KeptFacts()
    assert kept.get("a") is None
    assert kept.n_frames("a") == 0
    assert "a" not in kept


def test_facts_are_kept_once():
    kept = KeptFacts()
    kept.keep(RunFacts("a"))
    with pytest.raises(ValueError, match="'a' are kept already"):
        kept.keep(RunFacts("a", n_frames=7))
