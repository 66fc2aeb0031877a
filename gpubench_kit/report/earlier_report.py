"""A report made before, read from its manifest, and what changed since: the errata of a report made again."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.formats import (
    FORMAT_VERSION,
    OLDEST_FORMAT,
    RULES_VERSION,
    changed_decisions,
    current_manifest,
    is_before_rules,
)
from gpubench_kit.model.tables import PAIR_KEY, Column, Table
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.terms import metric_of, unit_of_change

MANIFEST = "manifest.json"

#: What a manifest says of the report before: it is no part of what the report itself holds.
PREVIOUS = "previous"

_PAGE, _DESCRIPTION = "index.html", "tables/datapackage.json"
_ACTION = "Name the folder of a report, as `report` wrote it."
_COPY_AGAIN = "Copy it again from where it was published."


class _Lax(BaseModel):
    """Part of a manifest; what else it holds is kept."""

    model_config = ConfigDict(extra="allow", strict=True)


class _Result(_Lax):
    """One result of a manifest, as far as it is compared with a later one."""

    of_card: str
    of_tuning: str
    of_bench: str
    against_card: str
    against_tuning: str
    against_bench: str
    metric: str
    verdict: Literal[*VERDICTS]  # type: ignore[valid-type]
    no_loss: bool | None = None
    reason: str | None = None
    change: float | None
    ci_low: float | None
    ci_high: float | None
    margin: float | None


class _OverGames(_Result):
    """One result over games."""

    group: str
    scope: str


class _InGame(_Result):
    """One result in a game."""

    game: str
    setting: str


class _Claim(_Lax):
    """One sentence of the script with its outcome."""

    id: str
    text: str
    verdict: str


class _Verdicts(_Lax):
    """All results of a manifest."""

    overall: list[_OverGames]
    games: list[_InGame]
    claims: list[_Claim] | None = None


class _Card(_Lax):
    """One card."""

    name: str


class _Measured(_Lax):
    """What was measured."""

    cards: list[_Card]


class _Corrections(_Lax):
    """What a manifest says of the reports before it."""

    fingerprint: str
    corrections: list[dict[str, Any]] = Field(default_factory=list)


class _Manifest(_Lax):
    """A manifest, as far as it is compared with a later one."""

    title: str
    plan_fingerprint: str
    looks_made: int
    inputs: dict[str, str]
    versions: dict[str, str]
    verdicts: _Verdicts
    measured: _Measured | None = None
    decisions: dict[str, Any] | None = None
    previous: _Corrections | None = None


@dataclass(frozen=True)
class EarlierReport:
    """A report that was made before.

    Attributes
    ----------
    written : what made it, and what it found: the manifest as it was written
    manifest : the same under the names that columns have now
    fingerprint : hash of the manifest as written, without what it says of the reports before it
    """

    written: Mapping[str, Any]

    @cached_property
    def manifest(self) -> Mapping[str, Any]:
        """What made it, and what it found, under the names of now."""
        return current_manifest(self.written)

    @property
    def fingerprint(self) -> str:
        """Hash of what the report holds."""
        return fingerprint_of(self.written)

    @property
    def corrections(self) -> list[dict[str, Any]]:
        """Rows of what was corrected up to this report, see ``changes.CHANGES``."""
        return list((self.manifest.get(PREVIOUS) or {}).get("corrections", ()))


def fingerprint_of(manifest: Mapping[str, Any]) -> str:
    """Return a hash of what a report holds: its manifest without what it says of the reports before it.

    Parameters
    ----------
    manifest : content of ``manifest.json``
    """
    own = {name: value for name, value in manifest.items() if name != PREVIOUS}
    return hashlib.sha256(json.dumps(own, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def read_earlier(report: str | Path) -> EarlierReport:
    """Return a report that was made before.

    Parameters
    ----------
    report : its folder

    Returns
    -------
    EarlierReport

    Raises
    ------
    ReportError : there is no report, it is not whole or damaged, or a newer version of the kit made it
    """
    folder = Path(report)
    where = f"previous report '{folder.name}'"
    manifest = _manifest_in(folder, where)
    made_with = manifest.get("format_version")
    if not isinstance(made_with, int) or isinstance(made_with, bool) or made_with < OLDEST_FORMAT:
        raise ReportError(Fault(where, f"its {MANIFEST} states no format version, so it is no report.", _ACTION))
    if made_with > FORMAT_VERSION:
        problem = f"a newer version of the kit made it (format {made_with}; this kit reads up to {FORMAT_VERSION})."
        raise ReportError(Fault(where, problem, "Update the kit."))
    try:
        _Manifest.model_validate(current_manifest(manifest))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(one) for one in first["loc"])
        problem = f"its {MANIFEST} is damaged ({place}: {first['msg'].lower()})."
        raise ReportError(Fault(where, problem, _COPY_AGAIN)) from None
    if lacking := lacking_in(folder):
        raise ReportError(Fault(where, f"it is not whole: {lacking}.", _COPY_AGAIN))
    return EarlierReport(manifest)


def lacking_in(report: Path) -> str:
    """Return the first thing that a report lacks or that is not as it was made; empty for a whole report.

    Parameters
    ----------
    report : its folder
    """
    try:
        if not (report / _PAGE).read_bytes().rstrip().endswith(b"</html>"):
            return f"'{_PAGE}' is cut off"
        for one in json.loads((report / _DESCRIPTION).read_text(encoding="utf-8"))["resources"]:
            digest = hashlib.sha256((report / "tables" / one["path"]).read_bytes()).hexdigest()
            if one["hash"] != f"sha256:{digest}":
                return f"'tables/{one['path']}' is not as it was made"
    except OSError as error:
        return f"'{Path(error.filename or '').name}' cannot be read ({error.strerror})"
    except (ValueError, KeyError, TypeError):
        return f"'{_DESCRIPTION}' is damaged"
    return ""


def _manifest_in(folder: Path, where: str) -> dict[str, Any]:
    """Return the manifest in a folder."""
    if not folder.is_dir():
        raise ReportError(Fault(where, f"there is no such folder ({folder}).", _ACTION))
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ReportError(Fault(where, f"it holds no {MANIFEST}, so it is no report.", _ACTION)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is cut off or no JSON"
        raise ReportError(Fault(where, f"its {MANIFEST} cannot be read ({reason}).", _ACTION)) from error
    if not isinstance(manifest, dict):
        raise ReportError(Fault(where, f"its {MANIFEST} holds no table of values.", _ACTION))
    return manifest


#: Kinds of change, as the page orders them: what a report says, then what it was made of.
SAID, MADE_OF = (
    ("overall", "game", "claim", "claim_text"),
    ("title", "input", "input_name", "decision", "version", "looks"),
)

_NUMBERS = ("change", "ci_low", "ci_high", "margin")


def _side(name: str, meaning: str) -> tuple[Column, ...]:
    """Return the columns of a result before, or now."""
    return (
        *(Column(f"{name}_{one}", "number", f"{one} {meaning}, in `unit`") for one in _NUMBERS),
        Column(f"{name}_reason", "text", f"reason of the verdict {meaning}"),
        Column(f"{name}_no_loss", "text", f"whether a loss was ruled out {meaning}", allowed=("true", "false")),
    )


CHANGES = Table(
    "changes", "correction, part, thing that changed and metric", ("correction", "part", "what", "metric"),
    (
        Column("correction", "integer", "number of the correction; the latest has the highest"),
        Column("part", "text", "kind of what changed", allowed=(*SAID, *MADE_OF)),
        Column("what", "text", "what changed: comparison, sentence, file, decision or package"),
        Column("metric", "text", "metric of a result"),
        Column("before", "text", "verdict, hash, value or version before; empty: it was not there"),
        Column("now", "text", "the same now; empty: it is no longer there"),
        Column("unit", "text", "unit of the numbers that follow"),
        *_side("before", "before"),
        *_side("now", "now"),
    ),
)  # fmt: skip


#: Values count to nine digits, so that another machine's last bit is no correction.
_DIGITS = 1e-9


def corrections_of(earlier: EarlierReport, manifest: Mapping[str, Any]) -> tuple[pd.DataFrame, bool]:
    """Return all corrections of a report up to now, and whether the latest is new.

    Parameters
    ----------
    earlier : the report that was made before
    manifest : what makes the report now, see `gpubench_kit.report.manifest.make_manifest`

    Returns
    -------
    (DataFrame, one row per change, see `CHANGES`; whether anything changed since the earlier report). Corrections
    that the earlier report lists stay listed.

    Raises
    ------
    ReportError : the earlier report is one of another review, or its list of corrections is damaged
    """
    check_same_review(earlier, manifest["title"], _cards(manifest))
    damage = ""
    try:
        kept = CHANGES.frame(earlier.corrections)
        if kept["correction"].isna().any() or not kept["part"].isin([*SAID, *MADE_OF]).all():
            damage = "a row has no number or no known kind"
    except (ValueError, TypeError) as error:
        damage = str(error).splitlines()[0]
    if damage:
        raise ReportError(Fault("previous report", f"its list of corrections is damaged ({damage}).", _COPY_AGAIN))
    number = int(kept["correction"].max()) + 1 if len(kept) else 1
    new = [{"correction": number, **row} for row in changes_between(earlier.manifest, manifest)]
    return CHANGES.frame([*kept.to_dict("records"), *new]), bool(new)


def changes_between(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield what changed between two reports, results first.

    Parameters
    ----------
    before, now : manifests of the two reports

    Yields
    ------
    dict : a row of `CHANGES` without its number
    """
    both = (before, now)
    with_card = len({card for one in both for card in _cards(one)}) > 1
    results = [one["verdicts"] for one in both]
    for part, key, names in (("overall", "overall", ("scope", "group")), ("game", "games", ("game", "setting"))):
        about = (*PAIR_KEY, *names, "metric")
        sides = [{tuple(row[name] for name in about): row for row in one[key]} for one in results]
        yield from _moved_results(part, *sides, with_card=with_card)
    yield from _moved_claims(*(one.get("claims") for one in results))
    yield from _moved("title", *({"title": one["title"]} for one in both))
    yield from _moved_inputs(before["inputs"], now["inputs"])
    if before.get("decisions") is None or now.get("decisions") is None:
        # A report that does not list them has their hash alone.
        yield from _moved("decision", *({say("changes.decisions_hash"): one["plan_fingerprint"]} for one in both))
    else:
        versions = [one["versions"].get("gpubench_kit", RULES_VERSION) for one in both]
        # Two reports by the same rules, however old, differ by what their plans say.
        version = RULES_VERSION if is_before_rules(versions[1]) else versions[0]
        for what, old, new in changed_decisions(before["decisions"], now["decisions"], version=version):
            yield {"part": "decision", "what": what, "metric": "", "before": old, "now": new}
    yield from _moved("version", before["versions"], now["versions"])
    yield from _moved("looks", *({say("changes.looks_made"): str(one["looks_made"])} for one in both))


def check_same_review(earlier: EarlierReport, title: str, cards: set[str]) -> None:
    """Refuse a report that has neither the title nor a card of this one.

    Parameters
    ----------
    earlier : the report that was made before
    title : title of the review
    cards : names of its cards

    Raises
    ------
    ReportError : it is a report of another review
    """
    before = _cards(earlier.manifest)
    if earlier.manifest["title"] == title or before & cards:
        return
    sides = (("there", earlier.manifest["title"], before), ("here", title, cards))
    text = "; ".join(f"{side}: “{one}” with {', '.join(sorted(names)) or 'no card'}" for side, one, names in sides)
    problem = f"it is of another review, which shares neither title nor card ({text})."
    raise ReportError(Fault("previous report", problem, "Name the earlier report of this review."))


def _cards(manifest: Mapping[str, Any]) -> set[str]:
    """Return the names of all cards of a report."""
    stated = {one["name"] for one in (manifest.get("measured") or {}).get("cards", ())}
    rows = [*manifest["verdicts"]["overall"], *manifest["verdicts"]["games"]]
    return stated | {row[side] for row in rows for side in ("of_card", "against_card")}


def _moved_results(part: str, before: Mapping, now: Mapping, *, with_card: bool) -> Iterator[dict[str, Any]]:
    """Yield the results whose verdict or numbers differ, in the order of the report now."""
    for key in dict.fromkeys([*now, *before]):
        sides = {"before": before.get(key), "now": now.get(key)}
        if _is_alike(*sides.values()):
            continue
        row = {"part": part, "what": _about(part, key, with_card=with_card), "metric": key[-1]}
        row["unit"] = unit_of_change(metric_of(key[-1]))
        for name, one in sides.items():
            row[name] = "" if one is None else one["verdict"]
            if one is not None:
                no_loss = one.get("no_loss")
                row |= {f"{name}_{number}": one[number] for number in _NUMBERS}
                row[f"{name}_reason"] = one.get("reason") or ""
                row[f"{name}_no_loss"] = "" if no_loss is None else str(bool(no_loss)).lower()
        yield row


def _is_alike(before: Mapping[str, Any] | None, now: Mapping[str, Any] | None) -> bool:
    """Return whether two results say the same to nine digits."""
    if before is None or now is None:
        return False
    texts = all((before.get(one) or "") == (now.get(one) or "") for one in ("verdict", "reason", "no_loss"))
    pairs = [(before[one], now[one]) for one in _NUMBERS]
    return texts and all(
        a is b if a is None or b is None else math.isclose(a, b, rel_tol=_DIGITS, abs_tol=_DIGITS) for a, b in pairs
    )


def _about(part: str, key: tuple[str, ...], *, with_card: bool) -> str:
    """Return what a result is about, in words."""
    sides = []
    for card, tuning, bench in (key[0:3], key[3:6]):
        more = ", ".join(filter(None, (card * with_card, bench)))
        sides.append(f"{tuning} ({more})" if more else tuning)
    first, second = key[6:8]
    place = (say(f"changes.over.{first}"), "" if second == "all" else second) if part == "overall" else key[6:8]
    return ", ".join(filter(None, (say("answer.pair", of=sides[0], against=sides[1]), *place)))


def _moved_claims(before: list | None, now: list | None) -> Iterator[dict[str, Any]]:
    """Yield the sentences of the script whose outcome or text differs; nothing where a report lists none."""
    if before is None or now is None:
        return
    yield from _moved("claim", *({one["id"]: one["verdict"] for one in side} for side in (before, now)))
    both = {one["id"] for one in before} & {one["id"] for one in now}
    texts = ({one["id"]: one["text"] for one in side if one["id"] in both} for side in (before, now))
    yield from _moved("claim_text", *texts)


def _moved_inputs(before: Mapping[str, str], now: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Yield the files that came, went, were renamed or hold other bytes."""
    gone = {digest: name for name, digest in before.items() if name not in now}
    renamed = {name: gone[digest] for name, digest in now.items() if name not in before and digest in gone}
    for name, old in renamed.items():
        yield {"part": "input_name", "what": name, "metric": "", "before": old, "now": name}
    kept_before = {name: digest for name, digest in before.items() if name not in renamed.values()}
    kept_now = {name: digest for name, digest in now.items() if name not in renamed}
    yield from _moved("input", kept_before, kept_now)


def _moved(part: str, before: Mapping[str, str], now: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Yield a row for each name whose value differs."""
    for name in sorted(before.keys() | now.keys()):
        old, new = before.get(name, ""), now.get(name, "")
        if old != new:
            yield {"part": part, "what": name, "metric": "", "before": old, "now": new}
