"""A pseudo-terminal in which the command runs, and what is typed into it."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

#: Nothing is shown for so long: the command waits, or hangs [s].
_PATIENCE_S = 300.0


@dataclass(frozen=True)
class Talk:
    """What a terminal showed, and the exit code."""

    text: str
    code: int


def talk(words: Sequence[str], typed: Sequence[str], *, folder: Path, columns: int = 100) -> Talk:
    """Run the command in a pseudo-terminal and type one line at each prompt; then the input ends."""
    import pty

    master, slave = pty.openpty()
    environment = os.environ | {"COLUMNS": str(columns), "LINES": "40", "TERM": "dumb", "NO_COLOR": "1"}
    command = [sys.executable, "-m", "gpubench_kit", *words]
    process = subprocess.Popen(command, cwd=folder, stdin=slave, stdout=slave, stderr=slave, env=environment)
    os.close(slave)
    shown, left, deadline = "", list(typed), time.monotonic() + _PATIENCE_S
    while time.monotonic() < deadline:
        ready, _, _ = select.select([master], [], [], 0.2)
        more = _read(master) if ready else ""
        shown, deadline = shown + more, time.monotonic() + _PATIENCE_S if more else deadline
        if ready and not more:
            break
        if shown.endswith("> ") and not more and process.poll() is None:
            os.write(master, f"{left.pop(0)}\n".encode() if left else b"\x04")
            shown += "\x00"
        if process.poll() is not None and not ready:
            break
    try:
        code = process.wait(timeout=10)
    except subprocess.TimeoutExpired:
        process.kill()
        code = process.wait()
    os.close(master)
    return Talk(shown.replace("\x00", "").replace("\r\n", "\n"), code)


def _read(master: int) -> str:
    """Return what the terminal shows by now; empty at its end."""
    try:
        return os.read(master, 65536).decode("utf-8", "replace")
    except OSError:
        return ""
