"""What each state says, in words: the same for the terminal, for plain lines and for the page; never a result."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from importlib import resources

from gpubench_kit.desk.forecast import evening_lines, margin_text, more_text, noise_text, overall_text
from gpubench_kit.desk.states import Desk, verdict_of
from gpubench_kit.wording.numbers import count_text

_UNITS = {"pct": "%", "mhz": "MHz", "mv": "mV", "w": "W", "c": "°C", "rpm": "RPM", "v": "V", "a": "A"}
_WORDS = {"not_completed": "SHORT ", "tuning_lost": "LOST  ", "wrong_settings": "WRONG ", "log_gap": "UNREAD"}
_JUST = {"fine": "FINE", "note": "FINE", "repeat": "REPEAT"}


@lru_cache(maxsize=1)
def _words() -> Mapping[str, Mapping[str, str]]:
    """Return the texts of the screens."""
    return tomllib.loads(resources.files(__package__).joinpath("screens.toml").read_text(encoding="utf-8"))


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
    beside : lines that only a wide screen has: games, watching, sheet
    after : lines on what comes next
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
    name = _name_of(desk)
    values = _values(desk)
    now = _filled("now", name, values)
    if desk.shown.why == "help":
        now = _filled("help", "text", values)
    keys = (
        name
        if name in _words()["keys"]
        else {"disk": "trouble", "asked": "next", "recording": "next", "repeat": "next", "resumed": "which"}.get(
            name, "next"
        )
    )
    if desk.shown.typing:
        keys = "typing"
    elif name == "resumed" and not desk.shown.recording:
        keys = "next"
    evening = desk.evening
    counted = [
        run for run, row in evening.rows.items() if row.get("purpose") != "idle" and evening.root(run) == run
    ]
    left = {evening.root(run) for run in evening.in_order()}
    return View(
        state=name,
        title=desk.keeper.plan.review.title,
        done=f"{sum(run not in left for run in counted)} of {len(counted)} done",
        now=now,
        just=tuple(just_now(desk)),
        outlook=tuple(evening_lines(desk.forecast)),
        keys=_filled("keys", keys, values),
        beside=tuple(_beside(desk)),
        after=tuple(_after(desk)),
    )


def _name_of(desk: Desk) -> str:
    """Return the name of the text that fits the state."""
    trouble, state = desk.trouble, desk.shown.state
    if trouble and state != "END":
        return "disk" if trouble.word.startswith("DISK") else "trouble"
    if desk.keeper.questions and state == "NEXT":
        return "asked"
    name = {"WHICH RUN": "which", "FORMAT?": "format"}.get(state, state.lower().replace(" ", "_"))
    if name == "stop" and desk.evening.rows[desk.shown.run].get("tuning") == desk.keeper.plan.reference_tuning:
        return "stop_reference"
    return name


def _filled(part: str, name: str, values: Mapping[str, str]) -> tuple[str, ...]:
    """Return the lines of a text with its places filled."""
    text = re.sub(r"\{(\w+)\}", lambda place: str(values.get(place[1], "")), _words()[part][name])
    return tuple(text.strip("\n").split("\n"))


def _values(desk: Desk) -> dict[str, str]:
    """Return what fills the places of all texts."""
    evening, plan, shown = desk.evening, desk.keeper.plan, desk.shown
    due = desk.due
    is_of_due = shown.state in ("NEXT", "RECORDING", "PAUSED", "RESTARTED", "RESUMED", "WHICH RUN")
    run = (due[0] if due and is_of_due else shown.run) or (due[0] if due else "")
    row = evening.rows.get(run, {})
    session = plan.session_plan
    out = {
        "run": run, "game": row.get("game", ""), "tuning": row.get("tuning", ""), "file": shown.why,
        "wait": f"{session.settle_s if _is_new_game(desk, run) else session.tuning_change_s:g}",
        "settle": f"{session.settle_s:g}", "steps": str(len(desk.keeper.journal.lines)), "why": shown.why,
        "folder": desk.keeper.folder.name, "undo": _undo_text(desk), "since": desk.resumed_at,
    }  # fmt: skip
    out |= _of_row(desk, run, row) | _of_forecast(desk)
    out |= {"RECORDING": _of_recording, "REPEAT": _of_repeat, "WHICH RUN": _of_which, "RESUMED": _of_which,
            "FORMAT?": _of_format, "CRASHED": _of_crash, "STOP": _of_crash, "END": _of_end, "PAUSED": _of_pause,
            "CAUSE": _of_repeat}.get(shown.state, lambda *_: {})(desk, run)  # fmt: skip
    if desk.trouble:
        out |= {"word": desk.trouble.word, "says": desk.trouble.says}
        if desk.trouble.word == "FOLDER GONE":
            out["says"] = out["says"].replace("is not there.", f"is not there (since {desk.trouble.since:%H:%M}).")
    elif desk.keeper.questions:
        one = desk.keeper.questions[0]
        out["says"] = (
            f"{one.run}: {one.column} is '{one.theirs}' here and '{one.ours}' at the desk."
            if one.column
            else f"{one.run} is recorded, but its row is gone: 1 leave it out, 2 put it back."
        )
    return out


def _of_row(desk: Desk, run: str, row: Mapping[str, str]) -> dict[str, str]:
    """Return what the plan says about a row."""
    plan, rows = desk.keeper.plan, desk.evening.rows
    game = next((one for one in plan.games if one.name == row.get("game")), None)
    tuning = next((one for one in plan.tunings if one.name == row.get("tuning")), None)
    numbers = [int(one["round"]) for one in rows.values()
               if one.get("game") == row.get("game") and (one.get("round") or "").isdecimal()]  # fmt: skip
    is_reference = tuning is None or tuning.name == plan.reference_tuning
    setting = row.get("setting") or (game.settings[0].name if game and len(game.settings) == 1 else "")
    timed = game is None or game.ends == "time"
    changes = "no offsets: everything back to the maker's values" if is_reference else changes_text(
        {**tuning.changes, **tuning.held_at})  # fmt: skip
    purpose = row.get("purpose", "")
    number = row.get("round") or ""
    return {
        "scene": f" · {game.scene}" if game and game.scene else "",
        "setting": f" · {setting}" if setting else "",
        "changes": changes,
        "care": "" if is_reference else _filled("care", "text", {})[0] + "\n",
        "round": f"round {number} of {max(numbers)}"
        if number.isdecimal() and numbers
        else purpose.replace("_", " "),
        "play": f"{plan.session_plan.scene_s:g} s" if timed else "the whole scene",
        "change": _change(desk, run, row),
    }


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
        label = " ".join(words[:-1] if unit else words)
        parts.append(f"{label} {value:+g}{unit}".replace("-", "−"))
    return "   ".join(parts) or "as it is named: the plan states no values"


def _is_new_game(desk: Desk, run: str) -> bool:
    """Return whether a run begins another game than the run before."""
    takes = [one["run"] for one in desk.evening.takes() if one["run"] in desk.evening.rows]
    return not takes or not run or desk.evening.of_game(takes[-1]) != desk.evening.of_game(run)


def _change(desk: Desk, run: str, row: Mapping[str, str]) -> str:
    """Return what changes from the run before."""
    evening = desk.evening
    takes = [one["run"] for one in evening.takes() if one["run"] in evening.rows]
    before = evening.rows[takes[-1]] if takes else {}
    tuning = (
        f"tuning {before['tuning']} → {row.get('tuning', '')}."
        if before and before["tuning"] != row.get("tuning")
        else "same tuning: apply it anew."
        if before
        else f"tuning {row.get('tuning', '')}."
    )
    restarts = before and before.get("session") != row.get("session") and row.get("session")
    if restarts:
        return f"restart the machine, then {row.get('game', '')}; {tuning}"
    if _is_new_game(desk, run):
        settle = f"{desk.keeper.plan.session_plan.settle_s:g}"
        return f"start {row.get('game', '')}; wait {settle} s; {tuning}"
    if before.get("launch") != row.get("launch") and row.get("launch"):
        return f"{tuning} Start the game anew."
    return f"{tuning} Same game, no restart."


def _undo_text(desk: Desk) -> str:
    """Return what the key 0 takes back."""
    lines = [one for one in desk.keeper.journal.lines if one["did"] not in ("sheet", "found", "unused")]
    if lines and lines[-1]["did"] == "undo":
        return "0 put it back"
    last = desk.keeper.last()
    if last is None:
        return ""
    did = {
        "take": "taken",
        "no_repeat": "no repeat",
        "leave_out": "left out",
        "count": "counts",
        "later": "put off",
        "warm_up": "warm-up",
    }.get(last["did"], last["did"])
    return f"0 undo: {last.get('run') or last.get('tuning', '')} {did}".replace("  ", " ")


def _of_recording(desk: Desk, run: str) -> dict[str, str]:
    """Return what is known of the recording that grows; nothing that moves."""
    seen = desk.taker.seen_at or desk.keeper.clock.now()
    wanted = desk.watch.wanted_s
    until = f"about {seen + timedelta(seconds=wanted):%H:%M:%S}" if wanted else "the scene is over"
    return {"seen": f"{seen:%H:%M:%S}", "until": until}


def _of_repeat(desk: Desk, run: str) -> dict[str, str]:
    """Return what is known of a repeat."""
    rows, run = desk.evening.rows, desk.shown.run
    repeat = next((name for name, row in rows.items() if row.get("replaces") == run), "")
    cause = rows[run].get("excluded", "")
    is_lost = cause in ("tuning_lost", "wrong_settings")
    why = re.sub(r"^short: ", "", desk.shown.why).partition("; a note")[0]
    return {
        "repeat": repeat or run,
        "word": _WORDS.get(cause, "CAUSE "),
        "cause": cause,
        "again": " again" if is_lost else "",
        "why": f"{why[:1].upper() + why[1:]}." + ("\n       A driver reset does this without a word." * is_lost),
        "counts": "it was on" if is_lost else "do not repeat",
        "and_repeated": " and repeated" if desk.shown.why == "repeat" else "",
        "run": run,
    }


def _of_which(desk: Desk, run: str) -> dict[str, str]:
    """Return what is asked about a recording."""
    shown, evening = desk.shown, desk.evening
    out = {"due": f"{desk.due[0]} is still due: play on." if desk.due else "Nothing is due.",
           "logs": str(sum(bool(row.get("frame_log")) for row in evening.rows.values())),
           "recovered": "".join(f"{one[:1].upper() + one[1:]}.\n" for one in desk.recovered)}  # fmt: skip
    if shown.recording is None:
        return out | {"rows": "\nEnter or Esc: go on." if shown.state == "RESUMED" else "", "digits": ""}
    facts, lines = shown.recording.facts, []
    length = f", {math.floor(facts.length_s)} s" if math.isfinite(facts.length_s) else ""
    for number, name in enumerate(shown.rows, start=1):
        row = evening.rows[name]
        says = "the run that was due" if desk.due[:1] == [name] else (
            "recorded already" if evening.is_recorded(name) else "not recorded yet")  # fmt: skip
        if shown.state == "RESUMED":
            lines.append(f"  {number}  it is {name}, {says}")
        else:
            number_of = f"round {row['round']}" if row.get("round") else ""
            lines.append(f"  {number}  {name:<6} {row['game']:<16} {row['tuning']:<9} {number_of:<9} {says}")
    if shown.state == "RESUMED":
        lines.insert(0, f"{shown.why.rstrip('.')}: {shown.recording.source.name}{length}")
        lines.append("  4  none: it stays where it is")
    when = f"{datetime.min + timedelta(seconds=facts.started_at_s % 86_400):%H:%M:%S}" if math.isfinite(
        facts.started_at_s) else ""  # fmt: skip
    digits = " ".join([*(str(n + 1) for n in range(len(shown.rows))), "3", "4"])
    return out | {"file": shown.recording.source.name, "when": f"{when}{length}".lstrip(", "), "digits": digits,
                  "rows": "\n".join(lines) + "\n"}  # fmt: skip


def _of_format(desk: Desk, run: str) -> dict[str, str]:
    """Return what is asked about a format."""
    facts = desk.taker.format_to_ask
    if facts is None:
        return {}
    likely = [(role, heading, unit) for role, heading, unit, certainty in facts.columns if certainty == "likely"]
    named = ", ".join(f"{role.replace('_', ' ')} = column “{heading}” [{unit}]" for role, heading, unit in likely)
    return {"id": facts.format_id, "column": named or "the steps of its time",
            "withheld": "frames" if facts.kind == "frames" else "watts and other sensors"}  # fmt: skip


def _of_crash(desk: Desk, run: str) -> dict[str, str]:
    """Return what is known of a crash."""
    evening = desk.evening
    tuning = evening.rows[desk.shown.run].get("tuning", "")
    known = evening.crashes.get(tuning, 0) + (desk.shown.state == "CRASHED")
    runs = sum(row.get("tuning") == tuning and evening.is_recorded(name) for name, row in evening.rows.items())
    number = {1: "1st", 2: "2nd", 3: "3rd"}.get(known, f"{known}th")
    times = f"{number} crash under {tuning} tonight"
    return {
        "run": desk.shown.run, "game": evening.rows[desk.shown.run].get("game", ""), "tuning": tuning,
        "times": f"\t{times}" if desk.shown.state == "CRASHED" else times,
        "reason": {1: "It took the driver or the machine with it", 2: "Two crashes"}.get(known, f"{known} crashes"),
        "open": str(sum(evening.rows[one].get("tuning") == tuning for one in evening.in_order())),
        "crashes": count_text(known, "crash", "crashes"), "runs": count_text(runs, "run"),
    }  # fmt: skip


def _of_pause(desk: Desk, run: str) -> dict[str, str]:
    """Return since when it stands still."""
    at = next((one["at"] for one in reversed(desk.evening.steps) if one["did"] == "pause"), "")
    return {"since": f"{at[11:16]}{' (the computer slept)' if desk.shown.why else ''}"}


def _of_end(desk: Desk, run: str) -> dict[str, str]:
    """Return how the evening went."""
    evening, rows, forecast = desk.evening, desk.evening.rows, desk.forecast
    roots = [name for name, row in rows.items() if evening.root(name) == name and row.get("purpose") != "idle"]
    left = {evening.root(name) for name in evening.in_order()}
    replaced = {row.get("replaces") for row in rows.values()}
    notes = [f"{one['run']} {one['verdict'][3][0].partition(':')[0].partition('.')[0]}" for one in evening.takes()
             if one["verdict"][3] and one["run"] in rows and not rows[one["run"]].get("excluded")]  # fmt: skip
    loose = [one.source.name for one in desk.waiting]
    loose += [one["file"]["source"].replace("\\", "/").rsplit("/", 1)[-1] for one in evening.steps
              if one["did"] == "found"]  # fmt: skip
    games = forecast.games
    overall = {True: "overall yes", False: "overall no", None: "overall: not enough games"}[forecast.overall]
    title = "THE SESSION IS DONE" if not evening.in_order() else "END OF THE SESSION"
    if desk.shown.why == "driver":
        title = "END: ANOTHER DRIVER"
    return {
        "title": title,
        "done": str(len(roots) - len(left)),
        "all": str(len(roots)),
        "repeated": str(sum(bool(row.get("replaces")) for row in rows.values())),
        "left_out": str(sum(bool(row.get("excluded")) and name not in replaced for name, row in rows.items())),
        "times": f"{evening.began_at[11:16]} to {desk.keeper.clock.now():%H:%M}",
        "logs": str(sum(bool(row.get("frame_log")) for row in rows.values())),
        "left": f"Left over: {count_text(len(loose), 'recording')} no row names ({', '.join(loose[:2])}).\n"
        if loose
        else "",
        "open": f"Open: {count_text(len(notes), 'note')} that ask for a cause: {', '.join(notes[:3])}.\n"
        if notes
        else "",
        "enough": f"{overall}; single games {sum(one.is_enough for one in games)} of {len(games)}.",
    }


def _of_forecast(desk: Desk) -> dict[str, str]:
    """Return the lines of all games, and what to drop."""
    forecast, drop = desk.forecast, ""
    if forecast.drops:
        one = forecast.drops[min(desk.shown.drop, len(forecast.drops) - 1)]
        drop = f"DROP   1  {one.what} ({one.saves_min:.0f} min saved). {one.then}   2  more   Esc drop nothing"
    begun = [one for one in forecast.games if one.done]
    others = len(forecast.games) - len(begun)
    lines = [
        f"{one.game[:18]:<19} {one.done:>2}/{one.planned}  {noise_text(one):>6}   {more_text(one, forecast)}"
        for one in begun
    ]
    if others:
        lines.append(f"{count_text(others, 'game')} not begun")
    return {"games": "\n".join(lines[:8]), "drop": drop, "margin": margin_text(forecast),
            "overall": f"overall, these games: {overall_text(forecast)}"}  # fmt: skip


def just_now(desk: Desk) -> list[tuple[str, str]]:
    """Return the last events, the newest first: their word, and time, run, tuning and what was said.

    Parameters
    ----------
    desk : in any state
    """
    rows, out = desk.evening.rows, []
    for line in reversed(desk.evening.steps):
        at, run, tuning = (
            line["at"][11:16],
            line.get("run", ""),
            rows.get(line.get("run", ""), {}).get("tuning", ""),
        )
        if line["did"] == "take":
            said = verdict_of(line)
            out.append((_JUST[said.kind], f"{at}  {run:<5} {tuning:<8} {said.line}"))
        elif line["did"] == "crash":
            out.append(("CRASH", f"{at}  {run:<5} {tuning:<8} {line['says']}"))
        elif line["did"] in ("unused", "found"):
            name = line["file"]["source"].replace("\\", "/").rsplit("/", 1)[-1]
            out.append(("NOT USED", f"{at}  {name}: {line['says']}"))
        elif line["did"] == "repeat" and line.get("verdict"):
            out.append(("REPEAT", f"{at}  {run:<5} {tuning:<8} {verdict_of(line).line}"))
        elif line["did"] == "stop":
            out.append(("STOP", f"{at}  {line['tuning']} is stopped tonight"))
    out = [("WAITS", f"{one.source.name}: no row names it. Esc asks again") for one in desk.waiting[:1]] + out
    out = [("ASIDE", f"{one}") for one in desk.keeper.notes[-1:]] + out if desk.keeper.notes else out
    return [(desk.said and "SAID", desk.said)] * bool(desk.said) + out


def _after(desk: Desk) -> list[str]:
    """Return what comes after the run that is due."""
    rows, due = desk.evening.rows, desk.due
    following = " · ".join(f"{run} {rows[run].get('tuning', '')}" for run in due[1:5])
    return [f"AFTER  {following}"] if following else []


def _beside(desk: Desk) -> list[str]:
    """Return what only a wide screen shows: games, what is watched, the sheet."""
    lines = [f"{'GAME':<19} ROUNDS   NOISE"]
    for one in desk.forecast.games[:12]:
        squares = "■" * min(8, one.done) + "□" * max(0, min(8, one.planned) - one.done)
        more = "" if not one.done else "enough" if one.is_enough else f"{one.more} more" if one.more else ""
        lines.append(
            f"{one.game[:18]:<19} {squares:<8} {noise_text(one) if one.done > 1 else '':<7} {more}".rstrip()
        )
    lines += [
        "",
        "■ round complete  □ to do",
        "Noise: run to run, pooled over tunings",
        "of a game. Never a result.",
        "",
    ]
    lines += ["WATCHING", *(f"{str(one)[-40:]}" for one in desk.watch.folders), "  (stands still while recording)"]
    proven = "clock proven" if desk.taker.clock_proven else "clock not proven yet"
    sensors = [one.path.name for one in desk.watch.files.values() if one.kind == "sensors"]
    lines += [f"sensors {sensors[-1][:22]}   {proven}"] if sensors else []
    last = desk.keeper.journal.lines[-1]["at"][11:] if desk.keeper.journal.lines else ""
    lines += ["", "SHEET", f"runs.csv   written {last}", f"journal    {len(desk.keeper.journal.lines)} steps"]
    return lines
