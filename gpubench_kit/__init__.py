"""From a folder of benchmark logs to a published page with honest verdicts.

The public names below are loaded when first used, so that the command starts at once.
"""

from __future__ import annotations

import importlib

__version__ = "0.2.0.dev0"

#: Public name -> module that holds it.
_HOME = {
    "build_report": "gpubench_kit.report.build",
    "check_claims": "gpubench_kit.claims.check",
    "check_parameters": "gpubench_kit.bundled",
    "check_readiness": "gpubench_kit.checks.readiness",
    "check_review": "gpubench_kit.checks.review",
    "compare_over_games": "gpubench_kit.statistics.compare",
    "compare_tunings": "gpubench_kit.statistics.compare",
    "compute_run_metrics": "gpubench_kit.metrics.per_run",
    "estimate_costs": "gpubench_kit.costs",
    "estimate_noise": "gpubench_kit.statistics.compare",
    "exclude_runs": "gpubench_kit.checks.review",
    "find_tuning": "gpubench_kit.sweep.find",
    "gather_archive": "gpubench_kit.archive.archive",
    "levels_of_games": "gpubench_kit.statistics.levels",
    "load_plan": "gpubench_kit.model.plan",
    "make_schedule": "gpubench_kit.schedule.make",
    "open_archive": "gpubench_kit.archive.archive",
    "open_looks": "gpubench_kit.sheet.looks",
    "open_review": "gpubench_kit.logs.review",
    "page": "gpubench_kit.page",
    "plots": "gpubench_kit.plots",
    "proposed_sentences": "gpubench_kit.claims.script",
    "sweep_in_review": "gpubench_kit.sweep.find",
    "used_runs": "gpubench_kit.checks.review",
    "write_film": "gpubench_kit.page.film.write",
    "write_schedule": "gpubench_kit.report.pages",
    "write_script_sheet": "gpubench_kit.claims.script",
    "write_tables": "gpubench_kit.report.package",
}

__all__ = [  # noqa: PLE0604 - the names are those of the table above
    *sorted(_HOME),
    "__version__",
]


def __getattr__(name: str):
    """Return a public name from its module."""
    if name not in _HOME:
        raise AttributeError(f"module 'gpubench_kit' has no attribute {name!r}")
    module = importlib.import_module(_HOME[name])
    return module if module.__name__ == f"{__name__}.{name}" else getattr(module, name)


def __dir__() -> list[str]:
    """Return the public names."""
    return list(__all__)
