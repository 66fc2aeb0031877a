"""The archive: every question of its page, answered from the tables of all reports."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import pandas as pd

from gpubench_kit.archive.gather import ARCHIVE_TABLES, CLAIMS_MADE, REVIEWS, gather
from gpubench_kit.archive.history import cards_over_time, control_runs, driver_changes
from gpubench_kit.archive.noise import games_table, plan_line, restart_spread_table, run_noise, usable_spreads
from gpubench_kit.archive.store import PARQUET, QUESTIONS, Store
from gpubench_kit.model.errors import Fault, ReportError, check_folder
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.sections import About, Style
from gpubench_kit.model.tables import FINDINGS, PAIR_KEY
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text


@dataclass(frozen=True)
class Archive:
    """All reports below some folders, as tables; each is made when first asked for.

    Attributes
    ----------
    store : the Parquet files, asked in SQL
    title : title of the page
    """

    store: Store
    title: str = field(default_factory=lambda: say("archive.told.title"))

    def ask(self, question: str) -> pd.DataFrame:
        """Return the answer to a question in SQL.

        Parameters
        ----------
        question : a SELECT statement over the tables of reports (``runs``, ``run_metrics``, ``comparisons``,
            ``overall``, ``claims``), each with ``review`` in front, and ``reviews``

        Raises
        ------
        TableError : the question cannot be answered
        """
        return self.store.ask(question)

    @property
    def review(self) -> About:
        """Title, author and licence, as `write_tables` wants them of a plan."""
        return About(title=self.title)

    @property
    def style(self) -> Style:
        """The house look."""
        return Style()

    @cached_property
    def reviews(self) -> pd.DataFrame:
        """One row per review; see ``archive.gather.REVIEWS``."""
        return REVIEWS.frame(self.ask(QUESTIONS["reviews"]))

    @cached_property
    def findings(self) -> pd.DataFrame:
        """What was refused, skipped or noticed; see ``tables.FINDINGS``."""
        return FINDINGS.frame(self.ask("SELECT * FROM findings"))

    @cached_property
    def run_noise(self) -> pd.DataFrame:
        """Run-to-run noise; see ``archive.gather.RUN_NOISE``."""
        return run_noise(self.store)

    @cached_property
    def restart_spread(self) -> pd.DataFrame:
        """Spread between restarts; see ``archive.gather.RESTART_SPREAD``."""
        return restart_spread_table(self.store, self.run_noise)

    @cached_property
    def cards(self) -> pd.DataFrame:
        """Levels of the cards over time; see ``archive.gather.CARDS``."""
        return cards_over_time(self.store, self._dates)

    @cached_property
    def control_runs(self) -> pd.DataFrame:
        """The same card measured again; see ``archive.gather.CONTROL_RUNS``."""
        return control_runs(self.store, self._dates, margins=self._margins, spreads=self._spreads)

    @cached_property
    def driver_changes(self) -> pd.DataFrame:
        """One driver against the one before; see ``archive.gather.DRIVER_CHANGES``."""
        within = self.ask(QUESTIONS["benches compared"])
        return driver_changes(self.store, within, margins=self._margins, spreads=self._spreads)

    @cached_property
    def games(self) -> pd.DataFrame:
        """What each game decided; see ``archive.gather.GAMES``."""
        rows = self.ask(QUESTIONS["comparisons of games"].format(pair=", ".join(PAIR_KEY)))
        return games_table(rows, self.run_noise, self.primaries)

    @cached_property
    def claims_made(self) -> pd.DataFrame:
        """Claims of each review; see ``archive.gather.CLAIMS_MADE``."""
        return CLAIMS_MADE.frame(self.ask(QUESTIONS["claims made"]))

    @cached_property
    def primaries(self) -> tuple[str, ...]:
        """The metrics that decide in any review, the most frequent first."""
        named = self.reviews["primary"]
        counts = named[named.isin(list(METRICS))].value_counts()
        return tuple(sorted(counts.index, key=lambda name: (-counts[name], name))) or ("avg_fps",)

    @property
    def plan_line(self) -> str:
        """Line for a plan that states the spread between restarts; empty where too few were measured."""
        return plan_line(self.restart_spread)

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Every table of the page, by name."""
        return {name: getattr(self, name) for name in ARCHIVE_TABLES} | {"findings": self.findings}

    @property
    def summary(self) -> str:
        """How much is in it, in words."""
        runs, sessions = int(self.reviews["n_counted"].sum()), int(self.reviews["n_sessions"].sum())
        counts = [count_text(len(self.reviews), "review"), count_text(runs, "run")]
        return ", ".join([*counts, count_text(sessions, "session")])

    @cached_property
    def _dates(self) -> pd.Series:
        """Day of each review."""
        return self.reviews.set_index("review")["date"]

    @cached_property
    def _margins(self) -> dict[str, float]:
        """The margin of each metric in the latest review that has one."""
        latest = self.ask(QUESTIONS["margins"])
        return dict(zip(latest["metric"], latest["margin"].astype(float), strict=True))

    @cached_property
    def _spreads(self) -> dict[str, tuple[float, float]]:
        """By what intervals are widened, over all benches."""
        return usable_spreads(self.restart_spread)


def gather_archive(folders: Sequence[str | Path] | str | Path, folder: str | Path = "") -> Archive:
    """Read all reports below folders into one archive that can be asked.

    Parameters
    ----------
    folders : one folder or several that hold report folders, at any depth
    folder : folder of the archive, in which ``parquet/`` is made; default a scratch folder that goes with it

    Returns
    -------
    Archive

    Raises
    ------
    ReportError : no report that can be read lies below the folders, or the archive cannot be written
    """
    several: list[str | Path] = [folders] if isinstance(folders, str | Path) else []
    several = several or (list(folders) if isinstance(folders, Iterable) else [folders])
    for one in (*several, folder):
        check_folder(one, wanted="a folder of reports", error=ReportError)
    if str(folder):
        return Archive(gather(several, folder))
    scratch = tempfile.mkdtemp(prefix="gpubench-archive-")
    try:
        store = gather(several, scratch)
    except BaseException:
        shutil.rmtree(scratch, ignore_errors=True)
        raise
    weakref.finalize(store, shutil.rmtree, scratch, ignore_errors=True)
    return Archive(store)


def open_archive(folder: str | Path = Path("reports", "archive")) -> Archive:
    """Open an archive that was made before; nothing is read again.

    Parameters
    ----------
    folder : folder of the archive

    Returns
    -------
    Archive

    Raises
    ------
    ReportError : there is no archive
    """
    place = Path(folder) / PARQUET
    if not (place / "cells.parquet").is_file():
        action = "Make it with `gpubench-kit archive FOLDER`."
        raise ReportError(Fault(str(folder), "there is no archive in this folder.", action))
    return Archive(Store(place))
