"""Where a report goes: it is made in a folder beside its place and moved there in one step when it is whole."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from types import TracebackType

from gpubench_kit.errors import Fault, ReportError

_MANIFEST = "manifest.json"


class ReportPlace:
    """A folder for a report that is whole or not there at all.

    Entering gives an empty folder beside the target. `finish` moves it to the target; leaving without
    that removes it, and an earlier report is as it was. What a killed run left behind is cleaned up
    by the next.

    Attributes
    ----------
    target : folder of the report, absolute
    """

    def __init__(self, target: str | Path, review_folder: str | Path):
        self.target = Path(target).absolute()
        self._review = Path(review_folder).resolve()
        self._staging = self.target.with_name(f".{self.target.name}.new.part")
        self._earlier = self.target.with_name(f".{self.target.name}.old.part")

    def __enter__(self) -> Path:
        """Return the empty folder to write into.

        Raises
        ------
        ReportError : the report would overwrite something else, or nothing can be written there
        """
        try:
            self.target.parent.mkdir(parents=True, exist_ok=True)
            self._clean_up()
            self._check_target()
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
            if self.target.exists():
                os.replace(self.target, self._earlier)
            os.replace(self._staging, self.target)
        except OSError as error:
            if not self.target.exists() and self._earlier.exists():
                os.replace(self._earlier, self.target)
            raise self._unwritable(error) from error
        shutil.rmtree(self._earlier, ignore_errors=True)

    def _clean_up(self) -> None:
        """Put back, or remove, what a killed run left behind."""
        if self._earlier.exists() and not self.target.exists():
            os.replace(self._earlier, self.target)
        for left_over in (self._earlier, self._staging):
            if left_over.exists():
                shutil.rmtree(left_over)

    def _check_target(self) -> None:
        """Raise where the target holds anything but an earlier report."""
        target = self.target.resolve()
        if target == self._review or target in self._review.parents:
            problem = "the report would stand in place of the review itself."
            raise ReportError(Fault(f"output folder '{self.target.name}'", problem, "Name another with --output."))
        if self.target.is_file():
            problem = "a file of this name stands where the folder of the report would be."
            raise ReportError(Fault(f"output folder '{self.target.name}'", problem, "Name another with --output."))
        if self.target.is_dir() and any(self.target.iterdir()) and not _is_report(self.target):
            problem = "it is not empty and holds no report of this kit, so nothing in it is replaced."
            raise ReportError(Fault(f"output folder '{self.target.name}'", problem, "Name another with --output."))

    def _is_own(self, error: OSError) -> bool:
        """Return whether an error concerns the folder that is written."""
        return str(self._staging) in str(error.filename or "")

    def _unwritable(self, error: OSError) -> ReportError:
        """Return the error of a folder that cannot be written."""
        problem = f"it cannot be written in '{self.target.parent}' ({error.strerror or error})."
        action = "Free space, close programs that show the earlier report, or name another folder with --output."
        return ReportError(Fault(f"output folder '{self.target.name}'", problem, action))


def _is_report(folder: Path) -> bool:
    """Return whether a folder holds a report of this kit."""
    try:
        return "format_version" in json.loads((folder / _MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
