"""An evening at the bench desk, played: a clock that tests move, a recorder that writes, and what was shown."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from gpubench_kit.desk.desk import Desk, opened_desk
from gpubench_kit.desk.journal import Disk
from gpubench_kit.desk.keeper import Clock
from gpubench_kit.desk.view import View, view_of
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeRun, MadeTuning, list_runs
from gpubench_kit.synthetic.review import Dialect, frame_log_text, make_logs, plan_text, sensor_log_text

TUNINGS = (
    MadeTuning("factory"),
    MadeTuning("quiet", 0.3, power_pct=-14, core_mhz=2600, core_mv=950,
               changes={"power_limit_pct": -12, "voltage_mv": -90}),
    MadeTuning("brisk", 2.4, power_pct=8, core_mhz=2790, core_mv=1060,
               changes={"core_mhz": 140, "memory_mhz": 400, "power_limit_pct": 8}),
)  # fmt: skip
GAMES = ("Copper Monsoon", "Dust Meridian", "Salt Orchard", "Low Tide Racers", "Ninefold Keep", "Kestrel Parish",
         "Thornway Express", "Widow's Aqueduct")  # fmt: skip
COLUMNS = ("run", "tuning", "game", "purpose", "session", "launch", "round", "order", "frame_log", "sensor_log",
           "started_at", "excluded", "replaces", "note")  # fmt: skip
PLAIN = Dialect(compress=False, frame_clock="clock")


def made_review(*, games: int = 2, rounds: int = 2, tunings: int = 3, scene_s: float = 20.0, fps: float = 60.0,
                seed: int = 7) -> MadeReview:  # fmt: skip
    """Return a review to be recorded."""
    played = tuple(MadeGame(name, fps + 10 * n, scene="one lap") for n, name in enumerate(GAMES[:games]))
    end = (f"[session_plan]\nscene_s = {scene_s}\nminutes = 200.0\nlaunch_s = 60.0\n[analysis]\n"
           "margin_pct = 2.0\n")  # fmt: skip
    return MadeReview(
        "Larkmoor 4: what two tunings do",
        TUNINGS[:tunings],
        played,
        seed,
        rounds=rounds,
        rounds_per_session=99,
        scene_s=scene_s,
        plan_end=end,
        started=datetime(2026, 11, 28, 18, 30),
    )


class FakeClock(Clock):
    """A clock that stands still until it is moved."""

    def __init__(self, start: datetime = datetime(2026, 11, 28, 18, 30)):
        self.wall, self.seconds = start, 1000.0

    def now(self) -> datetime:
        return self.wall

    def monotonic(self) -> float:
        return self.seconds

    def move(self, seconds: float) -> None:
        """Let time pass."""
        self.seconds += seconds
        self.wall += timedelta(seconds=seconds)


class Evening:
    """A review folder, a recorder's folder, and the desk between them.

    `truth` holds, for each row recorded, the run that was really made.
    """

    def __init__(self, folder: Path, review: MadeReview, *, disk: Disk | None = None):
        self.review, self.clock, self.disk = review, FakeClock(), disk or Disk()
        self.folder, self.captures, self.sensors = folder / "review", folder / "captures", folder / "sensors"
        for one in (self.folder / "logs", self.captures, self.sensors):
            one.mkdir(parents=True, exist_ok=True)
        self.runs = [run for run in list_runs(review) if run.purpose == "measure"]
        self.runs = [replace(run, order=place) for place, run in enumerate(self.runs, start=1)]
        (self.folder / "plan.toml").write_text(plan_text(review), encoding="utf-8")
        (self.folder / "runs.csv").write_text(self._sheet(), encoding="utf-8")
        self.by_name = {run.run: run for run in self.runs}
        self.views: list[View] = []
        self._stack = ExitStack()
        self.desk: Desk | None = None

    def _sheet(self) -> str:
        """Return the sheet as `schedule` leaves it: rows to record."""
        out = io.StringIO()
        writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for run in self.runs:
            writer.writerow(
                {
                    "run": run.run,
                    "tuning": run.tuning.name,
                    "game": run.game.name,
                    "purpose": run.purpose,
                    "session": run.session,
                    "launch": run.launch,
                    "round": run.round,
                    "order": run.order,
                }
            )
        return out.getvalue()

    def __enter__(self) -> Evening:
        return self.open()

    def __exit__(self, *about: object) -> bool | None:
        return self._stack.__exit__(*about)

    def open(self) -> Evening:
        """Sit down at the desk."""
        self.desk = self._stack.enter_context(
            opened_desk(self.folder, [self.captures, self.sensors], clock=self.clock, disk=self.disk)
        )
        self._show()
        return self

    def leave(self) -> None:
        """Let go of the desk without its goodbye, as a killed process does."""
        self._stack.close()
        self._stack = ExitStack()

    def tick(self, seconds: float = 1.0) -> bool:
        """Let a second pass, and the desk look."""
        self.clock.move(seconds)
        changed = self.desk.tick()
        if changed:
            self._show()
        return changed

    def wait(self, seconds: int) -> None:
        """Let time pass, a look a second."""
        for _ in range(seconds):
            self.tick()

    def press(self, *keys: str) -> None:
        """Press keys, one second apart."""
        for key in keys:
            self.clock.move(1.0)
            self.desk.press(key)
            self._show()

    def typed(self, text: str) -> None:
        """Type a line."""
        self.desk.typed(text)
        self._show()

    def _show(self) -> None:
        """Keep what is shown."""
        self.views.append(view_of(self.desk))

    @property
    def now(self) -> str:
        """What is shown now, in one text."""
        view = view_of(self.desk)
        return "\n".join([*view.now, *(" ".join(one) for one in view.events)])

    @property
    def due(self) -> str:
        """The run that is due."""
        return self.desk.due[0]

    def rows(self) -> dict[str, dict[str, str]]:
        """Return the run sheet as it is on the disk."""
        text = (self.folder / "runs.csv").read_text(encoding="utf-8")
        return {row["run"]: row for row in csv.DictReader(io.StringIO(text))}

    def made(self, run: str, mishap: str = "") -> MadeRun:
        """Return what is played for a row, begun now."""
        base = self.by_name.get(run) or self.by_name.get(self.desk.session.root(run), self.runs[0])
        order = base.order + (100 * int(run.rsplit("-", 1)[1]) if "-" in run else 0)
        started = (self.clock.now() + timedelta(seconds=1)).replace(microsecond=0)
        return replace(base, run=run, order=order, mishap=mishap, started=started)

    def record(self, run: str | None = None, mishap: str = "", *, name: str = "", rest: int = 8, torn: bool = False,
               edit: Callable[[bytes], bytes] = bytes) -> Path:  # fmt: skip
        """Record a run: its log grows with the clock, its sensor log beside it, then both rest."""
        made = self.made(run or self.due, mishap)
        logs = make_logs(self.review, made)
        content = edit(frame_log_text(logs, made, dialect=PLAIN).encode())
        file = self.captures / (name or f"capture {self.clock.now():%Y-%m-%d %H%M%S}.csv")
        samples = sensor_log_text(logs, made, dialect=PLAIN).encode()
        (self.sensors / f"{file.stem}.sensors.csv").write_bytes(samples)
        lines = content.splitlines(keepends=True)
        seconds = max(2, round(float(logs.frame_ms.sum()) / 1000))
        for second in range(seconds):
            part = lines[len(lines) * second // seconds : len(lines) * (second + 1) // seconds]
            with file.open("ab") as out:
                out.write(b"".join(part)[: -7 if torn and second == seconds - 1 else None])
            self.tick()
        self.wait(rest)
        return file
