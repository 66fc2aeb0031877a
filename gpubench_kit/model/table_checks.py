"""Tables held against their declarations, and against the names of the plan."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import product

import pandas as pd

from gpubench_kit.model.errors import Fault, TableError, listed
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import COMPARISONS, OVERALL, Table

#: What the plan names.
_NAMED = ("tuning", "card", "bench", "game")


def check_columns(frame: pd.DataFrame, needed: Iterable[str], *, table: str) -> None:
    """Refuse a table that lacks a column.

    Parameters
    ----------
    frame : DataFrame to check
    needed : names of the columns that it must have
    table : name of the table

    Raises
    ------
    TableError : with the names of those that are missing, and of those found
    """
    missing = [name for name in needed if name not in frame]
    if missing:
        problem = f"column {listed(missing)} is missing (found: {listed(frame.columns)})."
        raise TableError(
            Fault(f"table '{table}'", problem, "Give the table that the kit made, with all its columns.")
        )


def check_table(frame: pd.DataFrame, table: Table) -> None:
    """Raise one error that lists every way in which a table breaks its declaration.

    Parameters
    ----------
    frame : DataFrame to check
    table : its declaration

    Raises
    ------
    TableError : a declared column is missing, a key is not unique, or a value is not allowed
    """
    check_columns(frame, table.names, table=table.name)
    where, faults = f"table '{table.name}'", []
    repeated = frame[frame.duplicated(list(table.key), keep=False)]
    if len(repeated):
        first = ", ".join(f"{name} = {repeated.iloc[0][name]!r}" for name in table.key)
        problem = f"{len(repeated)} rows share their key, first: {first}. One row per {table.row} is expected."
        faults.append(Fault(where, problem))
    for column in (column for column in table.columns if column.allowed):
        found = set(map(str, frame[column.name].dropna().unique())) - set(column.allowed) - {""}
        if found:
            problem = f"column '{column.name}' holds {listed(sorted(found))}; allowed: {listed(column.allowed)}."
            faults.append(Fault(where, problem))
    if faults:
        raise TableError(faults)


def check_usable(usable: pd.DataFrame, plan: ReviewPlan) -> None:
    """Refuse a table of runs that lacks a column, or has names that the plan does not have.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    plan : ReviewPlan, names cards, benches, tunings and games

    Raises
    ------
    TableError : each column that is missing, and each name that the plan does not have, is listed
    """
    check_columns(usable, ("run", "card", "tuning", "game", "metric", "value"), table="usable")
    _check_names([("usable", usable)], plan, {one: (one,) for one in _NAMED})


def check_results(comparisons: pd.DataFrame, overall: pd.DataFrame, plan: ReviewPlan) -> None:
    """Refuse tables of results that break their declaration, or have names that the plan does not have.

    Parameters
    ----------
    comparisons, overall : DataFrames, see ``tables.COMPARISONS`` and ``tables.OVERALL``
    plan : ReviewPlan, names cards, benches, tunings and games

    Raises
    ------
    TableError : every fault of the first table that is not as declared, or every name unknown in both
    """
    check_table(comparisons, COMPARISONS)
    check_table(overall, OVERALL)
    columns = {one: (one, f"of_{one}", f"against_{one}") for one in _NAMED}
    _check_names([("comparisons", comparisons), ("overall", overall)], plan, columns)


def known_names(plan: ReviewPlan) -> dict[str, set[str]]:
    """Return the names that a table of runs may hold: those of tunings, cards and games, and of benches if any."""
    known = {
        "tuning": {one.name for one in plan.tunings},
        "card": {name for card in plan.cards for name in (card.name, card.model)} | {""},
        "game": {one.name for one in plan.games},
    }
    # Without names in the plan, runs of several benches are compared with none: the rows say so.
    if any(one.name for one in plan.benches):
        known["bench"] = {one.name for one in plan.benches} | {""}
    return known


def _check_names(
    tables: Iterable[tuple[str, pd.DataFrame]], plan: ReviewPlan, columns: Mapping[str, tuple[str, ...]]
) -> None:
    """Refuse tables with names that the plan does not have: their rows would go into nothing without a word."""
    faults = []
    for (table, frame), (kind, names) in product(tables, known_names(plan).items()):
        there = [frame[column].fillna("") for column in columns[kind] if column in frame]
        unknown = set().union(*(column.unique() for column in there)) - names
        if unknown:
            of_plan = listed(sorted(names - {""}))
            problem = f"{kind} {listed(sorted(unknown))} is not in the plan ({kind}s: {of_plan})."
            action = "Give tables of this review, or add the name to plan.toml."
            faults.append(Fault(f"table '{table}'", problem, action))
    if faults:
        raise TableError(faults)
