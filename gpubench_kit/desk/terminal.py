"""The terminal: text laid out for any size, keys of every keyboard, and plain lines where there is none."""

from __future__ import annotations

import contextlib
import os
import queue
import re
import select
import signal
import sys
import textwrap
import threading
import time
import unicodedata
from collections.abc import Iterator, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from gpubench_kit.desk.desk import Desk
from gpubench_kit.desk.view import View, view_of

try:
    import termios
    import tty
except ImportError:  # Windows has neither; its keys come from the console.
    termios = tty = None  # type: ignore[assignment]
    import msvcrt

#: Esc alone, or the beginning of a key's sequence [s]; keys of a Windows console are asked for so often [s].
_ESCAPE_S, _POLL_S = 0.05, 0.25
#: The row of digits where they need the shift key; keys of a numeric pad; those that are words.
_UNSHIFTED = dict(zip("&é\"'(-è_çà", "1234567890", strict=True))
_PAD = {f"\x1bO{letter}": digit for letter, digit in zip("pqrstuvwxy", "0123456789", strict=True)}
_ARROWS = {f"\x1b{mark}{letter}": word for mark in "[O" for letter, word in (("A", "up"), ("B", "down"))}
_NAMED = {**_UNSHIFTED, **_PAD, **_ARROWS, "\x1bOM": "enter", "\r": "enter", "\n": "enter", "\r\n": "enter",
          "\x1b": "esc", "?": "?", "\x03": "\x03", " ": " ", "\xe0H": "up", "\xe0P": "down"}  # fmt: skip
_END = "\x04"
_RED = ("REPEAT", "CRASHED", "STOP", "DISK", "FOLDER", "SHEET", "CLOCK", "PLAN", "NAME", "WHICH", "TROUBLE")
_LOUD = ("repeat", "which", "away", "stop", "stop_reference", "crashed", "disk", "trouble", "format", "program",
         "asked")  # fmt: skip


def is_terminal() -> bool:
    """Return whether there is a screen and somebody at its keys."""
    return sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def key_of(raw: str) -> str | None:
    """Return which key a read from the terminal was; None for none, or for several at once, as pasted.

    Parameters
    ----------
    raw : all that was there to read
    """
    if raw in _NAMED or len(raw) != 1:
        return _NAMED.get(raw)
    digit = unicodedata.decimal(raw, None)
    return None if digit is None else str(digit)


class Keys:
    """Keys of the terminal, read one by one; the terminal is as before when the ``with`` ends, however it ends."""

    def __enter__(self) -> Keys:
        self._file = sys.stdin.fileno()
        if termios:
            self._before = termios.tcgetattr(self._file)
            # A desk that was killed left echo off: it comes back at the end of this one.
            self._before[3] |= termios.ECHO | termios.ICANON
            tty.setcbreak(self._file)
            termios.tcflush(self._file, termios.TCIFLUSH)
        return self

    def __exit__(self, *_about: object) -> None:
        if termios:
            termios.tcsetattr(self._file, termios.TCSADRAIN, self._before)

    def next(self, wait_s: float) -> str | None:
        """Return the next key; None where none comes within so long."""
        raw = self._raw(wait_s)
        if raw == "\x1b":
            raw += self._raw(_ESCAPE_S)
        return key_of(raw) if raw else None

    def _raw(self, wait_s: float) -> str:
        """Return all that was typed; empty where nothing is within so long."""
        if termios:
            is_typed = select.select([self._file], [], [], wait_s)[0]
            return os.read(self._file, 1024).decode("utf-8", "replace") if is_typed else ""
        until = time.monotonic() + wait_s
        console: Any = msvcrt
        while not console.kbhit() and time.monotonic() < until:
            time.sleep(_POLL_S)
        return "".join(console.getwch() for _ in iter(console.kbhit, False))

    def line(self) -> str:
        """Return a typed line."""
        self.__exit__()
        line = sys.stdin.readline().lstrip("\x1b")
        if termios:
            tty.setcbreak(self._file)
        return line


class PipedKeys(contextlib.nullcontext):
    """Keys from a pipe, one a line; when it ends the desk watches on without keys."""

    def __init__(self) -> None:
        super().__init__()
        self._lines: queue.Queue[str] = queue.Queue()
        if sys.stdin is not None:
            # The thread ends with the process.
            threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        """Read lines until there are none."""
        with contextlib.suppress(OSError, ValueError):
            for line in sys.stdin:
                self._lines.put(line)
        self._lines.put(_END)

    def next(self, wait_s: float) -> str | None:
        """Return the next key; None where none comes within so long."""
        with contextlib.suppress(queue.Empty):
            line = self._lines.get(timeout=wait_s).strip()
            return line.lower() if line.lower() in ("esc", "up", "down") else key_of(line or "\n")
        return None

    def line(self) -> str:
        """Return a typed line."""
        line = self._lines.get()
        return "" if line == _END else line


class Screen:
    """One screen of text, drawn anew only where it changed."""

    def __init__(self, *, ascii_only: bool = False):
        self._console, self._drawn = Console(highlight=False, soft_wrap=True), [""]
        self._size = self._console.size
        self._ascii = ascii_only or not _can_write("─│■□→·−…", self._console.encoding)

    def __enter__(self) -> Screen:
        self._console.set_alt_screen(True)
        self._console.show_cursor(False)
        self._draw()
        return self

    def __exit__(self, *_about: object) -> None:
        self._console.show_cursor(True)
        self._console.set_alt_screen(False)

    def show(self, view: View) -> None:
        """Draw what there is to show."""
        self._size = self._console.size
        lines = lines_of(view, width=self._size.width, height=self._size.height)
        lines = [in_ascii(line) for line in lines] if self._ascii else lines
        if lines != self._drawn:
            self._drawn = lines
            self._draw()

    @property
    def is_resized(self) -> bool:
        """Whether the terminal has another size than when it was drawn."""
        return self._size != self._console.size

    def _draw(self) -> None:
        self._console.clear()
        styled = Text("\n").join(_styled(line, number) for number, line in enumerate(self._drawn))
        self._console.print(styled, end="", overflow="crop", no_wrap=True)

    def ask_line(self, prompt: str) -> None:
        """Show where a line is typed."""
        self._console.show_cursor(True)
        self._console.print(f"\n{prompt} > ", end="", markup=False)
        self._drawn = [""]


class PlainScreen(contextlib.nullcontext):
    """One line an event, appended; the first word is the state."""

    is_resized = False

    def __init__(self, *, quiet: bool = False, ascii_only: bool = False):
        super().__init__()
        self._quiet, self._seen = quiet, [""]
        self._ascii = ascii_only or not _can_write("−µ°", getattr(sys.stdout, "encoding", None) or "ascii")

    def show(self, view: View) -> None:
        """Print what is new, one line each."""
        now, news = (
            plain_line(view),
            [f"{word} {' '.join(rest.split())}" for word, rest in reversed(view.events[:3])],
        )
        lines = [one for one in news if one not in self._seen]
        lines += [now] if [now] != [*self._seen, *lines][-1:] else []
        self._seen = [*self._seen, *lines][-12:]
        for line in lines:
            if not self._quiet or view.state in _LOUD or line.split(" ")[0] in _RED:
                self.ask_line(line)

    def ask_line(self, prompt: str) -> None:
        """Print a line."""
        print(in_ascii(prompt) if self._ascii else prompt, flush=True)

    def repeat(self) -> None:
        """Let what is now be printed again."""
        self._seen.append("")


def _can_write(text: str, encoding: str) -> bool:
    """Return whether an encoding has these signs."""
    try:
        return bool(text.encode(encoding))
    except (UnicodeEncodeError, LookupError):
        return False


def _styled(line: str, number: int) -> Text:
    """Return a line with its state word set off; the word carries the meaning, not the colour."""
    text, word = Text(line, style="bold" if number == 0 else ""), line.split(" ", 1)[0].rstrip("?:")
    if number and word.isupper() and len(word) > 2:
        fine = "yellow" if "a note" in line else "cyan"
        text.stylize("bold reverse red" if word in _RED else fine if word == "FINE" else "bold", 0, len(word))
    return text


def run_desk(desk: Desk, screen: Screen | PlainScreen, keys: Any, *, wait_s: float = 1.0) -> None:
    """Look and listen until the session ends.

    Parameters
    ----------
    desk : begun
    screen : `Screen` or `PlainScreen`
    keys : `Keys` or `PipedKeys`
    wait_s : between two looks [s]
    """
    interrupted: list[int] = []
    with _ends_by_signal(interrupted, screen, keys), screen, keys:
        screen.show(view_of(desk))
        while not desk.is_over:
            key = keys.next(wait_s)
            # An interruption counts as the key 9 does, and is never raised in the middle of a step or of a screen.
            if interrupted and interrupted.pop():
                key = "\x03"
            if key == "\x03":
                desk.interrupt()
            elif key == "?" and isinstance(screen, PlainScreen):
                screen.repeat()
            elif key is not None:
                desk.press(key)
            if desk.is_typing:
                screen.ask_line(plain_line(view_of(desk)) if isinstance(screen, PlainScreen) else desk.shown.state)
                desk.typed(keys.line())
            if (desk.tick() or key is not None or screen.is_resized) and not desk.is_over:
                screen.show(view_of(desk))


@contextlib.contextmanager
def _ends_by_signal(interrupted: list[int], screen: Screen | PlainScreen, keys: Keys | PipedKeys) -> Iterator[None]:
    """Let the terminal be restored where the process is asked to end or to stop; interruptions are gathered."""

    def end(number: int, _frame: object) -> None:
        raise SystemExit(128 + number)

    def stop(_number: int, _frame: object) -> None:
        screen.__exit__(None, None, None)
        keys.__exit__(None, None, None)
        os.kill(os.getpid(), signal.SIGSTOP)
        keys.__enter__()
        screen.__enter__()

    handlers = {"SIGTERM": end, "SIGHUP": end, "SIGINT": lambda number, _frame: interrupted.append(number)}
    handlers |= {"SIGTSTP": stop} if isinstance(keys, Keys) else {}
    before = {
        name: signal.signal(getattr(signal, name), one) for name, one in handlers.items() if hasattr(signal, name)
    }
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


# Zones of text

#: Rows of the zones of a screen of 24: last events, outlook; and of the outlook of a wide one.
EVENT_ROWS, OUTLOOK_ROWS, WIDE_OUTLOOK_ROWS = 3, 4, 9
WIDE, HIGH, LEFT = 110, 34, 72
_SMALL = (80, 24)
_ASCII = str.maketrans({"─": "-", "│": "|", "■": "#", "□": ".", "→": "->", "·": "-", "−": "-", "…": "~", "“": '"',
                        "”": '"', "°": "", "’": "'", "\u00a0": " ", "\u202f": " "})  # fmt: skip
_SPOKEN = {" · ": ", ", " → ": " to ", "■": "", "□": ""}


def lines_of(view: View, *, width: int = 80, height: int = 24) -> list[str]:
    """Return a screen of text, each line at most so wide.

    Parameters
    ----------
    view : what there is to show
    width, height : of the terminal; below 80 x 24 what is now and the first keys alone, from 110 x 34 the wide form
    """
    keys, rule = _wrapped(view.keys, width), "─" * width
    if width < _SMALL[0] or height < _SMALL[1]:
        room = max(1, height - 1)
        return [*_wrapped(view.now, width)[: room - 1], keys[0]][:room]
    is_wide, inner = width >= WIDE and height >= HIGH, width
    now, outlook, outlook_rows, event_rows = view.now, view.outlook, OUTLOOK_ROWS, EVENT_ROWS
    if is_wide:
        inner, outlook_rows = LEFT, WIDE_OUTLOOK_ROWS
        event_rows += (height - _SMALL[1]) // 4
        now, outlook = (*now, "", *view.after), (*outlook, *view.more)
    events = []
    for place, (word, rest) in enumerate(view.events[:event_rows]):
        # The newest event is named; those below it only where their word needs to be seen.
        label = word if place == 0 or word != "FINE" else "JUST NOW" if place == 1 else ""
        events.append(_cut(f"{label:<10} {rest}", inner))
    body = [
        *_fitted(_wrapped(now, inner), height - 6 - event_rows - outlook_rows),
        *_fitted(events or ["JUST NOW   nothing yet"], event_rows),
        "", *_fitted(_wrapped(outlook, inner), outlook_rows),
    ]  # fmt: skip
    if is_wide:
        beside = _fitted([_cut(one, width - LEFT - 3) for one in view.beside], len(body))
        body = [f"{left:<{LEFT}}│ {right}".rstrip() for left, right in zip(body, beside, strict=True)]
    return [_right(f"BENCH DESK  {view.title}\t{view.done}", width), rule, *body, rule, *_fitted(keys, 2)]


def _fitted(lines: Sequence[str], rows: int) -> list[str]:
    """Return exactly so many lines."""
    return [*lines[:rows], *[""] * (rows - len(lines))]


def _wrapped(lines: Sequence[str], width: int) -> list[str]:
    """Return lines no wider than this, those that follow indented like the text they go on with."""
    out = []
    for line in lines:
        found = re.match(r"\S*\s{2,}|[A-Z]+\s|\s*", line)
        indent = len(found[0]) if found else 0
        hang = " " * (indent if indent < width // 2 else 0)
        if "\t" in line:
            out.append(_right(line, width))
        else:
            out += textwrap.wrap(line, width, subsequent_indent=hang) if len(line) > width else [line]
    return out


def _right(line: str, width: int) -> str:
    """Return a line whose part behind the tab stands at the right edge."""
    left, _, right = line.partition("\t")
    room = max(0, width - len(right.strip()))
    return _cut(f"{_cut(left, max(0, room - 1)):<{room}}{right.strip()}", width)


def _cut(line: str, width: int) -> str:
    """Return a line of at most so many signs."""
    return line if len(line) <= width else line[: max(0, width - 1)] + "…"


def in_ascii(text: str) -> str:
    """Return a text in ASCII, for terminals that have no other signs.

    Parameters
    ----------
    text : of a screen
    """
    return text.translate(_ASCII).encode("ascii", "replace").decode()


def plain_line(view: View) -> str:
    """Return what is now in one line, for a screen reader or where there is no terminal; first word the state.

    Parameters
    ----------
    view : what there is to show
    """
    text = " ".join(" ".join(view.now).split())
    for sign, plain in _SPOKEN.items():
        text = text.replace(sign, plain)
    return text
