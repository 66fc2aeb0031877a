"""Facts kept: what is handed in comes back as it was, and the table holds the same."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from gpubench_kit.logs.format import ColumnChoice
from gpubench_kit.logs.frame_timing import FRAME_SHARES
from gpubench_kit.logs.review import open_review
from gpubench_kit.logs.run_facts import RunFacts, Trace, facts_table
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import Finding

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


@given(st.lists(_facts(), min_size=1, max_size=4))
def test_the_table_has_texts_and_numbers_of_the_runs_asked_for(many):
    table = facts_table(many)
    assert table["run"].tolist() == [one.run for one in many]
    for name in table.columns.drop("sensor_traces"):
        np.testing.assert_equal(table[name].tolist(), [getattr(one, name) for one in many])
    assert facts_table(many, names=("run", "n_frames")).columns.tolist() == ["run", "n_frames"]


def test_the_table_of_no_runs_has_the_types_of_one_with_runs():
    assert facts_table([]).dtypes.equals(facts_table([RunFacts("a")]).dtypes)


def test_what_is_handed_in_comes_back_as_it_was_and_is_kept_once(tmp_path):
    pd.DataFrame({"run": ["a"], "tuning": "factory", "game": "Salt Orchard", "frame_log": ""}).to_csv(
        tmp_path / "runs.csv", index=False
    )
    plan = {"review": {"title": "x"}, "cards": [{"name": "Larkmoor 4"}], "games": [{"name": "Salt Orchard"}],
            "tunings": [{"name": "factory", "reference": True}]}  # fmt: skip
    review = open_review(ReviewPlan.from_dict(plan, folder=tmp_path))
    assert (review.facts_of("a"), review.n_frames("a")) == (None, 0)
    facts, noticed = RunFacts("a", n_frames=7), Finding("note", "too_coarse", "x", run="a")
    review.receive(facts, [noticed])
    review.receive(RunFacts("a", n_frames=8), [noticed, noticed])
    assert review.facts_of("a") is facts
    assert review.n_frames("a") == 7
    assert review.findings.count(noticed) == 1
