"""How the session will end: time at the real pace, runs enough by the noise alone, what to drop; never a result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import pandas as pd

from gpubench_kit.desk.judge import Judge
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUN_SHEET, USABLE
from gpubench_kit.schedule.design import SoFar
from gpubench_kit.schedule.fit import Dropped
from gpubench_kit.schedule.needs import needs_of, needs_over_games
from gpubench_kit.schedule.noise import planning_noise
from gpubench_kit.sheet.looks import open_looks
from gpubench_kit.statistics.planning import FEWEST_ROUNDS, MOST_ROUNDS
from gpubench_kit.wording.numbers import count_text, duration_text, number_text

#: Intervals that the pace is the median of.
_LAST = 10
#: Fewest games of an overall result.
_GAMES = 3


@dataclass(frozen=True)
class GameForecast:
    """One game at one setting.

    Attributes
    ----------
    game, setting : as in the plan
    done, planned : complete rounds so far, and with those on the sheet
    noise : run-to-run noise in words; never a result
    is_enough : whether the complete rounds decide it with 80 % chance
    more : further rounds that would; None for none that is feasible
    has_margin : whether the plan gives one
    """

    game: str
    setting: str
    done: int
    planned: int
    noise: str
    is_enough: bool
    more: int | None
    has_margin: bool

    @property
    def more_text(self) -> str:
        """Whether it has enough rounds, and how many more it needs."""
        if self.is_enough or not self.has_margin:
            return "yes" if self.is_enough else "no margin in the plan"
        if self.more is None:
            return "no feasible number, leave it"
        is_far = self.done + self.more > 2 * max(self.planned, 4)
        return f"no: {self.more} more{' rounds, leave it' if is_far else ''}"


@dataclass(frozen=True)
class Forecast:
    """What can be seen of the end.

    Attributes
    ----------
    left : runs to record
    left_s, have_s : time that they take at the real pace, and time that there is [s]
    pace_s, planned_s : one run within a game, as it goes and as planned [s]
    games : one for each game and setting
    overall : whether the result over all games has enough runs; None for fewer than three complete games
    complete : games with enough complete rounds to enter it
    margin : smallest difference that matters, in words
    drops : what could be left out, the least loss first, each with its runs
    key : what the noise was taken from
    """

    left: int = 0
    left_s: float = 0.0
    have_s: float = 0.0
    pace_s: float = 0.0
    planned_s: float = 0.0
    games: tuple[GameForecast, ...] = ()
    overall: bool | None = None
    complete: int = 0
    margin: str = "a difference"
    drops: tuple[tuple[Dropped, tuple[str, ...]], ...] = ()
    key: tuple = ()

    @property
    def enough(self) -> int:
        """Games that have enough runs."""
        return sum(one.is_enough for one in self.games)

    @property
    def overall_text(self) -> str:
        """Whether all games together have enough runs."""
        if self.overall is None:
            return f"not enough games ({self.complete} of {len(self.games)} complete, {_GAMES} needed)"
        return f"{'yes' if self.overall else 'no'} for {self.margin} ({self.complete} games complete)"

    def lines(self) -> list[str]:
        """Return the lines on time and enough runs."""
        short = duration_text(abs(self.left_s - self.have_s))
        spare = f"{short} to spare." if self.left_s <= self.have_s else f"{short} short: 7 shows what to drop."
        left = f"{count_text(self.left, 'run')} left: about {duration_text(self.left_s)} at your pace"
        return [
            f"SESSION    {left}. You have {duration_text(max(0.0, self.have_s))}.",
            f"           {spare if self.left else 'Nothing planned is missing.'}",
            f"IF YOU STOP NOW   overall: {self.overall_text}",
            f"           single games: enough runs in {self.enough} of {len(self.games)}, by the noise alone",
        ]


def forecast_of(judge: Judge, due: Sequence[str], *, before: Forecast) -> Forecast:
    """Return what can be seen of the end of the session.

    Parameters
    ----------
    judge : gives plan, rows and noise; means of tunings are not looked at
    due : runs to record
    before : the last one; what rests on the noise is taken from it where no run came or went
    """
    evening, plan = judge.keeper.evening, judge.keeper.plan
    session, margin = plan.session_plan, plan.margin_of(plan.analysis.primary)
    within, new = _pace(judge)
    places = [evening.of_game(run) for run in (evening.last_run, *due)]
    seconds = {run: within if here == last else new
               for run, here, last in zip(due, places[1:], places, strict=False)}  # fmt: skip
    done, planned = _rounds(judge)
    used = [one.run for place in {one.place for one in judge.runs.values()} for one in judge.used(place)]
    key = (tuple(sorted(used)), tuple(done.items()), tuple(planned.items()), margin)
    if key != before.key:
        before = replace(_by_noise(judge, done, planned, used=set(used)), key=key)
    measured = {
        run: evening.rows[run] for run in due if evening.rows[run].get("purpose", "measure") in ("", "measure")
    }
    lost = [(what, then, tuple(run for run, row in measured.items() if row.get(column) == value))
            for column, value, what, then in _drops(measured, plan)]  # fmt: skip
    return replace(
        before, left=len(due), left_s=sum(seconds.values()), pace_s=within,
        have_s=60 * session.minutes - judge.keeper.since(evening.of("open")[-1]),
        planned_s=session.scene_s + session.tuning_change_s,
        margin="a difference" if margin is None else f"{margin:g} %",
        drops=tuple((Dropped(what, then, sum(seconds[run] for run in runs) / 60), runs)
                    for what, then, runs in lost if runs),
    )  # fmt: skip


def _key_of(row: dict, plan: ReviewPlan) -> tuple[str, str]:
    """Return game and setting of a row; the setting may be left out where a game has one."""
    game, setting = row.get("game", ""), row.get("setting", "")
    only = [one.settings[0].name for one in plan.games if one.name == game and len(one.settings) == 1]
    return game, setting or next(iter(only), "")


def _rounds(judge: Judge) -> tuple[dict, dict]:
    """Return complete rounds so far, and with what is on the sheet, of each (game, setting)."""
    counts: dict[tuple, dict] = {}
    for row in judge.keeper.evening.rows.values():
        if row.get("purpose", "measure") in ("", "measure"):
            tunings = counts.setdefault(_key_of(row, judge.keeper.plan), {})
            count = tunings.setdefault(row.get("tuning", ""), [0, 0])
            count[0] += bool(row.get("frame_log")) and not row.get("excluded")
            count[1] += not row.get("excluded")
    done, planned = ({key: min(one[at] for one in by.values()) for key, by in counts.items()} for at in (0, 1))
    return done, planned


def _pace(judge: Judge) -> tuple[float, float]:
    """Return the time from run to run within a game, and where a game is begun [s], without pauses and restarts."""
    evening, session = judge.keeper.evening, judge.keeper.plan.session_plan
    usual, before = session.scene_s + session.tuning_change_s, None
    apart: dict[bool, list[float]] = {True: [], False: []}
    for line in evening.of("take", "pause", "restart"):
        is_take = line["did"] == "take" and line["run"] in evening.rows
        if is_take and before and before["boot"] == line["boot"]:
            is_new = evening.of_game(before["run"]) != evening.of_game(line["run"])
            apart[is_new].append(line["mono"] - before["mono"])
        before = line if is_take else None
    first = usual + session.launch_s + session.settle_s
    return median(apart[False][-_LAST:] or [usual]), median(apart[True][-_LAST:] or [first])


def _by_noise(judge: Judge, done: dict, planned: dict, *, used: set[str]) -> Forecast:
    """Return which games have enough runs by the noise so far, and whether all together have."""
    plan, rows = judge.keeper.plan, judge.keeper.evening.rows
    primary = plan.analysis.primary
    usable = [
        {"run": run, **{name: rows[run].get(name, "") for name in ("tuning", "game", "session", "launch", "bench")},
         "setting": _key_of(rows[run], plan)[1], "card": one.place[0], "model": one.place[0], "metric": primary,
         "purpose": rows[run].get("purpose") or "measure", "value": one.values[primary][0],
         "step": one.values[primary][1], "withheld_for": "", "flagged": False, "group": "all", "order_known": False,
         "round": int(rows[run]["round"]) if (rows[run].get("round") or "").isdecimal() else None,
         "frame_limit_fps": 0.0}
        for run, one in judge.runs.items() if run in used and primary in one.values
    ]  # fmt: skip
    # Looks made before say nothing of the noise.
    so_far = SoFar(RUN_SHEET.frame(), USABLE.frame(usable), open_looks(plan))
    noise = planning_noise(plan, so_far).table
    noise = noise[noise["metric"] == primary]
    known = noise.set_index(["game", "setting"])
    in_play = {key: n for key, n in done.items() if planned.get(key) and key in known.index}
    games = []
    for need in needs_of(
        noise, plan, rounds={key: max(2, n) for key, n in in_play.items()}, in_blocks=False
    ).itertuples():
        key, one = (need.game, need.setting), known.loc[(need.game, need.setting)]
        more = None if pd.isna(need.rounds_to_decide) else max(0, int(need.rounds_to_decide) - done[key])
        told = "typical" if one["source"] == "typical" else f"{number_text(float(one['noise']))} %"
        is_enough = need.outlook == "yes" and done[key] >= 2
        games.append(GameForecast(*key, done[key], planned[key], told, is_enough, more, need.margin == need.margin))
    complete = {key: n for key, n in in_play.items() if n >= min(FEWEST_ROUNDS, planned[key])}
    n_complete, overall = len({game for game, _ in complete}), None
    if n_complete >= _GAMES:
        over_all = needs_over_games(noise, plan, rounds=complete, in_blocks=False)
        overall = bool(len(over_all) and over_all["is_enough"].fillna(False).all())
    return Forecast(games=tuple(games), overall=overall, complete=n_complete)


def _drops(rows: dict[str, dict], plan: ReviewPlan) -> list[tuple[str, str, str, str]]:
    """Return what could be left out, in the planner's order: column, its text, what it is, what then is lost."""
    tunings = {row.get("tuning", "") for row in rows.values()}
    musts = {plan.reference_tuning, *plan.session_plan.must_have}
    free = [one.name for one in plan.tunings if one.name in tunings - musts][-1:] if len(tunings) > 2 else []
    numbers = [int(row["round"]) for row in rows.values() if (row.get("round") or "").isdecimal()]
    rounds = range(min(max(numbers, default=0), MOST_ROUNDS), FEWEST_ROUNDS, -1)
    fewer = "Smaller differences go unseen, and fewer games are decided."
    games = list(dict.fromkeys(row.get("game", "") for row in rows.values()))
    return [
        *(("tuning", name, f"Tuning “{name}”", f"Nothing new can be said about “{name}”.") for name in free),
        *(("round", str(number), f"Round {number} of every game", fewer) for number in rounds),
        *(("game", name, f"Game {name}", f"No result for {name}.") for name in games[:0:-1]),
    ]
