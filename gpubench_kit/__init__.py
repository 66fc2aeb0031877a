"""From a folder of benchmark logs to a published page with honest verdicts.

The public names stand in ``__init__.pyi``, where editors and type checkers read them, and are loaded when first
used, so that the command starts at once.
"""

from __future__ import annotations

from typing import Any

import lazy_loader

__version__ = "0.2.0.dev0"

_load, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)

#: Public names of version 0.1.0 that are gone -> what to write.
_GONE = {
    "Pictures": "`review(folder, pictures=...).write(folder)`",
    "decisions_changed_after_first_look": "`open_looks(plan, usable)`",
    "estimate_costs": "`review(folder).costs`",
    "levels_of_games": "`review(folder).levels`",
    "looks_made": "`open_looks(plan, usable)`",
    "make_review": "`gpubench_kit.synthetic.review.write_review(...)`, which makes a folder",
    "make_schedule": "`plan_session(folder)`",
    "open_archive": "`gpubench_kit.archive.archive.open_archive(folder)`",
    "page": "`review(folder).section(name)`",
    "proposed_sentences": "`review(folder).sentences`",
    "redo_list": "`check(folder).redo`",
    "sweep_in_review": "`review(folder).sweep`",
    "used_runs": "`review(folder).runs`",
    "used_runs_fingerprint": "`open_looks(plan, usable)`",
    "write_pictures": "`review(folder, pictures=...).write(folder)`",
    "write_schedule": "`plan_session(folder).write(folder)`",
    "write_script_sheet": "`review(folder).write(folder)`",
    "write_tables": "`review(folder).write(folder)`",
}


def __getattr__(name: str) -> Any:
    """Return a public name from its module."""
    if name in _GONE:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}' any more; write {_GONE[name]}.")
    if name not in __all__:
        from gpubench_kit.model.errors import suggestion

        near = "" if name.startswith("_") else suggestion(name, __all__)
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'. {near}".rstrip())
    return _load(name)
