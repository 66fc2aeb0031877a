"""Commands without a review folder: ``inspect`` and ``compare`` on logs and lists of runs, and ``completion``.

Also what a log was read as, confirmed by one key, and what a claim means, asked.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gpubench_kit.cli.command import ORDERS, make_parser
from gpubench_kit.cli.terminal import ask, is_terminal
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.questions import Choice, Question, paste_lines
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    change_and_interval_text,
    change_text,
    count_text,
    interval_text,
    is_missing,
    number_text,
    value_text,
)
from gpubench_kit.wording.terms import (
    capital,
    margin_amount,
    more_rounds_text,
    reason_words,
    unit_of_change,
    verdict_word,
)

if TYPE_CHECKING:
    from gpubench_kit.logs.review import FormatToConfirm
    from gpubench_kit.model.plan import ReviewPlan
    from gpubench_kit.model.plan.sections import Card
    from gpubench_kit.statistics.two_sample import TwoSample

_DONE, _NOTHING_COMPARED = 0, 1


def inspect(asked: argparse.Namespace) -> int:
    """Tell how a log is read, and every metric of it."""
    from gpubench_kit.metrics.inspect_log import inspect_log

    for word in filter(None, (asked.log, asked.sensors)):
        _check_file(word, "there is no such file")
    if asked.confirm:
        confirm_log(asked.log, asked.confirm)
        return _DONE
    found = inspect_log(asked.log, asked.sensors, sensor_edge_s=asked.sensor_edge_s)
    print(as_json(found) if asked.json else inspection_text(found))
    return _DONE


def compare(asked: argparse.Namespace) -> int:
    """Compare runs with runs, from numbers or logs."""
    from gpubench_kit.statistics.two_sample import compare_two_samples

    faults = list(_given_twice([*asked.of, *asked.against]))
    sides: list[list[str | float]] = []
    for side in (asked.of, asked.against):
        sides.append([])
        for word in side:
            try:
                sides[-1].append(_value_of(word, asked.metric))
            except LogError as error:
                faults += error.faults
    if faults:
        raise LogError(faults)
    order = asked.order or _asked_order(asked)
    found = compare_two_samples(sides[0], sides[1], metric=asked.metric, margin=asked.margin, order=order)
    print(comparison_json(found) if asked.json else comparison_text(found))
    return _DONE if found.verdict != "no_verdict" else _NOTHING_COMPARED


def _check_file(word: str, problem: str) -> None:
    """Raise where a word of the command line names no file."""
    if not Path(word).is_file():
        raise LogError(Fault(word, f"{problem}.", "Correct the name, or the folder you are in."))


def _given_twice(words: list[str]) -> Iterator[Fault]:
    """Yield every file whose content was given before: one recording is one run."""
    first: dict[bytes, str] = {}
    for word in filter(lambda one: Path(one).is_file(), words):
        before = first.setdefault(hashlib.sha256(Path(word).read_bytes()).digest(), word)
        if before is not word:
            problem = f"the same recording as '{before}'; every run is a recording of its own."
            yield Fault(word, problem, "Name each recording once.")


def _asked_order(asked: argparse.Namespace) -> str:
    """Return how the runs were done, asked on a terminal; of one run there is no order to ask for."""
    several = min(len(asked.of), len(asked.against)) > 1
    if asked.json or asked.quiet or not several or not is_terminal():
        return "not_known"
    one = Question(
        "order", say("compare.ask"), choices=tuple(Choice(say(f"compare.design.{name}"), name) for name in ORDERS),
        default=ORDERS[-1], default_text=say("compare.ask_default"), evidence=(say("compare.why"),),
    )  # fmt: skip
    return ask(lambda _: [one])["order"]


def _value_of(word: str, metric: str) -> str | float:
    """Return a number as it was typed, or a log's value of the metric."""
    if not Path(word).exists() and _is_number(word.replace(",", ".")):
        return word.replace(",", ".")
    from gpubench_kit.metrics.inspect_log import inspect_log

    _check_file(word, "neither a number nor a file was found")
    values = inspect_log(word)["metrics"]
    if metric not in values:
        known = ", ".join(f"'{name}'" for name in values)
        raise LogError(Fault(word, f"this log has no '{metric}' (it has {known}).", "Choose one with --metric."))
    return values[metric]


def _is_number(word: str) -> bool:
    """Return whether a word is a number as a person or a program writes one."""
    try:
        float(word)
    except ValueError:
        return False
    return "_" not in word


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
    unit = unit_of_change(found)
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
        rows.append(("margin", margin_amount(found) + held))
    table = [f"  {say(f'compare.row.{name}'):<10} {text}" for name, text in rows]
    return "\n".join([*sentences(found), "", *table])


def comparison_json(found: TwoSample) -> str:
    """Return what two lists of runs show, and what can be said of it, as JSON; what is not defined is null.

    Parameters
    ----------
    found : result of the comparison
    """
    numbers = asdict(found)
    missing = [name for name, value in numbers.items() if isinstance(value, float) and not math.isfinite(value)]
    return as_json(numbers | dict.fromkeys(missing) | {"text": list(sentences(found))})


def sentences(found: TwoSample) -> Iterator[str]:
    """Yield what can be said of two lists of runs, and what to know about it.

    Parameters
    ----------
    found : result of the comparison
    """
    label = METRICS[found.metric].label
    if found.verdict == "no_verdict":
        yield from _without_verdict(found, label)
        return
    unit = unit_of_change(found)
    known = {"metric": label, "interval": interval_text(found.ci_low, found.ci_high, unit)}
    if not is_missing(found.margin):
        known["margin"] = margin_amount(found)
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
    change = change_text(found.change, unit_of_change(found))
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
    unit, margin = unit_of_change(found), 0.0 if is_missing(found.margin) else found.margin
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
    size = margin_amount(found)
    if found.equivalence_ci_low > -found.margin:
        yield say("compare.ruled_out", out=down, open=up, margin=size)
    elif found.equivalence_ci_high < found.margin:
        yield say("compare.ruled_out", out=up, open=down, margin=size)
    else:
        yield say("compare.open", down=down, up=up, margin=size)


def _way(found: TwoSample) -> str:
    """Return whether a value went up or down, in a word."""
    return verdict_word("higher" if found.change > 0 else "lower", "")


def as_json(content: Mapping[str, Any]) -> str:
    """Return a mapping as JSON text.

    Parameters
    ----------
    content : plain JSON values
    """
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False)


def confirm_formats_of(folder: str) -> None:
    """Ask which formats of a review's logs are right; without a terminal, print the entries to paste.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    """
    from gpubench_kit.logs.review import formats_to_confirm, open_review
    from gpubench_kit.model.plan import load_plan, plan_file_of

    plan_file = plan_file_of(folder)
    review = open_review(load_plan(plan_file), keep_going=True, trusts_proposals=True)
    _confirm(formats_to_confirm(review), plan_file)


def confirm_log(log: str, folder: str) -> None:
    """Ask whether the format of one log is right; without a terminal, print the entry to paste.

    Parameters
    ----------
    log : the file
    folder : folder of the review in whose plan the entry goes
    """
    from gpubench_kit.logs.loose_files import facts_of_log
    from gpubench_kit.logs.match_files import declaration_of
    from gpubench_kit.logs.review import FormatToConfirm
    from gpubench_kit.model.plan import load_plan, plan_file_of

    path, plan_file = Path(log), plan_file_of(folder)
    plan = load_plan(plan_file)
    found = [
        FormatToConfirm(card.name, facts_of_log(path, declared=declaration_of(plan, card.name)), 1)
        for card in _cards_of(plan, path)
    ]
    if not any(one.facts.paste for one in found):
        facts = found[0].facts
        print(
            facts.fault
            or say("format.known", file=path.name, id=facts.format_id, sure=say(f"format.sure.{facts.certainty}"))
        )
        return
    _confirm([one for one in found if one.facts.paste], plan_file)


def _cards_of(plan: ReviewPlan, log: Path) -> list[Card]:
    """Return the cards that the run sheet names a log for; all where it names none, or cannot be read."""
    from gpubench_kit.logs.review import open_review
    from gpubench_kit.model.errors import GpubenchError

    owners: set[str] = set()
    with suppress(GpubenchError):
        review = open_review(plan, keep_going=True)
        card_of = dict(zip(review.runs["run"], review.runs["card"], strict=True))
        files = [(task.run, file) for task in review.tasks for file in (task.frame_path, task.sensor_path) if file]
        owners = {card_of[run] for run, file in files if Path(file).resolve() == log.resolve()}
    return [card for card in plan.cards if not owners or card.name in owners]


def _behind_card(plan: bytes, card: str) -> int:
    """Return where the keys of a card begin in the text of a plan; -1 where it says where power was measured."""
    for block in re.finditer(rb"(?m)^[ \t]*\[\[cards\]\][^\n]*\n((?:(?![ \t]*\[).*\n?)*)", plan):
        with suppress(ValueError):
            keys = tomllib.loads(block[1].decode())
            if keys.get("name") == card and "power_measured_at" not in keys:
                return block.start(1)
    return -1


def _confirm(formats: Sequence[FormatToConfirm], plan_file: Path) -> None:
    """Ask on a terminal, and write the entries at once; elsewhere print them."""
    from gpubench_kit.files import swap_file
    from gpubench_kit.sheet.questions import CHIP, format_entries, format_question

    entries, before = {f"formats.{place}": one for place, one in enumerate(formats)}, plan_file.read_bytes()
    questions = [
        format_question(one.facts, [one.entry], key=key, n_logs=one.n_logs, card=one.card,
                        can_be_chip=_behind_card(before, one.card) > 0)
        for key, one in entries.items()
    ]  # fmt: skip
    if not questions:
        return
    if not is_terminal():
        print("\n".join(paste_lines(questions)))
        return

    def keep(answers: Mapping[str, str]) -> None:
        """Write the plan with the entries of all answers so far, so that one step back takes the last away."""
        added = [text for key, answer in answers.items() for text in format_entries([entries[key].entry], answer)]
        gap = b"\n" if before.endswith(b"\n") else b"\n\n"
        text = before
        for card in {entries[key].card for key, answer in answers.items() if answer == CHIP}:
            place = _behind_card(text, card)
            text = text[:place] + b'power_measured_at = "chip_sensor"\n' + text[place:]
        swap_file(plan_file, text + b"".join(gap + one.encode() for one in added))

    ask(lambda _: questions, keep=keep)


def ask_about_claims(folder: str) -> None:
    """Ask what is meant where a claim's words go the other way than its key; tell the line to paste.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    """
    from gpubench_kit.claims.check import sign_question
    from gpubench_kit.model.plan import load_plan, plan_file_of

    questions = [one for one in map(sign_question, load_plan(plan_file_of(folder)).claims) if one is not None]
    if questions and not is_terminal():
        print("\n".join(paste_lines(questions)))
    for key, line in ask(lambda _: questions).items() if is_terminal() else ():
        if line not in ("", "keep"):
            print(say("told.write_line", key=key, line=line))


def completion(asked: argparse.Namespace) -> int:
    """Print the script that lets a shell complete commands and options."""
    import shtab

    print(shtab.complete(make_parser(), shell=asked.shell))
    return _DONE
