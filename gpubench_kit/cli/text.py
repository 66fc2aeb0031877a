"""What the commands ``inspect`` and ``compare`` print: plain text for a terminal, or JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    change_and_interval_text,
    change_text,
    count_text,
    interval_text,
    is_missing,
    number_text,
    percent_text,
    unit_text,
    value_text,
)
from gpubench_kit.wording.terms import capital, more_rounds_text, reason_words, verdict_word

if TYPE_CHECKING:
    from gpubench_kit.statistics.two_sample import TwoSample


def inspection_text(inspection: Mapping[str, Any]) -> str:
    """Return how a log is read, as text.

    Parameters
    ----------
    inspection : as `inspect_log` returns it
    """
    lines = [say("inspect.columns")]
    for name, one in inspection["columns"].items():
        unit = f" [{one['unit']}]" if one["unit"] else ""
        lines.append(f"  {say('inspect.column', name=name, column=one['column'], unit=unit, why=one['why'])}")
    seconds = number_text(inspection["duration_s"], decimals=2)
    n_frames = count_text(inspection["n_frames"], "frame")
    frames = say("inspect.frames", frames=n_frames, seconds=seconds)
    lines += ["", say("inspect.run"), f"  {frames}", "", say("inspect.metrics")]
    lines += [
        f"  {METRICS[name].label:<28} {value_text(value, name)}" for name, value in inspection["metrics"].items()
    ]
    if inspection["lows"]:
        lines += ["", say("inspect.lows")]
    for name, values in inspection["lows"].items():
        both = ", ".join(value_text(values[share], "low_1pct_fps") for share in ("1pct", "0p1pct"))
        lines.append(f"  {say(f'inspect.low.{name}'):<28} {both}")
    if inspection["sensors"]:
        lines += ["", say("inspect.sensors")]
    for name, one in inspection["sensors"].items():
        both = f"{value_text(one['mean'], name)}, {value_text(one['maximum'], name)}"
        lines.append(f"  {METRICS[name].label:<28} {both}")
    if inspection["findings"]:
        lines += [
            "",
            say("inspect.findings"),
            *(f"  {one['message']} {one['action']}".rstrip() for one in inspection["findings"]),
        ]
    return "\n".join(lines)


def comparison_text(found: TwoSample) -> str:
    """Return what two lists of runs show, as text.

    Parameters
    ----------
    found : result of the comparison
    """
    unit = _change_unit(found)
    rounds = f" ({count_text(found.n, 'round')})" if found.design == "rounds" else ""
    means = {side: value_text(getattr(found, f"{side}_value"), found.metric) for side in ("of", "against")}
    rows = [
        ("design", say(f"compare.design.{found.order}") + rounds),
        ("means", say("compare.means", n=found.n_against, of_n=found.n, against_n=found.n_against, **means)),
        ("change", change_and_interval_text(found.change, found.ci_low, found.ci_high, unit=unit)),
        *([("test", found.test)] if found.verdict != "no_verdict" else []),
    ]  # fmt: skip
    if not is_missing(found.margin):
        held = ""
        if not is_missing(found.equivalence_ci_low):
            interval = interval_text(found.equivalence_ci_low, found.equivalence_ci_high, unit)
            held = say("compare.held", interval=interval)
        rows.append(("margin", _margin_text(found) + held))
    table = [f"  {say(f'compare.row.{name}'):<10} {text}" for name, text in rows]
    return "\n".join([*sentences(found), "", *table])


def comparison_json(found: TwoSample) -> str:
    """Return what two lists of runs show, and what may be said of it, as JSON; what is not defined is null.

    Parameters
    ----------
    found : result of the comparison
    """
    numbers = asdict(found)
    missing = [name for name, value in numbers.items() if isinstance(value, float) and not math.isfinite(value)]
    return as_json(numbers | dict.fromkeys(missing) | {"text": list(sentences(found))})


def sentences(found: TwoSample) -> Iterator[str]:
    """Yield what may be said of two lists of runs, and what to know about it.

    Parameters
    ----------
    found : result of the comparison
    """
    label = METRICS[found.metric].label
    if found.verdict == "no_verdict":
        yield from _without_verdict(found, label)
        return
    unit = _change_unit(found)
    known = {"metric": label, "interval": interval_text(found.ci_low, found.ci_high, unit)}
    if not is_missing(found.margin):
        known["margin"] = _margin_text(found)
    if found.verdict == "same_within_margin":
        # The interval that is held against the margin: the wider one may reach past it.
        held = interval_text(found.equivalence_ci_low, found.equivalence_ci_high, unit)
        yield say("compare.same", held=held, **known)
    elif found.verdict == "undecided":
        yield say("compare.undecided", **known)
        yield from _of_margin(found)
        yield more_rounds_text(found, None)
    else:
        size, way = change_text(abs(found.change), unit).lstrip("+"), _way(found)
        word = verdict_word(found.verdict.removesuffix("_but_small"), "")
        small = say("compare.small", **known) if found.verdict.endswith("small") else ""
        judged = "" if METRICS[found.metric].better == "neither" else f" ({word})"
        yield say("compare.real", size=size, way=way, judged=judged, small=small,
                  **known | {"metric": capital(label)})  # fmt: skip
    if found.left_out:
        yield say("compare.left_out", n=found.left_out)
    if "two_runs_only" in reason_words(found.reason):
        yield say("reason.text.two_runs_only")


def _without_verdict(found: TwoSample, label: str) -> Iterator[str]:
    """Yield what was measured, why it is no verdict, and what would explain it or settle it."""
    change = change_text(found.change, _change_unit(found))
    if min(found.n, found.n_against) == 1:
        yield say("compare.once", metric=label, change=change)
    elif found.design == "rounds":
        yield say("compare.no_verdict", metric=label, change=change, reason=say(f"reason.text.{found.reason}"))
    else:
        reason = "unknown" if found.order == "not_known" else "blocks"
        yield say(f"compare.{reason}", metric=label, change=change)
        yield from _tipping(found, label)
    if found.order == "not_known":
        yield say("compare.flag")


def _tipping(found: TwoSample, label: str) -> Iterator[str]:
    """Yield what the test setup must have done between two blocks to explain the change."""
    if is_missing(found.restart_spread_pct):
        return
    unit, margin = _change_unit(found), 0.0 if is_missing(found.margin) else found.margin
    change, spread = (
        change_text(size, unit).lstrip("+") for size in (found.bench_change_pct, found.restart_spread_pct)
    )
    if 0 < max(margin / 2, 1.0 if found.scale == "ratio" else 0.0) <= found.restart_spread_pct:
        yield say("compare.unless", metric=capital(label), way=_way(found), change=change, spread=spread)
    elif found.bench_change_pct > 0:
        yield say("compare.explained", change=change, spread=spread)
    else:
        yield say("compare.noise")


def _of_margin(found: TwoSample) -> Iterator[str]:
    """Yield which way a change of the margin is ruled out: what lies beyond that end of the one-sided test."""
    if is_missing(found.margin):
        return
    kinds = ("loss", "gain") if METRICS[found.metric].better == "higher" else ("fall", "rise")
    down, up = (say(f"compare.{one}") for one in kinds)
    size = _margin_text(found)
    if found.equivalence_ci_low > -found.margin:
        yield say("compare.ruled_out", out=down, open=up, margin=size)
    elif found.equivalence_ci_high < found.margin:
        yield say("compare.ruled_out", out=up, open=down, margin=size)
    else:
        yield say("compare.open", down=down, up=up, margin=size)


def _way(found: TwoSample) -> str:
    """Return whether a value went up or down, in a word."""
    return verdict_word("higher" if found.change > 0 else "lower", "")


def _change_unit(found: TwoSample) -> str:
    """Return the unit in which changes are written."""
    return "%" if found.scale == "ratio" else found.unit


def _margin_text(found: TwoSample) -> str:
    """Return the margin with its unit."""
    return percent_text(found.margin) if found.scale == "ratio" else unit_text(found.margin, found.unit)


def as_json(content: Mapping[str, Any]) -> str:
    """Return a mapping as JSON text.

    Parameters
    ----------
    content : plain JSON values
    """
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)
