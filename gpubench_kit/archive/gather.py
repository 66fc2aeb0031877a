"""All reports below folders, read into one archive."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from gpubench_kit.archive.admit import admit
from gpubench_kit.archive.cells import derive_cells
from gpubench_kit.archive.counted import mark_repeated
from gpubench_kit.archive.find import Found, find_reports
from gpubench_kit.archive.reviews import conditions_of, reviews_table
from gpubench_kit.archive.store import PARQUET, Store
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.findings import Finding, findings_table
from gpubench_kit.wording.numbers import count_text

#: What is kept of the conditions that the manifests state.
_CONDITIONS = {
    "benches": ("name", "driver", "room_c"),
    "cards": ("name", "model", "role", "power_measured_at"),
    "tunings": ("name", "reference"),
    "games": ("name", "setting", "frames_counted", "generated_per_rendered", "versions"),
}


def gather(folders: Sequence[str | Path], folder: str | Path) -> Store:
    """Read all reports below folders into Parquet files.

    Parameters
    ----------
    folders : folders that hold report folders, at any depth
    folder : folder of the archive; its Parquet files go into ``parquet/``

    Returns
    -------
    Store with the tables of all reports, each with ``review`` in front; ``reviews``; what the manifests state of
    ``benches``, ``cards``, ``tunings`` and ``games``; ``repeated``, ``cells`` and ``findings``

    Raises
    ------
    ReportError : there is no report that can be read below the folders
    """
    found = find_reports(folders, but=folder)
    reports, findings = admit(found.candidates)
    check_any(reports, [*found.findings, *findings], found, folders=folders)
    store = Store(Path(folder) / PARQUET)
    reports, unreadable = store.read_reports(reports)
    check_any(reports, unreadable, found, folders=folders)
    findings += unreadable
    reviews, clocks = reviews_table(reports)
    store.keep("reviews", reviews)
    for part, names in _CONDITIONS.items():
        store.keep(part, conditions_of(reports, part, names))
    findings += [*clocks, *mark_repeated(store)]
    derive_cells(store)
    store.keep("findings", findings_table([*found.findings, *findings]))
    return store


def check_any(there: Sequence, findings: Sequence[Finding], found: Found, *, folders: Sequence[str | Path]) -> None:
    """Raise where nothing is left that could be read, with what was refused.

    Parameters
    ----------
    there : reports, or folders that look like reports, that are left
    findings : what was refused, and why
    found : how much was looked at
    folders : folders that were given

    Raises
    ------
    ReportError : nothing is left
    """
    if there:
        return
    looked = f"{count_text(found.n_files, 'file')} in {count_text(found.n_folders, 'folder')}"
    faults = [Fault("", f"{one.message} {one.action}".strip()) for one in findings]
    problem = f"no report that can be read lies below ({looked} looked at)."
    action = "Name folders in which `gpubench-kit report` wrote reports, for example reports."
    raise ReportError([Fault(", ".join(map(str, folders)), problem, action), *faults])
