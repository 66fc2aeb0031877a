"""What the page is made of: the tables of a review, and what is compared with what, in the order of the page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS, headline_metrics
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import CLAIMS, COMPARISONS, OVERALL, PAIR_KEY, RUN_METRICS
from gpubench_kit.page.charts import RIVAL
from gpubench_kit.page.charts.from_tables import State
from gpubench_kit.wording.numbers import is_missing
from gpubench_kit.wording.terms import cut, shortened, subject_text

#: Reason of results whose reading is not confirmed: runs are shown, means of a side are not.
NOT_CONFIRMED = "format_not_confirmed"


class Side(NamedTuple):
    """One side of a comparison."""

    card: str
    tuning: str
    bench: str


class Scene(NamedTuple):
    """A game at one of its settings."""

    game: str
    setting: str


class Pair(NamedTuple):
    """What is compared, and with what."""

    of: Side
    against: Side

    @property
    def is_between(self) -> bool:
        """Whether two cards are compared."""
        return self.of.card != self.against.card

    @property
    def is_over_benches(self) -> bool:
        """Whether a card on one test setup is compared with itself on another, as after a change of the driver."""
        return not self.is_between and self.of.bench != self.against.bench

    @property
    def names(self) -> tuple[str, str]:
        """What tells both sides of one card apart: their tunings, their test setups, or both."""
        if not self.is_over_benches:
            return self.of.tuning, self.against.tuning
        if self.of.tuning == self.against.tuning:
            return self.of.bench, self.against.bench
        return subject_text(self.of, with_bench=True), subject_text(self.against, with_bench=True)


@dataclass(frozen=True)
class Block:
    """Pairs that stand together: of one card on one machine, against one card."""

    pairs: tuple[Pair, ...]

    @property
    def is_between(self) -> bool:
        """Whether two cards are compared."""
        return self.pairs[0].is_between

    @property
    def common(self) -> Side | None:
        """The side that all pairs are compared with; None where they differ."""
        ends = {pair.against for pair in self.pairs}
        return self.pairs[0].against if len(ends) == 1 else None


@dataclass(frozen=True)
class Results:
    """The tables of a review, for its page.

    Attributes
    ----------
    plan : ReviewPlan
    runs, findings, noise, usable, comparisons, overall, claims, run_metrics : see ``model.tables``
    levels : see `gpubench_kit.statistics.compare.LEVELS`
    costs : see `gpubench_kit.costs.COSTS`; None for none
    sentences : see `gpubench_kit.claims.script.Proposals`; None for none
    facts_of : facts about the logs of a run by its name; None for none
    looks_made : looks at verdicts so far, this one included
    changes : decisions changed after the first look: what, before, now
    lost_runs : runs that the look before used, and that are not used now
    sweep : the sweep in this review; None for none
    version : version of the kit
    pictures : pictures that stand beside the page: ``film``, ``all`` or ``none``
    """

    plan: ReviewPlan
    runs: pd.DataFrame
    findings: pd.DataFrame
    noise: pd.DataFrame
    usable: pd.DataFrame
    comparisons: pd.DataFrame = field(default_factory=COMPARISONS.frame)
    overall: pd.DataFrame = field(default_factory=OVERALL.frame)
    levels: pd.DataFrame = field(default_factory=pd.DataFrame)
    run_metrics: pd.DataFrame = field(default_factory=RUN_METRICS.frame)
    claims: pd.DataFrame = field(default_factory=CLAIMS.frame)
    sentences: Any = None
    costs: pd.DataFrame | None = None
    sweep: Any = None
    facts_of: Callable[[str], Any] = field(default=lambda run: None, repr=False)
    looks_made: int = 1
    changes: Sequence[tuple[str, str, str]] = ()
    lost_runs: Sequence[str] = ()
    version: str = ""
    pictures: str = "none"

    @cached_property
    def groups(self) -> list[str]:
        """Groups of settings that were compared; the one with most games first, ties in the order of the plan."""
        games = Counter(setting.group for game in self.plan.games for setting in game.settings)
        present = set(self.comparisons["group"]) | set(self.overall["group"])
        return sorted((one for one in games if one in present), key=lambda one: -games[one])

    @cached_property
    def blocks(self) -> list[Block]:
        """Pairs by card and machine: the reviewed card first, then other cards within themselves, then rivals."""
        found: dict[tuple, list[Pair]] = {}
        for row in self.comparisons[list(PAIR_KEY)].drop_duplicates().itertuples(index=False, name=None):
            pair = Pair(Side(*row[:3]), Side(*row[3:]))
            place = (pair.is_between, pair.of.card, pair.of.bench, pair.against.card, pair.against.bench)
            found.setdefault(place, []).append(pair)
        main = self.plan.card_units[0].name
        order = sorted(found, key=lambda place: (place[0], place[1] != main))
        return [Block(tuple(found[place])) for place in order]

    @cached_property
    def main(self) -> Block:
        """The block that the page is about; without pairs where nothing was compared."""
        return self.blocks[0] if self.blocks else Block(())

    @cached_property
    def metrics(self) -> list[str]:
        """The metrics of the answer: the primary one, a low, power, as far as they were compared."""
        there = [one for one in self.plan.analysis.metrics if one in set(self.comparisons["metric"])]
        lows, power = headline_metrics("lows", "frame_times"), headline_metrics("power", "energy")
        firsts = [
            [one for one in kind if one in there][:1] for kind in ((self.plan.analysis.primary,), lows, power)
        ]
        return list(dict.fromkeys(one for first in firsts for one in first))

    @cached_property
    def _overall_rows(self) -> Mapping[tuple, Any]:
        """Rows of ``overall`` over these games."""
        rows = self.overall[self.overall["scope"] == "these_games"]
        return {(_pair(row), row.group, row.metric): row for row in rows.itertuples()}

    @cached_property
    def _game_rows(self) -> Mapping[tuple, Any]:
        """Rows of ``comparisons``."""
        rows = self.comparisons.itertuples()
        return {(_pair(row), Scene(row.game, row.setting), row.metric): row for row in rows}

    @cached_property
    def has_verdicts(self) -> bool:
        """Whether anything that the page shows has a verdict."""
        return any(row.verdict != "no_verdict" for row in (*self._overall_rows.values(), *self._game_rows.values()))

    def over_games(self, pair: Pair, group: str, metric: str) -> Any:
        """Return the result of a pair over the games of a group; None where there is none."""
        return self._overall_rows.get((pair, group, metric))

    def in_game(self, pair: Pair, scene: Scene, metric: str) -> Any:
        """Return the result of a pair in one scene; None where there is none."""
        return self._game_rows.get((pair, scene, metric))

    def scenes(self, group: str, block: Block | None = None) -> list[Scene]:
        """Return the scenes of a group that were compared, in the order of the plan."""
        present = {
            scene
            for (pair, scene, _), row in self._game_rows.items()
            if row.group == group and (block is None or pair in block.pairs)
        }
        planned = (Scene(*scene) for scene in self.plan.scenes)
        return [scene for scene in planned if scene in present]

    def mean_of(self, pair: Pair, group: str, metric: str) -> tuple[float, float]:
        """Return the mean over games of both sides of a pair, over the games that enter its overall result.

        Returns
        -------
        tuple of float, (of, against): geometric on the ratio scale, but arithmetic for watts, whose difference
        is a mean of differences; nan where nothing is known. A game's settings are averaged first.
        """
        whole = self.over_games(pair, group, metric)
        out = whole.games_left_out.split("; ") if whole is not None else []
        rows = [self.in_game(pair, scene, metric) for scene in self.scenes(group) if scene.game not in out]
        rows = [row for row in rows if row is not None and row.reason != NOT_CONFIRMED]
        values = [(row.game, row.of_value, row.against_value) for row in rows]
        values = pd.DataFrame(values, columns=["game", "of", "against"]).dropna().set_index("game")
        if not len(values):
            return (float("nan"), float("nan"))
        is_ratio = METRICS[metric].scale == "ratio" and METRICS[metric].unit != "W"
        values = np.log(values) if is_ratio else values
        means = values.groupby(level=0).mean().mean()
        of, against = np.exp(means) if is_ratio else means
        return (float(of), float(against))

    def place(self, side: Side) -> int:
        """Return the place of a side among the colours: 0 the reference, tunings from 1, or the rival."""
        if side.card != self.plan.card_units[0].name:
            return RIVAL
        others = [one.name for one in self.plan.tunings if not one.reference]
        return 0 if side.tuning == self.plan.reference_tuning else 1 + others.index(side.tuning)

    def states(self) -> tuple[State, ...]:
        """Return the states that charts show: the reference, each tuning, then rivals in the state compared with.

        With several samples of a model each sample is a state of its own.
        """
        pairs = [pair for block in self.blocks for pair in block.pairs]
        if not pairs:
            return ()
        main, reference = self.main.pairs[0].of, self.plan.reference_tuning
        sides = dict.fromkeys([*(pair.against for pair in pairs), *(pair.of for pair in pairs)])
        own = [one for one in sides if one.card == main.card and one.bench == main.bench]
        rivals = [one for one in sides if one.card != main.card and one.tuning == reference]
        out = []
        for side in [*sorted(own, key=self.place), *rivals]:
            samples, place = self.plan.cards_named(side.card), self.place(side)
            name = cut(side.card) if place == RIVAL else self._labels[side.tuning]
            for card in samples:
                told = name if len(samples) == 1 else f"{name}, {card}"
                out.append(State(card, side.tuning, side.bench, told, place))
        return tuple(out)

    @cached_property
    def _labels(self) -> Mapping[str, str]:
        """Short names of the tunings, told apart where they would collide."""
        names = [one.name for one in self.plan.tunings]
        return dict(zip(names, shortened(names), strict=True))

    def short(self, side: Side, *, block: Block | None = None) -> str:
        """Return the short name of a side: its tuning, or its card where the block is not of that card."""
        card = block is None or side.card == block.pairs[0].of.card
        return self._labels[side.tuning] if card else cut(side.card)

    def runs_each(self, pairs: Sequence[Pair], group: str, metric: str) -> tuple[int, int]:
        """Return the fewest and the most runs of each side in any game of a group."""
        found = [
            count
            for pair in pairs
            for scene in self.scenes(group)
            if (row := self.in_game(pair, scene, metric)) is not None
            for count in (row.n, row.n_against)
            if not is_missing(count) and count
        ]
        return (int(min(found)), int(max(found))) if found else (0, 0)

    def facts(self, runs: Sequence[str]) -> list:
        """Return the facts about the logs of runs, those that have any."""
        return [one for one in map(self.facts_of, runs) if one is not None]


def all_groups(plan: ReviewPlan) -> list[str]:
    """Return the groups of settings of the plan, in its order."""
    return list(dict.fromkeys(one.group for one in plan.scenes.values()))


def _pair(row: Any) -> Pair:
    """Return the pair of a row."""
    of = Side(row.of_card, row.of_tuning, row.of_bench)
    return Pair(of, Side(row.against_card, row.against_tuning, row.against_bench))
