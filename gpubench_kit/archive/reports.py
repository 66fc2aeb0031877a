"""Reports below folders: found, read in every format that is understood, admitted or refused by name."""

from __future__ import annotations

import csv
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.formats import FORMAT_VERSION, OLDEST_FORMAT, current_columns, current_manifest
from gpubench_kit.model.tables import PAIR_KEY, Finding
from gpubench_kit.wording.notes import note

MANIFEST, TABLES, DESCRIPTION = "manifest.json", "tables", "datapackage.json"
_PAGE = "index.html"

#: What a report is made in, until it is whole.
_STAGING = ".part"


@dataclass(frozen=True)
class Found:
    """What there is below the folders given.

    Attributes
    ----------
    candidates : folders that look like reports, by place: the path from the folder given, that folder's name in
        front, which is the same on every machine; and where they are
    findings : what was skipped, and why
    n_folders, n_files : how much was looked at
    """

    candidates: Sequence[tuple[str, Path]]
    findings: Sequence[Finding]
    n_folders: int
    n_files: int


def find_reports(folders: Sequence[str | Path], *, but: str | Path = "") -> Found:
    """Return every folder below those given that looks like a report.

    Parameters
    ----------
    folders : folders to look through; a report folder itself is one too
    but : folder that is not looked at, nor what it lies in where that is in the making: where the archive goes

    Returns
    -------
    Found

    Raises
    ------
    ReportError : a folder given is not there, or is a file

    Notes
    -----
    Only names are looked at, so a folder of many thousand other files costs little. What lies inside a report is
    not looked through, and no link is followed.
    """
    roots = [Path(one) for one in folders]
    faults = []
    for root in (one for one in roots if not one.is_dir()):
        problem = "it is a file, and a folder is expected." if root.is_file() else "there is no such folder."
        faults.append(Fault(str(root), problem, "Name folders that hold reports, for example reports."))
    if faults:
        raise ReportError(faults)
    names = [root.resolve().name for root in roots]
    tops = [
        f"{name} ({earlier + 1})" if (earlier := names[:number].count(name)) else name
        for number, name in enumerate(names)
    ]
    target = Path(but).resolve() if str(but) else None
    parts = [_below(root, top, target) for root, top in zip(roots, tops, strict=True)]
    once: dict[Path, tuple[str, Path]] = {}
    for place, path in (one for part in parts for one in part.candidates):
        once.setdefault(path.resolve(), (place, path))
    candidates = sorted(once.values(), key=lambda one: one[0])
    findings = [finding for part in parts for finding in part.findings]
    return Found(candidates, findings, sum(one.n_folders for one in parts), sum(one.n_files for one in parts))


def _below(root: Path, top: str, target: Path | None) -> Found:
    """Return what there is below one folder, which is called ``top`` in places."""
    candidates: list[tuple[str, Path]] = []
    findings: list[Finding] = []
    errors: list[OSError] = []
    n_folders = n_files = 0
    for folder, inner, files in os.walk(root, onerror=errors.append):
        path = Path(folder)
        place = "/".join((top, *path.relative_to(root).parts))
        n_folders, n_files = n_folders + 1, n_files + len(files)
        has_tables = _PAGE in files and TABLES in inner and (path / TABLES / DESCRIPTION).is_file()
        # A page and tables without a manifest are a report, too: it is written last.
        if MANIFEST in files or has_tables:
            candidates.append((place, path))
            inner.clear()
        skipped = {one: _skipped(path / one, target) for one in sorted(inner)}
        inner[:] = [one for one, key in skipped.items() if not key]
        findings += [
            note(f"archive.found.{key}", check=_CHECK_OF[key], place=f"{place}/{one}")
            for one, key in skipped.items()
            if key in _CHECK_OF
        ]
    for error in errors:
        place = "/".join((top, *Path(error.filename).relative_to(root).parts))
        findings.append(note("archive.found.folder_not_readable", place=place, why=error.strerror))
    return Found(candidates, findings, n_folders, n_files)


#: What is said of a folder that is not looked through -> the check.
_CHECK_OF = {"link_not_followed": "link_not_followed", "in_the_making": "half_written_report"}


def _skipped(folder: Path, target: Path | None) -> str:
    """Return why a folder is not looked through: the key of a finding, or ``target``; empty where it is."""
    if folder.is_symlink():
        return "link_not_followed"
    is_staging = folder.name.endswith(_STAGING)
    if target and target.is_relative_to(folder.resolve()) and (is_staging or folder.resolve() == target):
        return "target"
    return "in_the_making" if is_staging and folder.name.startswith(".") else ""


def stamps_of(candidates: Sequence[tuple[str, Path]]) -> dict[str, tuple[tuple[int, int], ...]]:
    """Return what shows that a report was made again or edited: size and time of its files, by its place.

    Parameters
    ----------
    candidates : places and folders that look like reports
    """
    stamps = {}
    for place, path in candidates:
        files = [path / MANIFEST, *sorted((path / TABLES).glob("*"))]
        about = [file.stat() for file in files if file.is_file()]
        stamps[place] = tuple((file.st_size, file.st_mtime_ns) for file in about)
    return stamps


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


@dataclass(frozen=True)
class Report:
    """A report that can be read.

    Attributes
    ----------
    review : short name of its content: the first digits of a hash over manifest and description of tables
    place : as in `Found`
    path : its folder
    title : title of the review
    measured : when and under which conditions was measured, see `measured_in`
    version : format version that it was written in
    heads : columns of each table's file, in their order, under the names of now
    """

    review: str
    place: str
    path: Path
    title: str
    measured: Mapping[str, Any]
    version: int
    heads: Mapping[str, tuple[str, ...]]

    def table_file(self, name: str) -> Path:
        """Return the file of one of its tables."""
        return self.path / TABLES / f"{name}.csv"


class _Refused(Exception):
    """A folder that is no report to be read: key, check and values of the sentence; silent without a key."""

    def __init__(self, key: str = "", values: Mapping[str, Any] | None = None, check: str = "half_written_report"):
        super().__init__(key)
        self.key, self.check, self.values = key, check, values or {}


def admit(candidates: Sequence[tuple[str, Path]]) -> tuple[list[Report], list[Finding]]:
    """Return the reports that can be read, and a finding for each folder that cannot.

    Parameters
    ----------
    candidates : places and folders that look like reports

    Returns
    -------
    list of Report, in the order given, each content once; list of Finding
    """
    reports: dict[str, Report] = {}
    findings: list[Finding] = []
    for place, path in candidates:
        try:
            report = _report_of(path, place)
        except _Refused as refused:
            if refused.key:
                found = note(f"archive.found.{refused.key}", check=refused.check, place=place, **refused.values)
                findings.append(replace(found, severity="exclude"))
            continue
        first = reports.setdefault(report.review, report)
        if first is not report:
            found = note("archive.found.same_report_twice", place=place, first=first.place)
            findings.append(replace(found, severity="exclude"))
    titles = [one.title for one in reports.values()]
    for title in dict.fromkeys(one for one in titles if titles.count(one) > 1):
        places = ", ".join(one.place for one in reports.values() if one.title == title)
        several = titles.count(title)
        findings.append(note("archive.found.same_title", several=several, title=title, places=places))
    return list(reports.values()), findings


def _report_of(path: Path, place: str) -> Report:
    """Return the report in a folder; what is none that can be read is refused."""
    file = path / MANIFEST
    if not file.exists() and not file.is_symlink():
        raise _Refused("no_manifest")
    text = _bytes_of(file, folder=path)
    try:
        manifest = json.loads(text)
    except (ValueError, RecursionError) as error:
        # What holds no tables was never a report: pages and programs of all kinds call a file so.
        raise _Refused("manifest_cut" if (path / TABLES).is_dir() else "") from error
    if not isinstance(manifest, dict) or "format_version" not in manifest or manifest.get(KIND) == ARCHIVE:
        raise _Refused
    version = manifest["format_version"]
    if not isinstance(version, int) or isinstance(version, bool):
        raise _Refused("version_no_number", {"version": repr(version)}, "format_version")
    if not OLDEST_FORMAT <= version <= FORMAT_VERSION:
        key = "version_newer" if version > FORMAT_VERSION else "version_too_old"
        known = {"version": version, "oldest": OLDEST_FORMAT, "newest": FORMAT_VERSION}
        raise _Refused(key, known, "format_version")
    if not isinstance(manifest.get("title"), str) or not isinstance(manifest.get("verdicts"), dict):
        raise _Refused("manifest_lacks")
    description = _bytes_of(path / TABLES / DESCRIPTION, folder=path)
    try:
        resources = json.loads(description)["resources"]
        hashes = {str(one["path"]): str(one["hash"]).removeprefix("sha256:") for one in resources}
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise _Refused("description_cut") from error
    heads = {name: _head_of(path, name, hashes) for name in TABLES_READ}
    review = hashlib.sha256(text + b"\0" + description).hexdigest()[:12]
    return Report(review, place, path, manifest["title"], measured_in(manifest), version, heads)


def _head_of(folder: Path, name: str, hashes: Mapping[str, str]) -> tuple[str, ...]:
    """Return the columns of a table; a report that lacks it, or whose table was changed, is refused."""
    path = folder / TABLES / f"{name}.csv"
    if not path.exists():
        raise _Refused("table_missing", {"file": path.name})
    content = _bytes_of(path, folder=folder)
    if hashlib.sha256(content).hexdigest() != hashes.get(path.name):
        raise _Refused("table_changed", {"file": path.name}, "table_changed")
    head = next(csv.reader([content.split(b"\n", 1)[0].decode("utf-8", errors="replace")]), [])
    current = current_columns(head)
    missing = [column for column in COLUMNS_ASKED[name] if column not in current]
    if missing:
        raise _Refused("column_missing", {"file": path.name, "column": missing[0]}, "table_changed")
    return current


def _bytes_of(path: Path, *, folder: Path) -> bytes:
    """Return the bytes of a file of a report; a link out of the report's folder is refused."""
    if not path.resolve().is_relative_to(folder.resolve()):
        raise _Refused("link_out", {"file": path.name}, "link_not_followed")
    try:
        if path.stat().st_size > _LARGEST_MANIFEST:
            raise _Refused("file_too_large", {"file": path.name})
        return path.read_bytes()
    except OSError as error:
        raise _Refused("file_not_readable", {"file": path.name, "why": error.strerror}) from error


def measured_in(manifest: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a manifest says of when and under which conditions was measured, whole and in the newest format.

    Parameters
    ----------
    manifest : as read, of any format that is read; what an older version does not say is empty

    Notes
    -----
    Version 1 does not say when and under which conditions was measured. The reference is then the tuning that most
    verdicts are against, and benches have their names only.
    """
    manifest = current_manifest(manifest)
    found = manifest.get("measured")
    found = found if isinstance(found, dict) else {}
    texts = ("date", "first_start", "last_start", "primary", "low_definition")
    measured = {name: found.get(name) if isinstance(found.get(name), str) else "" for name in texts}
    measured |= {name: _dicts(found.get(name)) for name in ("cards", "benches", "tunings", "games")}
    rows = _dicts(manifest["verdicts"].get("overall"))
    against = [row["against_tuning"] for row in rows if isinstance(row.get("against_tuning"), str)]
    if against and not measured["tunings"]:
        reference = max(sorted(set(against)), key=against.count)
        measured["tunings"] = [{"name": reference, "reference": True, "card": ""}]
    return measured


def _dicts(found: Any) -> list[dict[str, Any]]:
    """Return the entries of a list that are what they should be."""
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []
