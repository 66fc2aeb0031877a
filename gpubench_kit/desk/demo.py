"""A played session of about 90 seconds: recordings come by themselves, with four mishaps; it ends by itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from gpubench_kit.desk.desk import Desk
from gpubench_kit.desk.terminal import Keys, PipedKeys
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeRun, MadeTuning, list_runs
from gpubench_kit.synthetic.review import Dialect, frame_log_text, make_logs, plan_text, sensor_log_text

_SCENE_S, _PATIENCE_S = 3, 9
_REVIEW = MadeReview(
    "A played session: recordings come by themselves",
    (
        MadeTuning("factory"),
        MadeTuning("quiet", power_pct=-14, core_mhz=2600, core_mv=950, changes={"power_limit_pct": -12}),
        MadeTuning("brisk", power_pct=8, core_mhz=2790, core_mv=1060, changes={"core_mhz": 140}),
    ),
    (MadeGame("Copper Monsoon", 60, "market in the rain"), MadeGame("Dust Meridian", 70, "convoy")),
    seed=4, rounds=2, rounds_per_session=9, scene_s=_SCENE_S,
    plan_end=f"[session_plan]\nscene_s = {_SCENE_S}.0\nminutes = 3.0\nsettle_s = 2.0\nlaunch_s = 2.0\n"
             "tuning_change_s = 1.0\n",
)  # fmt: skip
_DIALECT = Dialect(compress=False, sensor_clock="elapsed")
#: Tunings of each visit, in order: game, round, tunings.
_ORDER = ((0, 1, "quiet factory brisk"), (1, 1, "factory brisk quiet"), (1, 2, "quiet brisk factory"),
          (0, 2, "brisk quiet factory"))  # fmt: skip
#: What happens: a mishap of the recording, and the keys that answer it; and the keys at the end.
_SCRIPT = (
    ("", ""), ("", ""), ("short_run", "enter"), ("", ""), ("", ""), ("background_load", "1 4"), ("", ""),
    ("tuning_lost", ""), ("", ""), ("torn", "5 1"), ("torn", "5 1 enter"),
)  # fmt: skip
_LAST_KEYS = ("7", None, None, "1", None, "9", None, None, "enter")


def _rows() -> list[MadeRun]:
    """Return the runs of the session, in order."""
    made = {
        (one.game.name, one.round, one.tuning.name): one for one in list_runs(_REVIEW) if one.purpose == "measure"
    }
    keys = [(_REVIEW.games[game].name, number, name) for game, number, names in _ORDER for name in names.split()]
    return [replace(made[key], run=f"r{place:03d}", order=place) for place, key in enumerate(keys, start=1)]


def make_demo(folder: Path) -> tuple[Path, list[Path]]:
    """Make the folder of a played session.

    Parameters
    ----------
    folder : where; with a number behind it where it is there already

    Returns
    -------
    the review folder, and the folders of the recorder and of the sensor log
    """
    name, number = folder, 2
    while folder.exists():
        folder, number = name.with_name(f"{name.name}_{number}"), number + 1
    watched = [folder / "captures", folder / "sensors"]
    for one in (folder / "logs", *watched):
        one.mkdir(parents=True)
    (folder / "plan.toml").write_text(plan_text(_REVIEW), encoding="utf-8")
    rows = [f'{one.run},{one.tuning.name},{one.game.name},session 1,"{one.launch}",{one.round},{one.order},'
            for one in _rows()]  # fmt: skip
    heading = "run,tuning,game,session,launch,round,order,frame_log"
    (folder / "runs.csv").write_text("\n".join([heading, *rows, ""]), encoding="utf-8")
    return folder, watched


class Player:
    """Keys that play themselves, and a recorder that writes; what is typed counts too, 8 or Space halts it.

    Parameters
    ----------
    desk : begun
    watched : folders of the recorder and of the sensor log
    inner : the real keys
    """

    def __init__(self, desk: Desk, watched: list[Path], inner: Keys | PipedKeys):
        self._desk, self._inner, self._halted = desk, inner, False
        self._captures, self._sensors = watched
        self._script = self._played()
        self.line = inner.line

    def __enter__(self) -> Player:
        self._inner.__enter__()
        return self

    def __exit__(self, *about: object) -> None:
        self._inner.__exit__(*about)

    def next(self, wait_s: float) -> str | None:
        """Return the next key, typed or played; None for none."""
        key = self._inner.next(wait_s)
        if key in (" ", "8"):
            self._halted, key = not self._halted, None
        return key if key is not None or self._halted else next(self._script, "enter")

    def _played(self) -> Iterator[str | None]:
        """Yield what happens in each second: a key, or None while the recorder writes or nothing happens."""
        yield from [None, None]
        for number, (mishap, keys) in enumerate(_SCRIPT):
            if not self._desk.due:
                break
            steps, patience = len(self._desk.keeper.journal.lines), _PATIENCE_S
            patience = 2 if mishap in ("torn", "short_run") else patience
            yield from self._record(self._desk.due[0], mishap, number=number)
            while patience and len(self._desk.keeper.journal.lines) == steps:
                patience -= 1
                yield None
            for key in keys.split():
                yield from (key, None)
        yield from _LAST_KEYS

    def _record(self, run: str, mishap: str, *, number: int) -> Iterator[None]:
        """Write a recording and its sensor log, a part each second."""
        base = next(one for one in _rows() if one.run == self._desk.session.root(run))
        is_torn, order = mishap == "torn", base.order + 50 * ("-" in run) + number
        made = replace(base, run=run, order=order, mishap="" if is_torn else mishap)
        logs = make_logs(_REVIEW, made)
        content = frame_log_text(logs, made, dialect=_DIALECT).encode()
        samples = sensor_log_text(logs, made, dialect=_DIALECT)
        (self._sensors / f"sensors {number + 1:02d}.csv").write_text(samples, encoding="utf-8")
        lines = (content[:-9] if is_torn else content).splitlines(keepends=True)
        for second in range(_SCENE_S):
            part = b"".join(lines[len(lines) * second // _SCENE_S : len(lines) * (second + 1) // _SCENE_S])
            with (self._captures / f"capture {number + 1:02d}.csv").open("ab") as out:
                out.write(part)
            yield None
