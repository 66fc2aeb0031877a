"""Reports below folders: found, read in every format that is understood, admitted or refused by name."""

from __future__ import annotations

import csv
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.formats import FORMAT_VERSION, OLDEST_FORMAT, current_columns, current_manifest
from gpubench_kit.model.tables import PAIR_KEY

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
    faults: list[Fault] = []
    names: list[str] = []
    waiting: list[tuple[Path, str]] = []
    for root in map(Path, folders):
        if not root.is_dir():
            problem = "it is a file, and a folder is expected." if root.is_file() else "there is no such folder."
            faults.append(Fault(str(root), problem, "Name folders that hold reports, for example reports."))
        name = root.resolve().name
        earlier = names.count(name)
        names.append(name)
        waiting.insert(0, (root, f"{name} ({earlier + 1})" if earlier else name))
    if faults:
        raise ReportError(faults)
    target = Path(but).resolve() if str(but) else None
    seen: set[Path] = set()
    candidates: list[tuple[str, Path]] = []
    findings: list[Finding] = []
    n_folders = n_files = 0
    while waiting:
        path, place = waiting.pop()
        try:
            with os.scandir(path) as opened:
                entries = sorted(opened, key=lambda entry: entry.name)
        except OSError as error:
            told = f"{place}: this folder cannot be opened ({error.strerror}), so nothing in it was read."
            findings.append(Finding("note", "folder_not_readable", told, action="Allow reading, or move it."))
            continue
        n_folders += 1
        n_files += sum(1 for entry in entries if not entry.is_dir(follow_symlinks=False))
        if not _looks_like_a_report(path, {entry.name for entry in entries}):
            inner = [(Path(entry.path), f"{place}/{entry.name}") for entry in entries if entry.is_dir()]
            inner = [(folder, inside) for folder, inside in inner if not _is_target(folder, target)]
            passed_over = {folder: _passed_over(folder, inside) for folder, inside in inner}
            findings += filter(None, passed_over.values())
            waiting += [(folder, inside) for folder, inside in inner if not passed_over[folder]]
        elif path.resolve() not in seen:
            seen.add(path.resolve())
            candidates.append((place, path))
    return Found(sorted(candidates, key=lambda one: one[0]), findings, n_folders, n_files)


def _looks_like_a_report(path: Path, names: set[str]) -> bool:
    """Return whether a folder has a manifest, or a report's page and tables without it: it is written last."""
    is_half_written = _PAGE in names and TABLES in names and (path / TABLES / DESCRIPTION).is_file()
    return MANIFEST in names or is_half_written


def _is_target(folder: Path, target: Path | None) -> bool:
    """Return whether a folder is where the archive goes, or what that lies in while it is made."""
    if target is None or folder.is_symlink() or not target.is_relative_to(folder.resolve()):
        return False
    return folder.name.endswith(_STAGING) or folder.resolve() == target


def _passed_over(folder: Path, place: str) -> Finding | None:
    """Return why a folder is not looked through; None where it is."""
    if folder.is_symlink():
        told = f"{place}: this is a link to another folder, and links are not followed."
        action = "Name the folder itself if its reports should count."
        return Finding("note", "link_not_followed", told, action=action)
    if folder.name.startswith(".") and folder.name.endswith(_STAGING):
        told = f"{place}: a report in the making, or left by a command that was stopped; it was not read."
        return Finding("note", "half_written_report", told, action="Make the report again, or delete the folder.")
    return None


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

_REPORT_AGAIN = "Make the report again with `gpubench-kit report`."


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
    """A folder that is no report which can be read: sentence, check and what to do; without a check, in silence."""

    def __init__(self, told: str, check: str = "half_written_report", action: str = _REPORT_AGAIN):
        super().__init__(told)
        self.told, self.check, self.action = told, check, action


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
    places: dict[str, list[str]] = {}
    for place, path in candidates:
        try:
            report = _report_of(path, place)
        except _Refused as refused:
            told = f"{place}: {refused.told}"
            findings += [Finding("exclude", refused.check, told, action=refused.action)] if refused.check else []
            continue
        if report.review in reports:
            told = f"{place}: it is the same report as {reports[report.review].place}, so it counts once."
            findings.append(Finding("exclude", "same_report_twice", told))
        else:
            reports[report.review] = report
            places.setdefault(report.title, []).append(place)
    for title, several in places.items():
        if len(several) > 1:
            told = f"{len(several)} reviews are called “{title}”; they are told apart by their folders: "
            findings.append(Finding("note", "same_title", f"{told}{', '.join(several)}."))
    return list(reports.values()), findings


def _report_of(path: Path, place: str) -> Report:
    """Return the report in a folder; what is none that can be read is refused."""
    file = path / MANIFEST
    if not file.exists() and not file.is_symlink():
        raise _Refused("it has tables but no manifest, which is written last.")
    text = _bytes_of(file, folder=path)
    try:
        manifest = json.loads(text)
    except (ValueError, RecursionError) as error:
        # What holds no tables was never a report: pages and programs of all kinds call a file so.
        check = "half_written_report" if (path / TABLES).is_dir() else ""
        raise _Refused("its manifest is not whole: it is no JSON.", check) from error
    if not isinstance(manifest, dict) or "format_version" not in manifest or manifest.get(KIND) == ARCHIVE:
        raise _Refused("it is no report.", "")
    version = manifest["format_version"]
    known = f"this kit reads {OLDEST_FORMAT} to {FORMAT_VERSION}"
    if not isinstance(version, int) or isinstance(version, bool):
        raise _Refused(f"its format version is {version!r}, which is no number.", "format_version")
    if version > FORMAT_VERSION:
        told = f"it was made by a newer kit (format version {version}; {known})."
        raise _Refused(told, "format_version", "Update the kit.")
    if version < OLDEST_FORMAT:
        raise _Refused(f"its format version {version} is too old ({known}).", "format_version")
    if not isinstance(manifest.get("title"), str) or not isinstance(manifest.get("verdicts"), dict):
        raise _Refused("its manifest lacks the title or the verdicts.")
    description = _bytes_of(path / TABLES / DESCRIPTION, folder=path)
    try:
        resources = json.loads(description)["resources"]
        hashes = {str(one["path"]): str(one["hash"]).removeprefix("sha256:") for one in resources}
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise _Refused("the description of its tables is not whole.") from error
    heads = {name: _head_of(path, name, hashes) for name in TABLES_READ}
    review = hashlib.sha256(text + b"\0" + description).hexdigest()[:12]
    return Report(review, place, path, manifest["title"], measured_in(manifest), version, heads)


def _head_of(folder: Path, name: str, hashes: Mapping[str, str]) -> tuple[str, ...]:
    """Return the columns of a table; a report that lacks it, or whose table was changed, is refused."""
    path = folder / TABLES / f"{name}.csv"
    if not path.exists():
        raise _Refused(f"its table {path.name} is missing.")
    content = _bytes_of(path, folder=folder)
    if hashlib.sha256(content).hexdigest() != hashes.get(path.name):
        raise _Refused(f"its table {path.name} is not the one that the report was made with.", "table_changed")
    head = next(csv.reader([content.split(b"\n", 1)[0].decode("utf-8", errors="replace")]), [])
    current = current_columns(head)
    missing = [column for column in COLUMNS_ASKED[name] if column not in current]
    if missing:
        raise _Refused(f"its table {path.name} lacks the column '{missing[0]}'.", "table_changed")
    return current


def _bytes_of(path: Path, *, folder: Path) -> bytes:
    """Return the bytes of a file of a report; a link out of the report's folder is refused."""
    if not path.resolve().is_relative_to(folder.resolve()):
        told = f"{path.name} is a link out of the folder, which is not followed."
        raise _Refused(told, "link_not_followed", "Put the file itself there.")
    try:
        if path.stat().st_size > _LARGEST_MANIFEST:
            raise _Refused(f"{path.name} is far larger than any report's.")
        return path.read_bytes()
    except OSError as error:
        raise _Refused(f"{path.name} cannot be read ({error.strerror}).") from error


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
