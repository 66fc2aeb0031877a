"""The settings of a sweep as rows of its table."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence

import numpy as np

from gpubench_kit.statistics.sweep_ladder import Line
from gpubench_kit.statistics.sweep_losses import Losses
from gpubench_kit.sweep.answers import Answer
from gpubench_kit.sweep.measured import ENERGY, POWER, RATE, Failures, Measured

#: Beginning of the columns of each metric.
_NAMES = {RATE: "fps", POWER: "power", ENERGY: "energy"}


def setting_rows(
    measured: Measured,
    answers: Sequence[Answer],
    failures: Mapping[str, Failures],
    *,
    group: int,
    factory: Mapping[str, float],
) -> Iterator[dict]:
    """Yield one row per setting, the factory state first.

    Parameters
    ----------
    measured : settings of one card on one bench
    answers : of each line
    failures : what failed, by tuning
    group : place of the group of game settings
    factory : value of the factory state in each metric, in its unit
    """
    reference, rate = measured.ladder.reference, measured.rate
    yield {
        "tuning": reference, "line": "", "at": 0.0, "is_factory": True,
        "n": int(rate.n[:, group].max(initial=0)), "n_games": int(rate.n_games[:, group].max(initial=0)),
        **factory, **_failure_columns(failures[reference]),
    }  # fmt: skip
    for answer in answers:
        yield from _line_rows(measured, answer, failures, group=group, factory=factory)


def _line_rows(
    measured: Measured,
    answer: Answer,
    failures: Mapping[str, Failures],
    *,
    group: int,
    factory: Mapping[str, float],
) -> Iterator[dict]:
    """Yield the rows of one line, by place on the ladder."""
    line: Line = answer.curves.line
    for setting in line.settings:
        row = measured.place_of(setting.tuning)
        yield {
            "tuning": setting.tuning, "line": line.name, "at": setting.at, "is_factory": False,
            "n": int(measured.rate.n[row, group]), "n_games": int(measured.rate.n_games[row, group]),
            "reason": measured.reason(row, group),
            **_change_columns(measured, row, group=group, factory=factory),
            "loss_at_most": 100 * -np.expm1(-measured.tests.worst_loss[row, group]),
            "p_non_inferiority": measured.tests.p[row, group],
            **answer.outcome(setting.tuning), **_failure_columns(failures[setting.tuning]),
        }  # fmt: skip


def _change_columns(measured: Measured, row: int, *, group: int, factory: Mapping[str, float]) -> dict[str, float]:
    """Return value, change and interval of a setting in each metric."""
    columns = {}
    for metric, losses in ((RATE, measured.rate), (POWER, measured.power), (ENERGY, measured.energy)):
        change = losses.change[row, group]
        columns[metric] = float(factory[metric] * np.exp(change))
        columns |= _interval(_NAMES[metric], losses, measured.level, place=(row, group))
    return columns


def _interval(name: str, losses: Losses, level: float, *, place: tuple[int, int]) -> dict[str, float]:
    """Return a change and its interval against zero, in percent."""
    change, half = losses.change[place], losses.half_width(level)[place]
    ends = {"change": change, "ci_low": change - half, "ci_high": change + half}
    return {f"{name}_{end}": float(100 * np.expm1(value)) for end, value in ends.items()}


def _failure_columns(failed: Failures) -> dict:
    """Return what failed at a setting, as columns."""
    return {
        "runs_tried": failed.tried,
        "runs_failed": failed.crashed,
        "failing_runs_at_most": None if failed.share is None else 100 * failed.share,
        "hours": failed.hours,
        "failures": failed.failures,
        "failures_per_hour_at_most": failed.rate,
    }


def most_efficient(rows: Sequence[Mapping], left_out: Collection[str]) -> str:
    """Return the setting of least energy per frame among those not left out; empty where none is known."""
    known = [row for row in rows if np.isfinite(row[ENERGY]) and row["tuning"] not in left_out]
    return min(known, key=lambda row: row[ENERGY])["tuning"] if known else ""
