"""Made-up tables, and the judge of legibility: no text overlaps another, leaves its figure or is too small."""

from __future__ import annotations

from itertools import combinations
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from gpubench_kit.figures.described import SETTINGS
from gpubench_kit.figures.style import page_look, picture_look
from gpubench_kit.logs.run_facts import RunFacts, Trace
from gpubench_kit.model.tables import COMPARISONS, NOISE, OVERALL, PAIR_KEY, RUNS, USABLE

GAMES = (
    "Low Tide Racers", "Salt Orchard", "Copper Monsoon", "Glass Tundra", "Dust Meridian", "Harbour Lights",
    "Ninefold Keep", "Kestrel Parish", "Thornway Express", "Widow's Aqueduct",
)  # fmt: skip
CARD = "Larkmoor 4"
QUIET = (CARD, "quiet", "", CARD, "factory", "")
VERDICTS = (
    "better", "better_but_small", "same_within_margin", "undecided", "worse", "worse_but_small", "no_verdict",
)  # fmt: skip

#: Shapes of reviews that break charts: (names of games, names of tunings, verdicts, size of a value).
HARD_REVIEWS = {
    "ten games": (GAMES, ("factory", "quiet", "brisk"), VERDICTS, 120.0),
    "one game, one tuning": (GAMES[:1], ("factory",), ("undecided",), 7.0),
    "forty games, six tunings": (
        tuple(f"{GAMES[place % 10]} part {place // 10 + 1}" for place in range(40)),
        ("factory", "quiet", "brisk", "cool", "thrifty", "steady at a held point"), ("undecided",), 900.0,
    ),
    "names of 120 characters": (
        tuple((f"{name} and the long way home past the old mill, " * 4)[:120] for name in GAMES),
        ("factory", "quiet " * 20), VERDICTS, 900.0,
    ),
    "names in other scripts": (
        ("鉄の海と遠い山", "<b>Salt</b> & $x^2$", "Névé Crossing", "=1+1", "الطريق الطويل", "ก" * 30),
        ("factory", "静か"), VERDICTS, 7.0,
    ),
}  # fmt: skip


@pytest.fixture(params=list(HARD_REVIEWS))
def hard_review(request):
    """One review whose shape is hard on charts: plan, comparisons, overall and noise."""
    games, tunings, verdicts, size = HARD_REVIEWS[request.param]
    return SimpleNamespace(
        plan=make_plan(games=games, tunings=tunings),
        comparisons=make_comparisons(games=games, tuning=tunings[-1], verdicts=verdicts),
        overall=make_overall(tunings=tunings[1:] or tunings, verdicts=verdicts),
        noise=make_noise(games=games, tunings=tunings, size=size),
        usable=make_usable(games=games, tunings=tunings, rounds=2, size=size),
    )


@pytest.fixture
def make():
    """The makers of tables and plans."""
    return SimpleNamespace(
        plan=make_plan,
        comparisons=make_comparisons,
        overall=make_overall,
        noise=make_noise,
        usable=make_usable,
        runs=make_runs,
        facts=make_facts,
        pair=QUIET,
    )


@pytest.fixture
def assert_legible():
    """A function that draws a figure for page and picture and judges its text."""
    return _assert_legible


def make_plan(games=GAMES, tunings=("factory", "quiet", "brisk"), cards=(CARD,), **style):
    """Return what charts read of a plan."""
    return SimpleNamespace(
        cards=tuple(SimpleNamespace(name=card) for card in cards),
        benches=(SimpleNamespace(name=""),),
        tunings=tuple(SimpleNamespace(name=name) for name in tunings),
        games=tuple(
            SimpleNamespace(name=game, settings=(SimpleNamespace(name="", group="all"),)) for game in games
        ),
        analysis=SimpleNamespace(confidence=0.95, sensor_edge_s=1.0),
        reference_tuning=tunings[0],
        margin_of=lambda metric: 2.0,
        style=SimpleNamespace(accent=style.get("accent", ""), font_scale=style.get("font_scale", 1.0),
                              mark=style.get("mark", "")),
    )  # fmt: skip


def make_comparisons(games=GAMES, tuning="quiet", verdicts=VERDICTS, metric="avg_fps"):
    """Return comparisons of one pair, changes falling from game to game."""
    rng = np.random.default_rng(7)
    rows = []
    for place, game in enumerate(games):
        change, half = float(rng.normal(0.3, 2)), float(abs(rng.normal(0.8, 0.4)) + 0.1)
        verdict = verdicts[place % len(verdicts)]
        rows.append(dict(zip(PAIR_KEY, (CARD, tuning, "", CARD, "factory", ""), strict=True)) | {
            "game": game, "setting": "", "metric": metric, "group": "all", "n": 5, "n_against": 5, "unit": "fps",
            "scale": "ratio", "change": change, "ci_low": change - half, "ci_high": change + half,
            "confidence": 0.95, "margin": 2.0, "verdict": verdict,
            "reason": "one_run" if verdict == "no_verdict" else "",
        })  # fmt: skip
    return COMPARISONS.frame(rows)


def make_overall(tunings=("quiet", "brisk"), verdicts=VERDICTS, metric="avg_fps"):
    """Return overall results of each tuning in both scopes."""
    rows = []
    for place, tuning in enumerate(tunings):
        for scope, half in (("these_games", 0.4), ("games_like_these", 1.3)):
            change = 0.7 * place - 0.5
            rows.append(dict(zip(PAIR_KEY, (CARD, tuning, "", CARD, "factory", ""), strict=True)) | {
                "group": "all", "scope": scope, "metric": metric, "n_games": 10, "unit": "fps", "scale": "ratio",
                "change": change, "ci_low": change - half, "ci_high": change + half, "confidence": 0.95,
                "margin": 2.0, "verdict": verdicts[place % len(verdicts)],
            })  # fmt: skip
    return OVERALL.frame(rows)


def make_noise(games=GAMES, tunings=("factory", "quiet", "brisk"), size=120.0, cards=(CARD,)):
    """Return noise of four metrics for every card, tuning and game."""
    rng = np.random.default_rng(3)
    means = {"avg_fps": size, "low_1pct_fps": 0.72 * size, "board_w": 240.0, "energy_per_frame_j": 240 / size}
    rows = []
    for card in cards:
        for game in games:
            at_game = rng.uniform(0.6, 1.6)
            for tuning in tunings:
                for metric, mean in means.items():
                    cv = float(rng.uniform(0.2, 2))
                    scale = at_game if metric.endswith("fps") else 1.0
                    rows.append({
                        "card": card, "bench": "", "tuning": tuning, "game": game, "setting": "", "metric": metric,
                        "n": 5, "mean": mean * scale * float(rng.uniform(0.97, 1.03)), "sd": cv / 100, "cv_pct": cv,
                        "detectable_pct": 2.4 * cv,
                    })  # fmt: skip
    return NOISE.frame(rows)


def make_usable(games=GAMES, tunings=("factory", "quiet", "brisk"), rounds=5, drift=0.0, size=120.0):
    """Return usable runs in random order, with a drift per run on the log scale."""
    rng = np.random.default_rng(11)
    plan = [(number, game, tuning) for number in range(1, rounds + 1) for game in games
            for tuning in rng.permutation(list(tunings))]  # fmt: skip
    return USABLE.frame(
        {
            "run": f"r{order:03d}", "card": CARD, "bench": "", "tuning": str(tuning), "game": game, "group": "all",
            "session": f"s{1 + (number > 3)}", "round": number, "order": order, "order_known": True,
            "metric": "avg_fps", "value": size * np.exp(drift * order + rng.normal(0, 0.008)),
        }
        for order, (number, game, tuning) in enumerate(plan, start=1)
    )  # fmt: skip


def make_facts(run, frame_ms=8.3, spike_ms=None, seed=0, seconds=60.0):
    """Return facts of one run with a trace of 120 pieces and samples of three sensors, one a second."""
    rng = np.random.default_rng(seed)
    time_s = np.linspace(0, seconds, 120, endpoint=False)
    mean = frame_ms * (1 + 0.1 * np.sin(time_s / 9))
    high = mean * (1.25 + rng.exponential(0.1, 120))
    if spike_ms:
        high[60] = spike_ms
    sampled = np.arange(0, seconds, 1.0)
    warm = 1 - np.exp(-sampled / 20)
    return RunFacts(
        run=run, n_frames=int(1000 * seconds / frame_ms), duration_s=seconds, longest_ms=float(high.max()),
        longest_at_s=float(time_s[high.argmax()]), trace=Trace(time_s, 0.8 * mean, mean, high),
        sensor_traces={
            "core_c": (sampled, 60 + 10 * warm + rng.normal(0, 0.3, sampled.size)),
            "core_mhz": (sampled, 2700 - 50 * warm), "board_w": (sampled, 240 + rng.normal(0, 4, sampled.size)),
        },
    )  # fmt: skip


def make_runs(tunings=("factory", "quiet", "brisk"), game="Salt Orchard", rounds=3):
    """Return the table of runs of one game, and the facts of each; round 2 of the second tuning has a spike."""
    rows, facts = [], []
    for place, tuning in enumerate(tunings):
        for number in range(rounds):
            run = f"r{place * rounds + number + 1:02d}"
            rows.append({"run": run, "card": CARD, "bench": "", "tuning": tuning, "game": game, "setting": "",
                         "purpose": "measure", "order": place * rounds + number, "used": True})  # fmt: skip
            spike = 210.0 if (place, number) == (1, 1) else None
            facts.append(make_facts(run, 8.3 - 0.2 * place + 0.01 * number, spike, seed=place * rounds + number))
    return RUNS.frame(rows), facts


def _assert_legible(described):
    """Judge the text of a figure in both shapes."""
    for look, smallest in ((page_look(), 12.0), (picture_look(described.style), 24.0)):
        with mpl.rc_context(SETTINGS):
            figure = described.drawing(look)
            renderer = FigureCanvasAgg(figure).get_renderer()
            texts = [text for text in figure.findobj(Text) if text.get_text().strip()]
            boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in texts]
        sheet = figure.bbox
        assert boxes, "nothing is written on the figure"
        assert min(text.get_fontsize() for text in texts) >= smallest
        for text, box in boxes:
            inside = box.x0 >= -0.5 and box.x1 <= sheet.x1 + 0.5 and box.y0 >= -0.5 and box.y1 <= sheet.y1 + 0.5
            assert inside, f"{look.shape}: '{text}' leaves the figure: {box.extents} in {sheet.extents}"
        for (first, one), (second, other) in combinations(boxes, 2):
            wide = min(one.x1, other.x1) - max(one.x0, other.x0)
            high = min(one.y1, other.y1) - max(one.y0, other.y0)
            assert wide < 1 or high < 1.5, f"{look.shape}: '{first}' overlaps '{second}' by {wide:.1f} x {high:.1f}"
