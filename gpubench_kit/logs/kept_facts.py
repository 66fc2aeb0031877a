"""Facts about the logs of thousands of runs, kept as columns: an object for each would be three times as large."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields

import numpy as np
import pandas as pd

from gpubench_kit.logs.frame_timing import FRAME_SHARES
from gpubench_kit.logs.run_facts import RunFacts, Trace

_NAMES = tuple(field.name for field in fields(RunFacts))
_EMPTY = RunFacts("")
_WHOLE = tuple(name for name in _NAMES if isinstance(getattr(_EMPTY, name), int))
_NUMBERS = (*_WHOLE, *(name for name in _NAMES if isinstance(getattr(_EMPTY, name), float)))
_TEXTS = tuple(name for name in _NAMES if isinstance(getattr(_EMPTY, name), str))
_OF_TABLE = tuple(name for name in _NAMES if name in (*_TEXTS, *_NUMBERS, "sensor_traces"))
_PARTS_OF_TRACE = tuple(field.name for field in fields(Trace))


class KeptFacts:
    """Facts about runs, by the run's name; what is handed in comes back as it was."""

    def __init__(self):
        self._place: dict[str, int] = {}
        self._numbers = array("d")
        self._texts: list[tuple[str, ...]] = []
        self._traces = array("f")
        self._trace_ends = array("q")
        self._quantiles = array("d")
        self._sensor_traces: list[dict | None] = []
        self._columns: list[tuple[tuple, tuple]] = []

    def __len__(self) -> int:
        """Return of how many runs facts are kept."""
        return len(self._place)

    def __contains__(self, run: str) -> bool:
        """Return whether facts about a run are kept."""
        return run in self._place

    def __iter__(self) -> Iterator[str]:
        """Yield the runs, in the order in which they were kept."""
        return iter(self._place)

    def keep(self, facts: RunFacts) -> None:
        """Keep the facts about a run of which none are kept yet.

        Parameters
        ----------
        facts : facts about its logs

        Raises
        ------
        ValueError : facts about this run are kept already
        """
        if facts.run in self._place:
            raise ValueError(f"facts about run {facts.run!r} are kept already")
        self._place[facts.run] = len(self._place)
        self._numbers.extend(float(getattr(facts, name)) for name in _NUMBERS)
        _append_shared(self._texts, tuple(getattr(facts, name) for name in _TEXTS))
        self._quantiles.extend(facts.frame_quantiles_ms or [np.nan] * len(FRAME_SHARES))
        self._sensor_traces.append(facts.sensor_traces or None)
        _append_shared(self._columns, (facts.frame_columns, facts.sensor_columns))
        if facts.trace is not None:
            for part in _PARTS_OF_TRACE:
                self._traces.frombytes(getattr(facts.trace, part).astype(np.float32, copy=False).tobytes())
        self._trace_ends.append(len(self._traces))

    def of(self, run: str) -> RunFacts | None:
        """Return the facts about one run; None where none are kept.

        Parameters
        ----------
        run : name of the run
        """
        place = self._place.get(run)
        if place is None:
            return None
        start = place * len(_NUMBERS)
        numbers = dict(zip(_NUMBERS, self._numbers[start : start + len(_NUMBERS)], strict=True))
        numbers |= {name: int(numbers[name]) for name in _WHOLE}
        texts = dict(zip(_TEXTS, self._texts[place], strict=True))
        frame_columns, sensor_columns = self._columns[place]
        return RunFacts(
            **texts,
            **numbers,
            trace=self._trace(place),
            frame_quantiles_ms=self._quantiles_of(place),
            sensor_traces=self._sensor_traces[place] or {},
            frame_columns=frame_columns,
            sensor_columns=sensor_columns,
        )

    def n_frames(self, run: str) -> int:
        """Return how many frames a run has; 0 where no facts are kept."""
        place = self._place.get(run)
        return 0 if place is None else int(self._numbers[place * len(_NUMBERS) + _NUMBERS.index("n_frames")])

    def table(self, runs: Iterable[str], *, names: Sequence[str] = _OF_TABLE) -> pd.DataFrame:
        """Return one row per run with some of the attributes of `RunFacts`.

        Parameters
        ----------
        runs : names of runs of which facts are kept
        names : attributes wanted: texts, numbers or ``sensor_traces``; default all of these
        """
        places = [self._place[run] for run in runs]
        return pd.DataFrame({name: self._column(name, places) for name in names})

    def _column(self, name: str, places: Sequence[int]) -> pd.Series | np.ndarray:
        """Return one attribute of some runs."""
        if name in _TEXTS:
            place_of_text = _TEXTS.index(name)
            return pd.Series([self._texts[place][place_of_text] for place in places], dtype="str")
        if name == "sensor_traces":
            return pd.Series([self._sensor_traces[place] or {} for place in places], dtype=object)
        # A copy: while something looks at the array itself, nothing can be added to it.
        numbers = np.frombuffer(self._numbers).reshape(-1, len(_NUMBERS))[places, _NUMBERS.index(name)]
        return numbers.astype(np.int64) if name in _WHOLE else numbers

    def _trace(self, place: int) -> Trace | None:
        """Return the trace of a run; None where it has none."""
        end = self._trace_ends[place]
        start = self._trace_ends[place - 1] if place else 0
        if start == end:
            return None
        return Trace(*np.array(self._traces[start:end], dtype=np.float32).reshape(len(_PARTS_OF_TRACE), -1))

    def _quantiles_of(self, place: int) -> tuple[float, ...]:
        """Return the quantiles of a run's frames; none where it has no frames."""
        kept = tuple(self._quantiles[place * len(FRAME_SHARES) : (place + 1) * len(FRAME_SHARES)])
        return () if np.isnan(kept[0]) else kept


def _append_shared(rows: list[tuple], row: tuple) -> None:
    """Append a row in which what equals a part of the row before is that part: most runs are told alike."""
    known = {part: part for part in rows[-1]} if rows else {}
    rows.append(tuple(known.get(part, part) for part in row))
