"""What the head of the page of `check` says, also for the command, which loads no charts for it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import pandas as pd

from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.terms import metric_of, scene_text

#: Reasons why there is no verdict, those that most must be known first.
_RANK = (
    "too_many_looks", "confounded", "not_stated", "order_same_every_time", "format_not_confirmed",
    "clock_not_proven", "one_run", "logs_not_matched", "log_unusable", "sensor_log_unusable", "not_recorded",
    "tuning_not_applied",
    "held_by_cap", "frame_limit_declared", "too_coarse", "typed_too_coarsely",
)  # fmt: skip
_MOST_NAMED = 2
_MOST_LISTED = 6


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
    needed = int(redo["is_needed"].sum())
    return [_verdict_sentence(possible), *_recorded(runs), *_to_redo(needed, len(redo) - needed)]


def is_anything_recorded(runs: pd.DataFrame) -> bool:
    """Return whether any row has a log that can be read, or numbers.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    """
    return bool(_is_read(runs).any())


def state_of_runs(runs: pd.DataFrame, findings: pd.DataFrame) -> list[str]:
    """Return what is to be known of the runs as a whole, a line each: order, logs, rows, sides and patches.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    """
    of = dict(list(findings.groupby("check", sort=False)))
    lines = _designs(_messages(of, "layout"))
    for check in ("format_likely", "sensor_likely"):
        if check in of:
            lines.append(say(f"check.likely.{check}"))
    for check in ("log_guessed", "log_unusable", "sensor_log_unusable", "run_sheet_row"):
        if check in of:
            names = [one for one in dict.fromkeys(of[check]["run"]) if one]
            lines.append(say(f"check.rows.{check}", n=len(of[check]), names=_some(names)).replace(" ()", ""))
    lines += _messages(of, "logs_not_matched")
    single = _single_runs(runs)
    if single:
        lines.append(say("check.single", n=len(single), names=_some(single)))
    return [*lines, *_messages(of, "game_patched"), *_messages(of, "game_shifted")]


def _designs(messages: list[str]) -> list[str]:
    """Return how the runs were ordered, once for all comparisons that are alike."""
    alike: dict[str, list[str]] = {}
    for one in messages:
        pair, _, order = one.partition(";")[0].rstrip(".").rpartition(": ")
        alike.setdefault(order, []).append(pair)
    pairs = {order: listed[0] if len(listed) == 1 else say("check.pairs", n=len(listed)) for order, listed in
             alike.items()}  # fmt: skip
    return [say("check.design", what=order, pairs=pair) for order, pair in pairs.items()]


def _messages(of: dict[str, pd.DataFrame], check: str) -> list[str]:
    """Return the messages of a check."""
    return list(of[check]["message"]) if check in of else []


def _some(names: list[str]) -> str:
    """Return the first names of a list, and how many more there are."""
    more = len(names) - _MOST_LISTED
    return ", ".join(names[:_MOST_LISTED]) + (f" and {more} more" if more > 0 else "")


def _single_runs(runs: pd.DataFrame) -> list[str]:
    """Return game and tuning of sides that have a single used run."""
    used = runs[runs["used"].astype(bool) & (runs["purpose"] == "measure")]
    sides = used.groupby(["card", "bench", "game", "setting", "tuning"], sort=False).size()
    return [f"{scene_text(key[2], key[3])} {key[4]}" for key in sides.index[sides == 1]]


def _verdict_sentence(possible: pd.DataFrame) -> str:
    """Return on which metrics the runs can give a verdict, in how many games, and why not on others."""
    able = possible["can"].astype(bool)
    if able.all():
        return say("check.every")
    if not able.any() and (possible["reason"] == "confounded").all():
        return say("check.confounded", why=_why(possible))
    if not able.any() and possible["reason"].isin(["not_recorded", "logs_not_matched"]).all():
        return say("check.yet", why=say(f"check.why.{_first_reason(possible)}"))
    parts: dict[tuple[str, str], list[str]] = {}
    for metric, rows in possible.groupby("metric", sort=False):
        parts.setdefault(_part(rows), []).append(_name(str(metric)))
    texts = {kind: [] for kind in ("all", "some", "none")}
    for (kind, text), names in parts.items():
        texts[kind].append(text.replace("{}", _listed(names)))
    if not able.any():
        return say("check.none", parts="; ".join(text.removeprefix("not ") for text in texts["none"]))
    return say("check.some", parts="; ".join([*texts["all"], *texts["some"], *texts["none"]]))


def _part(rows: pd.DataFrame) -> tuple[str, str]:
    """Return whether a metric can be judged in all games, some or none, and the words for it; {} for the metric."""
    lacking = rows[~rows["can"].astype(bool)]
    if not len(lacking):
        return "all", "on {}"
    if len(lacking) == len(rows):
        return "none", f"not on {{}}: {_why(lacking)}"
    named = [scene_text(row.game, row.setting) for row in lacking.itertuples()]
    which = _listed(named) if len(named) <= _MOST_NAMED else say("check.games", n=len(named))
    return "some", f"on {{}} in {len(rows) - len(lacking)} of {len(rows)} games ({which}: {_why(lacking)})"


def _first_reason(rows: pd.DataFrame) -> str:
    """Return the reason that most must be known."""
    return min(rows["reason"], key=lambda one: _RANK.index(one) if one in _RANK else len(_RANK))


def _why(rows: pd.DataFrame) -> str:
    """Return that reason in words."""
    reason = _first_reason(rows)
    in_turn = rows.loc[(rows["reason"] == reason) & (rows["all_of"] != ""), ["all_of", "before"]]
    if reason == "confounded" and len(in_turn):
        return say("check.in_turn", first=in_turn["all_of"].iloc[0], other=in_turn["before"].iloc[0])
    return say(f"check.why.{reason}") if has(f"check.why.{reason}") else reason.replace("_", " ")


def _name(metric: str) -> str:
    """Return a metric in a word or two."""
    return say(f"check.metric.{metric}") if has(f"check.metric.{metric}") else metric_of(metric).label


def _listed(names: list[str]) -> str:
    """Return names with commas, and "and" before the last."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _is_read(runs: pd.DataFrame) -> pd.Series:
    """Return which rows have a log that can be read, or numbers."""
    return ~runs["excluded_for"].isin(["not_recorded", "log_unusable"])


def _recorded(runs: pd.DataFrame) -> Iterator[str]:
    """Yield how many rows are recorded, where some are not."""
    done, rows = int(_is_read(runs).sum()), len(runs)
    if done < rows:
        yield f"{count_text(done)} of {count_text(rows, 'row')} of the run sheet are recorded."


def _to_redo(needed: int, asked: int) -> Iterable[str]:
    """Yield how many runs have to be redone, and how many ask for a cause."""
    verb = "has" if needed == 1 else "have"
    yield f"{count_text(needed, 'run')} {verb} to be redone." if needed else "No run has to be redone."
    further = "further " if needed else ""
    if asked:
        yield f"{count_text(asked, f'{further}run')} {'asks' if asked == 1 else 'ask'} for a cause first."
