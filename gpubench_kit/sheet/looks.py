"""Looks at verdicts: ``looks.csv`` of a review folder counts them and keeps what was decided before the first.

A look is a new set of used runs or values shown with verdicts. Making the same report again is none, and
neither is a corrected name; more looks need a stricter level (Pocock 1977), so each is written down.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from gpubench_kit.model.errors import Fault, ReportError, TableError
from gpubench_kit.model.formats import current_decisions
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import Column, Table
from gpubench_kit.sheet.text import SheetCells, read_cells

LOOKS_FILE = "looks.csv"

LOOKS = Table(
    "looks", "look", ("look",),
    (
        Column("look", "integer", "number of the look"),
        Column("used_runs_sha256", "text", "hash of the used runs and values"),
        Column("plan_fingerprint", "text", "hash of the decisions at that look"),
        Column("decisions", "text", "the decisions before the first look, as JSON"),
    ),
)  # fmt: skip

#: Names of what was measured are left out on purpose: a corrected name makes no new look.
_GROUPINGS = ("card", "bench", "tuning", "game", "setting")
#: Longer cells are more than CSV readers take; whole sections are then kept as one hash each.
_LONGEST_CELL = 100_000
_RULES = ("analysis", "exclude", "checks")
_SHA256 = re.compile(r"[0-9a-f]{64}")
_RESTORE = "Restore the file as `report` wrote it; deleting it hides looks that were made."


def used_runs_fingerprint(usable: pd.DataFrame) -> str:
    """Return a hash of the used runs and their values.

    Parameters
    ----------
    usable : one row per used run and metric; see ``tables.USABLE``

    Returns
    -------
    str, SHA-256 as hexadecimal digits

    Notes
    -----
    The order of rows and the names of runs, cards, tunings, games and settings do not enter; which runs
    share them does. Values count to nine digits, so that another machine's last bit makes no new look.
    """
    rows = usable.reindex(columns=["run", "metric", "value", *_GROUPINGS])
    rows[list(_GROUPINGS)] = rows[list(_GROUPINGS)].astype("object").where(rows[list(_GROUPINGS)].notna(), "")
    runs: dict[str, list[str]] = {}
    groups: dict[str, tuple] = {}
    for run, metric, value, *names in rows.itertuples(index=False, name=None):
        runs.setdefault(run, []).append(f"{metric}={value:.9g}")
        groups[run] = tuple(names)
    tokens = {run: _hash(sorted(values)) for run, values in runs.items()}
    parts = [_partition(tokens, {run: names[place] for run, names in groups.items()}) for place in range(5)]
    return _hash([*parts, _partition(tokens, groups)])


def read_looks(folder: str | Path) -> pd.DataFrame:
    """Return the looks made at a review so far.

    Parameters
    ----------
    folder : the review folder

    Returns
    -------
    DataFrame, one row per look, columns ``look, used_runs_sha256, plan_fingerprint, decisions``; without
    rows where no report was made yet

    Raises
    ------
    TableError : the file cannot be read, or is not as `record_look` writes it
    """
    file = Path(folder) / LOOKS_FILE
    if not file.exists():
        return LOOKS.frame()
    cells = read_cells(file, frozenset(LOOKS.names))
    faults = list(_damage(cells))
    if faults:
        raise TableError(faults)
    place = {name: cells.headings.index(name) for name in LOOKS.names}
    rows = [{name: row[position] for name, position in place.items()} for _, row in cells.rows]
    return LOOKS.frame([{**row, "look": int(row["look"])} for row in rows])


def looks_made(folder: str | Path, fingerprint: str = "") -> int:
    """Return the number of looks at verdicts, a new one included.

    Parameters
    ----------
    folder : the review folder
    fingerprint : hash of the used runs about to be shown, see `used_runs_fingerprint`; empty: none
    """
    known = read_looks(folder)["used_runs_sha256"]
    return len(known) + int(bool(fingerprint) and fingerprint not in set(known))


def record_look(folder: str | Path, fingerprint: str, *, plan: ReviewPlan) -> int:
    """Write a look down, unless the same used runs and values were shown before.

    Parameters
    ----------
    folder : the review folder
    fingerprint : hash of the used runs shown with verdicts, see `used_runs_fingerprint`
    plan : the plan at this look

    Returns
    -------
    int, number of looks made, this one included

    Raises
    ------
    TableError : the file is damaged
    ReportError : it cannot be written

    Notes
    -----
    The file is replaced in one step: a kill leaves the earlier one.
    """
    looks = read_looks(folder)
    if fingerprint in set(looks["used_runs_sha256"]):
        return len(looks)
    decisions = "" if len(looks) else _as_json(_storable(plan.decisions()))
    number = len(looks) + 1
    rows = [*looks.itertuples(index=False, name=None), (number, fingerprint, plan.fingerprint, decisions)]
    _replace(Path(folder) / LOOKS_FILE, rows)
    return number


def decisions_changed_after_first_look(folder: str | Path, plan: ReviewPlan) -> list[tuple[str, str, str]]:
    """Return the decisions that differ from those before the first look.

    Parameters
    ----------
    folder : the review folder
    plan : the plan as it is now

    Returns
    -------
    list of (what, before, now), for example ``("analysis.margin_pct", "2", "3")``; empty where nothing
    changed or no look was made

    Raises
    ------
    TableError : the file of looks is damaged
    """
    looks = read_looks(folder)
    if not len(looks):
        return []
    before, now = current_decisions(json.loads(looks["decisions"].iloc[0])), plan.decisions()
    if any(str(value).startswith("sha256:") for value in before.values()):
        now = _collapsed(now)
    return changed_decisions(before, now)


def changed_decisions(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Return the decisions that differ between two plans.

    Parameters
    ----------
    before, now : decisions as `ReviewPlan.decisions` gives them

    Returns
    -------
    list of (what, before, now), for example ``("analysis.margin_pct", "2", "3")``
    """
    changes = []
    for what in sorted(before.keys() | now.keys()):
        if before.get(what) != now.get(what):
            changes += _changes(what, before.get(what), now.get(what))
    return changes


def _partition(tokens: Mapping[str, str], groups: Mapping[str, Any]) -> str:
    """Return a hash of which runs belong together, whatever the groups are called."""
    members: dict[Any, list[str]] = {}
    for run, token in tokens.items():
        members.setdefault(groups[run], []).append(token)
    return _hash(sorted(_hash(sorted(one)) for one in members.values()))


def _hash(parts: Iterable[str]) -> str:
    """Return the SHA-256 of texts in their order."""
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _damage(cells: SheetCells) -> Iterable[Fault]:
    """Yield what keeps a file of looks from being counted."""
    if sorted(cells.headings) != sorted(LOOKS.names):
        problem = f"the columns are not {', '.join(LOOKS.names)}."
        yield Fault(cells.file, problem, _RESTORE)
        return
    place = {name: cells.headings.index(name) for name in LOOKS.names}
    for number, (line, row) in enumerate(cells.rows, start=1):
        where = f"{cells.file}, line {line}"
        if row[place["look"]] != str(number):
            yield Fault(where, f"look {row[place['look']]!r} was found; {number} is expected.", _RESTORE)
        if not _SHA256.fullmatch(row[place["used_runs_sha256"]]):
            yield Fault(where, "the hash of the used runs is damaged.", _RESTORE)
        if number == 1 and not _is_table(row[place["decisions"]]):
            yield Fault(where, "the decisions before the first look are damaged.", _RESTORE)


def _is_table(text: str) -> bool:
    """Return whether a text is a JSON object."""
    try:
        return isinstance(json.loads(text), dict)
    except ValueError:
        return False


def _replace(file: Path, rows: Iterable[tuple]) -> None:
    """Write the looks beside the file, then put them in its place."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(LOOKS.names)
    writer.writerows(rows)
    beside = file.with_name(f"{file.name}.{os.getpid()}.part")
    try:
        beside.write_text(text.getvalue(), encoding="utf-8", newline="\n")
        os.replace(beside, file)
    except OSError as error:
        beside.unlink(missing_ok=True)
        problem = f"the look cannot be written down ({error.strerror})."
        raise ReportError(Fault(file.name, problem, "Make the review folder writable.")) from error


def _as_json(decisions: Mapping[str, Any]) -> str:
    """Return decisions as one line of JSON."""
    return json.dumps(decisions, sort_keys=True, ensure_ascii=False)


def _storable(decisions: dict[str, Any]) -> dict[str, Any]:
    """Return decisions that fit into a cell."""
    return decisions if len(_as_json(decisions)) <= _LONGEST_CELL else _collapsed(decisions)


def _collapsed(decisions: Mapping[str, Any]) -> dict[str, Any]:
    """Return decisions with what is measured as one hash per section; the rules stay in full."""
    kept = {key: value for key, value in decisions.items() if key.partition(".")[0] in _RULES}
    rest: dict[str, dict[str, Any]] = {}
    for key in decisions.keys() - kept.keys():
        rest.setdefault(key.partition(".")[0], {})[key] = decisions[key]
    return kept | {section: f"sha256:{_hash([_as_json(part)])}" for section, part in rest.items()}


def _changes(what: str, before: Any, now: Any) -> list[tuple[str, str, str]]:
    """Return what changed in one decision; entries of a list of tables are told key by key."""
    if isinstance(before, dict) and isinstance(now, dict):
        keys = sorted(key for key in before.keys() | now.keys() if before.get(key) != now.get(key))
        return [(f"{what}.{key}", _as_text(before.get(key)), _as_text(now.get(key))) for key in keys]
    if isinstance(before, dict) or isinstance(now, dict):
        return [(what, *("not in the plan" if one is None else "in the plan" for one in (before, now)))]
    return [(what, _as_text(before), _as_text(now))]


def _as_text(value: Any) -> str:
    """Return a plain JSON value as a reader would write it."""
    if value is None or value == "":
        return "not given"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return ", ".join(_as_text(one) for one in value) or "none"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_as_text(one)}" for key, one in sorted(value.items())) or "none"
    return str(value)
