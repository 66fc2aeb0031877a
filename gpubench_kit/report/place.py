"""Where a report goes: it is made in a folder beside its place and moved there in one step when it is whole."""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Collection
from pathlib import Path
from types import TracebackType
from typing import Any
from uuid import uuid4

from gpubench_kit.archive.admit import ARCHIVE, KIND
from gpubench_kit.model.errors import Fault, ReportError

_MANIFEST = "manifest.json"
#: The folder in which one run makes a report.
_STAGED = re.compile(r"\.(.+)\.[0-9a-f]{8}\.new\.part", re.DOTALL)

#: What other commands put beside a report: a new report keeps it, and nothing else may stand where a report goes.
BESIDE = ("check.html", "check", "plan.html", "run_sheet.html", "tuning.html", "tuning")


class ReportPlace:
    """A folder for a report that is whole or not there at all.

    Entering gives an empty folder beside the target. `finish` moves it to the target; leaving without
    that removes it, and an earlier report is as it was. What a killed run left behind is cleaned up
    by the next. Each run has a folder of its own name, so that one whose machine was given up, but which
    goes on all the same, never writes into the folder of the run that took its place.

    Attributes
    ----------
    target : folder of the report, absolute
    is_archive : whether an archive of many reports is made, which never takes the place of a review's report
    """

    def __init__(self, target: str | Path, review_folder: str | Path, *, is_archive: bool = False):
        self.target = Path(target).absolute()
        self.is_archive = is_archive
        self._review = Path(review_folder).resolve()
        self._staging = self.target.with_name(f".{self.target.name}.{uuid4().hex[:8]}.new.part")
        self._earlier = self.target.with_name(f".{self.target.name}.old.part")

    def __enter__(self) -> Path:
        """Return the empty folder to write into.

        Raises
        ------
        ReportError : the report would overwrite something else, or nothing can be written there
        """
        try:
            self.target.parent.mkdir(parents=True, exist_ok=True)
            self.clean_up()
            check_target(self.target, self._review, is_archive=self.is_archive)
            self._staging.mkdir()
            (self._staging / "notebooks").mkdir()
        except OSError as error:
            raise self._unwritable(error) from error
        return self._staging

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Remove what is not whole."""
        shutil.rmtree(self._staging, ignore_errors=True)
        if isinstance(error, OSError) and self._is_own(error):
            raise self._unwritable(error) from error

    def finish(self) -> None:
        """Move the report to its place, in the stead of an earlier one.

        Raises
        ------
        ReportError : the earlier report cannot be moved out of the way
        """
        try:
            self._keep_pages_beside()
            if self.target.exists():
                os.replace(self.target, self._earlier)
            os.replace(self._staging, self.target)
        except OSError as error:
            if not self.target.exists() and self._earlier.exists():
                os.replace(self._earlier, self.target)
            raise self._unwritable(error) from error
        shutil.rmtree(self._earlier, ignore_errors=True)

    def clean_up(self) -> None:
        """Put back, or remove, what a killed run left behind."""
        if not self.target.parent.is_dir():
            return
        if self._earlier.exists() and not self.target.exists():
            os.replace(self._earlier, self.target)
        if self._earlier.exists():
            shutil.rmtree(self._earlier)
        remove_unfinished(self.target.parent, {self.target.name})

    def _keep_pages_beside(self) -> None:
        """Copy what other commands put beside the earlier report."""
        for path in (self.target / name for name in BESIDE):
            if path.is_dir():
                shutil.copytree(path, self._staging / path.name)
            elif path.exists():
                shutil.copy2(path, self._staging / path.name)

    def _is_own(self, error: OSError) -> bool:
        """Return whether an error concerns the folder that is written."""
        return str(self._staging) in str(error.filename or "")

    def _unwritable(self, error: OSError) -> ReportError:
        """Return the error of a folder that cannot be written."""
        return unwritable(self.target, error)


def remove_unfinished(folder: Path, names: Collection[str]) -> None:
    """Remove what runs that were killed or given up made of some reports.

    Parameters
    ----------
    folder : folder around those of the reports
    names : names of the reports' folders
    """
    for path in folder.iterdir() if folder.is_dir() else ():
        found = _STAGED.fullmatch(path.name)
        if found and found[1] in names:
            # A process that is only just ending may still write there; the next run finds what is left.
            shutil.rmtree(path, ignore_errors=True)


def check_target(target: Path, review_folder: Path, *, is_archive: bool = False) -> None:
    """Refuse a folder that holds anything but what commands of the kit put there.

    Parameters
    ----------
    target : folder of the report
    review_folder : folder of the review, which must stay as it is
    is_archive : whether an archive is put there, and not what belongs to the report of one review

    Raises
    ------
    ReportError : the target is the review, or would replace something else
    """
    action, place = "Name another with --output.", target.resolve()
    problem = ""
    if place == review_folder or place in review_folder.parents:
        made_of = "the archive would stand in place of the reports that it is made of."
        problem = made_of if is_archive else "the report would stand in place of the review itself."
    elif target.is_file():
        problem = "a file of this name stands where the folder of the report would be."
    elif target.is_dir():
        problem = _problem_inside(target, is_archive=is_archive)
    if problem:
        raise ReportError(Fault(f"output folder '{target.name}'", problem, action))


def _problem_inside(target: Path, *, is_archive: bool) -> str:
    """Return why what is in a folder must stay; nothing where it may be replaced."""
    manifest = _manifest_in(target)
    if "format_version" not in manifest:
        others = any(one.name not in BESIDE for one in target.iterdir())
        return "it is not empty and holds no report of this kit, so nothing in it is replaced." if others else ""
    holds_archive = manifest.get(KIND) == ARCHIVE
    if holds_archive and not is_archive:
        return "it holds an archive of many reports, which what is made of one review must not replace."
    if is_archive and not holds_archive:
        return "it holds the report of a review, which the archive would replace."
    return ""


def unwritable(target: Path, error: OSError) -> ReportError:
    """Return the error of a folder that cannot be written.

    Parameters
    ----------
    target : folder of the report
    error : what was met
    """
    problem = f"it cannot be written in '{target.parent}' ({error.strerror or error})."
    action = "Free space, close programs that show the earlier report, or name another folder with --output."
    return ReportError(Fault(f"output folder '{target.name}'", problem, action))


def _manifest_in(folder: Path) -> dict[str, Any]:
    """Return the manifest in a folder; an empty one where there is none."""
    try:
        found = json.loads((folder / _MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
