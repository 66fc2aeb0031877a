"""What each state says, in words: the same for the terminal, for plain lines and for the page; never a result."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from importlib import resources
from pathlib import PureWindowsPath
from typing import Any

from jinja2 import Environment, Template

from gpubench_kit.desk.classify import Verdict
from gpubench_kit.desk.desk import GAMES_SHOWN, Desk, of_state
from gpubench_kit.desk.forecast import GAMES
from gpubench_kit.desk.journal import card_step, changes_text, with_card
from gpubench_kit.desk.looks import state_table
from gpubench_kit.model.errors import TableError
from gpubench_kit.page.charts import tokens_css
from gpubench_kit.schedule.order import PAUSE
from gpubench_kit.sheet.look_files import read_looks
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text, duration_text

#: Name of the page in the review folder.
PAGE = "desk.html"
_CAUSES = {"not_completed": "SHORT ", "tuning_lost": "LOST  ", "wrong_settings": "WRONG ", "log_gap": "UNREAD"}
_UNDO_CAUSES = {"not_completed": "short", "tuning_lost": "lost", "wrong_settings": "wrong", "log_gap": "unread"}
_UNDO = {"leave_out": "left out", "count": "counts", "later": "put off", "take": "taken"}
_OF_DUE = ("next", "recording", "paused", "restarted", "card", "version", "resumed", "which", "row", "away", "help")


@dataclass(frozen=True)
class View:
    """What there is to show.

    Attributes
    ----------
    state : name of the state
    title, done : of the header
    now : lines of the state, a tab before what stands at the right edge
    events : (word, rest) of the last events, the newest first
    outlook : lines on time and enough runs
    keys : lines of keys
    beside, after, more : what only a wide screen has: games, watching, sheet; what comes next; pace and open notes
    """

    state: str
    title: str
    done: str
    now: tuple[str, ...]
    events: tuple[tuple[str, str], ...]
    outlook: tuple[str, ...]
    keys: tuple[str, ...]
    beside: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    more: tuple[str, ...] = ()


@lru_cache(maxsize=100)
def _template(text: str) -> Template:
    """Return a text of the table as a template."""
    environment = Environment(trim_blocks=True, lstrip_blocks=True)
    environment.filters |= {"time": duration_text, "count": count_text}
    return environment.from_string(text)


def _lines(text: str, values: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the lines of a text with its places filled."""
    return tuple(_template(text).render(values).strip("\n").split("\n"))


def view_of(desk: Desk) -> View:
    """Return what there is to show; nothing in it is a result.

    Parameters
    ----------
    desk : in any state
    """
    words = state_table()["words"]
    values = _of_run(desk) | _of_session(desk) | _of_question(desk)
    values["change"] = "".join(_lines(words["change"], values))
    name, (done, every) = desk.name, desk.session.progress()
    beside, after, more = (_lines(words[part], values) for part in ("beside", "after", "more"))
    return View(
        name, desk.keeper.plan.review.title, f"{done} of {every} done",
        _lines(of_state(name, "now"), values), tuple(events_of(desk)),
        _lines(of_state(name, "outlook") or of_state("next", "outlook"), values),
        _lines(of_state(name, "keys"), values), beside, after, more,
    )  # fmt: skip


def _of_run(desk: Desk) -> dict[str, Any]:
    """Return what fills places about the run that is due, or that the state is about."""
    session, plan, shown, due = desk.session, desk.keeper.plan, desk.shown, desk.due
    rows, first = session.rows, next(iter(due), "")
    run = (first if shown.state in _OF_DUE else shown.run) or first
    row, times, last = rows.get(run, {}), plan.session_plan, rows.get(session.last_run, {})
    game = next((one for one in plan.games if one.name == row.get("game")), None)
    tuning = next((one for one in plan.tunings if one.name == row.get("tuning")), None)
    is_reference = tuning is None or tuning.name == plan.reference_tuning
    changes = {**tuning.changes, **tuning.held_at} if tuning else {}
    rounds = [int(one["round"]) for one in rows.values()
              if one.get("game") == row.get("game") and (one.get("round") or "").isdecimal()]  # fmt: skip
    number, care = row.get("round") or "", state_table()["words"]["care"]
    setting = row.get("setting") or (game.settings[0].name if game and len(game.settings) == 1 else "")
    is_new = not last or session.of_game(session.last_run) != session.of_game(run)
    crashes = [one["tuning"] for one in session.of("crash")].count(row.get("tuning", "")) + (
        shown.state == "crashed"
    )
    ordinal = {1: "1st", 2: "2nd", 3: "3rd"}.get(crashes, f"{crashes}th")
    alike = [name for name in rows if session.tuning(name) == row.get("tuning")]
    step = card_step(row, session.last_on(run), plan)
    card = with_card(row, plan)["card"]
    return {
        "card_step": say(f"sheet.{step}", card=card) if step else "",
        "on_card": f" on {card}" * (len(plan.cards) > 1),
        "pause": "".join(f"{row['note']}; " for one in [row.get("note") or ""] if PAUSE.match(one)),
        "run": run, "row": row, "rows": rows, "due": due, "last": last, "is_new_game": is_new, "plan": plan,
        "scene": f" · {game.scene}" if game and game.scene else "", "setting": f" · {setting}" if setting else "",
        "changes": "no offsets: everything back to the maker's values" if is_reference else changes_text(changes),
        "care": "" if is_reference else care, "always_care": care,
        "round": f"round {number} of {max(rounds)}" if number.isdecimal() and rounds
                 else row.get("purpose", "").replace("_", " "),
        "play": "the whole scene" if game and game.ends != "time" else f"{times.scene_s:g} s",
        "wait": f"{times.settle_s if is_new else times.tuning_change_s:g}", "settle": f"{times.settle_s:g}",
        "crashes": crashes, "crash_times": f"{ordinal} crash under {row.get('tuning', '')} in this session",
        "open_rows": sum(not session.is_recorded(one) for one in alike),
        "tuning_runs": sum(map(session.is_recorded, alike)), "repeat": next(iter(session.repeats(run)), run),
        "cause_word": _CAUSES.get(row.get("excluded", ""), "CAUSE "),
        "is_lost": row.get("excluded") in ("tuning_lost", "wrong_settings"),
        "why": shown.why.removeprefix("short: ").partition("; a note")[0],
    }  # fmt: skip


def _of_session(desk: Desk) -> dict[str, Any]:
    """Return what fills places about the session."""
    session, keeper, forecast, shown = desk.session, desk.keeper, desk.forecast, desk.shown
    rows, now, plan = session.rows, keeper.clock.now(), keeper.plan
    begun = [one for one in forecast.games if one.done]
    opened, replaced = session.of("open")[-1], {row.get("replaces") for row in rows.values()}
    games = f"({forecast.complete} games complete)"
    overall = (f"not enough games ({forecast.complete} of {len(forecast.games)} complete, {GAMES} needed)"
               if forecast.overall is None else
               f"{'yes' if forecast.overall else 'no'} for {forecast.margin} {games}")  # fmt: skip
    n_looks = 0
    with suppress(TableError):
        n_looks = len(read_looks(keeper.folder))
    return {
        "desk": desk, "forecast": forecast, "shown": shown, "trouble": desk.trouble, "overall": overall,
        "spare_s": forecast.have_s - forecast.left_s, "undo": _undo_text(desk), "folder": keeper.folder.name,
        "games_shown": begun[shown.first_game : shown.first_game + GAMES_SHOWN],
        "not_begun": len(forecast.games) - len(begun), "n_tunings": len(plan.tunings), "n_looks": n_looks,
        "drop": forecast.drops[shown.place % len(forecast.drops)][0] if forecast.drops else None,
        "game_ends_at": f"{now + timedelta(seconds=forecast.game_s):%H:%M}", "n_done": session.progress()[0],
        "n_all": session.progress()[1], "n_repeated": sum(bool(row.get("replaces")) for row in rows.values()),
        "n_left_out": sum(bool(row.get("excluded")) and name not in replaced for name, row in rows.items()),
        "end_title": "END: ANOTHER DRIVER" if shown.why == "driver" else
                     "END OF THE SESSION" if session.in_order() else "THE SESSION IS DONE",
        "times": f"{opened['at'][11:16]} to {now:%H:%M}", "took_s": keeper.since(opened),
        "planned_s": forecast.planned_s * len(session.takes()),
        "notes": [f"{one['run']} {re.split('[:.]', one['verdict']['notes'][0])[0]}" for one in session.takes()
                  if one["verdict"]["notes"] and not rows[one["run"]].get("excluded")],
        "loose": [*(one.source.name for one in desk.waiting), *(_name_of(one) for one in session.of("found"))],
        "logs": sum(bool(row.get("frame_log")) for row in rows.values()), "steps": len(keeper.journal.lines),
        "resumed_at": desk.resumed_at, "paused_at": "".join(one["at"][11:16] for one in session.of("pause")[-1:]),
        "recovered": "\n".join(f"{one[:1].upper()}{one[1:]}." for one in desk.recovered),
        "watched": [str(one)[-40:] for one in desk.watch.folders],
        "free_gb": keeper.disk.free(keeper.folder) // 10**9,
        "sensors": "".join([one.path.name for one in desk.watch.files.values() if one.kind == "sensors"][-1:]),
        "confirmed": [line for line in keeper.journal.lines if line["did"] == "format"],
        "written_at": keeper.journal.lines[-1]["at"][11:],
    }  # fmt: skip


def _undo_text(desk: Desk) -> str:
    """Return what the key of undo takes back, or puts back."""
    step = desk.keeper.last()
    if step is None:
        return ""
    if step not in desk.session.kept:
        return "0 put it back"
    cause = step["verdict"]["cause"] if step["did"] == "take" else ""
    what = _UNDO_CAUSES.get(cause) or _UNDO.get(step["did"], step["did"].replace("_", " "))
    return " ".join(f"0 undo: {step.get('run') or step.get('tuning', '')} {what}".split())


def _name_of(line: Mapping[str, Any]) -> str:
    """Return the name of the file of a step, whatever machine wrote it."""
    return PureWindowsPath(line["file"]["source"]).name


def _of_question(desk: Desk) -> dict[str, Any]:
    """Return what fills places about a recording, a format or a cell that is asked about."""
    shown, rows, due, session = desk.shown, desk.session.rows, desk.due, desk.session
    asked = next(iter(session.questions), None)
    run, column, theirs, ours = asked or ("", "", "", "")
    seen, wanted = desk.seen_at or desk.keeper.clock.now(), desk.watch.wanted_s
    columns = desk.taker.format_to_ask.columns if desk.taker.format_to_ask else ()
    likely = [f"{role.replace('_', ' ')} = column “{heading}” [{unit}]"
              for role, heading, unit, certainty in columns if certainty == "likely"]  # fmt: skip
    values: dict[str, Any] = {
        "asked": f"{run}: {column} is '{theirs}' here and '{ours}' at the desk." if column else
                 f"{run} is recorded, but its row is gone: 1 leave it out, 2 put it back.",
        "seen": f"{seen:%H:%M:%S}", "format": desk.taker.format_to_ask,
        "until": f"about {seen + timedelta(seconds=wanted):%H:%M:%S}" if wanted else "the scene is over",
        "format_columns": ", ".join(likely) or "the steps of its time",
        "due_text": f"{due[0]} is still due: play on." if due else "Nothing is due.",
    }  # fmt: skip
    if shown.recording is None:
        return values
    facts = shown.recording.facts
    length = f", {math.floor(facts.length_s)} s" if math.isfinite(facts.length_s) else ""
    began = facts.started_at_s % 86_400
    when = f"{datetime.min + timedelta(seconds=began):%H:%M:%S}" if math.isfinite(began) else ""
    return values | {
        "file": shown.recording.source.name, "length": length, "when": f"{when}{length}".lstrip(", "),
        "options": [(name, rows[name], "recorded already" if session.is_recorded(name) else
                     "the run that was due" if [name] == due[:1] else "not recorded yet") for name in shown.rows],
    }  # fmt: skip


def events_of(desk: Desk) -> list[tuple[str, str]]:
    """Return the last events, the newest first: their word, and time, run, tuning and what was said.

    Parameters
    ----------
    desk : in any state
    """
    session, out = desk.session, [("SAID", desk.message)] if desk.message else []
    out += [("ASIDE", one) for one in desk.keeper.notes[-1:]]
    out += [("WAITS", f"{one.source.name}: no row names it. Esc asks again") for one in desk.waiting[:1]]
    for line in reversed(session.of("take", "repeat", "crash", "unused", "found", "stop")):
        at, run = line["at"][11:16], line.get("run", "")
        start = f"{at}  {run:<5} {session.tuning(run):<8}"
        if line.get("verdict"):
            verdict = Verdict(**line["verdict"])
            out.append(("REPEAT" if verdict.kind == "repeat" else "FINE", f"{start} {verdict.line}"))
        elif line["did"] == "crash":
            out.append(("CRASH", f"{start} {line['message']}"))
        elif line["did"] in ("unused", "found"):
            out.append(("NOT USED", f"{at}  {_name_of(line)}: {line['message']}"))
        elif line["did"] == "stop":
            out.append(("STOP", f"{at}  {line['tuning']} is stopped for this session"))
    return out


def page_of(desk: Desk) -> str:
    """Return the view as a page for a second screen, as HTML; all that fills it is escaped.

    Parameters
    ----------
    desk : in any state
    """
    view = view_of(desk)
    first, *others = [line.replace("\t", "   ") for line in view.now if line.strip()]
    state, _, head = first.partition("  ")
    head = " ".join(head.split())
    # Read from afar: the tuning to set and its values, else the state's first line.
    big = next((" ".join(line[3:].split()) for line in others if line.startswith("SET")), head)
    text = resources.files(__package__).joinpath("page.html.j2").read_text("utf-8")
    return Environment(autoescape=True).from_string(text).render(
        view=view, css=tokens_css(desk.keeper.plan.style), at=f"{desk.keeper.clock.now():%H:%M:%S}",
        games=desk.forecast.games, state=state, big=big, now=others if big == head else [head, *others],
    )  # fmt: skip


def write_page(desk: Desk) -> None:
    """Write the page whole, in one step; where it cannot be, the next state writes it.

    Parameters
    ----------
    desk : in any state
    """
    with suppress(OSError):
        desk.keeper.disk.replace(desk.keeper.folder / PAGE, page_of(desk).encode())
