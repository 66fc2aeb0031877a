"""Which verdicts the runs can give, decided from how they were done and read; no difference is looked at."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

import numpy as np
import pandas as pd

from gpubench_kit.checks import POSSIBLE
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.coded_runs import code_runs
from gpubench_kit.statistics.compare import measure_pairs
from gpubench_kit.statistics.comparison import Measured
from gpubench_kit.statistics.design import CONFOUNDED
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.pair_runs import AGAINST, OF
from gpubench_kit.wording.catalogue import has, say

_NO_RUNS = "not_measured"
#: Reasons of single runs, which a design that gives no verdict at all goes before.
_OF_READING = ("", "format_not_confirmed", "one_run", "no_spread")


def possible_verdicts(
    usable: pd.DataFrame, runs: pd.DataFrame, *, findings: pd.DataFrame, plan, looks_made: int = 0
) -> pd.DataFrame:
    """Tell for each game and metric of the plan whether the runs so far can give a verdict, and why not.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    runs : DataFrame, one row per run; see ``tables.RUNS``
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    plan : ReviewPlan
    looks_made : looks at verdicts so far, a new one included

    Returns
    -------
    DataFrame, one row per metric, game and setting; see `POSSIBLE`. A verdict is possible where every pair of the
    plan can be judged, whatever the verdict would be; undecided is one.

    Notes
    -----
    Nothing of a difference enters: the reasons are those of the order of the runs, of how their logs were read and
    of what the checks found.
    """
    _, too_many = level_of_looks(plan, looks_made=looks_made)
    found: dict[tuple[str, str, str], tuple[str, tuple[str, str]]] = {}
    for key, reason, in_turn in _cells(usable, plan):
        if key not in found or not found[key][0]:
            found[key] = ("too_many_looks" if too_many and not reason else reason, in_turn)
    scenes = [(game.name, setting.name) for game in plan.games for setting in game.settings]
    rows = []
    for key in ((metric, *scene) for metric, scene in product(plan.analysis.metrics, scenes)):
        reason, in_turn = found.get(key, (_NO_RUNS, ("", "")))
        reason = _why_no_runs(key, runs, findings) if reason == _NO_RUNS else reason
        fix = say(f"check.fix.{reason}") if has(f"check.fix.{reason}") else ""
        rows.append((*key, reason == "", reason, *in_turn, fix))
    return POSSIBLE.frame(pd.DataFrame(rows, columns=POSSIBLE.names))


def _cells(usable: pd.DataFrame, plan) -> Iterator[tuple[tuple[str, str, str], str, tuple[str, str]]]:
    """Yield metric, game and setting of each pair, why it has no verdict, and tunings measured in turn."""
    seen: dict[int, set[tuple[str, str, str]]] = {place: set() for place in range(len(plan.pairs()))}
    for measured in measure_pairs(code_runs(usable), plan):
        pair = measured.pair
        scenes = zip(pair.cell_text("game"), pair.cell_text("setting"), strict=True)
        keys = [(pair.metric, *scene) for scene in scenes]
        seen[measured.place].update(keys)
        yield from zip(keys, map(str, _reasons(measured)), _one_after_another(measured, plan), strict=True)
    # A game that one pair has and another lacks cannot give every verdict of the plan.
    everywhere = set().union(*seen.values())
    yield from ((key, _NO_RUNS, ("", "")) for keys in seen.values() for key in sorted(everywhere - keys))


def _reasons(measured: Measured) -> np.ndarray:
    """Return why each game has no verdict; the order of the runs goes before what can be put right in reading."""
    confounded = (measured.design.classes == CONFOUNDED) & ~measured.is_widened
    goes_first = confounded & np.isin(measured.withheld, _OF_READING)
    by_order = np.where(measured.design.unstated, "not_stated", "confounded")
    return np.where(goes_first, by_order, measured.withheld)


def _one_after_another(measured: Measured, plan) -> list[tuple[str, str]]:
    """Return, for each confounded game, the tuning whose runs all came first, and the other; else empty names."""
    pair, sides = measured.pair, plan.pairs()[measured.place]
    order, names = pair.runs.numbers["order"], (sides.of.tuning, sides.against.tuning)
    is_asked = (measured.design.classes == CONFOUNDED) & ~measured.design.unstated & (names[0] != names[1])
    found = []
    for cell in range(pair.n_cells):
        of, against = (order[(pair.cell == cell) & (pair.side == side)] for side in (OF, AGAINST))
        is_known = is_asked[cell] and len(of) and len(against) and np.isfinite([*of, *against]).all()
        if is_known and of.max() < against.min():
            found.append(names)
        else:
            found.append(names[::-1] if is_known and against.max() < of.min() else ("", ""))
    return found


def _why_no_runs(key: tuple[str, str, str], runs: pd.DataFrame, findings: pd.DataFrame) -> str:
    """Return why a side of a game has no value of a metric."""
    metric, game, setting = key
    here = runs[(runs["game"] == game) & (runs["setting"] == setting)]
    checks, states = set(findings["check"]), set(here["excluded_for"])
    if "not_recorded" in states:
        return "logs_not_matched" if "logs_not_matched" in checks else "not_recorded"
    if "log_unusable" in states:
        return "log_unusable"
    if METRICS[metric].needs not in ("sensors", "both") or not len(here):
        return _NO_RUNS
    return next((one for one in ("clock_not_proven", "sensor_log_unusable") if one in checks), _NO_RUNS)
