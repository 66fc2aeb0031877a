"""The page: one function for each section, from tables to what a reader sees.

The names below are loaded when first used: what only needs to know a section when it sees one, such as the
page's export, does not load every chart.
"""

from __future__ import annotations

import importlib

#: Name -> module of this package that holds it.
_HOME = {
    "Results": "results",
    "alerts": "caution_lines",
    "answer": "answer_card",
    "archive_cards": "archive",
    "archive_claims": "archive",
    "archive_control": "archive",
    "archive_drivers": "archive",
    "archive_files": "archive",
    "archive_findings": "archive",
    "archive_games": "archive",
    "archive_head": "archive",
    "archive_method": "archive",
    "archive_noise": "archive",
    "archive_cautions": "caution_lines",
    "bench_cautions": "caution_lines",
    "by_game": "matrix",
    "cautions": "caution_lines",
    "changes": "corrections",
    "check_findings": "checking",
    "check_head": "checking",
    "check_limits": "checking_runs",
    "check_logs": "checking_runs",
    "check_noise": "checking_plan",
    "check_progress": "checking_plan",
    "check_redo": "checking",
    "check_runs": "checking_runs",
    "downloads": "method",
    "games": "game_sections",
    "look": "stylesheet",
    "plan_chances": "planning",
    "plan_head": "planning",
    "plan_method": "planning",
    "plan_needs": "planning",
    "plan_order": "planning",
    "plan_says": "planning",
    "plan_time": "planning",
    "quality": "data_quality",
    "script": "script_checked",
    "sweep_files": "sweep",
    "sweep_head": "sweep",
    "sweep_method": "sweep",
    "sweep_next": "sweep",
    "sweep_readings": "sweep",
    "sweep_response": "sweep",
    "sweep_settings": "sweep",
    "tuning": "sweep",
    "watts": "efficiency",
}

__all__ = [*sorted(_HOME)]  # noqa: PLE0604 - the names are those of the table above


def __getattr__(name: str):
    """Return a name from its module."""
    if name not in _HOME:
        raise AttributeError(f"module '{__name__}' has no attribute {name!r}")
    found = getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    """Return the names of the package."""
    return list(__all__)
