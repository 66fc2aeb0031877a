"""Whether the files that a report is made of are still those that were read: else nothing is published."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from gpubench_kit.model.errors import Fault, ReportError, listed


def check_unchanged(before: Mapping[str, str], now: Mapping[str, str], runs: pd.DataFrame) -> None:
    """Raise where a file changed while the report was made: the page would speak of another one than it names.

    Parameters
    ----------
    before : hash of each file before anything was read, by its name
    now : hash of each file at the end
    runs : DataFrame, one row per run; see ``tables.RUNS``: its hashes are those of the bytes that were read

    Raises
    ------
    ReportError : with the names of the files
    """
    changed = sorted(name for name in before if now.get(name) != before[name])
    read = set(runs["frame_log_sha256"].dropna()) - {""}
    if not changed and not read <= set(before.values()):
        changed = ["a frame log"]
    if changed:
        problem = f"{listed(changed)} changed while the report was made, so nothing was published."
        raise ReportError(Fault("inputs", problem, "Call again when nothing writes there any more."))
