"""Looks at verdicts: ``looks.csv`` of a review folder counts them, ``looks_given.csv`` keeps what each one gave.

A look is a new set of used runs shown with verdicts. Making the same report again is none, and neither is a
corrected name; more looks need a stricter level (Pocock 1977), so each is written down.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import pandas as pd

from gpubench_kit import __version__
from gpubench_kit.files import Busy, locked
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.formats import changed_decisions, current_decisions, is_before_rules
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import check_plan, usable_rows
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.sheet.look_files import (
    GIVEN_FILE,
    LOOKS,
    LOOKS_FILE,
    hash_of,
    named_by_hash,
    read_given,
    read_looks,
    replace_table,
)
from gpubench_kit.wording.catalogue import say

#: A notebook that a report runs leaves counting to the report, which counts once it is whole.
COUNTED_BY_REPORT = "GPUBENCH_KIT_LOOK_IS_COUNTED_BY_REPORT"

#: Two reports of one review, made in two places, write down their looks one after the other.
_LOCK, _WAIT_S = ".looks.lock", 60.0

#: Names of what was measured are left out on purpose: a corrected name makes no new look.
_GROUPINGS = ("card", "bench", "tuning", "game", "setting")
_ROW = (*_GROUPINGS, "session", "round")
#: Longer cells are more than CSV readers take; whole sections are then kept as one hash each.
_LONGEST_CELL = 100_000
#: Ends the name of a metric whose value was only likely at a look.
_LIKELY, _NOT_CONFIRMED = "?=likely", "format_not_confirmed"
_RULES = ("analysis", "exclude", "checks")
_KEYS = {
    "game": (*PAIR_KEY, "game", "setting", "group", "metric"),
    "overall": (*PAIR_KEY, "group", "scope", "metric"),
}


def run_ids(runs: pd.DataFrame) -> list[str]:
    """Return what each run is known by at every look: its frame log or, where it has none, its row.

    Parameters
    ----------
    runs : one row per row of the run sheet, in its order; see ``tables.RUNS``

    Returns
    -------
    list of str; names of runs and of files do not enter. Runs known by their logs start with ``f``
    """
    rows = runs.reindex(columns=["frame_log_sha256", *_ROW])
    columns = [["" if pd.isna(cell) else str(cell) for cell in rows[name].tolist()] for name in rows.columns]
    seen, ids = Counter[str](), []
    for log, *cells in zip(*columns, strict=True):
        known = log or "\0".join(cells)
        ids.append(("f" if log else "r") + hash_of([known, str(seen[known])])[:9])
        seen[known] += 1
    return ids


def values_fingerprint(usable: pd.DataFrame) -> str:
    """Return a hash of the used runs by their values, whatever anything is called.

    Parameters
    ----------
    usable : one row per used run and metric; see ``tables.USABLE``

    Notes
    -----
    Values count to nine digits, so that another machine's last bit makes no new look.
    """
    rows = usable.assign(
        token=[f"{one}={value:.9g}" for one, value in zip(usable["metric"], usable["value"], strict=True)]
    )
    return _partitions(rows.groupby("run", sort=False)["token"].agg(lambda one: hash_of(sorted(one))), usable)


def runs_fingerprint(usable: pd.DataFrame) -> str:
    """Return a hash of the used runs by what they are known by, and of which belong together.

    Parameters
    ----------
    usable : one row per used run and metric; see ``tables.USABLE``
    """
    return _partitions(usable.drop_duplicates("run").set_index("run")["run_id"], usable)


def runs_behind(usable: pd.DataFrame, rows: pd.DataFrame) -> list[str]:
    """Return the used runs behind each comparison or result: those of one side, a slash, those of the other.

    Parameters
    ----------
    usable : one row per used run and metric; see ``tables.USABLE``
    rows : rows with the columns of a pair, ``metric`` and ``group``; those of single games also ``game, setting``
    """
    wanted = [METRICS[name].purpose if name in METRICS else "" for name in usable["metric"]]
    usable = usable[(usable["purpose"] == wanted) & usable["value"].notna()]
    place = ["metric", *(("game", "setting") if "game" in rows else ("group",))]
    sides: dict[tuple, dict[tuple, str]] = {}

    def of_side(row: dict[str, Any], side: str) -> str:
        card, tuning, bench = subject = tuple(row[f"{side}_{one}"] for one in ("card", "tuning", "bench"))
        if subject not in sides:
            # An empty card or bench stands for any.
            fits = usable["tuning"] == tuning
            if card:
                fits &= (usable["card"] == card) | (usable.get("model", usable["card"]) == card)
            if bench:
                fits &= usable["bench"] == bench
            sides[subject] = usable[fits].groupby(place)["run_id"].agg(lambda ids: " ".join(sorted(ids))).to_dict()
        return sides[subject].get(tuple(row[one] for one in place), "")

    return ["/".join(of_side(row, side) for side in ("of", "against")) for row in rows.to_dict("records")]


def keys_of(rows: pd.DataFrame, kind: str) -> list[str]:
    """Return what each comparison (``game``) or result (``overall``) is known by at every look."""
    return [
        json.dumps(one, ensure_ascii=False) for one in rows[list(_KEYS[kind])].itertuples(index=False, name=None)
    ]


@dataclass(frozen=True)
class Looks:
    """The looks at the verdicts of a review, the present one included.

    Attributes
    ----------
    asked : the plan as it is now
    usable : used runs about to be shown with verdicts; None where none are
    rows : looks made so far, see `LOOKS`
    kept : what they gave, see `GIVEN`
    """

    asked: ReviewPlan
    usable: pd.DataFrame | None
    rows: pd.DataFrame
    kept: pd.DataFrame = field(repr=False)

    def __repr__(self) -> str:
        return f"Looks: {self.made} of {self.asked.analysis.looks} planned"

    @cached_property
    def plan(self) -> ReviewPlan:
        """The plan with the number of looks and the confidence of the first look: neither is eased afterwards."""
        if not len(self.rows) or is_before_rules(self.rows["kit_version"].iloc[0]):
            return self.asked
        first, now = json.loads(self.rows["decisions"].iloc[0]), self.asked.analysis
        confidence = max(first.get("analysis.confidence", now.confidence), now.confidence)
        pinned = {"looks": first.get("analysis.looks", now.looks), "confidence": confidence}
        return self.asked.model_copy(update={"analysis": now.model_copy(update=pinned)})

    @cached_property
    def hashes(self) -> tuple[str, str]:
        """Hashes of the used runs, by their values and by what they are known by."""
        return values_fingerprint(self.usable), runs_fingerprint(self.usable)

    @cached_property
    def known(self) -> int:
        """Number of the look that showed these very runs; 0 for none."""
        if self.usable is None:
            return 0
        values, runs = self.hashes
        same = (self.rows["used_runs_sha256"] == values) | (self.rows["runs_sha256"] == runs)
        return int(self.rows.loc[same, "look"].max()) if same.any() else 0

    @property
    def made(self) -> int:
        """Looks made, the present one included."""
        return len(self.rows) + int(self._shows_runs and not self.known)

    @property
    def _shows_runs(self) -> bool:
        """Whether any run is shown: without one there is no verdict, and no look."""
        return self.usable is not None and len(self.usable) > 0

    @cached_property
    def changes(self) -> list[tuple[str, str, str]]:
        """Decisions changed since the first look: what, before, now."""
        return decisions_changed(self.rows, self.asked)

    @cached_property
    def confirmed(self) -> dict[str, int]:
        """Metrics whose values were only likely at a look and are sure now, with the last such look."""
        if self.usable is None or not len(self.kept):
            return {}
        sure = self.usable[self.usable["withheld_for"] != _NOT_CONFIRMED]
        now = set(zip(sure["run_id"], sure["metric"], strict=True))
        shown = self.kept[self.kept["kind"] == "run"].sort_values("look").itertuples()
        likely = ((metric, row.key, int(row.look)) for row in shown for metric in _likely(row.numbers))
        return {metric: look for metric, run, look in likely if (run, metric) in now}

    @property
    def foreseen(self) -> frozenset[str] | None:
        """Keys of the claims written before the first look with verdicts; None where all were, or nobody knows."""
        given = self.kept[self.kept["kind"].isin(_KEYS)]
        claims = self.kept[self.kept["kind"] == "claim"]
        if not len(given) or (self.rows["kit_version"].iloc[:1] == "").any():
            return None
        return frozenset(claims.loc[claims["look"] <= given["look"].min(), "key"])

    @cached_property
    def moved(self) -> pd.DataFrame:
        """Values of runs that differ from what a look showed, and whether anything explains it."""
        kept = self.kept[self.kept["kind"] == "run"].drop_duplicates("key", keep="last").set_index("key")
        columns = ["run", "run_id", "metric", "look", "before", "now", "is_explained"]
        if self.usable is None or not len(kept):
            return pd.DataFrame(columns=columns)
        version = self.rows.set_index("look")["kit_version"]
        found = []
        for row in self.usable[self.usable["run_id"].isin(kept.index)].itertuples():
            numbers = dict(one.split("=", 1) for one in kept.at[row.run_id, "numbers"].split())
            before = numbers.get(row.metric)
            if before is None or before == f"{row.value:.9g}":
                continue
            look = int(kept.at[row.run_id, "look"])
            # Another version may read a log otherwise; what was typed stays what it is.
            is_explained = bool(row.corrected) or (row.run_id[0] == "f" and version[look] != __version__)
            found.append((row.run, row.run_id, row.metric, look, float(before), row.value, is_explained))
        return pd.DataFrame(found, columns=columns)

    @cached_property
    def missing(self) -> list[str]:
        """Names of runs that the latest look used and that are not used now."""
        if self.usable is None:
            return []
        last = self.kept[(self.kept["kind"] == "run") & (self.kept["look"] == len(self.rows))]
        return [json.loads(one) for one in last.loc[~last["key"].isin(set(self.usable["run_id"])), "runs"]]

    def record(self, comparisons: pd.DataFrame | None = None, overall: pd.DataFrame | None = None) -> str:
        """Write the present look down, unless these runs were shown before, and return a sentence on it.

        Parameters
        ----------
        comparisons, overall : verdicts shown, see ``tables.COMPARISONS`` and ``tables.OVERALL``; None for none

        Raises
        ------
        TableError : a file of looks is damaged
        ReportError : it cannot be written

        Notes
        -----
        Either file is replaced in one step, what was given first: a kill between them leaves rows that no look
        names. A report made again on the runs of the latest look replaces what that look gave, apart from the
        claims it foresaw and from values that changed without a reason.
        """
        if not self._shows_runs:
            return say("look.none")
        if COUNTED_BY_REPORT not in os.environ and self.known in (0, len(self.rows)):
            try:
                with locked(self.asked.folder / _LOCK, wait_s=_WAIT_S):
                    open_looks(self.asked, self.usable)._write(comparisons, overall)
            except Busy:
                problem = "another command of the kit has been writing it for a minute."
                raise ReportError(Fault(LOOKS_FILE, problem, "Wait until that is done, and call again.")) from None
            except OSError:
                # Where nothing can be written, nobody else writes: a look that is known is counted all the same.
                open_looks(self.asked, self.usable)._write(comparisons, overall)
        usable: pd.DataFrame = self.usable
        n_runs = usable["run"].nunique()
        return say("look.made", n=n_runs, made=self.made, planned=self.plan.analysis.looks)

    def _write(self, comparisons: pd.DataFrame | None, overall: pd.DataFrame | None) -> None:
        """Write both files, if they say anything new."""
        number, (values, runs) = self.known or self.made, self.hashes
        mine = self.kept["look"] == number
        given = named_by_hash(self._given(number, comparisons, overall))
        name = given["given"].iloc[0]
        now = {"used_runs_sha256": values, "runs_sha256": runs, "kit_version": __version__, "given": name}
        rows = self.rows.copy()
        if self.known:
            place = rows.index[rows["look"] == number][0]
            if all(rows.at[place, column] == text for column, text in now.items()):
                return
            rows.loc[place, list(now)] = list(now.values())
        else:
            decisions = "" if len(rows) else _as_json(self.asked.decisions())
            if len(decisions) > _LONGEST_CELL:
                decisions = _as_json(_collapsed(self.asked.decisions()))
            made = {"look": number, "plan_fingerprint": self.asked.fingerprint, "decisions": decisions, **now}
            rows = LOOKS.frame([*rows.to_dict("records"), made])
        kept = self.kept if name in set(self.kept["given"]) else pd.concat([self.kept, given], ignore_index=True)
        replace_table(self.plan.folder / GIVEN_FILE, kept)
        replace_table(self.plan.folder / LOOKS_FILE, rows)
        if mine.any() and name not in set(self.kept.loc[mine, "given"]):
            replace_table(self.plan.folder / GIVEN_FILE, kept[~kept["given"].isin(self.kept.loc[mine, "given"])])

    def _given(self, number: int, comparisons, overall) -> Iterator[dict[str, Any]]:
        """Yield what a look gives: claims, values of runs, verdicts."""
        before = self.kept[self.kept["look"] == number]
        claims = before.loc[before["kind"] == "claim", "key"]
        if not before["kind"].isin(_KEYS).any():
            claims = map(self.plan.claim_key, self.plan.claims)
        for key in dict.fromkeys(claims):
            yield {"look": number, "kind": "claim", "key": key}
        unexplained = self.moved[~self.moved["is_explained"].astype(bool)]
        stands = {(row.run_id, row.metric): row.before for row in unexplained.itertuples()}
        kept = before[before["kind"] == "run"].set_index("key")["numbers"]
        usable: pd.DataFrame = self.usable
        for key, part in usable.sort_values(["run_id", "metric"]).groupby("run_id"):
            # What is only likely was shown run by run, never as a difference: it may become another number.
            is_likely = part["withheld_for"] == _NOT_CONFIRMED
            sure = part[~is_likely]
            numbers = zip(sure["metric"], sure["value"], strict=True)
            told = [f"{metric}={stands.get((key, metric), value):.9g}" for metric, value in numbers]
            likely = {*_likely(kept.get(key, "")), *part.loc[is_likely, "metric"]}
            told += [f"{metric}{_LIKELY}" for metric in sorted(likely)]
            names = {"runs": json.dumps(part["run"].iloc[0], ensure_ascii=False), "numbers": " ".join(told)}
            yield {"look": number, "kind": "run", "key": key, **names}
        level = None if overall is None else overall["level"].dropna().max()
        for kind, table in (("game", comparisons), ("overall", overall)):
            if table is None:
                yield from before[before["kind"] == kind].drop(columns="given").to_dict("records")
                continue
            rows = table[table["verdict"] != "no_verdict"].assign(look=number, kind=kind)
            columns = ["look", "kind", "share", "margin", "verdict", "no_loss"]
            rows = rows.assign(key=keys_of(rows, kind), runs=runs_behind(self.usable, rows), level=level)
            yield from rows.reindex(columns=[*columns, "key", "runs", "level"]).to_dict("records")


def open_looks(plan: ReviewPlan, usable: pd.DataFrame | None = None) -> Looks:
    """Return the looks at the verdicts of a review.

    Parameters
    ----------
    plan : ReviewPlan, with its folder
    usable : used runs about to be shown with verdicts, see ``tables.USABLE``; None where none are

    Returns
    -------
    Looks

    Raises
    ------
    TableError : a file of looks cannot be read, is lost, or is not as `Looks.record` writes it; ``usable`` cannot
        be used, see `gpubench_kit.model.table_checks.usable_rows`
    """
    check_plan(plan)
    if usable is not None:
        usable = usable_rows(usable, plan)
        ids = usable["run_id"] if "run_id" in usable else usable["run"]
        fill = {name: usable.get(name, "") for name in (*_GROUPINGS, "corrected")}
        fill |= {"withheld_for": usable.get("withheld_for", "")}
        fill |= {name: usable[name] for name in ("group", "purpose")}
        usable = usable.assign(run_id=ids, **fill)
        usable[list(fill)] = usable[list(fill)].astype("object").where(usable[list(fill)].notna(), "")
        usable = usable[usable["value"].notna()]
    rows = read_looks(plan.folder)
    return Looks(plan, usable, rows, read_given(plan.folder, rows))


def decisions_changed(looks: pd.DataFrame, plan: ReviewPlan) -> list[tuple[str, str, str]]:
    """Return the decisions that differ from those before the first look.

    Parameters
    ----------
    looks : see `read_looks`
    plan : the plan as it is now

    Returns
    -------
    list of (what, before, now), for example ``("analysis.margin_pct", "2", "3")``; empty where nothing
    changed or no look was made. What the kit itself judges otherwise since then comes first, as one change
    """
    if not len(looks):
        return []
    before, now = current_decisions(json.loads(looks["decisions"].iloc[0])), plan.decisions()
    if any(str(value).startswith("sha256:") for value in before.values()):
        now = _collapsed(now)
    return changed_decisions(before, now, version=looks["kit_version"].iloc[0])


def _likely(text: str) -> list[str]:
    """Return the metrics of a run that were only likely, as kept."""
    return [one.removesuffix(_LIKELY) for one in text.split() if one.endswith(_LIKELY)]


def _partitions(tokens: pd.Series, usable: pd.DataFrame) -> str:
    """Return a hash of runs and of which belong together, whatever their groups are called."""
    rows = usable.drop_duplicates("run").set_index("run").reindex(columns=_GROUPINGS).loc[tokens.index]
    whole = list(rows.astype("object").where(rows.notna(), "").itertuples(index=False, name=None))
    hashes = []
    for names in (*zip(*whole, strict=True), whole):
        members: dict[Any, list[str]] = {}
        for name, token in zip(names, tokens, strict=True):
            members.setdefault(name, []).append(token)
        hashes.append(hash_of(sorted(hash_of(sorted(one)) for one in members.values())))
    return hash_of(hashes)


def _as_json(decisions: Mapping[str, Any]) -> str:
    """Return decisions as one line of JSON."""
    return json.dumps(decisions, sort_keys=True, ensure_ascii=False)


def _collapsed(decisions: Mapping[str, Any]) -> dict[str, Any]:
    """Return decisions with what is measured as one hash per section; the rules stay in full."""
    kept = {key: value for key, value in decisions.items() if key.partition(".")[0] in _RULES}
    rest: dict[str, dict[str, Any]] = {}
    for key in decisions.keys() - kept.keys():
        rest.setdefault(key.partition(".")[0], {})[key] = decisions[key]
    return kept | {section: f"sha256:{hash_of([_as_json(part)])}" for section, part in rest.items()}
