"""The page of `check`: which verdicts the runs can give, how far the plan is done, noise; never a difference."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.checks.readiness import progress_of
from gpubench_kit.claims.check import sign_note
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page import elements as html
from gpubench_kit.page.charts.curves import order_of_runs
from gpubench_kit.page.charts.from_tables import State, noise_of_games, states_in
from gpubench_kit.page.elements import Column, Field, Head, Markup, Section
from gpubench_kit.page.method import message_text
from gpubench_kit.page.results import all_groups
from gpubench_kit.schedule.needs import plan_from_noise
from gpubench_kit.statistics.planning import MOST_ROUNDS
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import MISSING, count_text, is_missing, percent_text, significant_text, unit_text
from gpubench_kit.wording.terms import capital, metric_of, scene_text

_MOST_NAMED, _MOST_RUNS, _MOST_ASKED = 2, 6, 3
#: Reasons why there is no verdict, those that most must be known first.
_RANK = (
    "too_many_looks", "confounded", "not_stated", "order_same_every_time", "format_not_confirmed",
    "clock_not_proven", "one_run", "logs_not_matched", "log_unusable", "sensor_log_unusable", "not_aligned",
    "sensor_log_of_another_run", "samples_missing", "power_averages", "power_stands",
    "pilots_only", "not_recorded", "tuning_not_applied",
    "held_by_cap", "frame_limit_declared", "too_coarse", "typed_too_coarsely",
)  # fmt: skip


def head_sentences(possible: pd.DataFrame, runs: pd.DataFrame, *, redo: pd.DataFrame) -> list[str]:
    """Return which verdicts the runs can give, how much is recorded and what has to be redone, in sentences.

    Parameters
    ----------
    possible : DataFrame, one row per metric, game and setting
    runs : DataFrame, one row per run; see ``tables.RUNS``
    redo : DataFrame, one row per run to redo
    """
    if not is_read(runs).any():
        return [say("check.nothing")]
    needed, done = int(redo["is_needed"].sum()), int(is_read(runs).sum())
    asked = [
        f"{row.run} ({row.why.replace('_', ' ')})" for row in redo[~redo["is_needed"].astype(bool)].itertuples()
    ]
    absent = possible["without"].iloc[0]
    told = [_verdict_sentence(possible)]
    told += [say("check.without", tunings=absent)] * (absent != "" and not possible["can"].all())
    told += [say("check.recorded", done=count_text(done), n=len(runs))] * (done < len(runs))
    told.append(say("check.redo.needed", n=needed) if needed else say("check.redo.none"))
    if asked:
        key = "check.redo.further" if needed else "check.redo.asked"
        told.append(say(key, n=len(asked), runs=_some(asked, most=_MOST_ASKED)))
    return told


def is_read(runs: pd.DataFrame) -> pd.Series:
    """Return which rows of ``tables.RUNS`` have a log that can be read, or numbers."""
    return ~runs["excluded_for"].isin(["not_recorded", "log_unusable"])


def state_of_runs(runs: pd.DataFrame, findings: pd.DataFrame) -> list[str]:
    """Return what is to be known of the runs as a whole, a line each: order, logs, rows, sides and patches.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    """
    of = dict(list(findings.groupby("check", sort=False)))

    def messages(check: str) -> list[str]:
        return list(of[check]["message"]) if check in of else []

    lines = _designs(messages("layout"))
    lines += [say(f"check.likely.{check}") for check in ("format_likely", "sensor_likely") if check in of]
    for check in ("log_guessed", "log_unusable", "sensor_log_unusable", "run_sheet_row"):
        if check in of:
            names = [one for one in dict.fromkeys(of[check]["run"]) if one]
            lines.append(say(f"check.rows.{check}", n=len(of[check]), names=_some(names)).replace(" ()", ""))
        if check.endswith("log_unusable") and check in of:
            lines.append(say("check.rows.why", n=len(of[check]), message=of[check]["message"].iloc[0]))
    for row in of["clock_not_proven"].itertuples() if "clock_not_proven" in of else ():
        lines.append(say("check.clock", name=row.message.partition(": ")[0], action=row.action))
    lines += messages("logs_not_matched") + messages("not_compared")
    if "samples_missing" in of:
        missing = of["samples_missing"]
        lines += list(missing.loc[missing["run"] == "", "message"])
    used = runs[runs["used"].astype(bool) & (runs["purpose"] == "measure")]
    sides = used.groupby(["card", "bench", "game", "setting", "tuning"], sort=False).size()
    single = [f"{scene_text(key[2], key[3])} {key[4]}" for key in sides.index[sides == 1]]
    if single:
        lines.append(say("check.single", n=len(single), names=_some(single)))
    return [*lines, *messages("game_patched"), *messages("game_shifted")]


def _designs(messages: list[str]) -> list[str]:
    """Return how the runs were ordered, once for all comparisons that are alike."""
    alike: dict[tuple[str, str], list[str]] = {}
    for one in messages:
        about, _, order = one.partition(";")[0].rstrip(".").rpartition(": ")
        pair, _, group = about.partition(", group ")
        alike.setdefault((order, group), []).append(pair)
    lines = []
    for (order, group), listed in alike.items():
        pairs = listed[0] if len(listed) == 1 else say("check.pairs", n=len(listed))
        of_group = say("check.design_of_group", what=order, pairs=pairs, group=group)
        lines.append(of_group if group else say("check.design", what=order, pairs=pairs))
    return lines


def _some(names: list[str], *, most: int = _MOST_RUNS) -> str:
    """Return the first names of a list, and how many more there are."""
    more = len(names) - most
    first = ", ".join(names[:most])
    return say("check.more", first=first, count=more) if more > 0 else first


def _verdict_sentence(possible: pd.DataFrame) -> str:
    """Return on which metrics the runs can give a verdict, in how many games, and why not on others."""
    able, absent = possible["can"].astype(bool), possible["without"].iloc[0]
    if able.all():
        return say("check.every_but", tunings=absent) if absent else say("check.every")
    if not able.any() and (possible["reason"] == "confounded").all():
        return say("check.confounded", why=_why_not(possible))
    if not able.any() and possible["reason"].isin(["not_recorded", "logs_not_matched"]).all():
        return say("check.yet", why=_why_not(possible))
    # Metrics alike in what can be said of them stand together.
    alike: dict[tuple[str, tuple[tuple[str, Any], ...]], list[str]] = {}
    for name, rows in possible.groupby("metric", sort=False):
        kind, told = _judged_part(rows)
        metric = metric_of(str(name))
        alike.setdefault((kind, tuple(told.items())), []).append(metric.short or metric.label)
    ranked = sorted(alike.items(), key=lambda one: ("all", "some", "none").index(one[0][0]))
    prefix = "check.on" if able.any() else "check.on_none"
    parts = [say(f"{prefix}.{kind}", metrics=_listed(names), **dict(told)) for (kind, told), names in ranked]
    return say("check.some" if able.any() else "check.none", parts="; ".join(parts))


def _judged_part(rows: pd.DataFrame) -> tuple[str, dict[str, Any]]:
    """Return whether a metric can be judged in all games, some or none, and what is to be said of that."""
    lacking = rows[~rows["can"].astype(bool)]
    if not len(lacking):
        return "all", {}
    if len(lacking) == len(rows):
        return "none", {"why": _why_not(lacking)}
    named = [html.scene_of(row) for row in lacking.itertuples()]
    which = _listed(named) if len(named) <= _MOST_NAMED else say("check.games", n=len(named))
    return "some", {"able": len(rows) - len(lacking), "all": len(rows), "which": which, "why": _why_not(lacking)}


def _why_not(rows: pd.DataFrame) -> str:
    """Return the reason that most must be known: in a reviewer's words where there are any, else in the page's."""
    reason = min(rows["reason"], key=lambda one: _RANK.index(one) if one in _RANK else len(_RANK))
    in_turn = rows.loc[(rows["reason"] == reason) & (rows["all_of"] != ""), ["all_of", "before"]]
    if reason == "confounded" and len(in_turn):
        return say("check.in_turn", first=in_turn["all_of"].iloc[0], other=in_turn["before"].iloc[0])
    keys = (f"check.why.{reason}", f"reason.short.{reason}")
    return next((say(key) for key in keys if has(key)), reason.replace("_", " "))


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else say("list.last", first=", ".join(names[:-1]), last=names[-1])


def check_head(
    runs: pd.DataFrame, findings: pd.DataFrame, *, redo: pd.DataFrame, possible: pd.DataFrame, plan: ReviewPlan
) -> Section:
    """Return the head of the page: which verdicts the runs can give, what has to be redone, the state of the runs.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    redo : DataFrame, one row per run to redo; see `gpubench_kit.checks.REDO`
    possible : DataFrame, one row per metric, game and setting; see `gpubench_kit.checks.POSSIBLE`
    plan : ReviewPlan
    """
    first, *more = head_sentences(possible, runs, redo=redo)
    told = html.paragraph(*more, css="result")
    state = html.bullets(message_text(one) for one in state_of_runs(runs, findings))
    signs = [(one, sign_note(one)) for one in plan.claims]
    asked = [html.note(say("check.claim", id=one.id, text=one.text, note=sign)) for one, sign in signs if sign]
    body = html.join([told, state, *asked, html.paragraph(say("check.no_look"), css="muted")])
    needed, waiting = int(redo["is_needed"].sum()), int((~is_read(runs)).sum())
    if needed:
        title = say("check.title.redo", n=needed)
    elif waiting:
        title = say("check.title.record", n=waiting)
    else:
        title = say("check.title.ready" if possible["can"].astype(bool).any() else "check.title.not_yet")
    return Section("result", title, body, head=Head((say("check.kick", title=plan.review.title),), (first,)))


#: Rounds that stand side by side; more are summed up.
_MOST_ROUNDS = 12
_MOST_LISTED = 20
#: Two runs detect next to nothing: such games would flatten the chart, so it waits for a third run.
_FEWEST_DRAWN = 3
_MOST_DETECTABLE = 50.0
_PLACE = ["card", "bench", "game", "setting", "metric"]


def check_progress(runs: pd.DataFrame, plan: ReviewPlan) -> Section:
    """Return the section on how far the plan of the runs is done.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where the run sheet has no rows
    """
    progress = progress_of(runs)
    if not len(progress):
        return html.section("check.progress", [])
    tables = html.join(_progress_table(part, purpose) for purpose, part in progress.groupby("purpose", sort=False))
    done, begun = progress["n_done"] == progress["n_planned"], progress["n_done"] > 0
    if done.all():
        told, tables = (
            say("check.progress.complete", n=len(progress)),
            html.details(say("check.progress.every"), tables),
        )
    else:
        counts = {"begun": int((begun & ~done).sum()), "waiting": int((~begun).sum())}
        more = "".join(say(f"check.progress.{name}", count=count) for name, count in counts.items() if count)
        rounds = count_text(len(progress), "round")
        told = say("check.progress.part", done=int(done.sum()), rounds=rounds, more=more)
    rows = runs[runs["excluded_for"] == "not_recorded"].sort_values("order", kind="stable")
    columns = [
        ("run", "run"), ("game", html.scene_of), ("tuning", "tuning"), ("round", "round", ""),
        ("order", "order", ""), *[("card", "card")] * (len(plan.cards) > 1),
    ]  # fmt: skip
    waiting = html.listing(columns, rows.itertuples(), caption=say("check.waiting.caption"))
    to_record = html.details(say("check.waiting.title", n=len(rows)), waiting, is_open=len(rows) <= _MOST_LISTED)
    return html.section("check.progress", [html.paragraph(told), tables, to_record])


def _progress_table(progress: pd.DataFrame, purpose: str) -> Markup:
    """Return rounds of each game as a table: runs that count, of those planned."""
    by_game = progress.groupby(["card", "bench", "game", "setting", "round"], dropna=False)
    several = [name for name in ("card", "bench") if progress[name].nunique() > 1]
    several += ["session"] if by_game["session"].nunique().max() > 1 else []
    rounds = sorted(progress["round"].dropna().unique())

    def of(count: int, whole: int) -> str:
        return say("archive.of", count=count, all=whole)

    def in_round(part: pd.DataFrame, number: int) -> str:
        found = part[part["round"] == number]
        return of(found["n_done"].iloc[0], found["n_planned"].iloc[0]) if len(found) else MISSING

    columns: list[Column] = [("game", lambda part: html.scene_of(part.iloc[0]))]
    columns += [(name, lambda part, name=name: part.iloc[0][name]) for name in several]
    if len(rounds) > _MOST_ROUNDS or progress["round"].isna().any():
        columns += [
            ("rounds_complete", lambda part: of(int((part["n_done"] == part["n_planned"]).sum()), len(part)), ""),
            ("runs_counted", lambda part: of(part["n_done"].sum(), part["n_planned"].sum()), ""),
        ]
    else:
        columns += [
            Field(say("check.progress.round", number=number), partial(in_round, number=number), is_number=True)
            for number in rounds
        ]
    parts = [part for _, part in progress.groupby([*several, "game", "setting"], sort=False, dropna=False)]
    key = f"check.progress.caption.{purpose}"
    caption = say(key) if has(key) else say("check.progress.caption_of", purpose=purpose)
    return html.listing(columns, parts, caption=caption)


def check_noise(noise: pd.DataFrame, usable: pd.DataFrame, plan: ReviewPlan) -> Section:
    """Return the section on the noise so far and the runs needed, from noise alone.

    Parameters
    ----------
    noise : DataFrame, one row per (card, bench, tuning, game, setting, metric); see ``tables.NOISE``
    usable : DataFrame, one row per (run, metric); see ``tables.USABLE``
    plan : ReviewPlan

    Returns
    -------
    Section; left out before any tuning has two runs of a game
    """
    planned = plan_from_noise(noise[noise["metric"].isin(plan.analysis.metrics)], plan)
    planned = planned[planned["noise"].notna()]
    if not len(planned):
        return html.section("check.noise", [])
    primary = plan.analysis.primary
    known = noise[noise.groupby(_PLACE)["n"].transform("min") >= _FEWEST_DRAWN]
    group_of = {scene: one.group for scene, one in plan.scenes.items()}
    groups = np.array(
        [group_of.get(key) for key in zip(known["game"], known["setting"], strict=True)], dtype=object
    )
    drawn = [
        noise_of_games(known[groups == group], metric=primary, margin=plan.margin_of(primary))
        for group in all_groups(plan)
    ]
    # The runs of each card on each bench.
    machines: dict[tuple[str, str], list[State]] = {}
    for one in states_in(usable, plan):
        machines.setdefault((one.card, one.bench), []).append(one)
    ordered = [order_of_runs(usable, metric=primary, states=states) for states in machines.values()]
    metrics = [one for one in plan.analysis.metrics if (planned["metric"] == one).any()]
    return html.section("check.noise", [
        html.paragraph(say("check.noise.text")),
        html.bullets(_enough_runs(planned[planned["metric"] == metric], metric) for metric in metrics),
        *(_needed_part(planned, plan, metric=metric) for metric in metrics),
        html.heading(say("check.noise.order")),
        html.paragraph(say("check.noise.waiting", least=_FEWEST_DRAWN)) if len(known) < len(noise) else "",
        html.figures(map(html.figure, [*drawn, *ordered])),
    ])  # fmt: skip


def _enough_runs(rows: pd.DataFrame, metric: str) -> str:
    """Return in how many games the runs so far can settle the margin."""
    label, margin, unit = capital(metric_of(metric).label), rows["margin"].iloc[0], rows["unit"].iloc[0]
    if is_missing(margin):
        return say("check.noise.no_margin", metric=label)
    enough = int((rows["runs"] >= rows["runs_needed"]).fillna(False).sum())
    amount = percent_text(margin) if unit == "%" else unit_text(margin, unit)
    key = "check.noise.enough_settings" if rows["setting"].any() else "check.noise.enough"
    return say(key, metric=label, margin=amount, enough=enough, n=len(rows))


def _needed_part(planned: pd.DataFrame, plan: ReviewPlan, *, metric: str) -> Markup:
    """Return the table of one metric; that of the primary one is open."""
    rows = planned[planned["metric"] == metric]
    unit, label = rows["unit"].iloc[0], metric_of(metric).label

    def detectable(row: Any) -> str:
        if row.unit == "%" and row.detectable > _MOST_DETECTABLE:
            return say("check.noise.over", most=f"{_MOST_DETECTABLE:.0f}")
        return significant_text(row.detectable, digits=2)

    def runs_needed(row: Any) -> str:
        if is_missing(row.margin):
            return MISSING
        is_far = is_missing(row.runs_needed)
        return say("check.noise.over", most=MOST_ROUNDS) if is_far else count_text(row.runs_needed)

    columns: list[Column] = [
        ("game", html.scene_of), *((name, name) for name in ("card", "bench") if planned[name].nunique() > 1),
        ("runs_so_far", "runs", ""), ("noise", lambda row: significant_text(row.noise, digits=2), unit),
        ("detectable", detectable, unit),
        ("margin", lambda row: MISSING if is_missing(row.margin) else significant_text(row.margin, digits=2), unit),
        ("runs_needed", runs_needed, ""),
    ]  # fmt: skip
    listed = html.listing(columns, rows.itertuples(), caption=say("check.noise.caption", metric=label))
    return html.details(capital(label), listed, is_open=metric == plan.analysis.primary)
