"""Notebooks and reviews that come with the kit: where they stand, and which parameters a notebook has."""

from __future__ import annotations

import ast
import sys
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

from gpubench_kit.model.errors import Fault, ReportError, listed

_PACKAGE = Path(__file__).resolve().parent


def bundled_path(kind: str, name: str) -> Path:
    """Return the path of something that comes with the kit.

    Parameters
    ----------
    kind : ``notebooks`` or ``data``
    name : name of the notebook's file or of the review's folder

    Returns
    -------
    Path, absolute

    Raises
    ------
    ReportError : it is in neither place, so the installation is not whole
    """
    places = [home / kind / name for home in (_PACKAGE, _PACKAGE.parent)]
    for place in places:
        if place.exists():
            return place
    problem = f"'{name}' is neither in {places[0].parent} nor in {places[1].parent}."
    raise ReportError(Fault(f"installation, {kind}", problem, "Install gpubench_kit again."))


#: First line of the cell in which papermill hands over what it was given.
_GIVEN = "# Parameters"


def check_parameters(history: Sequence[str] | None = None) -> None:
    """Stop a notebook that was given a parameter it does not have: a misspelt one would change nothing, silently.

    Parameters
    ----------
    history : cells run so far, as IPython keeps them in ``In``; papermill puts its cell behind the one that holds
        the notebook's own parameters. None: those of the notebook that calls; nothing is checked elsewhere

    Raises
    ------
    ReportError : papermill was given others; each is named, with the name that it is nearest to
    """
    if history is None:
        shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
        history = shell.user_ns.get("In", ()) if shell is not None else ()
    places = [place for place, cell in enumerate(history) if place and cell.lstrip().startswith(_GIVEN)]
    if not places:
        return
    names = assigned_names(history[places[-1] - 1])
    faults = [_unknown(name, names) for name in assigned_names(history[places[-1]]) if name not in names]
    if faults:
        raise ReportError(faults)


def assigned_names(source: str) -> list[str]:
    """Return the names that a cell sets, in order.

    Parameters
    ----------
    source : text of the cell
    """
    targets = [target for one in ast.parse(source).body if isinstance(one, ast.Assign) for target in one.targets]
    return [target.id for target in targets if isinstance(target, ast.Name)]


def _unknown(name: str, names: Sequence[str]) -> Fault:
    """Return the fault of a parameter that the notebook does not have."""
    near = get_close_matches(name, names, n=1)
    action = f"Did you mean '{near[0]}'?" if near else "Correct the name."
    return Fault("parameters", f"the notebook has no parameter '{name}' (parameters: {listed(names)}).", action)
