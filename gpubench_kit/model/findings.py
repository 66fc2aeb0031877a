"""Findings: what the kit noticed in the data, as rows of the table ``findings``."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass

import pandas as pd

from gpubench_kit.model.tables import FINDINGS

SEVERITIES = ("stop", "exclude", "note")


@dataclass(frozen=True)
class Finding:
    """One thing noticed in the data.

    Attributes
    ----------
    severity : ``stop`` (verdicts that need the run are withheld), ``exclude`` (the run is left
        out by a rule of the plan) or ``note``
    check : name of the check, lower case with underscores
    message : one sentence: what was found, where
    run : name of the run; empty when the finding concerns more than one
    found, limit : the value found and the limit it was held against, in ``unit``
    action : what the reviewer can do
    """

    severity: str
    check: str
    message: str
    run: str = ""
    found: float | None = None
    limit: float | None = None
    unit: str = ""
    action: str = ""


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Return the table ``findings``: most severe first, then by check and run, numbered.

    Parameters
    ----------
    findings : any number of `Finding`

    Returns
    -------
    DataFrame, one row per finding; see ``tables.FINDINGS``
    """
    rank = {severity: place for place, severity in enumerate(SEVERITIES)}
    unique = list(dict.fromkeys(findings))
    ordered = sorted(unique, key=lambda one: (rank[one.severity], one.check, one.run))
    rows = [{"finding": f"f{number:03d}", **asdict(one)} for number, one in enumerate(ordered, start=1)]
    return FINDINGS.frame(rows)
