"""Tables held against their declarations, and against the names of the plan."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import product
from numbers import Real

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import Fault, PlanError, TableError, check_given, listed, nearest, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import COMPARISONS, METRIC_VALUES, OVERALL, PURPOSES, USABLE, Table

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
    named = getattr(frame, "_named", "")
    action = f"Give one of its tables: {named}." if named else "Give a table, such as review.metrics."
    check_given(frame, pd.DataFrame, where=f"table '{table}'", wanted="a DataFrame", action=action)
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


def usable_rows(usable: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return the rows of a table of runs that may enter verdicts, with columns that the plan tells, or refuse it.

    Parameters
    ----------
    usable : DataFrame, one row per run and metric; see ``tables.USABLE``. ``tables.METRIC_VALUES`` will do, too
    plan : ReviewPlan, names cards, benches, tunings, games and settings

    Returns
    -------
    DataFrame without rows whose ``used`` is false. What is only likely is withheld. A missing ``bench`` or
    ``setting`` is the plan's only one, a missing ``group`` that of the setting, a missing ``purpose`` measure

    Raises
    ------
    TableError : every column that is missing, run given twice, value that is no number, and name that neither the
        plan nor the kit has, is listed; or there is no value at all
    PlanError : ``plan`` is no plan
    """
    check_columns(usable, ("run", "card", "tuning", "game", "metric", "value"), table="usable")
    check_plan(plan)
    usable = _filled(usable, plan)
    names = {one: (one,) for one in (*_NAMED, "setting", "metric", "purpose")}
    faults = [*_value_faults(usable), *_repeated_faults(usable), *_name_faults([("usable", usable)], plan, names)]
    if faults:
        raise TableError(faults)
    used = usable[usable["used"].fillna(False).astype(bool)] if "used" in usable else usable
    if len(usable) and used["value"].isna().all():
        problem = "no row has a value that counts (column 'value', and 'used' where there is one)."
        raise TableError(Fault("table 'usable'", problem, "Give the values of runs that are used."))
    return used


def check_plan(plan: object) -> None:
    """Refuse what is no plan.

    Parameters
    ----------
    plan : what was given

    Raises
    ------
    PlanError : it is something else
    """
    action = "Give kit.load_plan(folder), or the `plan` of a result, such as review.plan."
    check_given(plan, ReviewPlan, where="plan", wanted="a plan", action=action, error=PlanError)


def _filled(usable: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return a table of runs with the columns that it lacks and the plan tells."""
    settings = {game.name: [one.name for one in game.settings] for game in plan.games}
    groups = {(game.name, one.name): one.group for game in plan.games for one in game.settings}
    if "bench" not in usable:
        if len(plan.benches) > 1:
            check_columns(usable, ("bench",), table="usable")
        usable = usable.assign(bench=plan.benches[0].name)
    if "setting" not in usable:
        if any(len(settings.get(game, ())) > 1 for game in usable["game"].unique()):
            check_columns(usable, ("setting",), table="usable")
        usable = usable.assign(setting=[settings.get(game, [""])[0] for game in usable["game"]])
    if "group" not in usable:
        scenes = zip(usable["game"], usable["setting"], strict=True)
        usable = usable.assign(group=[groups.get(scene, "all") for scene in scenes])
    if "purpose" not in usable:
        usable = usable.assign(purpose="measure")
    if "certainty" in usable and "withheld_for" not in usable:
        withheld = {"likely": "format_not_confirmed"}
        usable = usable.assign(withheld_for=[withheld.get(one, "") for one in usable["certainty"]])
    return usable


def _value_faults(usable: pd.DataFrame) -> Iterator[Fault]:
    """Yield each column whose numbers or truth values are something else: a library would stumble over them."""
    for column in METRIC_VALUES.columns:
        if column.kind == "text" or column.name not in usable:
            continue
        found, is_truth = usable[column.name], column.kind == "truth"
        if getattr(found.dtype, "kind", "O") in ("b" if is_truth else "biuf"):
            continue
        kind = "true or false" if is_truth else "a number"
        wrong = [one for one in found.dropna() if not isinstance(one, (bool, np.bool_) if is_truth else Real)]
        if wrong:
            problem = f"column '{column.name}' holds {shown(wrong[0])}; {kind} is expected."
            yield Fault("table 'usable'", problem, "Correct the table, or leave that run out.")


def _repeated_faults(usable: pd.DataFrame) -> Iterator[Fault]:
    """Yield the runs that a table holds more than once: each copy would count as a further run."""
    is_repeated = usable.duplicated(list(USABLE.key))
    if is_repeated.any():
        runs = listed(usable.loc[is_repeated, "run"].unique())
        problem = f"run {runs} is given more than once; one row per {USABLE.row} is expected."
        yield Fault("table 'usable'", problem, "Give each run once, and runs of two reviews by names of their own.")


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
    check_plan(plan)
    check_table(comparisons, COMPARISONS)
    check_table(overall, OVERALL)
    columns = {one: (one, f"of_{one}", f"against_{one}") for one in _NAMED}
    faults = [*_name_faults([("comparisons", comparisons), ("overall", overall)], plan, columns)]
    if faults:
        raise TableError(faults)


def known_names(plan: ReviewPlan) -> dict[str, set[str]]:
    """Return the names that a table of runs may hold: of tunings, cards, games, benches and settings.

    Parameters
    ----------
    plan : of the review. Of benches and settings, which it need not name, there is no entry where it names none
    """
    known = {
        "tuning": {one.name for one in plan.tunings},
        "card": {name for card in plan.cards for name in (card.name, card.model)} | {""},
        "game": {one.name for one in plan.games},
    }
    # Without names in the plan, runs of several benches are compared with none: the rows say so.
    benches = {one.name for one in plan.benches}
    settings = {one.name for game in plan.games for one in game.settings}
    return known | {kind: {*names, ""} for kind, names in (("bench", benches), ("setting", settings)) if any(names)}


def _name_faults(
    tables: Iterable[tuple[str, pd.DataFrame]], plan: ReviewPlan, columns: Mapping[str, tuple[str, ...]]
) -> Iterator[Fault]:
    """Yield names in tables that nobody knows: their rows would go into nothing without a word."""
    known = known_names(plan) | {"metric": set(METRICS), "purpose": {*PURPOSES, ""}}
    for (table, frame), kind in product(tables, columns):
        names = known.get(kind)
        if names is None:
            continue
        there = [frame[column].fillna("") for column in columns[kind] if column in frame]
        unknown = sorted(set().union(*(one.unique() for one in there)) - names, key=str)
        if unknown:
            yield _unknown(kind, unknown, sorted(names - {""}), table=table)


def _unknown(kind: str, unknown: list, known: list[str], *, table: str) -> Fault:
    """Return the fault of names that nobody knows."""
    is_kits, near = kind in ("metric", "purpose"), nearest(str(unknown[0]), known)
    of = "known" if is_kits else "in the plan"
    problem = f"{kind} {listed(unknown)} is not {of} ({kind}s: {listed(known)})."
    action = f"Did you mean {shown(near)}?" if near else "Name one of them."
    if not is_kits:
        action = "Give tables of this review, or add the name to plan.toml."
    return Fault(f"table '{table}'", problem, action)
