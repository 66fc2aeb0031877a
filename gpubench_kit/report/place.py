"""Where a report goes: it is made in a folder beside its place and moved there in one step when it is whole."""

from __future__ import annotations

import ctypes
import json
import os
import re
import shutil
import sys
from collections.abc import Collection
from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType
from uuid import uuid4

from gpubench_kit.archive.reports import ARCHIVE, KIND
from gpubench_kit.files import Busy, locked
from gpubench_kit.model.errors import Fault, ReportError

#: Windows can only move one folder away and then the other to its place.
HAS_EXCHANGE = os.name != "nt"
#: Paths are meant as seen from the working directory; both are exchanged (Linux, macOS).
_HERE, _EXCHANGE, _SWAP = -100, 2, 2


def exchange(first: Path, second: Path) -> bool:
    """Exchange two folders of one file system.

    Parameters
    ----------
    first, second : folders, both there

    Returns
    -------
    bool, false where the system or the file system has no such step; nothing is changed then
    """
    if not HAS_EXCHANGE:
        return False
    library = ctypes.CDLL(None, use_errno=True)
    paths = os.fsencode(first), os.fsencode(second)
    if sys.platform == "darwin" and hasattr(library, "renamex_np"):
        return library.renamex_np(*paths, _SWAP) == 0
    if hasattr(library, "renameat2"):
        return library.renameat2(_HERE, paths[0], _HERE, paths[1], _EXCHANGE) == 0
    return False


_MANIFEST = "manifest.json"
#: The folder in which one run makes a report.
_STAGED = re.compile(r"\.(.+)\.[0-9a-f]{8}\.new\.part", re.DOTALL)

#: What other commands put beside a report: a new report keeps it, and nothing else may stand where a report goes.
BESIDE = ("check.html", "check", "plan.html", "run_sheet.html", "tuning.html", "tuning")


class ReportPlace:
    """A folder for a report, or for a page beside one, that is whole or not there at all.

    Entering gives an empty folder beside the target; nobody else may work on the target meanwhile. `finish` puts it
    in the stead of what stands there; leaving without that removes it, and what stood there is as it was. What a
    killed run left behind is cleaned up by the next. Each run has a folder of its own name, so that one whose
    machine was given up, but which goes on all the same, never writes into that of the run that took its place.

    Attributes
    ----------
    target : folder of the report, absolute
    is_archive : whether an archive of many reports is made, which never takes the place of a review's report
    names : files and folders of a page that is made, all else in the target being kept; none: the report itself
    """

    def __init__(
        self,
        target: str | Path,
        review_folder: str | Path,
        *,
        is_archive: bool = False,
        names: Collection[str] = (),
    ):
        self.target = Path(target).absolute()
        self.is_archive = is_archive
        self.names = frozenset(names)
        self._review = Path(review_folder).resolve()
        self._staging = self.target.with_name(f".{self.target.name}.{uuid4().hex[:8]}.new.part")
        self._held = ExitStack()

    def __enter__(self) -> Path:
        """Return the empty folder to write into.

        Raises
        ------
        ReportError : another process is at work there, the report would overwrite something else, or nothing can be
            written there
        """
        try:
            self.target.parent.mkdir(parents=True, exist_ok=True)
            with ExitStack() as held:
                held.enter_context(locked(_lock_of(self.target)))
                self._begin()
                self._held = held.pop_all()
        except Busy:
            problem = "another command of the kit is at work on it."
            action = "Wait until that is done, and call again, or name another folder with --output."
            raise ReportError(Fault(f"output folder '{self.target.name}'", problem, action)) from None
        except OSError as error:
            raise unwritable(self.target, error) from error
        return self._staging

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Remove what is not whole, or what was replaced."""
        with self._held, suppress(OSError):
            _clean_up(self.target)
        if isinstance(error, OSError) and str(self._staging) in str(error.filename or ""):
            raise unwritable(self.target, error) from error

    def _begin(self) -> None:
        """Make the empty folder."""
        _clean_up(self.target)
        check_target(self.target, self._review, is_archive=self.is_archive)
        self._staging.mkdir()
        if not self.names:
            (self._staging / "notebooks").mkdir()

    def finish(self) -> None:
        """Put what was made in the stead of what stands there.

        Raises
        ------
        ReportError : something cannot be moved; all is then as it was
        """
        try:
            self._bring_along()
            if not self.target.exists() or not exchange(self._staging, self.target):
                _replace(self._staging, self.target)
        except OSError as error:
            raise unwritable(self.target, error) from error

    def clean_up(self) -> None:
        """Put back, or remove, what a killed run left behind, unless another one is at work there."""
        if self.target.parent.is_dir():
            with suppress(Busy), locked(_lock_of(self.target)):
                _clean_up(self.target)

    def _bring_along(self) -> None:
        """Add what is kept of what stands there: the same files under a second name, where the system has that.

        What a page's making left beside the page is no part of it and goes.
        """
        for path in self._staging.iterdir() if self.names else ():
            if path.name not in self.names:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        for path in self.target.iterdir() if self.target.is_dir() else ():
            is_kept = path.name not in self.names if self.names else path.name in BESIDE
            if is_kept and path.is_dir():
                shutil.copytree(path, self._staging / path.name, copy_function=_link)
            elif is_kept:
                _link(path, self._staging / path.name)


def _link(file: str | Path, name: str | Path) -> None:
    """Give a file a second name, or copy it."""
    try:
        os.link(file, name)
    except OSError:
        shutil.copy2(file, name)


def _replace(staging: Path, target: Path) -> None:
    """Move a folder to its place; between two moves the place is empty, where both cannot be exchanged."""
    earlier = _earlier_of(target)
    if target.exists():
        os.replace(target, earlier)
    try:
        os.replace(staging, target)
    except OSError:
        if earlier.exists() and not target.exists():
            os.replace(earlier, target)
        raise


def _clean_up(target: Path) -> None:
    """Put back, or remove, what a killed run left behind; the lock is held."""
    earlier = _earlier_of(target)
    if earlier.exists() and not target.exists():
        os.replace(earlier, target)
    if earlier.exists():
        shutil.rmtree(earlier)
    for path in target.parent.iterdir():
        found = _STAGED.fullmatch(path.name)
        if found and found[1] == target.name:
            # A process that is only just ending may still write there; the next run finds what is left.
            shutil.rmtree(path, ignore_errors=True)


def _lock_of(target: Path) -> Path:
    """Return where processes that work on the same folder meet."""
    return target.with_name(f".{target.name}.lock")


def _earlier_of(target: Path) -> Path:
    """Return where what stood there waits while it is replaced."""
    return target.with_name(f".{target.name}.old.part")


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
    place, problem = target.resolve(), ""
    if place == review_folder or place in review_folder.parents:
        made_of = "the archive would stand in place of the reports that it is made of."
        problem = made_of if is_archive else "the report would stand in place of the review itself."
    elif target.is_file():
        problem = "a file of this name stands where the folder of the report would be."
    elif target.is_dir():
        problem = _problem_inside(target, is_archive=is_archive)
    if problem:
        raise ReportError(Fault(f"output folder '{target.name}'", problem, "Name another with --output."))


def _problem_inside(target: Path, *, is_archive: bool) -> str:
    """Return why what is in a folder must stay; nothing where it may be replaced."""
    try:
        manifest = json.loads((target / _MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        manifest = {}
    if not isinstance(manifest, dict) or "format_version" not in manifest:
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
