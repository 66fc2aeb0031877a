"""How the evening will end: time at the real pace, runs enough by the noise alone, what to drop; never a result."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import pandas as pd

from gpubench_kit.desk.evening import Evening
from gpubench_kit.desk.judge import Judge
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUN_SHEET, USABLE
from gpubench_kit.schedule.design import SoFar
from gpubench_kit.schedule.needs import needs_of, needs_over_games
from gpubench_kit.schedule.noise import planning_noise
from gpubench_kit.sheet.looks import open_looks
from gpubench_kit.statistics.planning import FEWEST_ROUNDS, MOST_ROUNDS
from gpubench_kit.wording.numbers import count_text, duration_text, number_text

#: Intervals that the pace is the median of.
_LAST = 10


@dataclass(frozen=True)
class GameForecast:
    """One game at one setting.

    Attributes
    ----------
    game, setting : as in the plan
    done, planned : complete rounds so far, and with those on the sheet
    noise_pct : run-to-run noise [%]; typical where ``is_typical``
    is_enough : whether the complete rounds decide it with 80 % chance
    more : further rounds that would; None for none that is feasible
    """

    game: str
    setting: str
    done: int
    planned: int
    noise_pct: float
    is_typical: bool
    is_enough: bool
    more: int | None


@dataclass(frozen=True)
class Drop:
    """Something that could be left out tonight: what, what then cannot be said, which runs, minutes saved."""

    what: str
    then: str
    runs: tuple[str, ...]
    saves_min: float


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
    margin_pct : smallest difference that matters [%]; None where none is given
    drops : what could be left out, the least loss first
    key : runs that the noise was taken from
    """

    left: int = 0
    left_s: float = 0.0
    have_s: float = 0.0
    pace_s: float = 0.0
    planned_s: float = 0.0
    games: tuple[GameForecast, ...] = ()
    overall: bool | None = None
    complete: int = 0
    margin_pct: float | None = None
    drops: tuple[Drop, ...] = ()
    key: tuple = ()


def forecast_of(
    evening: Evening, plan: ReviewPlan, judge: Judge, *, due: Sequence[str], before: Forecast
) -> Forecast:
    """Return what can be seen of the end of the evening.

    Parameters
    ----------
    evening : so far
    plan : gives margin, looks, and times
    judge : gives the noise; means of tunings are not looked at
    due : runs to record
    before : the last one; what rests on the noise is taken from it where no run came or went
    """
    rounds, planned = _rounds(evening, plan)
    within, new = _pace(evening, plan)
    seconds = {run: new if is_new else within for run, is_new in _with_starts(evening, due)}
    used = tuple((run, judge.runs[run].is_left_out) for run in evening.rows if run in judge.runs)
    key = (used, tuple(rounds.items()), tuple(planned.items()))
    if key != before.key:
        games, overall, complete = _enough(evening, plan, judge, rounds=rounds, planned=planned)
        before = replace(before, games=games, overall=overall, complete=complete, key=key)
    session = plan.session_plan
    return replace(
        before,
        left=len(due),
        left_s=sum(seconds.values()),
        pace_s=within,
        planned_s=session.scene_s + session.tuning_change_s,
        margin_pct=plan.margin_of(plan.analysis.primary),
        drops=_drops(evening, plan, due=due, seconds=seconds),
    )


def _rounds(evening: Evening, plan: ReviewPlan) -> tuple[dict, dict]:
    """Return complete rounds so far, and with what is on the sheet, of each (game, setting)."""
    done: dict[tuple, dict] = {}
    for row in evening.rows.values():
        key = row.get("game", ""), row.get("setting", "") or _only_setting(plan, row.get("game", ""))
        if row.get("purpose", "measure") not in ("", "measure"):
            continue
        tunings = done.setdefault(key, {}).setdefault(row.get("tuning", ""), [0, 0])
        is_used = bool(row.get("frame_log")) and not row.get("excluded")
        tunings[0] += is_used
        tunings[1] += is_used or not row.get("excluded")
    return tuple({key: min(one[at] for one in by.values()) for key, by in done.items()} for at in (0, 1))


def _only_setting(plan: ReviewPlan, game: str) -> str:
    """Return the name of a game's only setting."""
    return next((one.settings[0].name for one in plan.games if one.name == game and len(one.settings) == 1), "")


def _pace(evening: Evening, plan: ReviewPlan) -> tuple[float, float]:
    """Return seconds from run to run within a game, and where another game begins; pauses are left out."""
    session = plan.session_plan
    within, new, before = [], [], None
    for line in evening.steps:
        is_take = line["did"] == "take" and line["run"] in evening.rows
        if is_take and before is not None:
            same = evening.of_game(before["run"]) == evening.of_game(line["run"])
            (within if same else new).append(line["mono"] - before["mono"])
        if is_take or line["did"] in ("pause", "restart", "open"):
            before = line if is_take else None
    usual = session.scene_s + session.tuning_change_s
    first = usual + session.launch_s + session.settle_s
    return (median(within[-_LAST:]) if within else usual), (median(new[-_LAST:]) if new else first)


def _with_starts(evening: Evening, due: Sequence[str]) -> list[tuple[str, bool]]:
    """Return the runs to record, each with whether its game has to be started first."""
    takes = [line["run"] for line in evening.takes() if line["run"] in evening.rows]
    places = [evening.of_game(run) for run in (*takes[-1:], *due)]
    before = places[:-1] if takes else [None, *places][: len(due)]
    return [(run, evening.of_game(run) != other) for run, other in zip(due, before, strict=True)]


def _enough(
    evening: Evening, plan: ReviewPlan, judge: Judge, *, rounds: dict, planned: dict
) -> tuple[tuple[GameForecast, ...], bool | None, int]:
    """Return which games have enough runs by the noise so far, and whether all together have."""
    primary = plan.analysis.primary
    # Looks made before say nothing of the noise.
    so_far = SoFar(True, RUN_SHEET.frame(), _usable(evening, plan, judge), open_looks(plan))
    noise = planning_noise(plan, so_far).table
    noise = noise[noise["metric"] == primary]
    known = noise.set_index(["game", "setting"])
    games = []
    in_play = {key: n for key, n in rounds.items() if planned.get(key) and key in known.index}
    now = needs_of(noise, plan, rounds={key: max(2, n) for key, n in in_play.items()}, in_blocks=False)
    for need in now.itertuples():
        key, one = (need.game, need.setting), known.loc[(need.game, need.setting)]
        to_decide = None if pd.isna(need.rounds_to_decide) else int(need.rounds_to_decide)
        games.append(
            GameForecast(
                *key,
                rounds[key],
                planned[key],
                float(one["noise"]),
                one["source"] == "typical",
                need.outlook == "yes" and rounds[key] >= 2,
                None if to_decide is None else max(0, to_decide - rounds[key]),
            )
        )
    complete = {key: n for key, n in in_play.items() if n >= min(FEWEST_ROUNDS, planned[key])}
    if len({game for game, _ in complete}) < 3:
        return tuple(games), None, len({game for game, _ in complete})
    overall = needs_over_games(noise, plan, rounds=complete, in_blocks=False)
    return (
        tuple(games),
        bool(len(overall) and overall["is_enough"].fillna(False).all()),
        len({g for g, _ in complete}),
    )


def _usable(evening: Evening, plan: ReviewPlan, judge: Judge) -> pd.DataFrame:
    """Return the values that noise is taken from."""
    rows = []
    for run, one in judge.runs.items():
        value, step = one.values.get(plan.analysis.primary, (None, None))
        if run not in evening.rows or one.is_left_out or value is None or evening.rows[run].get("excluded"):
            continue
        row = evening.rows[run]
        place = {name: row.get(name, "") for name in ("tuning", "game", "session", "launch")}
        setting = row.get("setting", "") or _only_setting(plan, row.get("game", ""))
        rows.append(
            {
                "run": run,
                **place,
                "setting": setting,
                "card": one.card,
                "model": one.card,
                "bench": row.get("bench", ""),
                "purpose": row.get("purpose") or "measure",
                "metric": plan.analysis.primary,
                "value": value,
                "step": step,
                "withheld_for": "",
                "flagged": False,
                "group": "all",
                "order_known": False,
                "round": int(row["round"]) if (row.get("round") or "").isdecimal() else None,
                "frame_limit_fps": 0.0,
            }
        )
    return USABLE.frame(rows)


def _drops(
    evening: Evening, plan: ReviewPlan, *, due: Sequence[str], seconds: dict[str, float]
) -> tuple[Drop, ...]:
    """Return what could be left out, in the order of the planner: tunings, rounds down to three, games."""
    rows = {run: evening.rows[run] for run in due if evening.rows[run].get("purpose", "measure") in ("", "measure")}
    musts, drops = {plan.reference_tuning, *plan.session_plan.must_have}, []
    tunings = dict.fromkeys(row.get("tuning", "") for row in rows.values())
    if len(tunings) > 2:
        for name in [one.name for one in plan.tunings if one.name in tunings and one.name not in musts][-1:]:
            drops.append((f"Tuning “{name}”", f"Nothing new can be said about “{name}”.",
                          [run for run, row in rows.items() if row.get("tuning") == name]))  # fmt: skip
    numbers = [int(row["round"]) for row in rows.values() if (row.get("round") or "").isdecimal()]
    for number in range(min(max(numbers, default=0), MOST_ROUNDS), FEWEST_ROUNDS, -1):
        drops.append(
            (
                f"Round {number} of every game",
                "Smaller differences go unseen, and fewer games are decided.",
                [run for run, row in rows.items() if row.get("round") == str(number)],
            )
        )
    games = list(dict.fromkeys(row.get("game", "") for row in rows.values()))
    for game in games[:0:-1]:
        drops.append((f"Game {game}", f"No result for {game}.",
                      [run for run, row in rows.items() if row.get("game") == game]))  # fmt: skip
    return tuple(Drop(what, then, tuple(runs), sum(seconds[run] for run in runs) / 60)
                 for what, then, runs in drops if runs)  # fmt: skip


# In words


def noise_text(one: GameForecast) -> str:
    """Return a game's noise; never a result."""
    return "typical" if one.is_typical else f"{number_text(one.noise_pct)} %"


def more_text(one: GameForecast, forecast: Forecast) -> str:
    """Return how many more rounds a game needs."""
    if one.is_enough:
        return "yes"
    if forecast.margin_pct is None:
        return "no margin in the plan"
    if one.more is None or one.done + one.more > 2 * max(one.planned, 4):
        return f"no: {one.more} more rounds, leave it" if one.more else "no feasible number, leave it"
    return f"no: {one.more} more" if one.more else "no"


def margin_text(forecast: Forecast) -> str:
    """Return the margin."""
    return "a difference" if forecast.margin_pct is None else f"{forecast.margin_pct:g} %"


def overall_text(forecast: Forecast) -> str:
    """Return whether all games together have enough runs."""
    if forecast.overall is None:
        return f"not enough games ({forecast.complete} of {len(forecast.games)} complete, 3 needed)"
    word = "yes" if forecast.overall else "no"
    return f"{word} for {margin_text(forecast)} ({forecast.complete} games complete)"


def evening_lines(one: Forecast) -> list[str]:
    """Return the lines on time and enough runs."""
    short = one.left_s - one.have_s
    have = duration_text(max(0.0, one.have_s))
    left = f"{count_text(one.left, 'run')} left: about {duration_text(one.left_s)} at your pace"
    lines = [f"SESSION    {left}. You have {have}."]
    spare = (
        f"{duration_text(-short)} to spare."
        if short <= 0
        else f"{duration_text(short)} short: 7 shows what to drop."
    )
    lines.append(f"           {spare}" if one.left else "           Nothing planned is missing.")
    lines.append(f"IF YOU STOP NOW   overall: {overall_text(one)}")
    enough = sum(game.is_enough for game in one.games)
    lines.append(f"           single games: enough runs in {enough} of {len(one.games)}, by the noise alone")
    return lines
