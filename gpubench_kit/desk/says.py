"""What each state says, in words: the same for the terminal, for plain lines and for the page; never a result."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import PureWindowsPath

from gpubench_kit.desk.judge import Verdict
from gpubench_kit.desk.looks import state_table
from gpubench_kit.desk.states import Desk, of_state
from gpubench_kit.wording.numbers import count_text

_UNITS = {"pct": "%", "mhz": "MHz", "mv": "mV", "w": "W", "c": "°C", "rpm": "RPM", "v": "V", "a": "A"}
_CAUSES = {"not_completed": "SHORT ", "tuning_lost": "LOST  ", "wrong_settings": "WRONG ", "log_gap": "UNREAD"}
_LOST = ("tuning_lost", "wrong_settings")
_NUMBERS = {1: "1st", 2: "2nd", 3: "3rd"}
#: Lines of games on a screen of 24 rows, and beside a wide one.
_GAMES, _GAMES_WIDE, _SQUARES = 8, 12, 8


@dataclass(frozen=True)
class View:
    """What there is to show.

    Attributes
    ----------
    state : name of the state
    title, done : of the header
    now : lines of the state, a tab before what stands at the right edge
    just : (word, rest) of the last events, the newest first
    outlook : lines on time and enough runs
    keys : lines of keys
    beside, after : what only a wide screen has: games, watching, sheet; what comes next
    """

    state: str
    title: str
    done: str
    now: tuple[str, ...]
    just: tuple[tuple[str, str], ...]
    outlook: tuple[str, ...]
    keys: tuple[str, ...]
    beside: tuple[str, ...] = ()
    after: tuple[str, ...] = ()


def view_of(desk: Desk) -> View:
    """Return what there is to show; nothing in it is a result.

    Parameters
    ----------
    desk : in any state
    """
    words = state_table()["words"]
    values = defaultdict(str, _of_run(desk) | _of_evening(desk))
    values |= _OWN[desk.shown.state](desk) if desk.shown.state in _OWN else {}
    if desk.trouble:
        values |= {"word": desk.trouble.word, "says": desk.trouble.says}
    keys = words["typing"] if desk.shown.typing else of_state(desk.name, "keys")
    done, every = desk.evening.progress()
    due, rows = desk.due, desk.evening.rows
    following = " · ".join(f"{run} {rows[run].get('tuning', '')}" for run in due[1:5])
    return View(
        desk.name, desk.keeper.plan.review.title, f"{done} of {every} done",
        _filled(of_state(desk.name, "now"), values), tuple(just_now(desk)), tuple(desk.forecast.lines()),
        _filled(keys, values), tuple(_beside(desk)),
        (f"AFTER  {following}",) if following else (),
    )  # fmt: skip


def _filled(text: str, values: Mapping[str, str]) -> tuple[str, ...]:
    """Return the lines of a text with its places filled."""
    return tuple(text.format_map(values).strip("\n").split("\n"))


def _of_run(desk: Desk) -> dict[str, str]:
    """Return what fills places about the run that is due, or that the state is about."""
    evening, plan, shown, due = desk.evening, desk.keeper.plan, desk.shown, desk.due
    is_of_due = shown.state in ("next", "recording", "paused", "restarted", "resumed", "which", "away")
    run = (due[0] if due and is_of_due else shown.run) or (due[0] if due else "")
    row, session = evening.rows.get(run, {}), plan.session_plan
    game = next((one for one in plan.games if one.name == row.get("game")), None)
    tuning = next((one for one in plan.tunings if one.name == row.get("tuning")), None)
    is_reference = tuning is None or tuning.name == plan.reference_tuning
    changes = {**tuning.changes, **tuning.held_at} if tuning else {}
    rounds = [int(one["round"]) for one in evening.rows.values()
              if one.get("game") == row.get("game") and (one.get("round") or "").isdecimal()]  # fmt: skip
    number, care = row.get("round") or "", state_table()["words"]["care"].strip("\n")
    setting = row.get("setting") or (game.settings[0].name if game and len(game.settings) == 1 else "")
    is_new = not evening.last_run or not run or evening.of_game(evening.last_run) != evening.of_game(run)
    return {
        "run": run, "game": row.get("game", ""), "tuning": row.get("tuning", ""),
        "scene": f" · {game.scene}" if game and game.scene else "", "setting": f" · {setting}" if setting else "",
        "changes": "no offsets: everything back to the maker's values" if is_reference
                   else changes_text(changes),
        "care": "" if is_reference else f"{care}\n",
        "round": f"round {number} of {max(rounds)}" if number.isdecimal() and rounds
                 else row.get("purpose", "").replace("_", " "),
        "play": "the whole scene" if game and game.ends != "time" else f"{session.scene_s:g} s",
        "wait": f"{session.settle_s if is_new else session.tuning_change_s:g}", "settle": f"{session.settle_s:g}",
        "change": _change(desk, run, is_new=is_new), "why": shown.why.rstrip("."), "file": shown.why,
    }  # fmt: skip


def changes_text(changes: Mapping[str, float]) -> str:
    """Return what a tuning sets: ``core +140 MHz   power limit −12 %``.

    Parameters
    ----------
    changes : amounts by name, the unit at its end
    """
    parts = []
    for name, value in changes.items():
        words = name.split("_")
        unit = f" {_UNITS[words[-1]]}" if words[-1] in _UNITS and len(words) > 1 else ""
        parts.append(f"{' '.join(words[:-1] if unit else words)} {value:+g}{unit}".replace("-", "−"))
    return "   ".join(parts) or "as it is named: the plan states no values"


def _change(desk: Desk, run: str, *, is_new: bool) -> str:
    """Return what changes from the run before."""
    rows, settle = desk.evening.rows, f"{desk.keeper.plan.session_plan.settle_s:g}"
    row, before = rows.get(run, {}), rows.get(desk.evening.last_run, {})
    game, name = row.get("game", ""), row.get("tuning", "")
    changed = f"tuning {before['tuning']} → {name}." if before else f"tuning {name}."
    tuning = "same tuning: apply it anew." if before.get("tuning") == name else changed
    if before and row.get("session") not in (before.get("session"), "", None):
        return f"restart the machine, then {game}; {tuning}"
    if is_new:
        return f"start {game}; wait {settle} s; {tuning}"
    is_started = row.get("launch") not in (before.get("launch"), "", None)
    return f"{tuning} {'Start the game anew.' if is_started else 'Same game, no restart.'}"


def _of_evening(desk: Desk) -> dict[str, str]:
    """Return what fills places about the session."""
    forecast, questions = desk.forecast, desk.keeper.questions
    begun = [one for one in forecast.games if one.done]
    lines = [f"{one.game[:18]:<19} {one.done:>2}/{one.planned}  {one.noise:>6}   {one.more_text}" for one in begun]
    others = len(forecast.games) - len(begun)
    lines += [f"{count_text(others, 'game')} not begun"] if others else []
    first = desk.shown.first_game if desk.shown.first_game < len(lines) else 0
    drop, at = "", next((one["at"] for one in reversed(desk.evening.of("pause"))), "")
    if forecast.drops:
        one, _ = forecast.drops[desk.shown.place % len(forecast.drops)]
        drop = f"DROP   1  {one.what} ({one.saves_min:.0f} min saved). {one.then}   2  more   Esc drop nothing"
    return {
        "games": "\n".join(lines[first : first + _GAMES]), "drop": drop, "margin": forecast.margin,
        "logs": str(_count(desk, "frame_log")),
        "overall": f"overall, these games: {forecast.overall_text}", "undo": desk.keeper.undo_says,
        "steps": str(len(desk.keeper.journal.lines)), "folder": desk.keeper.folder.name,
        "paused": f"{at[11:16]}{' (the computer slept)' if desk.shown.why else ''}", "since": desk.resumed_at,
        "recovered": "".join(f"{one[:1].upper() + one[1:]}.\n" for one in desk.recovered),
        "says": questions[0].says if questions else "",
    }  # fmt: skip


def _count(desk: Desk, column: str) -> int:
    """Return how many rows have a text in a column."""
    return sum(bool(row.get(column)) for row in desk.evening.rows.values())


def _of_recording(desk: Desk) -> dict[str, str]:
    """Return what is known of the recording that grows; nothing that moves."""
    seen, wanted = desk.seen_at or desk.keeper.clock.now(), desk.watch.wanted_s
    until = f"about {seen + timedelta(seconds=wanted):%H:%M:%S}" if wanted else "the scene is over"
    return {"seen": f"{seen:%H:%M:%S}", "until": until}


def _of_repeat(desk: Desk) -> dict[str, str]:
    """Return what is known of a repeat."""
    run, cause = desk.shown.run, desk.evening.rows[desk.shown.run].get("excluded", "")
    why, is_lost = re.sub(r"^short: ", "", desk.shown.why).partition("; a note")[0], cause in _LOST
    return {
        "repeat": next(iter(desk.evening.repeats(run, is_open=False)), run), "word": _CAUSES.get(cause, "CAUSE "),
        "cause": cause, "again": " again" * is_lost, "counts": "it was on" if is_lost else "do not repeat",
        "why": f"{why[:1].upper() + why[1:]}." + state_table()["words"]["reset"] * is_lost, "run": run,
        "and_repeated": " and repeated" if desk.shown.why == "repeat" else "",
    }  # fmt: skip


def _of_which(desk: Desk) -> dict[str, str]:
    """Return what is asked about a recording."""
    shown, rows, due, lines, away = desk.shown, desk.evening.rows, desk.due, [], []
    if shown.recording is None:
        return {}
    facts = shown.recording.facts
    for number, name in enumerate(shown.rows, start=1):
        row, recorded = rows[name], desk.evening.is_recorded(name)
        says = (
            "recorded already" if recorded else "the run that was due" if [name] == due[:1] else "not recorded yet"
        )
        number_of = f"round {row['round']}" if row.get("round") else ""
        lines.append(f"  {number}  {name:<6} {row['game']:<16} {row['tuning']:<9} {number_of:<9} {says}\n")
        away.append(f"  {number}  it is {name}, {says.replace('the run that', 'which')}")
    length = f", {math.floor(facts.length_s)} s" if math.isfinite(facts.length_s) else ""
    began = facts.started_at_s % 86_400
    when = f"{datetime.min + timedelta(seconds=began):%H:%M:%S}" if math.isfinite(began) else ""
    return {
        "due": f"{due[0]} is still due: play on." if due else "Nothing is due.", "rows": "".join(lines),
        "away_rows": "\n".join(away), "length": length, "when": f"{when}{length}".lstrip(", "),
        "digits": " ".join([*(str(n + 1) for n in range(len(lines))), "3", "4"]),
        "file": shown.recording.source.name,
        "why": shown.why.rstrip(".") if shown.state == "away" else shown.why,
    }  # fmt: skip


def _of_format(desk: Desk) -> dict[str, str]:
    """Return what is asked about a format."""
    facts = desk.taker.format_to_ask
    if facts is None:
        return {}
    names = list(enumerate(facts.sources[1:10], start=1))
    likely = [f"{role.replace('_', ' ')} = column “{heading}” [{unit}]"
              for role, heading, unit, certainty in facts.columns if certainty == "likely"]  # fmt: skip
    return {"id": facts.format_id, "column": ", ".join(likely) or "the steps of its time",
            "withheld": "watts and other sensors" if facts.kind == "sensors" else "frames",
            "rows": "\n".join(f"  {number}  {name}" for number, name in names),
            "digits": " ".join(str(number) for number, _ in names)}  # fmt: skip


def _of_crash(desk: Desk) -> dict[str, str]:
    """Return what is known of a crash."""
    evening, is_asked = desk.evening, desk.shown.state == "crashed"
    tuning = evening.rows[desk.shown.run].get("tuning", "")
    known = sum(one["tuning"] == tuning for one in evening.of("crash")) + is_asked
    runs = sum(row.get("tuning") == tuning and evening.is_recorded(name) for name, row in evening.rows.items())
    return {
        "times": f"{_NUMBERS.get(known, f'{known}th')} crash under {tuning} tonight",
        "reason": {1: "It took the driver or the machine with it", 2: "Two crashes"}.get(known, f"{known} crashes"),
        "open": str(sum(evening.rows[one].get("tuning") == tuning for one in evening.in_order())),
        "crashes": count_text(known, "crash", "crashes"), "runs": count_text(runs, "run"),
    }  # fmt: skip


def _of_end(desk: Desk) -> dict[str, str]:
    """Return how the session went."""
    evening, rows, forecast = desk.evening, desk.evening.rows, desk.forecast
    done, every = evening.progress()
    replaced = {row.get("replaces") for row in rows.values()}
    notes = [f"{one['run']} {re.split('[:.]', one['verdict'][3][0])[0]}" for one in evening.takes()
             if one["verdict"][3] and not rows[one["run"]].get("excluded")]  # fmt: skip
    loose = [one.source.name for one in desk.waiting]
    loose += [PureWindowsPath(one["file"]["source"]).name for one in evening.of("found")]
    overall = {True: "overall yes", False: "overall no", None: "overall: not enough games"}[forecast.overall]
    left = f"Left over: {count_text(len(loose), 'recording')} no row names ({', '.join(loose[:2])}).\n"
    asked = f"Open: {count_text(len(notes), 'note')} that ask for a cause: {', '.join(notes[:3])}.\n"
    title = "END OF THE SESSION" if evening.in_order() else "THE SESSION IS DONE"
    return {
        "title": "END: ANOTHER DRIVER" if desk.shown.why == "driver" else title,
        "done": str(done), "all": str(every),
        "repeated": str(_count(desk, "replaces")),
        "left_out": str(sum(bool(row.get("excluded")) and name not in replaced for name, row in rows.items())),
        "times": f"{evening.of('open')[-1]['at'][11:16]} to {desk.keeper.clock.now():%H:%M}",
        "left": left if loose else "", "open": asked if notes else "",
        "enough": f"{overall}; single games {forecast.enough} of {len(forecast.games)}.",
    }  # fmt: skip


def just_now(desk: Desk) -> list[tuple[str, str]]:
    """Return the last events, the newest first: their word, and time, run, tuning and what was said.

    Parameters
    ----------
    desk : in any state
    """
    rows, out = desk.evening.rows, [("SAID", desk.said)] if desk.said else []
    out += [("ASIDE", one) for one in desk.keeper.notes[-1:]]
    out += [("WAITS", f"{one.source.name}: no row names it. Esc asks again") for one in desk.waiting[:1]]
    for line in reversed(desk.evening.of("take", "repeat", "crash", "unused", "found", "stop")):
        at, run = line["at"][11:16], line.get("run", "")
        start = f"{at}  {run:<5} {rows.get(run, {}).get('tuning', ''):<8}"
        if line.get("verdict"):
            kind, says, cause, notes = line["verdict"]
            said = Verdict(kind, says, cause, tuple(notes)).line
            out.append(("REPEAT" if kind == "repeat" else "FINE", f"{start} {said}"))
        elif line["did"] == "crash":
            out.append(("CRASH", f"{start} {line['says']}"))
        elif line["did"] in ("unused", "found"):
            out.append(("NOT USED", f"{at}  {PureWindowsPath(line['file']['source']).name}: {line['says']}"))
        elif line["did"] == "stop":
            out.append(("STOP", f"{at}  {line['tuning']} is stopped tonight"))
    return out


def _beside(desk: Desk) -> list[str]:
    """Return what only a wide screen shows: games, what is watched, the sheet."""
    lines, steps = [f"{'GAME':<19} ROUNDS   NOISE"], desk.keeper.journal.lines
    for one in desk.forecast.games[:_GAMES_WIDE]:
        squares = "■" * min(_SQUARES, one.done) + "□" * max(0, min(_SQUARES, one.planned) - one.done)
        more = f"{one.more} more" if one.done and one.more else "enough" if one.is_enough else ""
        lines.append(f"{one.game[:18]:<19} {squares:<8} {one.noise if one.done > 1 else '':<7} {more}".rstrip())
    proven = "clock proven" if desk.taker.clock_proven else "clock not proven yet"
    sensors = [
        f"sensors {one.path.name[:22]}   {proven}" for one in desk.watch.files.values() if one.kind == "sensors"
    ]
    return [
        *lines, *state_table()["words"]["legend"].split("\n"), *(str(one)[-40:] for one in desk.watch.folders),
        "  (stands still while recording)", *sensors[-1:],
        "", "SHEET", f"runs.csv   written {steps[-1]['at'][11:]}", f"journal    {len(steps)} steps",
    ]  # fmt: skip


#: What fills the places that only some states have.
_OWN = {
    "recording": _of_recording, "repeat": _of_repeat, "cause": _of_repeat, "which": _of_which, "away": _of_which,
    "format": _of_format, "program": _of_format, "crashed": _of_crash, "stop": _of_crash, "end": _of_end,
}  # fmt: skip
