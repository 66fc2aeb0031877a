"""Which of the folders found are whole reports of a version that is understood; the others are refused by name."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gpubench_kit.archive.find import DESCRIPTION, MANIFEST, TABLES, Candidate
from gpubench_kit.archive.versions import current
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.formats import FORMAT_VERSION, OLDEST_FORMAT, current_columns
from gpubench_kit.model.tables import PAIR_KEY

#: What a file that is an archive, and no report, says of itself.
KIND, ARCHIVE = "kind", "archive"

#: Tables of a report that an archive is made of, with the columns that it asks: a report made before the kit knew
#: of another is read without. Findings of single runs stay with their report.
COLUMNS_ASKED = {
    "runs": ("run", "card", "bench", "tuning", "game", "setting", "purpose", "session", "round", "used",
             "frame_log_sha256"),
    "run_metrics": ("run", "metric", "value", "definition", "step"),
    "comparisons": (*PAIR_KEY, "game", "setting", "metric", "change", "n", "n_against", "margin", "verdict",
                    "reason"),
    "overall": (*PAIR_KEY, "group", "scope", "metric", "scale", "unit", "n_games", "change", "ci_low", "ci_high",
                "df", "p_difference", "p_difference_adjusted", "p_equivalence_adjusted", "margin", "verdict",
                "reason"),
    "claims": ("id", "metric", "of", "against", "over", "verdict"),
}  # fmt: skip
TABLES_READ = tuple(COLUMNS_ASKED)

#: A manifest lists verdicts and hashes; anything much larger is something else.
_LARGEST_MANIFEST = 200_000_000

_REPORT_AGAIN = "Make the report again with `gpubench-kit report`."


@dataclass(frozen=True)
class Report:
    """A report that can be read.

    Attributes
    ----------
    review : short name of its content: the first digits of a hash over manifest and description of tables
    place : as in `Candidate`
    path : its folder
    manifest : what made it, in the newest format
    version : format version that it was written in
    heads : columns of each table's file, in their order, under the names of now
    """

    review: str
    place: str
    path: Path
    manifest: Mapping[str, Any]
    version: int
    heads: Mapping[str, tuple[str, ...]]

    def table_file(self, name: str) -> Path:
        """Return the file of one of its tables."""
        return self.path / TABLES / f"{name}.csv"


class _Refused(Exception):
    """A folder that is no report which can be read: check, sentence and what to do."""


def admit(candidates: Iterable[Candidate]) -> tuple[list[Report], list[Finding]]:
    """Return the reports that can be read, and a finding for each folder that cannot.

    Parameters
    ----------
    candidates : folders that look like reports

    Returns
    -------
    list of Report, in the order given, each content once; list of Finding
    """
    reports: dict[str, Report] = {}
    findings: list[Finding] = []
    for candidate in candidates:
        report, told = _tried(candidate)
        findings += told
        if report is not None and reports.setdefault(report.review, report) is not report:
            findings.append(_copy(reports[report.review], report))
    return list(reports.values()), [*findings, *_same_names(list(reports.values()))]


def _tried(candidate: Candidate) -> tuple[Report | None, list[Finding]]:
    """Return the report in a folder, or why there is none; what never was a report is passed over in silence."""
    try:
        return _report_of(candidate), []
    except _Refused as refused:
        check, told, action = refused.args
        finding = Finding("exclude", check, f"{candidate.place}: {told}", action=action)
        return None, [finding] if check else []


def _report_of(candidate: Candidate) -> Report:
    """Return the report in a folder.

    Raises
    ------
    _Refused : it is none that can be read
    """
    manifest_text, manifest = _manifest_of(candidate)
    version = manifest["format_version"]
    description_text = _bytes_of(_own(candidate, candidate.path / TABLES / DESCRIPTION))
    hashes = _hashes_in(description_text)
    heads = {name: _head_of(candidate, name, hashes) for name in TABLES_READ}
    review = hashlib.sha256(manifest_text + b"\0" + description_text).hexdigest()[:12]
    return Report(review, candidate.place, candidate.path, current(manifest), version, heads)


def _manifest_of(candidate: Candidate) -> tuple[bytes, dict[str, Any]]:
    """Return a manifest as bytes and as content, its version checked."""
    path = candidate.path / MANIFEST
    if not path.exists() and not path.is_symlink():
        raise _Refused(
            "half_written_report", "it has tables but no manifest, which is written last.", _REPORT_AGAIN
        )
    text = _bytes_of(_own(candidate, path))
    try:
        manifest = json.loads(text)
    except (ValueError, RecursionError) as error:
        # What holds no tables was never a report: pages and programs of all kinds call a file so.
        check = "half_written_report" if (candidate.path / TABLES).is_dir() else ""
        raise _Refused(check, "its manifest is not whole: it is no JSON.", _REPORT_AGAIN) from error
    if not isinstance(manifest, dict) or "format_version" not in manifest or manifest.get(KIND) == ARCHIVE:
        raise _Refused("", "it is no report.", "")
    _check_version(manifest["format_version"])
    if not isinstance(manifest.get("title"), str) or not isinstance(manifest.get("verdicts"), dict):
        raise _Refused("half_written_report", "its manifest lacks the title or the verdicts.", _REPORT_AGAIN)
    return text, manifest


def _check_version(version: Any) -> None:
    """Refuse a format version that is not understood."""
    if not isinstance(version, int) or isinstance(version, bool):
        raise _Refused("format_version", f"its format version is {version!r}, which is no number.", _REPORT_AGAIN)
    known = f"this kit reads {OLDEST_FORMAT} to {FORMAT_VERSION}"
    if version > FORMAT_VERSION:
        told = f"it was made by a newer kit (format version {version}; {known})."
        raise _Refused("format_version", told, "Update the kit.")
    if version < OLDEST_FORMAT:
        told = f"its format version {version} is too old ({known})."
        raise _Refused("format_version", told, _REPORT_AGAIN)


def _hashes_in(description: bytes) -> dict[str, str]:
    """Return the hash of each table's file as the description states it."""
    try:
        resources = json.loads(description)["resources"]
        return {str(one["path"]): str(one["hash"]).removeprefix("sha256:") for one in resources}
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        told = "the description of its tables is not whole."
        raise _Refused("half_written_report", told, _REPORT_AGAIN) from error


def _head_of(candidate: Candidate, name: str, hashes: Mapping[str, str]) -> tuple[str, ...]:
    """Return the columns of a table; a report that lacks it, or whose table was changed, is refused."""
    path = candidate.path / TABLES / f"{name}.csv"
    if not path.exists():
        raise _Refused("half_written_report", f"its table {path.name} is missing.", _REPORT_AGAIN)
    content = _bytes_of(_own(candidate, path))
    if hashlib.sha256(content).hexdigest() != hashes.get(path.name):
        told = f"its table {path.name} is not the one that the report was made with."
        raise _Refused("table_changed", told, _REPORT_AGAIN)
    head = next(csv.reader([content.split(b"\n", 1)[0].decode("utf-8", errors="replace")]), [])
    current = current_columns(head)
    missing = [column for column in COLUMNS_ASKED[name] if column not in current]
    if missing:
        told = f"its table {path.name} lacks the column '{missing[0]}'."
        raise _Refused("table_changed", told, _REPORT_AGAIN)
    return current


def _own(candidate: Candidate, path: Path) -> Path:
    """Return a path of the report; one that is a link out of its folder is refused."""
    if not path.resolve().is_relative_to(candidate.path.resolve()):
        told = f"{path.name} is a link out of the folder, which is not followed."
        raise _Refused("link_not_followed", told, "Put the file itself there.")
    return path


def _bytes_of(path: Path) -> bytes:
    """Return a file's bytes."""
    try:
        if path.stat().st_size > _LARGEST_MANIFEST:
            raise _Refused("half_written_report", f"{path.name} is far larger than any report's.", _REPORT_AGAIN)
        return path.read_bytes()
    except OSError as error:
        told = f"{path.name} cannot be read ({error.strerror})."
        raise _Refused("half_written_report", told, _REPORT_AGAIN) from error


def _copy(earlier: Report, report: Report) -> Finding:
    """Return the finding on a report that is there twice."""
    told = f"{report.place}: it is the same report as {earlier.place}, so it counts once."
    return Finding("exclude", "same_report_twice", told)


def _same_names(reports: list[Report]) -> Iterable[Finding]:
    """Yield a finding for each title that several reports have."""
    places: dict[str, list[str]] = {}
    for report in reports:
        places.setdefault(report.manifest["title"], []).append(report.place)
    for title, several in places.items():
        if len(several) > 1:
            told = f"{len(several)} reviews are called “{title}”; they are told apart by their folders: "
            yield Finding("note", "same_title", f"{told}{', '.join(several)}.")
