"""Where a page beside a report goes: made beside its place, then exchanged without touching the rest."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

from gpubench_kit.report.place import check_target, unwritable

#: What stood there before, while it is exchanged.
_EARLIER = "earlier"


class PagePlace:
    """Files and folders of one page, put beside a report whole or not at all.

    Entering gives an empty folder. `finish` puts what was made there into the target, in the stead of an
    earlier page; all else in the target stays untouched. What a killed run left behind is put back or
    cleaned up by the next.

    Attributes
    ----------
    target : folder of the report, absolute
    """

    def __init__(self, target: str | Path, review_folder: str | Path, *, names: Sequence[str]):
        self.target = Path(target).absolute()
        self._review = Path(review_folder).resolve()
        self._names = tuple(names)
        self._staging = self.target.with_name(f".{self.target.name}.{Path(names[0]).stem}.part")

    def __enter__(self) -> Path:
        """Return the empty folder to write into.

        Raises
        ------
        ReportError : the target holds something else, or nothing can be written there
        """
        try:
            self.target.parent.mkdir(parents=True, exist_ok=True)
            self._clean_up()
            check_target(self.target, self._review)
            self._staging.mkdir()
        except OSError as error:
            raise unwritable(self.target, error) from error
        return self._staging

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Remove what is not whole."""
        shutil.rmtree(self._staging, ignore_errors=True)
        if isinstance(error, OSError) and str(self._staging) in str(error.filename or ""):
            raise unwritable(self.target, error) from error

    def finish(self) -> None:
        """Exchange the earlier page for the new one.

        Raises
        ------
        ReportError : a file cannot be exchanged; all are then as they were
        """
        try:
            self._set_aside()
            for name in self._names:
                os.replace(self._staging / name, self.target / name)
        except BaseException as error:
            self._put_back()
            if isinstance(error, OSError):
                raise unwritable(self.target, error) from error
            raise

    def _set_aside(self) -> None:
        """Move what stands there away."""
        earlier = self._staging / _EARLIER
        earlier.mkdir()
        self.target.mkdir(exist_ok=True)
        for name in self._names:
            if (self.target / name).exists():
                os.replace(self.target / name, earlier / name)

    def _put_back(self) -> None:
        """Put back what was set aside, and take away what is new."""
        earlier = self._staging / _EARLIER
        for name in self._names if earlier.exists() else ():
            is_new = not (self._staging / name).exists()
            if is_new and (self.target / name).exists():
                _remove(self.target / name)
            if (earlier / name).exists():
                os.replace(earlier / name, self.target / name)

    def _clean_up(self) -> None:
        """Put back, or remove, what a killed run left behind."""
        is_whole = all((self.target / name).exists() for name in self._names)
        if self._staging.exists():
            if not is_whole:
                self._put_back()
            shutil.rmtree(self._staging)


def _remove(path: Path) -> None:
    """Remove a file or a folder."""
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink()
