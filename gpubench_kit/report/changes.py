"""What changed between two reports of one review, found in their manifests: the errata of a report made again."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import pandas as pd

from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.formats import RULES_VERSION, changed_decisions, is_before_rules
from gpubench_kit.model.tables import PAIR_KEY, Column, Table
from gpubench_kit.report.earlier_report import EarlierReport
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.terms import metric_of

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


_TEXTS = ("reason", "no_loss")
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
    kept = _kept(earlier)
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
    with_card = len({card for one in (before, now) for card in _cards(one)}) > 1
    results = [one["verdicts"] for one in (before, now)]
    for part, names in (("overall", ("scope", "group")), ("game", ("game", "setting"))):
        key = "games" if part == "game" else part
        sides = [{_key(row, names): row for row in one[key]} for one in results]
        yield from _moved_results(part, *sides, with_card=with_card)
    yield from _moved_claims(*(one.get("claims") for one in results))
    yield from _moved("title", {"title": before["title"]}, {"title": now["title"]})
    yield from _moved_inputs(before["inputs"], now["inputs"])
    yield from _moved_decisions(before, now)
    yield from _moved("version", before["versions"], now["versions"])
    yield from _moved("looks", *({say("changes.looks_made"): str(one["looks_made"])} for one in (before, now)))


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


def _kept(earlier: EarlierReport) -> pd.DataFrame:
    """Return the corrections that the earlier report lists."""
    try:
        kept = CHANGES.frame(earlier.corrections)
    except (ValueError, TypeError) as error:
        raise _damaged(str(error).splitlines()[0]) from None
    if kept["correction"].isna().any() or not kept["part"].isin([*SAID, *MADE_OF]).all():
        raise _damaged("a row has no number or no known kind")
    return kept


def _damaged(text: str) -> ReportError:
    """Return the error of a list of corrections that cannot be kept."""
    problem = f"its list of corrections is damaged ({text})."
    return ReportError(Fault("previous report", problem, "Copy it again from where it was published."))


def _key(row: Mapping[str, Any], names: Iterable[str]) -> tuple[str, ...]:
    """Return what a result is about."""
    return tuple(row[name] for name in (*PAIR_KEY, *names, "metric"))


def _moved_results(part: str, before: Mapping, now: Mapping, *, with_card: bool) -> Iterator[dict[str, Any]]:
    """Yield the results whose verdict or numbers differ, in the order of the report now."""
    for key in dict.fromkeys([*now, *before]):
        sides = {"before": before.get(key), "now": now.get(key)}
        if _is_alike(*sides.values()):
            continue
        facts = metric_of(key[-1])
        row = {"part": part, "what": _about(part, key, with_card=with_card), "metric": key[-1]}
        row["unit"] = "%" if facts.scale == "ratio" else facts.unit
        for name, one in sides.items():
            row |= _side_of(name, one)
        yield row


def _side_of(name: str, result: Mapping[str, Any] | None) -> dict[str, Any]:
    """Return the cells of a result before, or now."""
    if result is None:
        return {name: ""}
    no_loss = result.get("no_loss")
    numbers = {f"{name}_{one}": result[one] for one in _NUMBERS}
    texts = {
        f"{name}_reason": result.get("reason") or "",
        f"{name}_no_loss": ("" if no_loss is None else str(bool(no_loss)).lower()),
    }
    return {name: result["verdict"], **numbers, **texts}


def _is_alike(before: Mapping[str, Any] | None, now: Mapping[str, Any] | None) -> bool:
    """Return whether two results say the same to nine digits."""
    if before is None or now is None:
        return False
    texts = all((before.get(one) or "") == (now.get(one) or "") for one in ("verdict", *_TEXTS))
    return texts and all(_is_near(before[one], now[one]) for one in _NUMBERS)


def _is_near(before: float | None, now: float | None) -> bool:
    """Return whether two numbers are the same to nine digits."""
    if before is None or now is None:
        return before is now
    return math.isclose(before, now, rel_tol=_DIGITS, abs_tol=_DIGITS)


def _about(part: str, key: tuple[str, ...], *, with_card: bool) -> str:
    """Return what a result is about, in words."""
    sides = [_subject(key[place : place + 3], with_card=with_card) for place in (0, 3)]
    first, second = key[6:8]
    if part == "overall":
        place = say(f"changes.over.{first}")
        second = "" if second == "all" else second
    else:
        place = first
    return ", ".join(one for one in (say("answer.pair", of=sides[0], against=sides[1]), place, second) if one)


def _subject(subject: tuple[str, ...], *, with_card: bool) -> str:
    """Return one side of a comparison in words."""
    card, tuning, bench = subject
    about = ", ".join(one for one in (card if with_card else "", bench) if one)
    return f"{tuning} ({about})" if about else tuning


def _moved_claims(before: list | None, now: list | None) -> Iterator[dict[str, Any]]:
    """Yield the sentences of the script whose outcome or text differs; nothing where a report lists none."""
    if before is None or now is None:
        return
    yield from _moved("claim", *({one["id"]: one["verdict"] for one in side} for side in (before, now)))
    texts = [{one["id"]: one["text"] for one in side} for side in (before, now)]
    both = texts[0].keys() & texts[1].keys()
    yield from _moved(
        "claim_text", *({name: text for name, text in side.items() if name in both} for side in texts)
    )


def _moved_inputs(before: Mapping[str, str], now: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Yield the files that came, went, were renamed or hold other bytes."""
    gone = {digest: name for name, digest in before.items() if name not in now}
    renamed = {name: gone[digest] for name, digest in now.items() if name not in before and digest in gone}
    for name, old in renamed.items():
        yield {"part": "input_name", "what": name, "metric": "", "before": old, "now": name}
    kept_before = {name: digest for name, digest in before.items() if name not in renamed.values()}
    kept_now = {name: digest for name, digest in now.items() if name not in renamed}
    yield from _moved("input", kept_before, kept_now)


def _moved_decisions(before: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield the decisions of the plan that differ; their hash alone where a report does not list them."""
    if before.get("decisions") is None or now.get("decisions") is None:
        hashes = ({say("changes.decisions_hash"): one["plan_fingerprint"]} for one in (before, now))
        yield from _moved("decision", *hashes)
        return
    versions = [one["versions"].get("gpubench_kit", RULES_VERSION) for one in (before, now)]
    # Two reports by the same rules, however old, differ by what their plans say.
    version = RULES_VERSION if is_before_rules(versions[1]) else versions[0]
    for what, old, new in changed_decisions(before["decisions"], now["decisions"], version=version):
        yield {"part": "decision", "what": what, "metric": "", "before": old, "now": new}


def _moved(part: str, before: Mapping[str, str], now: Mapping[str, str]) -> Iterator[dict[str, Any]]:
    """Yield a row for each name whose value differs."""
    for name in sorted(before.keys() | now.keys()):
        old, new = before.get(name, ""), now.get(name, "")
        if old != new:
            yield {"part": part, "what": name, "metric": "", "before": old, "now": new}
