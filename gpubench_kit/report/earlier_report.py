"""A report that was made before: read from its manifest, after checking that it is whole."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.formats import FORMAT_VERSION, OLDEST_FORMAT, current_manifest
from gpubench_kit.model.verdicts import VERDICTS

MANIFEST = "manifest.json"

#: What a manifest says of the report before: it is no part of what the report itself holds.
PREVIOUS = "previous"

_PAGE, _DESCRIPTION = "index.html", "tables/datapackage.json"
_ACTION = "Name the folder of a report, as `report` wrote it."


class _Lax(BaseModel):
    """Part of a manifest; what else it holds is kept."""

    model_config = ConfigDict(extra="allow", strict=True)


class _Result(_Lax):
    """One result of a manifest, as far as it is compared with a later one."""

    of_card: str
    of_tuning: str
    of_bench: str
    against_card: str
    against_tuning: str
    against_bench: str
    metric: str
    verdict: Literal[*VERDICTS]  # type: ignore[valid-type]
    no_loss: bool | None = None
    reason: str | None = None
    change: float | None
    ci_low: float | None
    ci_high: float | None
    margin: float | None


class _OverGames(_Result):
    """One result over games."""

    group: str
    scope: str


class _InGame(_Result):
    """One result in a game."""

    game: str
    setting: str


class _Claim(_Lax):
    """One sentence of the script with its outcome."""

    id: str
    text: str
    verdict: str


class _Verdicts(_Lax):
    """All results of a manifest."""

    overall: list[_OverGames]
    games: list[_InGame]
    claims: list[_Claim] | None = None


class _Card(_Lax):
    """One card."""

    name: str


class _Measured(_Lax):
    """What was measured."""

    cards: list[_Card]


class _Corrections(_Lax):
    """What a manifest says of the reports before it."""

    fingerprint: str
    corrections: list[dict[str, Any]] = Field(default_factory=list)


class _Manifest(_Lax):
    """A manifest, as far as it is compared with a later one."""

    title: str
    plan_fingerprint: str
    looks_made: int
    inputs: dict[str, str]
    versions: dict[str, str]
    verdicts: _Verdicts
    measured: _Measured | None = None
    decisions: dict[str, Any] | None = None
    previous: _Corrections | None = None


@dataclass(frozen=True)
class EarlierReport:
    """A report that was made before.

    Attributes
    ----------
    written : what made it, and what it found: the manifest as it was written
    manifest : the same under the names that columns have now
    fingerprint : hash of the manifest as written, without what it says of the reports before it
    """

    written: Mapping[str, Any]

    @cached_property
    def manifest(self) -> Mapping[str, Any]:
        """What made it, and what it found, under the names of now."""
        return current_manifest(self.written)

    @property
    def fingerprint(self) -> str:
        """Hash of what the report holds."""
        return fingerprint_of(self.written)

    @property
    def corrections(self) -> list[dict[str, Any]]:
        """Rows of what was corrected up to this report, see ``changes.CHANGES``."""
        return list((self.manifest.get(PREVIOUS) or {}).get("corrections", ()))


def fingerprint_of(manifest: Mapping[str, Any]) -> str:
    """Return a hash of what a report holds: its manifest without what it says of the reports before it.

    Parameters
    ----------
    manifest : content of ``manifest.json``
    """
    own = {name: value for name, value in manifest.items() if name != PREVIOUS}
    return hashlib.sha256(json.dumps(own, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def read_earlier(report: str | Path) -> EarlierReport:
    """Return a report that was made before.

    Parameters
    ----------
    report : its folder

    Returns
    -------
    EarlierReport

    Raises
    ------
    ReportError : there is no report, it is not whole or damaged, or a newer version of the kit made it
    """
    folder = Path(report)
    where = f"previous report '{folder.name}'"
    manifest = _manifest_in(folder, where)
    made_with = manifest.get("format_version")
    if not isinstance(made_with, int) or isinstance(made_with, bool) or made_with < OLDEST_FORMAT:
        raise ReportError(Fault(where, f"its {MANIFEST} states no format version, so it is no report.", _ACTION))
    if made_with > FORMAT_VERSION:
        problem = f"a newer version of the kit made it (format {made_with}; this kit reads up to {FORMAT_VERSION})."
        raise ReportError(Fault(where, problem, "Update the kit."))
    try:
        _Manifest.model_validate(current_manifest(manifest))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(one) for one in first["loc"])
        problem = f"its {MANIFEST} is damaged ({place}: {first['msg'].lower()})."
        raise ReportError(Fault(where, problem, "Copy it again from where it was published.")) from None
    if lacking := lacking_in(folder):
        raise ReportError(
            Fault(where, f"it is not whole: {lacking}.", "Copy it again from where it was published.")
        )
    return EarlierReport(manifest)


def lacking_in(report: Path) -> str:
    """Return the first thing that a report lacks or that is not as it was made; empty for a whole report.

    Parameters
    ----------
    report : its folder
    """
    try:
        if not (report / _PAGE).read_bytes().rstrip().endswith(b"</html>"):
            return f"'{_PAGE}' is cut off"
        resources = json.loads((report / _DESCRIPTION).read_text(encoding="utf-8"))["resources"]
        changed = (one["path"] for one in resources if not _is_as_described(report / "tables", one))
        first = next(changed, "")
        return f"'tables/{first}' is not as it was made" if first else ""
    except OSError as error:
        return f"'{Path(error.filename or '').name}' cannot be read ({error.strerror})"
    except (ValueError, KeyError, TypeError):
        return f"'{_DESCRIPTION}' is damaged"


def _is_as_described(tables: Path, resource: Mapping[str, Any]) -> bool:
    """Return whether a table holds the bytes that its description states."""
    digest = hashlib.sha256((tables / resource["path"]).read_bytes()).hexdigest()
    return resource["hash"] == f"sha256:{digest}"


def _manifest_in(folder: Path, where: str) -> dict[str, Any]:
    """Return the manifest in a folder."""
    if not folder.is_dir():
        raise ReportError(Fault(where, f"there is no such folder ({folder}).", _ACTION))
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ReportError(Fault(where, f"it holds no {MANIFEST}, so it is no report.", _ACTION)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is cut off or no JSON"
        raise ReportError(Fault(where, f"its {MANIFEST} cannot be read ({reason}).", _ACTION)) from error
    if not isinstance(manifest, dict):
        raise ReportError(Fault(where, f"its {MANIFEST} holds no table of values.", _ACTION))
    return manifest
