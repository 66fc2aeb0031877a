"""What was measured, when, and under which conditions: what an archive of many reports must know of each."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.logs.order_done import started_at_s
from gpubench_kit.model.errors import GpubenchError
from gpubench_kit.sheet import load_run_sheet

_START = datetime(1970, 1, 1)


def measured_under(plan) -> dict[str, Any]:
    """Return date, cards, benches, tunings and games of a review, for its manifest.

    Parameters
    ----------
    plan : ReviewPlan, with the folder in which its run sheet is

    Returns
    -------
    dict that JSON can hold: ``date`` and the first and last start of a run as the sheet states them (empty where
    it states none), and what the plan says of cards, benches, tunings and games
    """
    sheet = _sheet_of(plan)
    first, last = _first_and_last(sheet["started_at"]) if len(sheet) else ("", "")
    return {
        "date": plan.review.date.isoformat() if plan.review.date else "",
        "first_start": first,
        "last_start": last,
        "cards": [_named(card, ("name", "model", "role", "power_measured_at")) for card in plan.cards],
        "benches": [_named(bench, ("name", "driver", "room_c")) for bench in plan.benches],
        "tunings": [_named(tuning, ("name", "reference", "card")) for tuning in plan.tunings],
        "games": list(_games(plan, sheet)),
        "primary": plan.analysis.primary,
        "low_definition": plan.analysis.low_definition,
    }


def _sheet_of(plan) -> pd.DataFrame:
    """Return the run sheet; nothing where it cannot be read, of which others tell."""
    try:
        return load_run_sheet(plan).runs
    except GpubenchError:
        return pd.DataFrame()


def _first_and_last(started_at: pd.Series) -> tuple[str, str]:
    """Return the first and the last start of a run, as dates with times; empty where none is stated."""
    given = started_at[started_at != ""]
    seconds = started_at_s(given) if len(given) else np.array([])
    known = seconds[np.isfinite(seconds)]
    return tuple(_moment(float(one)) for one in (known.min(), known.max())) if len(known) else ("", "")


def _moment(seconds: float) -> str:
    """Return seconds since 1970 as a date with time."""
    return (_START + timedelta(seconds=seconds)).isoformat(timespec="seconds")


def _games(plan, sheet: pd.DataFrame) -> Iterable[dict[str, Any]]:
    """Yield each game at each setting, with the versions of the game that the sheet names."""
    for game in plan.games:
        versions = sorted(set(sheet.loc[sheet["game"] == game.name, "game_version"]) - {""}) if len(sheet) else []
        for one in game.settings:
            about = {"name": game.name, "setting": one.name, "limited_by": game.limited_by, "versions": versions}
            yield about | _named(one, ("group", "frames_counted", "generated_per_rendered", "frame_limit_fps"))


def _named(part: Any, names: Iterable[str]) -> dict[str, Any]:
    """Return some attributes of a section of the plan; what is not given is empty."""
    return {name: "" if getattr(part, name) is None else getattr(part, name) for name in names}
