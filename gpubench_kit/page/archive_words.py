"""The archive in words: its head, what is known of restarts, and how it was calculated."""

from __future__ import annotations

from collections.abc import Iterator

from gpubench_kit.archive.archive import Archive
from gpubench_kit.model.plan.rules import LEAST_RESTARTS
from gpubench_kit.page.elements import Markup, join, paragraph
from gpubench_kit.wording.numbers import change_and_interval_text, count_text, number_text
from gpubench_kit.wording.terms import VERDICT_WORDS, metric_of, names_text, scene_text

_LISTED = 3
_NO_FINDING = ("no_verdict", "undecided", "same_within_margin")

_METHOD = (
    ("What is read",
     "The tables of each report, never its logs. A report whose tables are not those that it was made with is "
     "refused. Nothing outside the folders given is read, and no link is followed."),
    ("What counts",
     "Used runs with the purpose that the metric's verdicts use. A run that several reviews hold counts once, in "
     "the earliest: known by the hash of its frame log or, where numbers were typed, by card, bench, tuning, game, "
     "setting, round and all values, if chance would make as many runs of the tuning agree less than once in "
     "100,000 times. What agrees but may be chance counts in both, and is told."),
    ("Noise",
     "Squares about the mean of one card, tuning, game and session of one review, pooled by their degrees of "
     "freedom. The interval is that of a chi-squared variance. It takes for granted that all tunings and cards of "
     "a game have the same noise."),
    ("Spread between restarts",
     "From the means of sessions of one tuning in one review, less what the noise of their runs explains "
     "(Henderson 1953). Its degrees of freedom count a restart once, however many games followed it. The 95 % "
     "interval holds every spread under which such squares are not rare in either direction."),
    ("Change",
     "Mean over the games in common of the difference of natural logs. Its variance is that of the runs, plus the "
     "spread between restarts for each side, less with more sessions (degrees of freedom: Satterthwaite 1946). "
     "Without a spread measured on at least 6 restarts there is no verdict. Adjusted after Holm (1979) by metric."),
    ("Time",
     "The order of the reviews' dates. A date before the year 2000, or three years away from all other reviews, is "
     "not used. What day it is today does not enter: the same reports give the same page."),
)  # fmt: skip

_UNKNOWN = "How much a restart moves the bench is not known: no tuning was measured in two sessions of one review."
_HOW_TO_MEASURE = (
    "A restart moves all runs that follow it. To learn by how much, measure the reference tuning again after "
    "restarting the machine, and give the two parts different sessions in the run sheet."
)
_WHAT_FOR = (
    "A restart moves all runs that follow it, in all games, so a card or driver measured in one session each "
    "cannot be told from a restart. Where the spread is known from enough restarts, such a comparison can be "
    "widened by it and judged after all."
)
_LINE = (
    "For a plan, under [analysis]: confounded layouts are then widened by what was measured here. Or write "
    'restart_spread = "archive" there, and the report takes it from reports/archive itself.'
)


def head_sentences(archive: Archive) -> Iterator[str]:
    """Yield what the archive says of the bench, most useful first."""
    metric = archive.primaries[0]
    yield from _noise_told(archive, metric)
    yield from _driver_told(archive, metric)
    dropped = archive.games[archive.games["advice"] == "drop"]
    if len(dropped):
        names = [f"“{scene_text(row.game, row.setting)}”" for row in dropped.head(_LISTED).itertuples()]
        more = len(dropped) - len(names)
        yield f"Could be left out next time: {names_text([*names, *([f'{more} more'] if more else [])])}."


def spread_sentences(archive: Archive) -> Iterator[str]:
    """Yield what the spread between restarts is good for."""
    known = archive.restart_spread
    if not len(known):
        yield _HOW_TO_MEASURE
        return
    yield _WHAT_FOR
    short = known[(known["scope"] == "all") & known["widen_by"].isna()]
    if len(short):
        labels = names_text([metric_of(name).label for name in short["metric"]])
        yield f"Too few restarts to widen by: {labels}. At least {LEAST_RESTARTS} of one tuning are needed."


def control_sentences(archive: Archive) -> Iterator[str]:
    """Yield how many later times of a card show a change, under the driver of its first time and under others."""
    metric = archive.primaries[0]
    rows = archive.control_runs[archive.control_runs["metric"] == metric]
    if not len(rows):
        return
    who = ["card", "tuning"]
    known = archive.cards.sort_values(["place_in_time", "bench"], kind="stable").drop_duplicates(who)
    first = rows[who].merge(known[[*who, "driver"]], on=who, how="left")["driver"].to_numpy()
    is_same = rows["driver"].to_numpy() == first
    label = metric_of(metric).label
    yield from _times_told(rows[is_same], f"Under the driver of the first time, the {label}")
    yield from _times_told(rows[~is_same], f"Under another driver, the {label}")


def line_for_plan(archive: Archive) -> Markup:
    """Return the line that a plan can take over; nothing where too few restarts are known."""
    if not archive.plan_line:
        return Markup("")
    return join([paragraph(_LINE), Markup('<p class="hash">{}</p>').format(archive.plan_line)])


def method_terms() -> Iterator[tuple[str, str]]:
    """Yield what was done, each with its explanation."""
    yield from _METHOD


def _noise_told(archive: Archive, metric: str) -> Iterator[str]:
    """Yield how far runs, and restarts, differ."""
    label = metric_of(metric).label
    own = _over_all(archive.run_noise, metric)
    if len(own):
        middle, unit = own["noise"].median(), own["unit"].iloc[0]
        games = f"the median of {count_text(len(own), 'game')}" if len(own) > 1 else "the one game run twice"
        yield f"From run to run the {label} varies by {number_text(middle, decimals=2)} {unit} in {games}."
    between = _over_all(archive.restart_spread, metric)
    if not len(between):
        yield _UNKNOWN
        return
    row = between.iloc[0]
    restarts = count_text(row.restarts, "restart")
    yield f"Between restarts it varies by {_range_text(row)}, seen over {restarts}."


def _driver_told(archive: Archive, metric: str) -> Iterator[str]:
    """Yield the latest change of driver that was found, and how many more there are."""
    changed = archive.driver_changes
    judged = changed[(changed["metric"] == metric) & (changed["verdict"] != "no_verdict")]
    real = _once_a_change(judged[~judged["verdict"].isin(_NO_FINDING)])
    label = metric_of(metric).label
    if len(real):
        last = real.iloc[-1]
        change = change_and_interval_text(last.change, last.ci_low, last.ci_high, unit=last.unit)
        drivers = f"From “{last.against_driver}” to “{last.of_driver}”"
        earlier = len(real) - 1
        more = f" Changes found besides: {earlier}." if earlier else ""
        yield f"{drivers} the {label} of the {last.card} changed by {change}: {VERDICT_WORDS[last.verdict]}.{more}"
    elif len(judged):
        yield f"Between drivers no change of the {label} was found, in {count_text(len(judged), 'comparison')}."


def _once_a_change(rows):
    """Return each change of driver once: as the review says that compared the two, else as the archive does."""
    by_review_first = rows.sort_values("source", ascending=False, kind="stable")
    return by_review_first.drop_duplicates(["card", "of_driver", "against_driver"]).sort_index()


def _times_told(rows, what: str) -> Iterator[str]:
    """Yield in how many later times something changed, and how many tell neither way."""
    if not len(rows):
        return
    found = int((~rows["verdict"].isin(_NO_FINDING)).sum())
    open_ = int(rows["verdict"].isin(("no_verdict", "undecided")).sum())
    times = count_text(len(rows), "later time")
    more = f", and {open_} of them cannot be told" if open_ else ""
    yield f"{what} differs in {found or 'none'} of {times}{more}."


def _over_all(table, metric: str):
    """Return the rows of a metric over all benches of a table with scopes."""
    return table[(table["scope"] == "all") & (table["metric"] == metric)]


def _range_text(row) -> str:
    """Return a spread with its interval."""
    low, high = (number_text(one, decimals=2) for one in (row.ci_low, row.ci_high))
    return f"{number_text(row.spread, decimals=2)} {row.unit} ({low} to {high})"
