"""Tables of the archive, declared once: reviews, noise, restarts, cards, drivers, games, claims, findings."""

from __future__ import annotations

from gpubench_kit.model.tables import Column, Table
from gpubench_kit.model.verdicts import VERDICTS

SCOPES = ("all", "bench")

_SCENE = (
    Column("game", "text", "what was played"),
    Column("setting", "text", "resolution and quality"),
)
_SCOPE = (
    Column("scope", "text", "`all`: over all benches of the archive; `bench`: on the one named", allowed=SCOPES),
    Column("bench", "text", "rest of the machine"),
)
_METRIC = Column("metric", "text", "name of the metric")
_PLACE = Column("place_in_time", "integer", "number in the order of time")
_NAME = Column("name", "text", "title, with the folder where several reviews have that title")
_REVIEW = (Column("review", "text", "review"), _PLACE, Column("date", "text", "day of the review"))
#: What was measured, in a review, of a card that stands before it.
_MEASURED_KEY = ("card", "tuning", "review", "bench", "metric")
_MEASURED = (
    Column("tuning", "text", "reference tuning"),
    *_REVIEW,
    Column("bench", "text", "rest of the machine"),
    Column("driver", "text", "driver, or bench where no driver is stated"),
    _METRIC,
)
_UNIT = Column("unit", "text", "% on the ratio scale, else the metric's unit")

REVIEWS = Table(
    "reviews", "review", ("review",),
    (
        Column("review", "text", "short name of its content: first digits of a SHA-256 over manifest and tables"),
        Column("place_in_time", "integer", "number in the order of time; those without a date come last"),
        Column("date", "text", "day of the review, else of its first run; empty where not known or not plausible"),
        _NAME,
        Column("title", "text", "title"),
        Column("place", "text", "folder of the report below the folders given"),
        Column("cards", "text", "cards measured"),
        Column("drivers", "text", "drivers, or benches where no driver is stated"),
        Column("primary", "text", "the metric that decides"),
        Column("n_runs", "integer", "runs of its run sheet"),
        Column("n_counted", "integer", "runs that count here: used, and in no earlier review"),
        Column("n_sessions", "integer", "sessions of these: restarts of the machine, or mountings of a card"),
        Column("first_start", "text", "start of the first run as the sheet states it"),
        Column("last_start", "text", "start of the last run"),
        Column("format_version", "integer", "format version of the report"),
    ),
)  # fmt: skip

RUN_NOISE = Table(
    "run_noise", "scope, bench, game, setting and metric", ("scope", "bench", "game", "setting", "metric"),
    (
        *_SCOPE,
        *_SCENE,
        _METRIC,
        Column("n", "integer", "runs"),
        Column("n_reviews", "integer", "reviews"),
        Column("n_sessions", "integer", "sessions: runs between two restarts, in one review"),
        Column("df", "number", "degrees of freedom"),
        Column("sd", "number", "run-to-run standard deviation in a session, of the natural log on the ratio scale"),
        Column("noise", "number", "the same in `unit`"),
        Column("ci_low", "number", "lower end of its 95 % interval, in `unit`"),
        Column("ci_high", "number", "upper end of its 95 % interval, in `unit`"),
        _UNIT,
    ),
)  # fmt: skip

RESTART_SPREAD = Table(
    "restart_spread", "scope, bench and metric", ("scope", "bench", "metric"),
    (
        *_SCOPE,
        _METRIC,
        Column("restarts", "integer", "restarts after which one tuning of one card was measured again"),
        Column("n_reviews", "integer", "reviews in which that was done"),
        Column("n_games", "integer", "games and settings in which it was seen"),
        Column("spread", "number", "standard deviation between restarts, in `unit`"),
        Column("ci_low", "number", "lower end of its 95 % interval, in `unit`"),
        Column("ci_high", "number", "upper end of its 95 % interval, in `unit`; empty: not known"),
        Column("df", "number", "degrees of freedom of `spread`"),
        Column("widen_by", "number", "what confounded layouts are widened by, in `unit`; empty: too few"),
        Column("widen_restarts", "integer", "number of restarts that it counts as"),
        _UNIT,
    ),
)  # fmt: skip

_CHANGE = (
    Column("n_games", "integer", "games measured on both sides"),
    Column("n_sessions_of", "integer", "sessions of the later side"),
    Column("n_sessions_against", "integer", "sessions of the earlier side"),
    Column("change", "number", "later against earlier, in `unit`"),
    Column("ci_low", "number", "lower end of the 95 % interval, widened by the spread between restarts, in `unit`"),
    Column("ci_high", "number", "upper end"),
    Column("explaining_spread", "number", "spread between restarts that alone would explain the change, in `unit`"),
    Column("df", "number", "degrees of freedom"),
    Column("p_difference", "number", "p-value against no difference"),
    Column("p_difference_adjusted", "number", "the same, adjusted for the number of comparisons of this metric"),
    Column("p_equivalence_adjusted", "number", "p-value against a difference as large as the margin, adjusted"),
    Column("margin", "number", "smallest difference that matters, in `unit`"),
    Column("verdict", "text", "outcome", allowed=tuple(VERDICTS)),
    Column("reason", "text", "why there is no verdict, or what to know about the one given"),
    _UNIT,
)

DRIVER_CHANGES = Table(
    "driver_changes", "card, tuning, pair of drivers, metric and source",
    ("card", "tuning", "of_driver", "against_driver", "metric", "source", "review"),
    (
        Column("card", "text", "card that was measured"),
        Column("tuning", "text", "state of the card's limits"),
        Column("of_driver", "text", "later driver, or bench where no driver is stated"),
        Column("against_driver", "text", "earlier driver"),
        _METRIC,
        Column("source", "text", "`review`: compared by one review, as its report says; `archive`: across",
               allowed=("review", "archive")),
        Column("review", "text", "review that compared them; empty where the archive did"),
        Column("group", "text", "settings of one kind; `all` where the archive compared"),
        *_CHANGE,
    ),
)  # fmt: skip

CONTROL_RUNS = Table(
    "control_runs", "card, tuning, review, bench and metric", _MEASURED_KEY,
    (Column("card", "text", "card that was measured again"), *_MEASURED, *_CHANGE),
)  # fmt: skip

CARDS = Table(
    "cards", "card, tuning, review, bench and metric", _MEASURED_KEY,
    (
        Column("card", "text", "card that was measured"),
        *_MEASURED,
        Column("n_games", "integer", "games and settings measured"),
        Column("n", "integer", "runs"),
        Column("linked", "integer", "family of cards linked by games: its levels can be read together"),
        Column("level", "number", "level over the family's mean (100), fitted over all reviews"),
    ),
)  # fmt: skip

GAMES = Table(
    "games", "game, setting and metric", ("game", "setting", "metric"),
    (
        *_SCENE,
        _METRIC,
        Column("n_reviews", "integer", "reviews that compared tunings or cards in it"),
        Column("n_comparisons", "integer", "comparisons; of the same runs in several reviews the last one"),
        Column("n_decided", "integer", "of these, with a verdict other than `undecided`"),
        Column("n_held", "integer", "of these, frame-capped or with a declared frame limit"),
        Column("noise", "number", "run-to-run noise", "%"),
        Column("noise_ci_low", "number", "lower end of its 95 % interval", "%"),
        Column("rounds", "integer", "rounds that reviews usually give it (median)"),
        Column("detectable", "number", "smallest difference that these rounds find with 80 % chance", "%"),
        Column("detectable_at_best", "number", "the same with the lower end of the noise", "%"),
        Column("margin", "number", "smallest difference that matters (median)", "%"),
        Column("says_the_same_as", "text", "game that has given the same changes; empty: none"),
        Column("apart", "number", "upper 95 % limit of the spread between their changes", "%"),
        Column("advice", "text", "what to do with it", allowed=("keep", "drop", "more_runs")),
        Column("why", "text", "rule that the advice follows",
               allowed=("decides", "too_noisy", "noisy", "held_by_cap", "redundant", "not_known")),
    ),
)  # fmt: skip

CLAIMS_MADE = Table(
    "claims_made", "review", ("review",),
    (
        *_REVIEW,
        _NAME,
        Column("n", "integer", "claims in its script"),
        Column("supported", "integer", "of these, supported by the data"),
        Column("contradicted", "integer", "of these, contradicted"),
        Column("not_shown", "integer", "of these, not shown either way"),
        Column("n_overall", "integer", "results over these games, all metrics"),
        Column("n_claimed", "integer", "of these, spoken of by a claim over games"),
    ),
)  # fmt: skip

#: Every table of an archive's page by name, in the order written.
ARCHIVE_TABLES = {
    table.name: table
    for table in (REVIEWS, CARDS, RUN_NOISE, RESTART_SPREAD, CONTROL_RUNS, DRIVER_CHANGES, GAMES, CLAIMS_MADE)
}
