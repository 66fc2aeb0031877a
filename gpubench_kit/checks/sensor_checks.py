"""Checks of which sensors the logs hold."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from gpubench_kit.checks.evidence import Evidence
from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS, SENSOR_METRICS


def check_sensors_in_part(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note on each sensor that only some of a card's logs gave, though all of them hold samples.

    Parameters
    ----------
    evidence : what there is to check
    """
    sampled = set(evidence.runs.loc[evidence.runs["n_samples"] > 0, "run"])
    values = evidence.values
    of_sensors = values[values["metric"].isin(SENSOR_METRICS) & values["run"].isin(sampled)]
    for (card, _), found in of_sensors.groupby(["card", "bench"], observed=True):
        by_run = pd.crosstab(found["run"], found["metric"]) > 0
        for metric in by_run.columns[~by_run.all()]:
            without = by_run.index[~by_run[metric]].tolist()
            yield _in_part(str(card), metric, without, n_runs=len(by_run))


def _in_part(card: str, metric: str, without: list[str], *, n_runs: int) -> Finding:
    """Return the note on one sensor."""
    n_with = n_runs - len(without)
    message = (
        f"{METRICS[metric].label} of card {shown(card)} was found in {n_with} of {n_runs} runs with samples, not "
        f"in {listed(without)}."
    )
    action = f'If their logs hold it, name its column in the plan, below [logs]: sensors = {{ {metric} = "..." }}'
    return Finding("note", "sensor_in_part", message, "", float(n_with), float(n_runs), "runs", action)
