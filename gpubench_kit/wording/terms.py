"""Words, names and keys shared by all charts: what is compared, what was found, and how it is marked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import astuple
from datetime import date

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import listed
from gpubench_kit.model.metrics import METRICS, Metric
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.references import Pair
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, percent_text
from gpubench_kit.wording.reasons import reason_words

_NAMES_LISTED = 4


def metric_of(name: str) -> Metric:
    """Return the registry's row of a metric; a metric that is not in it is neither good nor bad."""
    label = name.replace("_", " ")
    return METRICS.get(name) or Metric(name, label, "", "neither", "difference", "sheet", "measure", "")


def capital(text: str) -> str:
    """Return text with a capital first letter."""
    return text[:1].upper() + text[1:]


def check_words(check: str) -> str:
    """Return the name of a check as a heading: its key in words."""
    return capital(check.replace("_", " "))


def day_text(day: date) -> str:
    """Return a day in words: ``'2 Nov 2026'``."""
    return f"{day.day} {say(f'month.{day.month}')} {day.year}"


def of_pair(table: pd.DataFrame, pair: Sequence[str]) -> pd.DataFrame:
    """Return the rows of one pair."""
    chosen = np.logical_and.reduce([table[name] == value for name, value in zip(PAIR_KEY, pair, strict=True)])
    return table[chosen]


def pair_text(pair: Sequence[str], plan: ReviewPlan) -> str:
    """Return a pair in words: what is compared against what, with card and bench only where they differ."""
    of, against = pair[:3], pair[3:]
    with_card = len(plan.cards) > 1 or of[0] != against[0]
    with_bench = of[2] != against[2]
    texts = [subject_text(one, with_card=with_card, with_bench=with_bench) for one in (of, against)]
    pair = say("answer.pair", of=texts[0], against=texts[1])
    return say("names.on", pair=pair, bench=of[2]) if len(plan.benches) > 1 and not with_bench else pair


def not_compared_words(pairs: Sequence[Pair], plan: ReviewPlan) -> dict[str, str]:
    """Return pairs in words, ``names``, and the sides of the first as a plan has them, ``of`` and ``against``."""
    names = listed([pair_text((*astuple(one.of), *astuple(one.against)), plan) for one in pairs])
    return {"names": names, "of": pairs[0].of.line, "against": pairs[0].against.line}


def subject_text(subject: Sequence[str], *, with_card: bool = False, with_bench: bool = False) -> str:
    """Return a (card, tuning, bench) in words."""
    card, tuning, bench = subject
    parts = [card] * with_card + [tuning] + [bench] * with_bench
    return ", ".join(part for part in parts if part)


def scene_text(game: str, setting: str) -> str:
    """Return a game and its setting in words."""
    return f"{game}, {setting}" if setting else game


def scene_names(data: pd.DataFrame) -> dict[tuple[str, str], str]:
    """Return the name of each (game, setting) of a table; without settings where no game has two."""
    scenes = list(data[["game", "setting"]].drop_duplicates().itertuples(index=False, name=None))
    with_setting = len({game for game, _ in scenes}) < len(scenes)
    return {(game, setting): scene_text(game, setting * with_setting) for game, setting in scenes}


def of_group(text: str, group: str) -> str:
    """Return text with the group of settings added, unless it is the only one."""
    return text if group in ("", "all") else f"{text} ({group})"


def margin_band(margin: float, scale: str) -> tuple[float, float] | None:
    """Return the ends of the margin band: as far up as down on the log scale of a ratio."""
    if not np.isfinite(margin) or margin <= 0:
        return None
    return (-margin, 100 * (1 / (1 - margin / 100) - 1)) if scale == "ratio" and margin < 100 else (-margin, margin)


def margin_text(margin: float, unit: str) -> str:
    """Return the margin in words."""
    amount = percent_text(margin) if unit == "%" else change_text(margin, unit).lstrip("+")
    return say("names.margin", amount=amount)


def reason_text(reason: str) -> str:
    """Return the most telling reason of a row in words."""
    return (reason_words(reason) or ("",))[0].replace("_", " ")


def names_text(names: Iterable[str]) -> str:
    """Return names in a row: all where there are few, else the first and how many more."""
    listed = list(names)
    if len(listed) > _NAMES_LISTED + 1:
        return say("list.others", first=", ".join(listed[:_NAMES_LISTED]), n=len(listed) - _NAMES_LISTED)
    return say("list.last", first=", ".join(listed[:-1]), last=listed[-1]) if len(listed) > 1 else listed[-1]
