"""Reports below folders: found, read in every format that is understood, admitted or refused by name."""

from __future__ import annotations

import csv
import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
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
class Candidate:
    """A folder that looks like a report.

    Attributes
    ----------
    place : its path from the folder given, that folder's name in front; the same on every machine
    path : where it is
    """

    place: str
    path: Path


@dataclass(frozen=True)
class Found:
    """What there is below the folders given.

    Attributes
    ----------
    candidates : folders that look like reports, by place
    findings : what was skipped, and why
    n_folders, n_files : how much was looked at
    """

    candidates: tuple[Candidate, ...]
    findings: tuple[Finding, ...]
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
    faults = [_not_there(Path(one)) for one in folders if not Path(one).is_dir()]
    if faults:
        raise ReportError(faults)
    search = _Search(Path(but).resolve() if str(but) else None)
    for root, name in zip(folders, _names_of(folders), strict=True):
        search.look_through(Path(root), name)
    ordered = sorted(search.candidates.values(), key=lambda one: one.place)
    return Found(tuple(ordered), tuple(search.findings), search.n_folders, search.n_files)


def stamps_of(candidates: Iterable[Candidate]) -> dict[str, tuple[tuple[int, int], ...]]:
    """Return what shows that a report was made again or edited: size and time of its files, by its place.

    Parameters
    ----------
    candidates : folders that look like reports
    """
    stamps = {}
    for one in candidates:
        files = [one.path / MANIFEST, *sorted((one.path / TABLES).glob("*"))]
        about = [file.stat() for file in files if file.is_file()]
        stamps[one.place] = tuple((file.st_size, file.st_mtime_ns) for file in about)
    return stamps


class _Search:
    """Counts and collects while folders are looked through."""

    def __init__(self, but: Path | None):
        self._but = but
        self.candidates: dict[Path, Candidate] = {}
        self.findings: list[Finding] = []
        self.n_folders = self.n_files = 0

    def look_through(self, root: Path, name: str) -> None:
        """Look through one of the folders given."""
        waiting = [(root, name)]
        while waiting:
            path, place = waiting.pop()
            entries = self._entries(path, place)
            names = {entry.name for entry in entries}
            if MANIFEST in names or _is_half_written(path, names):
                self.candidates.setdefault(path.resolve(), Candidate(place, path))
                continue
            waiting += [(path / folder.name, f"{place}/{folder.name}") for folder in self._folders(entries, place)]

    def _entries(self, path: Path, place: str) -> list[os.DirEntry]:
        """Return what is in a folder, in the order of names; nothing where it cannot be opened."""
        try:
            with os.scandir(path) as entries:
                found = sorted(entries, key=lambda entry: entry.name)
        except OSError as error:
            told = f"{place}: this folder cannot be opened ({error.strerror}), so nothing in it was read."
            self.findings.append(Finding("note", "folder_not_readable", told, action="Allow reading, or move it."))
            return []
        self.n_folders += 1
        self.n_files += sum(1 for entry in found if not entry.is_dir(follow_symlinks=False))
        return found

    def _folders(self, entries: Iterable[os.DirEntry], place: str) -> Iterator[os.DirEntry]:
        """Yield the folders to look through next; links and reports in the making are told of."""
        for entry in (entry for entry in entries if entry.is_dir()):
            inside = f"{place}/{entry.name}"
            if entry.is_symlink():
                self.findings.append(_link(inside))
            elif (
                self._but is not None
                and self._but.is_relative_to(Path(entry.path).resolve())
                and (entry.name.endswith(_STAGING) or Path(entry.path).resolve() == self._but)
            ):
                continue
            elif entry.name.startswith(".") and entry.name.endswith(_STAGING):
                self.findings.append(_in_the_making(inside))
            else:
                yield entry


def _names_of(folders: Sequence[str | Path]) -> list[str]:
    """Return the name of each folder given; of several with one name, each further one has a number."""
    names = [Path(one).resolve().name for one in folders]
    before = [names[:place].count(name) for place, name in enumerate(names)]
    return [f"{name} ({count + 1})" if count else name for name, count in zip(names, before, strict=True)]


def _is_half_written(path: Path, names: set[str]) -> bool:
    """Return whether a folder has a report's page and tables but no manifest, which is written last."""
    return _PAGE in names and TABLES in names and (path / TABLES / DESCRIPTION).is_file()


def _not_there(path: Path) -> Fault:
    """Return the fault of a folder that is none."""
    problem = "it is a file, and a folder is expected." if path.is_file() else "there is no such folder."
    return Fault(str(path), problem, "Name folders that hold reports, for example reports.")


def _link(place: str) -> Finding:
    """Return the finding on a link to a folder."""
    told = f"{place}: this is a link to another folder, and links are not followed."
    return Finding("note", "link_not_followed", told, action="Name the folder itself if its reports should count.")


def _in_the_making(place: str) -> Finding:
    """Return the finding on what an unfinished command left behind."""
    told = f"{place}: a report in the making, or left by a command that was stopped; it was not read."
    return Finding("note", "half_written_report", told, action="Make the report again, or delete the folder.")


_TEXTS = ("date", "first_start", "last_start", "primary", "low_definition")
_LISTS = ("cards", "benches", "tunings", "games")


def current(manifest: Mapping[str, Any]) -> dict[str, Any]:
    """Return a manifest in the newest format.

    Parameters
    ----------
    manifest : as read, of any format that is read

    Returns
    -------
    dict with ``measured`` whole: what an older version does not say is empty; columns under the names of now

    Notes
    -----
    Version 1 does not say when and under which conditions was measured. The reference is then the tuning that most
    verdicts are against, and benches have their names only.
    """
    manifest = current_manifest(manifest)
    measured = manifest.get("measured")
    measured = dict(measured) if isinstance(measured, dict) else {}
    texts = {name: measured.get(name) if isinstance(measured.get(name), str) else "" for name in _TEXTS}
    lists = {name: _dicts(measured.get(name)) for name in _LISTS}
    if not lists["tunings"]:
        lists["tunings"] = _tunings_of(manifest)
    return {**manifest, "measured": {**texts, **lists}}


def _dicts(found: Any) -> list[dict[str, Any]]:
    """Return the entries of a list that are what they should be."""
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _tunings_of(manifest: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the tuning that most overall verdicts are against, as the reference."""
    rows = _dicts(manifest["verdicts"].get("overall"))
    against = [row["against_tuning"] for row in rows if isinstance(row.get("against_tuning"), str)]
    if not against:
        return []
    return [{"name": max(sorted(set(against)), key=against.count), "reference": True, "card": ""}]


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
    """Return the report in a folder, or why there is none; what never was a report is skipped in silence."""
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
