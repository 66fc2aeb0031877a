"""Report folders below given folders: found by their names alone, links not followed."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.findings import Finding

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
    findings : what was passed over, and why
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
