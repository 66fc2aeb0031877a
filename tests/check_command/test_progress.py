"""How far the plan of the runs is done, round by round."""

from __future__ import annotations

import pandas as pd
import pytest

from gpubench_kit.checks.readiness import progress_of
from gpubench_kit.model.plan.rules import Checks, limits_text, list_limits
from gpubench_kit.model.tables import RUNS


def runs(*rows: tuple) -> pd.DataFrame:
    """Return runs of one game from (tuning, round, why left out, purpose)."""
    made = [
        {"run": f"r{number}", "card": "Larkmoor 4", "game": "Salt Orchard", "tuning": tuning, "round": at,
         "used": not why, "excluded_for": why, "purpose": purpose}
        for number, (tuning, at, why, purpose) in enumerate((*row, "measure")[:4] for row in rows)
    ]  # fmt: skip
    return RUNS.frame(made)


def counts(*rows: tuple) -> list[tuple[int, int, int]]:
    """Return planned, done and to record of each round."""
    found = progress_of(runs(*rows))[["n_planned", "n_done", "n_to_record"]]
    return [tuple(row) for row in found.itertuples(index=False)]


def test_rounds_are_counted_by_their_tunings():
    rows = [("factory", 1, ""), ("quiet", 1, ""), ("factory", 2, ""), ("quiet", 2, "not_recorded")]
    assert counts(*rows) == [(2, 2, 0), (2, 1, 1)]


def test_a_repeat_fills_the_place_of_the_run_left_out():
    assert counts(("factory", 1, "crash"), ("factory", 1, ""), ("quiet", 1, "")) == [(2, 2, 0)]


def test_a_run_left_out_without_a_repeat_is_neither_done_nor_to_record():
    assert counts(("factory", 1, "crash"), ("quiet", 1, "")) == [(2, 1, 0)]


@pytest.mark.parametrize(
    ("purpose", "expected"), [("warm_up", []), ("idle", []), ("soak", [(1, 1, 0)])], ids=["warm-up", "idle", "soak"]
)
def test_only_runs_that_count_are_planned(purpose, expected):
    assert counts(("factory", 1, "" if expected else purpose, purpose)) == expected


def test_a_pilot_run_is_done_though_it_enters_no_verdict():
    assert counts(("factory", 1, "pilot", "pilot")) == [(1, 1, 0)]


def test_rows_without_a_round_are_each_a_place_of_their_own():
    rows = [("factory", None, ""), ("factory", None, ""), ("quiet", None, "not_recorded")]
    assert counts(*rows) == [(3, 2, 1)]


def test_no_rows_have_no_rounds():
    assert counts() == []


def test_every_limit_is_listed_with_its_default_and_meaning_from_the_model():
    limits = {one.key: one for one in list_limits()}
    assert set(limits) == set(Checks.model_fields)
    assert limits["gap_ms"].default == Checks().gap_ms
    assert all(one.meaning for one in limits.values())
    text = limits_text(width=60)
    assert "gap_ms = 1000 " in text
    assert max(map(len, text.splitlines())) <= 70
