"""What is shown: whole screens at every size, plain lines, keys of every keyboard, the terminal given back."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_evening import Evening, made_review

from gpubench_kit.desk.demo import Player, make_demo
from gpubench_kit.desk.desk import opened_desk
from gpubench_kit.desk.looks import Shown
from gpubench_kit.desk.terminal import (
    PipedKeys,
    PlainScreen,
    Screen,
    in_ascii,
    key_of,
    lines_of,
    plain_line,
    run_desk,
)
from gpubench_kit.desk.view import page_of
from gpubench_kit.model.questions import LogFacts
from gpubench_kit.synthetic.recipe import MadeTuning

SMALL = made_review(games=3, rounds=2, scene_s=3.0, fps=30.0)


@pytest.fixture(scope="module")
def views(tmp_path_factory):
    """Return a view of each state."""
    with Evening(tmp_path_factory.mktemp("views"), SMALL) as evening:
        evening.record()
        evening.record(mishap="short_run", rest=35)
        evening.press("3", "1", "esc", "4", "esc", "5", "esc", "6", "esc", "7", "esc", "8")
        evening.press("enter")
        game = evening.desk.session.rows[evening.due]["game"]
        evening.record(name=f"{'Salt Orchard' if game != 'Salt Orchard' else 'Dust Meridian'}.csv")
        evening.press("esc", "5", "2")
        evening.press("enter", "9")
        columns = (("frame_time", "Dauer", "ms", "likely"),)
        evening.desk.taker.format_to_ask = LogFacts(Path("a.csv"), "frames", format_id="5f0c9a21", columns=columns)
        evening.desk.shown = Shown("format")
        evening._show()
        evening.desk._trouble("DISK FULL", {"free": 9, "needed": 60})
        evening.desk.shown = Shown("next")
        evening._show()
        return {view.state: view for view in evening.views}


STATES = (
    "next", "recording", "repeat", "cause", "note", "which", "crashed", "stop", "paused", "restarted", "all_games",
    "end", "format", "disk",
)  # fmt: skip
WORDS = {"next": "NEXT", "repeat": "REPEAT", "which": "WHICH", "stop": "CRASHED", "disk": "DISK"}


@pytest.mark.parametrize("state", STATES)
def test_a_screen_is_whole_at_every_size(views, state):
    for width, height in ((80, 24), (110, 34), (120, 40), (200, 60)):
        lines = lines_of(views[state], width=width, height=height)
        assert len(lines) == height
        assert max(map(len, lines)) <= width
        assert lines[0].startswith("BENCH DESK  Larkmoor 4")
        assert lines[1] == "─" * width
    for width, height in ((60, 15), (79, 24), (80, 10), (20, 3)):
        lines = lines_of(views[state], width=width, height=height)
        assert len(lines) <= height
        assert max(map(len, lines)) <= width
    assert in_ascii("\n".join(lines_of(views[state]))).isascii()


def test_the_screen_of_the_run_that_is_due(views):
    lines = lines_of(replace(views["next"], events=(("FINE", "20:12  r013  quiet    fine"),)))
    assert lines[2].startswith("NEXT   r0")
    assert lines[2].endswith("of 2")
    assert [line[:6] for line in lines[4:8]] == ["SET   ", "      ", "PLAY  ", "CHANGE"]
    assert lines[13] == "FINE       20:12  r013  quiet    fine"
    assert lines[-2].startswith("Enter take it now  1 repeat  2 leave out  3 skip")
    assert lines[-1].endswith("? help")


def test_a_plain_line_begins_with_its_state_and_holds_no_drawing(views):
    for state, word in WORDS.items():
        line = plain_line(views[state])
        assert line.startswith(word)
        assert not re.search("[─│■□→\n\t]", line)


def test_plain_lines_are_said_once(views, capsys):
    screen = PlainScreen()
    screen.show(views["next"])
    screen.show(views["next"])
    assert capsys.readouterr().out.count("NEXT ") == 1


def test_quiet_plain_lines_are_only_what_needs_somebody(views, capsys):
    screen = PlainScreen(quiet=True)
    for state in ("next", "recording"):
        screen.show(replace(views[state], events=()))
    assert capsys.readouterr().out == ""
    screen.show(views["stop"])
    assert "STOP" in capsys.readouterr().out


@pytest.mark.parametrize(("raw", "key"), [
    *((digit, digit) for digit in "0123456789"), *zip("&é\"'(-è_çà", "1234567890", strict=True),
    *zip("٠١٢٣٤٥٦٧٨٩", "0123456789", strict=True), *zip("０１２３", "0123", strict=True),
    ("\r", "enter"), ("\n", "enter"), ("\x1b", "esc"), ("?", "?"), ("\x1bOq", "1"), ("\x1bOM", "enter"),
    ("a", None), ("11", None), ("123\n", None), ("\x1b[A", "up"), ("\x1bOB", "down"),
    ("\x1b[C", None), ("\x1b[11~", None), ("\x01", None),
])  # fmt: skip
def test_digits_of_every_keyboard_count_and_nothing_else(raw, key):
    assert key_of(raw) == key


def _told(evening: Evening) -> str:
    """Return all that was shown, on screens and on the page, and the journal without what names files."""
    shown = "\n".join("\n".join(lines_of(view, width=120, height=40)) for view in evening.views)
    journal = (evening.folder / "desk" / "journal.jsonl").read_text(encoding="utf-8")
    journal = re.sub(r'^\w{8} |"(?:hash|source|boot)":"[^"]*",?|"(?:from|to)":\d+,?', "", journal, flags=re.M)
    return "\n".join([shown, page_of(evening.desk), journal])


def _played(folder, review) -> tuple[Evening, str]:
    """Return an evening played to its end, and all that was shown."""
    with Evening(folder, review) as evening:
        while evening.desk.due:
            evening.record()
        evening.press("7", "esc")
        return evening, _told(evening)


@pytest.mark.slow
def test_nothing_shown_tells_a_difference_or_a_value(tmp_path):
    """A review whose tunings differ by 20 % is shown as the one whose tunings do not."""
    review = made_review(games=3, rounds=2, scene_s=4.0, fps=40.0, tunings=2)
    plain = replace(
        review, tunings=(MadeTuning("factory"), MadeTuning("quiet", 0.0, changes={"power_limit_pct": -12}))
    )
    far = replace(
        review, tunings=(MadeTuning("factory"), MadeTuning("quiet", 20.0, changes={"power_limit_pct": -12}))
    )
    (one, told), (_, other) = _played(tmp_path / "one", plain), _played(tmp_path / "two", far)
    by_noise = re.compile(r"\d+\.\d %|\d+ more|\w+ feasible[^\n]*|noise[^\n]*|single games[^\n]*|overall[^\n]*")
    without_noise = [by_noise.sub("", text) for text in (told, other)]
    names = [re.sub(r"\S*(?:captures|sensors)\b", "", text) for text in without_noise]
    assert names[0] == names[1]
    values = [value for run in one.desk.taker.known.runs.values() for value, _ in run.values.values()]
    numbers = set(re.findall(r"\d+\.\d+", told))
    for value in np.array(values):
        assert not {f"{value:.1f}", f"{value:.2f}", f"{value:.3f}"} & numbers or value < 10


def test_names_are_data_on_the_page(tmp_path):
    with Evening(tmp_path, SMALL) as evening:
        plan = evening.folder / "plan.toml"
        plan.write_text(plan.read_text().replace("one lap", "<b>lap</b> & more"))
        evening.wait(2)
        page = page_of(evening.desk)
        evening.press("9")
        end = page_of(evening.desk)
    assert "<h2>NEXT</h2>" in page
    assert '<p class="state">factory no offsets' in page or '<p class="state">quiet power limit' in page
    assert "<h2>END OF THE SESSION</h2>" in end
    assert end.count("of 18 runs") == 1
    assert "<b>lap" not in page
    assert "&lt;b&gt;lap&lt;/b&gt; &amp; more" in page
    assert len(page) < 40_000
    assert page.count("<script>") == 1
    assert "http-equiv" not in page


class NoKeys:
    """Nobody at the keys; waiting moves the clock."""

    def __init__(self, clock):
        self.clock = clock

    def __enter__(self):
        return self

    def __exit__(self, *_about):
        pass

    def next(self, wait_s):
        self.clock.move(wait_s)
        return None

    def line(self):
        raise AssertionError("nothing is typed")


def test_the_demo_plays_itself_to_its_end_with_four_mishaps(tmp_path, capsys):
    from made_evening import FakeClock

    folder, watched = make_demo(tmp_path / "played_session")
    clock = FakeClock()
    with opened_desk(folder, watched, clock=clock) as desk:
        run_desk(desk, PlainScreen(), Player(desk, watched, NoKeys(clock)))
        said = capsys.readouterr().out
        assert desk.is_over
        assert desk.session.is_closed
    for words in ("short: ", "GPU load", "was not on", "the game crashed", "stop quiet here", "maker's values"):
        assert words in said, words
    assert clock.seconds - 1000 < 130
    assert make_demo(tmp_path / "played_session")[0].name == "played_session_2"


def _in_terminal(folder: Path, **environment: str) -> tuple[subprocess.Popen, int, int, list, bytes]:
    """Start the desk in a pseudo-terminal; return it, both ends, how the terminal was, and its first screen."""
    import pty
    import termios

    folder, watched = make_demo(folder / "evening")
    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    words = [sys.executable, "-m", "gpubench_kit", "desk", str(folder), "--watch", str(watched[0])]
    environment = os.environ | {"TERM": "xterm", "COLUMNS": "80", "LINES": "24"} | environment
    process = subprocess.Popen(
        words, stdin=slave, stdout=slave, stderr=slave, env=environment, start_new_session=True
    )
    return process, master, slave, before, _read_until(master, b"? help", process)


needs_terminal = pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is needed")


@needs_terminal
@pytest.mark.parametrize("number", ["SIGTERM", "SIGHUP", "SIGINT"])
def test_the_terminal_is_given_back_however_it_ends(tmp_path, number):
    import termios

    process, master, slave, before, shown = _in_terminal(tmp_path)
    assert b"NEXT" in shown
    os.kill(process.pid, getattr(signal, number))
    if number == "SIGINT":
        _read_until(master, b"OF THE SESSION", process)
        os.write(master, b"\r")
    shown += _read_until(master, b"\x1b[?1049l", process)
    assert process.wait(60) == (0 if number == "SIGINT" else 128 + getattr(signal, number))
    assert termios.tcgetattr(slave)[3] == before[3]
    os.close(master)
    os.close(slave)


@needs_terminal
def test_a_desk_that_is_stopped_gives_the_terminal_back_and_goes_on_with_the_same_screen(tmp_path):
    import termios

    process, master, slave, before, _ = _in_terminal(tmp_path)
    os.kill(process.pid, signal.SIGTSTP)
    assert b"\x1b[?1049l" in _read_until(master, b"\x1b[?1049l", process)
    assert os.WIFSTOPPED(os.waitpid(process.pid, os.WUNTRACED)[1])
    assert termios.tcgetattr(slave)[3] == before[3]
    os.kill(process.pid, signal.SIGCONT)
    assert b"NEXT" in _read_until(master, b"? help", process)
    assert termios.tcgetattr(slave)[3] != before[3], "keys are read one by one again"
    os.kill(process.pid, signal.SIGTERM)
    _read_until(master, b"\x1b[?1049l", process)
    process.wait(60)
    assert termios.tcgetattr(slave)[3] == before[3]
    os.close(master)
    os.close(slave)


@needs_terminal
@pytest.mark.parametrize(("environment", "is_coloured", "rule"), [
    ({}, True, "─"), ({"NO_COLOR": "1"}, False, "─"), ({"PYTHONIOENCODING": "cp437"}, True, "-"),
    ({"PYTHONIOENCODING": "cp1252"}, True, "-"), ({"PYTHONIOENCODING": "ascii"}, True, "-"),
])  # fmt: skip
def test_colours_and_signs_are_those_that_the_terminal_has(tmp_path, environment, is_coloured, rule):
    process, master, slave, _, _ = _in_terminal(tmp_path, **environment)
    os.write(master, b"5")
    _read_until(master, b"Esc not a crash", process)
    os.write(master, b"2")
    shown = _read_until(master, b"Esc not a crash: undo", process)
    os.kill(process.pid, signal.SIGKILL)
    process.wait(60)
    text = shown.decode("utf-8")
    assert rule * 80 in text
    assert text.isascii() == (rule == "-")
    styles = set(re.findall(r"\x1b\[([\d;]+)m", text))
    assert any("31" in one.split(";") for one in styles) == is_coloured, styles
    assert any({"1", "7"} <= set(one.split(";")) for one in styles), (
        "the word of the state stands out without colour"
    )
    os.close(master)
    os.close(slave)


def _read_until(master: int, end: bytes, process) -> bytes:
    """Return what a terminal shows, until it shows something."""
    import select

    shown, until = b"", time.monotonic() + 120
    while end not in shown and time.monotonic() < until:
        if select.select([master], [], [], 0.2)[0]:
            shown += os.read(master, 65536)
        elif process.poll() is not None:
            break
    assert end in shown, shown[-1000:]
    return shown


def test_a_screen_is_drawn_again_only_where_it_changed(views, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    screen = Screen()
    screen.show(views["next"])
    assert "NEXT" in capsys.readouterr().out
    screen.show(views["next"])
    assert capsys.readouterr().out == ""


@needs_terminal
def test_a_terminal_that_is_resized_is_drawn_anew_with_one_header(tmp_path):
    import fcntl
    import struct
    import termios

    process, master, slave, _, shown = _in_terminal(tmp_path, COLUMNS="", LINES="")
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    shown = _read_until(master, b"WATCHING", process) + _read_until(master, b"? help", process)
    os.kill(process.pid, signal.SIGKILL)
    process.wait(60)
    text = shown.decode("utf-8")
    assert text.count("BENCH DESK") == 1
    assert "─" * 120 in text
    os.close(master)
    os.close(slave)


def test_keys_of_a_pipe_that_ends_where_a_line_is_typed_leave_it_empty(monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("4\n"))
    keys = PipedKeys()
    assert keys.next(5.0) == "4"
    assert keys.line() == ""


def test_help_of_plain_lines_repeats_what_is_due(views, capsys):
    screen = PlainScreen()
    screen.show(views["next"])
    screen.repeat()
    screen.show(views["next"])
    assert capsys.readouterr().out.count("NEXT ") == 2
