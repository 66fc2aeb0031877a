"""Where the notebooks and the bundled reviews stand: beside the package in a checkout, inside it when installed."""

from __future__ import annotations

from pathlib import Path

from gpubench_kit.model.errors import Fault, ReportError

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
