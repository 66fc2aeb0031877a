"""How the session will end: time at the real pace, runs enough by the noise alone, what to drop; never a result."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from statistics import median

import pandas as pd

from gpubench_kit.desk.classify import KnownRuns
from gpubench_kit.desk.journal import card_step
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.table_checks import known_names
from gpubench_kit.model.tables import RUN_SHEET, USABLE
from gpubench_kit.schedule.design import SoFar
from gpubench_kit.schedule.fit import Dropped
from gpubench_kit.schedule.needs import needs_of, needs_over_games
from gpubench_kit.schedule.noise import planning_noise
from gpubench_kit.sheet.looks import open_looks
from gpubench_kit.statistics.planning import FEWEST_ROUNDS, MOST_ROUNDS
from gpubench_kit.statistics.variance import LEAST_GAMES
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text, number_text
from gpubench_kit.wording.terms import scene_text

#: Intervals that the pace is the median of.
_LAST = 10
#: Fewest games of an overall result.
GAMES = 3


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
    def is_idle(self) -> bool:
        """Whether no feasible number of rounds decides it."""
        return self.has_margin and not self.is_enough and self.more is None

    @property
    def is_far(self) -> bool:
        """Whether it needs so many more rounds that it is better left."""
        return self.done + (self.more or 0) > 2 * max(self.planned, 4)


@dataclass(frozen=True)
class Forecast:
    """What can be seen of the end.

    Attributes
    ----------
    left : runs to record
    left_s, have_s, game_s : time that they take at the real pace, that there is, and that this game takes [s]
    game_end : run that ends this game
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
    game_s: float = 0.0
    game_end: str = ""
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


def forecast_of(known: KnownRuns, due: Sequence[str], *, before: Forecast) -> Forecast:
    """Return what can be seen of the end of the session.

    Parameters
    ----------
    known : gives plan, rows and noise; means of tunings are not looked at
    due : runs to record
    before : the last one; what rests on the noise is taken from it where no run came or went
    """
    session, plan = known.keeper.session, known.keeper.plan
    times, margin = plan.session_plan, plan.margin_of(plan.analysis.primary)
    within, new = _pace(known)
    games = [session.of_game(run) for run in (session.last_run, *due)]
    seconds = {run: within if here == last else new
               for run, here, last in zip(due, games[1:], games, strict=False)}  # fmt: skip
    rows_due = [session.last_on(next(iter(due), "")), *(session.rows[run] for run in due)]
    for run, here, earlier in zip(due, rows_due[1:], rows_due, strict=False):
        is_swap = card_step(here, earlier, plan) in ("mount", "again")
        seconds[run] += 60 * times.card_swap_min * is_swap
    done, planned = _rounds(known)
    used = [one.run for place in {one.place for one in known.runs.values()} for one in known.used(place)]
    key = (tuple(sorted(used)), tuple(done.items()), tuple(planned.items()), margin)
    if key != before.key:
        before = replace(_by_noise(known, done, planned, used=used), key=key)
    rows = {run: session.rows[run] for run in due if session.is_measured(run)}
    drops = [(what, then, tuple(run for run, row in rows.items() if row.get(column) == text))
             for column, text, what, then in drops_of(rows, plan, before.games)]  # fmt: skip
    of_game = list(takewhile(lambda run: session.of_game(run) == games[1], due))
    return replace(
        before, left=len(due), left_s=sum(seconds.values()), pace_s=within,
        game_s=sum(seconds[run] for run in of_game), game_end=next(reversed(of_game), ""),
        have_s=60 * times.minutes - known.keeper.since(session.of("open")[-1]),
        planned_s=times.scene_s + times.tuning_change_s,
        margin="a difference" if margin is None else f"{margin:g} %",
        drops=tuple((Dropped(what, then, sum(seconds[run] for run in runs) / 60), runs)
                    for what, then, runs in drops if runs),
    )  # fmt: skip


def _key_of(row: dict, plan: ReviewPlan) -> tuple[str, str]:
    """Return game and setting of a row; the setting may be left out where a game has one."""
    game, setting = row.get("game", ""), row.get("setting", "")
    only = [one.settings[0].name for one in plan.games if one.name == game and len(one.settings) == 1]
    return game, setting or next(iter(only), "")


def _rounds(known: KnownRuns) -> tuple[dict, dict]:
    """Return complete rounds so far, and with what is on the sheet, of each (game, setting)."""
    counts: dict[tuple, dict] = {}
    for run, row in known.keeper.session.rows.items():
        if known.keeper.session.is_measured(run):
            tunings = counts.setdefault(_key_of(row, known.keeper.plan), {})
            count = tunings.setdefault(row.get("tuning", ""), [0, 0])
            count[0] += bool(row.get("frame_log")) and not row.get("excluded")
            count[1] += not row.get("excluded")
    done, planned = ({key: min(one[at] for one in by.values()) for key, by in counts.items()} for at in (0, 1))
    return done, planned


def _pace(known: KnownRuns) -> tuple[float, float]:
    """Return the time from run to run within a game, and where a game is begun [s], without pauses and restarts."""
    session, times = known.keeper.session, known.keeper.plan.session_plan
    within, before = times.scene_s + times.tuning_change_s, None
    apart: dict[bool, list[float]] = {True: [], False: []}
    for line in session.of("take", "pause", "restart"):
        is_take = line["did"] == "take" and line["run"] in session.rows
        if is_take and before and before["boot"] == line["boot"]:
            is_new = session.of_game(before["run"]) != session.of_game(line["run"])
            apart[is_new].append(line["mono"] - before["mono"])
        before = line if is_take else None
    new = within + times.launch_s + times.settle_s
    return median(apart[False][-_LAST:] or [within]), median(apart[True][-_LAST:] or [new])


def _by_noise(known: KnownRuns, done: dict, planned: dict, *, used: Sequence[str]) -> Forecast:
    """Return which games have enough runs by the noise so far, and whether all together have."""
    plan, rows = known.keeper.plan, known.keeper.session.rows
    primary, usable = plan.analysis.primary, []
    names = known_names(plan)
    for one in (known.runs[run] for run in used):
        row = rows[one.run]
        # A name misspelt in the sheet says nothing of the noise until it is put right.
        if any((row.get(kind) or "") not in every for kind, every in names.items()):
            continue
        value, step = one.values.get(primary, (None, None))
        about: dict = {name: row.get(name, "") for name in ("run", "tuning", "game", "session", "launch", "bench")}
        number = int(row["round"]) if (row.get("round") or "").isdecimal() else None
        usable += [about | {
            "setting": _key_of(row, plan)[1], "card": one.place[0], "model": one.place[0], "metric": primary,
            "purpose": row.get("purpose") or "measure", "value": value, "step": step, "withheld_for": "",
            "flagged": False, "group": "all", "order_known": False, "round": number, "frame_limit_fps": 0.0,
        }] * (value is not None)  # fmt: skip
    # Looks made before say nothing of the noise.
    noise = planning_noise(plan, SoFar(RUN_SHEET.frame(), USABLE.frame(usable), open_looks(plan))).table
    noise = noise[noise["metric"] == primary]
    of_game = noise.set_index(["game", "setting"])
    in_play = {key: n for key, n in done.items() if planned.get(key) and key in of_game.index}
    rounds, games = {key: max(2, n) for key, n in in_play.items()}, []
    for need in needs_of(noise, plan, rounds=rounds, in_blocks=False).itertuples():
        key, one = (need.game, need.setting), of_game.loc[(need.game, need.setting)]
        more = None if pd.isna(need.rounds_to_decide) else max(0, int(need.rounds_to_decide) - done[key])
        text = "typical" if one["source"] == "typical" else f"{number_text(float(one['noise']))} %"
        is_enough = need.outlook == "yes" and done[key] >= 2
        games.append(GameForecast(*key, done[key], planned[key], text, is_enough, more, need.margin == need.margin))
    complete = {key: n for key, n in in_play.items() if n >= min(FEWEST_ROUNDS, planned[key])}
    n_complete, overall = len({game for game, _ in complete}), None
    if n_complete >= GAMES:
        over_all = needs_over_games(noise, plan, rounds=complete, in_blocks=False)
        overall = bool(len(over_all) and over_all["is_enough"].fillna(False).all())
    return Forecast(games=tuple(games), overall=overall, complete=n_complete)


def drops_of(
    rows: dict[str, dict], plan: ReviewPlan, games: Sequence[GameForecast]
) -> Iterator[tuple[str, str, str, str]]:
    """Yield what could be left out, in the order of the planner: column, its text, what it is, what then is lost.

    Parameters
    ----------
    rows : of the runs that are due, for verdicts
    plan : gives the tunings that must stay
    games : what is seen of each game
    """
    tunings = {row.get("tuning", "") for row in rows.values()}
    musts = {plan.reference_tuning, *plan.session_plan.must_have}
    free = [one.name for one in plan.tunings if one.name in tunings - musts]
    if free and len(tunings) > 2:
        what, then = (say(f"schedule.dropped.tuning.{one}", name=free[-1]) for one in ("what", "then"))
        yield "tuning", free[-1], what, then
    open_games = list(dict.fromkeys(row.get("game", "") for row in rows.values()))
    idle = [one for one in games if one.is_idle and one.game in open_games] * (len(open_games) > LEAST_GAMES)
    for one in idle:
        name, margin = scene_text(one.game, one.setting), number_text(plan.margin_of(plan.analysis.primary))
        rounds = count_text(one.planned, "round")
        why = say("schedule.dropped.game.hardly", rounds=rounds, most=MOST_ROUNDS, margin=margin)
        then = say("schedule.dropped.game.since", game=name, why=why)
        yield "game", one.game, say("schedule.dropped.game.what", game=name), then
    numbers = [int(row["round"]) for row in rows.values() if (row.get("round") or "").isdecimal()]
    for number in range(min(max(numbers, default=0), MOST_ROUNDS), FEWEST_ROUNDS, -1):
        fewer = "Smaller differences go unseen, and fewer games are decided."
        yield "round", str(number), say("schedule.dropped.round.one", last=number), fewer
    for name in (name for name in open_games[:0:-1] if all(one.game != name for one in idle)):
        what, then = (say(f"schedule.dropped.game.{one}", game=name) for one in ("what", "plain"))
        yield "game", name, what, then
