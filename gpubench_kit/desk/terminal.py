"""The terminal: one screen that stands still, keys of every keyboard, and plain lines where there is none."""

from __future__ import annotations

import contextlib
import os
import queue
import select
import signal
import sys
import threading
import time
import unicodedata
from collections.abc import Callable, Iterator

from rich.console import Console
from rich.text import Text

from gpubench_kit.desk.says import View
from gpubench_kit.desk.screen import in_ascii, lines_of, plain_line
from gpubench_kit.desk.states import Desk

try:
    import termios
    import tty
except ImportError:  # Windows has neither; its keys come from the console.
    termios = tty = None  # type: ignore[assignment]
    import msvcrt

#: Esc alone, or the beginning of a key's sequence [s]; keys of a Windows console are asked for so often [s].
_ESCAPE_S, _POLL_S = 0.05, 0.25
#: The row of digits where they need the shift key.
_UNSHIFTED = dict(zip("&é\"'(-è_çà", "1234567890", strict=True))
_PAD = dict(zip("pqrstuvwxy", "0123456789", strict=True)) | {"M": "enter"}
_RED = ("REPEAT", "CRASHED", "STOP", "DISK", "FOLDER", "SHEET", "CLOCK", "PLAN", "NAME", "WHICH", "TROUBLE")
_LOUD = ("repeat", "which", "stop", "crashed", "disk", "trouble", "format", "asked", "stop_reference")


def is_terminal() -> bool:
    """Return whether there is a screen and somebody at its keys."""
    return sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def key_of(raw: str) -> str | None:
    """Return which key a read from the terminal was; None for none, or for several at once, as pasted.

    Parameters
    ----------
    raw : all that was there to read
    """
    if raw in ("\r", "\n", "\r\n"):
        return "enter"
    if raw == "\x1b":
        return "esc"
    if raw.startswith("\x1bO") and len(raw) == 3:
        return _PAD.get(raw[2])
    if len(raw) != 1:
        return None
    if raw in _UNSHIFTED:
        return _UNSHIFTED[raw]
    if (digit := unicodedata.decimal(raw, None)) is not None:
        return str(digit)
    return raw if raw in ("?", "\x03", " ") else None


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
        """Return all that can be read within so long."""
        if termios is None:
            until = time.monotonic() + wait_s
            while not msvcrt.kbhit() and time.monotonic() < until:
                time.sleep(_POLL_S)
            return "".join(msvcrt.getwch() for _ in iter(msvcrt.kbhit, False))
        if not select.select([self._file], [], [], wait_s)[0]:
            return ""
        return os.read(self._file, 1024).decode("utf-8", "replace")

    @contextlib.contextmanager
    def typing(self) -> Iterator[None]:
        """Let a line be typed."""
        if termios:
            termios.tcsetattr(self._file, termios.TCSADRAIN, self._before)
        yield
        if termios:
            tty.setcbreak(self._file)

    def line(self) -> str:
        """Return a typed line."""
        with self.typing():
            return sys.stdin.readline().lstrip("\x1b")


class PipedKeys:
    """Keys from a pipe, one a line; when it ends the desk watches on without keys."""

    def __enter__(self) -> PipedKeys:
        self._lines: queue.Queue[str] = queue.Queue()
        if sys.stdin is not None:
            threading.Thread(target=self._read, daemon=True).start()
        return self

    def __exit__(self, *_about: object) -> None:
        """End; the thread ends with the process."""

    def _read(self) -> None:
        """Read lines until there are none."""
        with contextlib.suppress(OSError, ValueError):
            for line in sys.stdin:
                self._lines.put(line)

    def next(self, wait_s: float) -> str | None:
        """Return the next key; None where none comes within so long."""
        try:
            line = self._lines.get(timeout=wait_s).strip()
        except queue.Empty:
            return None
        return key_of(line or "\n") if line.lower() != "esc" else "esc"

    def line(self) -> str:
        """Return a typed line."""
        return self._lines.get()


class Screen:
    """One screen of text, drawn anew only where it changed."""

    def __init__(self, *, ascii_only: bool = False):
        self._console = Console(highlight=False, soft_wrap=True)
        self._ascii = ascii_only or not _can_write("─│■□→·−…", self._console.encoding)
        self._drawn: list[str] = []

    def __enter__(self) -> Screen:
        self._console.set_alt_screen(True)
        self._console.show_cursor(False)
        return self

    def __exit__(self, *_about: object) -> None:
        self._console.show_cursor(True)
        self._console.set_alt_screen(False)

    def show(self, view: View) -> None:
        """Draw what there is to show."""
        width, height = self._console.size
        lines = lines_of(view, width=width, height=height)
        if self._ascii:
            lines = [in_ascii(line) for line in lines]
        if lines == self._drawn:
            return
        self._drawn = lines
        self._console.clear()
        styled = Text("\n", style="").join([_styled(line, number) for number, line in enumerate(lines)])
        self._console.print(styled, end="", overflow="crop", no_wrap=True)

    def ask_line(self, prompt: str) -> None:
        """Show where a line is typed."""
        self._console.show_cursor(True)
        self._console.print(f"\n{prompt} > ", end="")
        self._drawn = []

    def bell(self, times: int) -> None:
        """Ring."""
        self._console.file.write("\a" * times)
        self._console.file.flush()


class PlainScreen:
    """One line an event, appended; the first word is the state."""

    def __init__(self, *, quiet: bool = False, ascii_only: bool = False):
        self._quiet = quiet
        self._ascii = ascii_only or not _can_write("−µ°", getattr(sys.stdout, "encoding", None) or "ascii")
        self._said: list[str] = []

    def __enter__(self) -> PlainScreen:
        return self

    def __exit__(self, *_about: object) -> None:
        """End; there is nothing to restore."""

    def show(self, view: View) -> None:
        """Print what is new, one line each."""
        news = [f"{word} {' '.join(rest.split())}" for word, rest in reversed(view.just[:3])]
        lines = [one for one in news if one not in self._said]
        self._said = [*self._said, *lines][-12:]
        now = plain_line(view)
        if now not in self._said[-1:]:
            lines.append(now)
            self._said.append(now)
        if self._quiet and view.state not in _LOUD:
            lines = [one for one in lines if one.split(" ")[0] in _RED]
        for line in lines:
            print(in_ascii(line) if self._ascii else line, flush=True)

    def ask_line(self, prompt: str) -> None:
        """Ask for a line."""
        print(prompt, flush=True)

    def bell(self, times: int) -> None:
        """Ring."""
        print("\a" * times, end="", flush=True)


def _can_write(text: str, encoding: str) -> bool:
    """Return whether an encoding has these signs."""
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _styled(line: str, number: int) -> Text:
    """Return a line with its state word set off; the word carries the meaning, not the colour."""
    text = Text(line)
    word = line.split(" ", 1)[0].rstrip("?:")
    if number == 0:
        text.stylize("bold")
    elif word in _RED and line[: len(word)].isupper():
        text.stylize("bold reverse red", 0, len(word))
    elif word == "FINE":
        text.stylize("cyan" if "a note" not in line else "yellow", 0, len(word))
    elif word.isupper() and len(word) > 2:
        text.stylize("bold", 0, len(word))
    return text


def run_desk(desk: Desk, screen, keys, *, view: Callable[[Desk], View], wait_s: float = 1.0) -> None:
    """Look and listen until the evening ends.

    Parameters
    ----------
    desk : begun
    screen : `Screen` or `PlainScreen`
    keys : `Keys` or `PipedKeys`
    view : gives what there is to show
    wait_s : between two looks [s]
    """
    with _ends_by_signal() as interrupted, screen, keys:
        is_new = True
        while is_new or not desk.is_over:
            _ = is_new and screen.show(view(desk))
            is_new = not desk.is_over and _one_look(desk, screen, keys, wait_s=wait_s)
            is_new = _interrupt(desk, interrupted) or is_new


def _one_look(desk: Desk, screen, keys, *, wait_s: float) -> bool:
    """Wait for a key and look; return whether anything changed."""
    key = keys.next(wait_s)
    is_pressed = key is not None and _pressed(desk, screen, keys, key)
    return desk.tick() or is_pressed


def _interrupt(desk: Desk, interrupted: list[int]) -> bool:
    """End the session for each interruption, as the key 9 does; return whether there was one."""
    count = len(interrupted)
    for _ in range(count):
        interrupted.pop()
        desk.interrupt()
    return count > 0


def _pressed(desk: Desk, screen, keys, key: str) -> bool:
    """Do what a key asks for; read a line where one is typed."""
    if key == "\x03":
        desk.interrupt()
    elif key == "?":
        desk.help()
    else:
        desk.press(key)
    if desk.shown.typing:
        screen.ask_line({"row": "row", "version": "version", "card": "card", "cause": "cause"}.get(
            desk.shown.typing, f"note for {desk.shown.run}"))  # fmt: skip
        desk.typed(keys.line())
    return True


@contextlib.contextmanager
def _ends_by_signal() -> Iterator[list[int]]:
    """Let the terminal be restored where the process is asked to end; give the interruptions so far."""
    interrupted: list[int] = []

    def end(number: int, _frame: object) -> None:
        raise SystemExit(128 + number)

    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), end) for name in names}
    # Never raised in the middle of a step or of a screen: it counts as the key 9 does.
    before["SIGINT"] = signal.signal(signal.SIGINT, lambda number, _frame: interrupted.append(number))
    try:
        yield interrupted
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
