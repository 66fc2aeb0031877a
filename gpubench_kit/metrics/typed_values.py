"""Numbers typed into the run sheet, merged with those of the logs; where both speak, the log counts."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.metrics.of_one_run import energy_metrics
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS

_TYPED = "typed into the run sheet"

#: A typed number disagrees with the log when it is off by more than this share and its last decimal.
_DISAGREES = 0.005


def merge_typed(rows: list[dict], typed: pd.DataFrame, runs: set[str]) -> tuple[list[dict], list[Finding]]:
    """Return the rows of metrics with typed numbers added, and findings where log and sheet disagree.

    Parameters
    ----------
    rows : from logs, as in ``tables.RUN_METRICS``
    typed : as in ``tables.TYPED_VALUES``
    runs : names of all runs

    Notes
    -----
    Energy per frame and frames per joule follow from average frame rate and board power where at least one of
    them was typed and neither was given; the resolution of the typed numbers is carried through.
    """
    logged = {(row["run"], row["metric"]): row for row in rows}
    merged, findings = list(rows), []
    for one in typed.itertuples(index=False):
        log = logged.get((one.run, one.metric))
        if log is None:
            merged.append(_typed_row(one.run, one.metric, one.value, one.step))
        elif abs(one.value - log["value"]) > _DISAGREES * abs(log["value"]) + one.step:
            findings.append(_disagreement(one, log))
    return merged + _derived(merged, set(typed["run"]) & runs), findings


def _typed_row(run: str, metric: str, value: float, step: float) -> dict:
    """Return one row of metrics for a typed number."""
    row = {"run": run, "metric": metric, "value": value, "unit": METRICS[metric].unit}
    return {**row, "source": "typed", "definition": _TYPED, "step": step}


def _disagreement(one, log: dict) -> Finding:
    """Return the finding that a typed number and the log disagree."""
    message = f"{one.metric} was typed as {one.value:g}, but the log gives {log['value']:.6g}; the log counts."
    action = "Correct the sheet, or name the right log."
    return Finding(
        "note", "typed_and_log_disagree", message, run=one.run, found=float(one.value), limit=float(log["value"]),
        unit=log["unit"], action=action,
    )  # fmt: skip


def _derived(rows: list[dict], typed_runs: set[str]) -> list[dict]:
    """Return energy per frame and frames per joule of runs with typed numbers that lack them."""
    by_run: dict[str, dict[str, dict]] = {}
    for row in rows:
        if row["run"] in typed_runs:
            by_run.setdefault(row["run"], {})[row["metric"]] = row
    derived = []
    for run, of_run in by_run.items():
        energy = energy_metrics({metric: row["value"] for metric, row in of_run.items()})
        steps = (
            sum(of_run[metric]["step"] / of_run[metric]["value"] for metric in ("avg_fps", "board_w"))
            if energy
            else 0
        )
        derived += [
            {"run": run, "source": "typed", **row, "step": row["value"] * steps}
            for row in energy
            if row["metric"] not in of_run
        ]
    return derived
