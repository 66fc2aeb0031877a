"""What the head of the page of `check` says, also for the command, which loads no charts for it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.terms import metric_of, scene_text

_MOST_NAMED, _MOST_LISTED, _MOST_ASKED = 2, 6, 3
#: Reasons why there is no verdict, those that most must be known first.
_RANK = (
    "too_many_looks", "confounded", "not_stated", "order_same_every_time", "format_not_confirmed",
    "clock_not_proven", "one_run", "logs_not_matched", "log_unusable", "sensor_log_unusable", "not_aligned",
    "samples_missing", "pilots_only", "not_recorded", "tuning_not_applied",
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
    if not is_anything_recorded(runs):
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


def is_anything_recorded(runs: pd.DataFrame) -> bool:
    """Return whether any row has a log that can be read, or numbers.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    """
    return bool(is_read(runs).any())


def is_read(runs: pd.DataFrame) -> pd.Series:
    """Return which rows have a log that can be read, or numbers."""
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


def _some(names: list[str], *, most: int = _MOST_LISTED) -> str:
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
        return say("check.confounded", why=_why(possible))
    if not able.any() and possible["reason"].isin(["not_recorded", "logs_not_matched"]).all():
        return say("check.yet", why=_words_of(_first_reason(possible)))
    # Metrics alike in what can be said of them stand together.
    alike: dict[tuple[str, tuple[tuple[str, Any], ...]], list[str]] = {}
    for metric, rows in possible.groupby("metric", sort=False):
        kind, told = _part(rows)
        alike.setdefault((kind, tuple(told.items())), []).append(_name(str(metric)))
    ranked = sorted(alike.items(), key=lambda one: ("all", "some", "none").index(one[0][0]))
    prefix = "check.on" if able.any() else "check.on_none"
    parts = [say(f"{prefix}.{kind}", metrics=_listed(names), **dict(told)) for (kind, told), names in ranked]
    return say("check.some" if able.any() else "check.none", parts="; ".join(parts))


def _part(rows: pd.DataFrame) -> tuple[str, dict[str, Any]]:
    """Return whether a metric can be judged in all games, some or none, and what is to be said of that."""
    lacking = rows[~rows["can"].astype(bool)]
    if not len(lacking):
        return "all", {}
    if len(lacking) == len(rows):
        return "none", {"why": _why(lacking)}
    named = [scene_text(row.game, row.setting) for row in lacking.itertuples()]
    which = _listed(named) if len(named) <= _MOST_NAMED else say("check.games", n=len(named))
    return "some", {"able": len(rows) - len(lacking), "all": len(rows), "which": which, "why": _why(lacking)}


def _first_reason(rows: pd.DataFrame) -> str:
    """Return the reason that most must be known."""
    return min(rows["reason"], key=lambda one: _RANK.index(one) if one in _RANK else len(_RANK))


def _why(rows: pd.DataFrame) -> str:
    reason = _first_reason(rows)
    in_turn = rows.loc[(rows["reason"] == reason) & (rows["all_of"] != ""), ["all_of", "before"]]
    if reason == "confounded" and len(in_turn):
        return say("check.in_turn", first=in_turn["all_of"].iloc[0], other=in_turn["before"].iloc[0])
    return _words_of(reason)


def _words_of(reason: str) -> str:
    """Return a reason in words: those for a reviewer where there are any, else those of the page."""
    keys = (f"check.why.{reason}", f"reason.short.{reason}")
    return next((say(key) for key in keys if has(key)), reason.replace("_", " "))


def _name(metric: str) -> str:
    """Return a metric in a word or two."""
    return metric_of(metric).short or metric_of(metric).label


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else say("list.last", first=", ".join(names[:-1]), last=names[-1])
