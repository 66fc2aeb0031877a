"""The page: one function for each section, from tables to what a reader sees.

The names below are loaded when first used: what only needs to know a section when it sees one, such as the
page's export, does not load every chart.
"""

from __future__ import annotations

import lazy_loader

#: Module -> names that it holds.
_NAMES = {
    "answer_card": ["answer"],
    "archive": [
        "archive_cards",
        "archive_claims",
        "archive_control",
        "archive_drivers",
        "archive_files",
        "archive_findings",
        "archive_games",
        "archive_head",
        "archive_method",
        "archive_noise",
    ],
    "caveats": ["alerts", "archive_cautions", "bench_cautions", "cautions", "changes", "script"],
    "checking": ["check_head", "check_noise", "check_progress"],
    "checking_runs": ["check_findings", "check_limits", "check_logs", "check_redo", "check_runs"],
    "efficiency": ["watts"],
    "elements": ["look"],
    "game_sections": ["games"],
    "matrix": ["by_game"],
    "method": ["downloads", "quality"],
    "planning": ["plan_chances", "plan_head", "plan_method", "plan_needs", "plan_order", "plan_says", "plan_time"],
    "results": ["Results"],
    "sweep": [
        "sweep_files",
        "sweep_head",
        "sweep_method",
        "sweep_next",
        "sweep_readings",
        "sweep_response",
        "sweep_settings",
        "tuning",
    ],
}

__getattr__, __dir__, __all__ = lazy_loader.attach(__name__, submod_attrs=_NAMES)
