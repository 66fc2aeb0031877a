"""Made-up folders of logs as people name them, with the truth: facts of files only, nothing is written."""

from __future__ import annotations

import calendar
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from gpubench_kit.model.questions import LogFacts

ROOT = Path("logs")
FIVE = ("Ashen Marches", "Rallye Nord", "Glasshouse", "Deep Orbit", "Cobalt Keep")
THREE = ("factory", "quiet", "fast")
_BEGIN = calendar.timegm((2026, 11, 20, 18, 30, 5))


@dataclass
class MadeRun:
    """One run as it was: what the sheet should say, when it was, how long, and its mean rate."""

    game: str
    tuning: str
    setting: str
    round: int
    start_s: float
    length_s: float
    mean_fps: float
    session: int
    order: int = 0
    sensor_log: str = ""
    is_left_out: bool = False

    def stamp(self, form: str) -> str:
        """Return its start as text."""
        return datetime.fromtimestamp(self.start_s, UTC).strftime(form)


@dataclass
class Style:
    """How one reviewer names logs.

    Attributes
    ----------
    name_of : run -> path
    games, tunings, settings, rounds, days, block : what was measured, and whether tuning by tuning
    preamble : run -> lines above the heading
    has_stamps : whether logs hold a stamp
    is_copied : whether all file times are those of a copy
    sensors : ``one`` log for all, ``each`` its own of the same name, ``clock`` its own by time, or empty
    change : changes runs and extra files afterwards
    """

    name_of: Callable[[MadeRun], str]
    games: tuple[str, ...] = FIVE
    tunings: tuple[str, ...] = THREE
    settings: tuple[str, ...] = ("",)
    rounds: int = 3
    days: int = 1
    block: bool = False
    preamble: Callable[[MadeRun], tuple[tuple[str, str], ...]] = lambda run: ()
    has_stamps: bool = True
    is_copied: bool = False
    sensors: str = "one"
    change: Callable[[list[MadeRun]], list[tuple[str, MadeRun, bool]]] | None = None


@dataclass
class MadeFolder:
    """A folder: facts of its files, and the run of each frame log that is no mere copy."""

    facts: list[LogFacts]
    truth: dict[str, MadeRun] = field(default_factory=dict)


def _runs(style: Style, rng: random.Random) -> list[MadeRun]:
    """Return the runs in the order made."""
    start_s, runs = float(_BEGIN), []
    rates = {game: rng.uniform(55, 200) for game in style.games}
    for round_ in range(1, style.rounds + 1):
        if style.days > 1 and round_ == style.rounds // 2 + 1:
            start_s += 86400 - 3600
        for game in rng.sample(style.games, len(style.games)):
            for setting in style.settings:
                for tuning in rng.sample(style.tunings, len(style.tunings)):
                    gain = 1 + 0.03 * style.tunings.index(tuning)
                    rate = rates[game] * gain * rng.gauss(1, 0.004) * (0.6 if setting == "4k" else 1)
                    session = 1 if style.days == 1 or round_ <= style.rounds // 2 else 2
                    length_s = 60 + rng.uniform(-0.4, 0.4)
                    runs.append(MadeRun(game, tuning, setting, round_, start_s, length_s, rate, session))
                    start_s += int(60 + rng.uniform(25, 70))
    if style.block:
        starts = [run.start_s for run in runs]
        runs.sort(key=lambda run: (style.tunings.index(run.tuning), style.games.index(run.game), run.round))
        for run, start in zip(runs, starts, strict=True):
            run.start_s = start
    for run in runs:
        run.session = 1 + (run.start_s - _BEGIN > 40_000)
    _number(runs)
    return runs


def _number(runs: list[MadeRun]) -> None:
    """Number runs in the order made."""
    for place, run in enumerate(sorted(runs, key=lambda one: one.start_s), start=1):
        run.order = place


def _frames(path: str, run: MadeRun, style: Style) -> LogFacts:
    """Return the facts of a frame log."""
    return LogFacts(
        ROOT / path, "frames", sha256=f"{run.start_s} {run.tuning}",
        file_time_s=1.8e9 if style.is_copied else run.start_s + run.length_s + 1,
        started_at_s=run.start_s if style.has_stamps else math.nan, clock_kind="dated" if style.has_stamps else "",
        length_s=run.length_s, mean_fps=run.mean_fps, preamble=style.preamble(run), format_id="5f0c9a21",
        seen="frame;ms", certainty="proven",
    )  # fmt: skip


def _sensors(path: str, start_s: float, length_s: float) -> LogFacts:
    """Return the facts of a sensor log."""
    return LogFacts(
        ROOT / path, "sensors", sha256=path, file_time_s=start_s + length_s, started_at_s=start_s,
        clock_kind="dated", length_s=length_s, format_id="0a0b0c0d", seen="time;power", certainty="stated",
    )  # fmt: skip


def made_folder(style: Style, seed: int, *, n_missing: int = 0) -> MadeFolder:
    """Return a folder of a style, some logs taken away."""
    rng = random.Random(seed)
    runs = _runs(style, rng)
    extra = style.change(runs) if style.change else []
    named = [(style.name_of(run), run, True) for run in runs] + extra
    _number([run for _, run, counts in named if counts])
    loose = [path for path, run, counts in named if counts and not run.is_left_out and not extra]
    gone = set(rng.sample(loose, min(n_missing, len(loose))))
    named = [one for one in named if one[0] not in gone]
    _number([run for _, run, counts in named if counts])
    folder = MadeFolder([_frames(path, run, style) for path, run, _ in named])
    folder.truth = {path: run for path, run, counts in named if counts}
    first, last = min(run.start_s for run in runs), max(run.start_s for run in runs)
    if style.sensors == "one":
        folder.facts.append(_sensors("sensors evening.csv", first - 9, last - first + 99))
    for path, run in folder.truth.items() if style.sensors in ("each", "clock") else ():
        run.sensor_log = path.replace("frames", "sensors") if style.sensors == "each" else (
            f"hw/hw {datetime.fromtimestamp(run.start_s - 4, UTC):%Y-%m-%d %H-%M-%S}.csv")  # fmt: skip
        folder.facts.append(_sensors(run.sensor_log, run.start_s - 4, 74.0))
    for run in folder.truth.values() if style.sensors == "one" else ():
        run.sensor_log = "sensors evening.csv"
    rng.shuffle(folder.facts)
    return folder


def _bad_take(runs: list[MadeRun]) -> list[tuple[str, MadeRun, bool]]:
    """Return an aborted take before a run."""
    of = runs[7]
    run = MadeRun(of.game, of.tuning, "", of.round, of.start_s - 40, 22.0, of.mean_fps, 1, is_left_out=True)
    return [(f"{run.game} {run.tuning} {run.round} bad.csv", run, True)]


def _retry(runs: list[MadeRun]) -> list[tuple[str, MadeRun, bool]]:
    """Return a repeat of a run whose own log is called bad."""
    of = runs[4]
    of.is_left_out = True
    run = MadeRun(of.game, of.tuning, "", of.round, of.start_s + 61, 60.0, of.mean_fps, 1)
    return [(f"{run.game} {run.tuning} {run.round} retry.csv", run, True)]


def _plain(run: MadeRun) -> str:
    """Return game, tuning and round as a name."""
    return f"{run.game} {run.tuning} {run.round}.csv"


def _bracketed(run: MadeRun) -> str:
    """Return a number in brackets from the second round on."""
    return "" if run.round == 1 else f" ({run.round})"


def _initials(name: str) -> str:
    """Return initials of several words, or the first letters of one."""
    return "".join(word[0] for word in name.split()) if " " in name else name[:4]


def _slipped(run: MadeRun) -> str:
    """Return a name with two letters exchanged in one round of one tuning."""
    is_slip = (run.round, run.tuning) == (2, "quiet")
    return _plain(run).replace("Ashen", "Asehn") if is_slip else _plain(run)


def _named_bad(run: MadeRun) -> str:
    """Return a name with a word for a run that does not count."""
    return _plain(run).replace(".csv", " bad.csv") if run.is_left_out else _plain(run)


STYLES: dict[str, Style] = {
    "old logs": Style(lambda r: f"{r.game} {r.tuning}{_bracketed(r)}.csv", FIVE[:4], THREE[:2], block=True,
                      preamble=lambda r: (("2", r.game),)),
    "stamps only": Style(lambda r: f"capture {r.stamp('%Y-%m-%d %H%M%S')}.csv"),
    "stamps, game in the log": Style(lambda r: f"capture_{r.stamp('%Y%m%d_%H%M%S')}.csv", has_stamps=False,
                                     preamble=lambda r: (("game", r.game),)),
    "folders by game": Style(lambda r: f"{r.game}/{r.tuning} run {r.round}.csv"),
    "folders by tuning": Style(lambda r: f"{r.tuning}/{r.game.lower().replace(' ', '_')}_{r.round}.csv",
                               has_stamps=False),
    "accents and capitals": Style(
        lambda r: (str.upper if r.round == 2 else str)(f"{r.game} {r.tuning} {r.round}") + ".csv",
        ("Grünes Tal", "Über Wasser", "Nachtgleiß", "Schöne Küste"), ("Serie", "Leise")),
    "a slip": Style(_slipped),
    "initials": Style(lambda r: f"{_initials(r.game)}_{r.tuning[0]}_{r.round}.csv", FIVE,
                      ("factory", "quiet", "oc")),
    "initials now and then": Style(
        lambda r: f"{_initials(r.game) if ' ' in r.game and r.round == 3 else r.game} {r.tuning} {r.round}.csv"),
    "sensors beside each": Style(lambda r: f"r{r.order:03d}.frames.csv", sensors="each",
                                 preamble=lambda r: (("title", r.game),)),
    "dates in names": Style(
        lambda r: f"{r.tuning}/{r.game.replace(' ', '')}-{r.stamp('%Y_%m_%d-%H_%M_%S')}.csv", has_stamps=False),
    "a bad take": Style(_plain, change=_bad_take),
    "a retry": Style(_named_bad, change=_retry),
    "copied": Style(_plain, has_stamps=False, is_copied=True),
    "copied, no numbers": Style(lambda r: f"{r.game} {r.tuning}.csv", rounds=1, has_stamps=False, is_copied=True),
    "running number": Style(lambda r: f"{r.order:03d} {r.game} {r.tuning}.csv", has_stamps=False, is_copied=True),
    "camel case and settings": Style(
        lambda r: f"{r.game.replace(' ', '')}_{r.tuning}_{r.setting}_run{r.round}.csv", FIVE[:3],
        ("Stock", "UV950mV"), ("1440p", "4k")),
    "no word for factory": Style(
        lambda r: f"{r.game}{' uv' if r.tuning == 'uv' else ''}{_bracketed(r)}.csv", FIVE, ("factory", "uv")),
    "games share words": Style(lambda r: f"{r.game} - {r.tuning} - {r.round}.csv",
                               ("Iron Vale", "Iron Harbour", "Vale Runner", "Low Tide Racers")),
    "folders by round": Style(lambda r: f"Runde {r.round}/{r.game}_{r.tuning}.csv", has_stamps=False),
    "two evenings": Style(lambda r: f"{r.stamp('%Y-%m-%d')}/{r.game} {r.tuning} {r.stamp('%H.%M.%S')}.csv",
                          FIVE[:3], rounds=4, days=2),
    "unknown tunings": Style(_plain, FIVE, ("Alpha", "Beta")),
    "numbers against stamps": Style(lambda r: f"{r.game} {r.tuning} {r.round % 3 + 1}.csv"),
    "a copy inside": Style(_plain, change=lambda runs: [
        (_plain(runs[3]).replace(".csv", " - Kopie.csv"), runs[3], False)]),
    "sensors by clock": Style(lambda r: f"{r.game}/{r.tuning}_{r.round}.csv", sensors="clock"),
    "power limits": Style(lambda r: f"{r.game} {r.tuning} #{r.round}.csv", FIVE[:4], ("300W", "260W", "220W")),
    "tunings with numbers": Style(lambda r: f"{r.game} {r.tuning} run{r.round}.csv", FIVE[:3],
                                  ("uv 950", "uv 900", "stock")),
    "names of numbers": Style(_plain, ("Orbit 2", "Orbit 3", "Glasshouse"), THREE[:2]),
    "numbers glued to tunings": Style(lambda r: f"{r.game} {r.tuning}{r.round}.csv", FIVE[:4], THREE[:2]),
    "numbers glued to limits": Style(lambda r: f"{r.game} {r.tuning}{r.round}.csv", FIVE[:4], ("uv", "oc")),
    "tuning first": Style(lambda r: f"{r.tuning}-{r.game}-{r.round:02d}.csv".replace(" ", "-")),
    "days as folders": Style(lambda r: f"day {r.session}/{r.game} {r.tuning} {r.round}.csv", FIVE[:3], THREE[:2],
                             rounds=4, days=2),
    "three words for factory": Style(
        lambda r: f"{r.game} {('factory', 'stock', 'default')[r.round - 1] if r.tuning == 'factory' else r.tuning} "
                  f"{r.round}.csv"),
    "times only": Style(lambda r: f"{r.game} {r.tuning} {r.stamp('%H%M%S')}.csv", FIVE[:3], THREE[:2],
                        has_stamps=False, is_copied=True),
    "games named like tunings": Style(_plain, ("Quiet Harbour", "Fast Lane", "Glasshouse"), THREE[:2]),
    "games named factory": Style(_plain, ("Quiet Harbour", "Silent Moor", "Factory Town", "Boost Alley"),
                                 ("factory", "hushed")),
    "in Spanish": Style(lambda r: f"{r.game}_{r.tuning}_vuelta{r.round}.csv", FIVE[:4], ("fábrica", "silencio")),
    "in Russian": Style(lambda r: f"{r.tuning}/{r.game} {r.round}.csv", ("Гавань", "Башня соли", "Тракт"),
                        ("завод", "тихий")),
    "a number behind a number": Style(
        lambda r: f"{r.game} {r.tuning} {r.round}{' (2)' if (r.round, r.tuning) == (3, 'quiet') else ''}.csv",
        FIVE[:3], THREE[:2]),
    "saved by a browser": Style(
        lambda r: f"{r.tuning}/{r.game}{'' if r.round == 1 else f' ({r.round - 1})'}.csv", FIVE[:4], THREE[:2],
        has_stamps=False, is_copied=True),
    "right to left": Style(_plain, ("משחק ראשון", "מסע בלילה", "لعبة البحر"), THREE[:2]),
    "one game": Style(_plain, FIVE[:1], THREE[:2], rounds=5),
    "one game, folders": Style(lambda r: f"{r.tuning}/run {r.round}.csv", FIVE[:1], THREE[:2], rounds=5),
    "German words": Style(lambda r: f"Messung {r.round} - {r.game} - {r.tuning}.txt", FIVE[:4],
                          ("Original", "Sparsam")),
    "scenes": Style(lambda r: f"{r.game} city loop {r.tuning} {r.round}.csv", FIVE[:4], THREE[:2]),
    "month first": Style(lambda r: f"{r.game} {r.tuning} {r.stamp('%m-%d-%Y %H-%M-%S')}.csv", FIVE[:3], THREE[:2],
                         rounds=4, days=2, has_stamps=False, is_copied=True),
    "file times": Style(_plain, FIVE[:4], THREE[:2], has_stamps=False),
    "letters for rounds": Style(lambda r: f"{r.game} {r.tuning} {'abc'[r.round - 1]}.csv", FIVE[:4], THREE[:2]),
    "a version": Style(lambda r: f"{r.game} v1.2 {r.tuning} {r.round}.csv", FIVE[:4], THREE[:2]),
    "undervolt steps": Style(lambda r: f"{r.game}_{r.tuning}_{r.round}.csv", FIVE[:3], ("stock", "uv1", "uv2")),
    "tuning in capitals": Style(lambda r: f"{r.game}_{r.tuning.upper()}_{r.round}.CSV", FIVE[:4], THREE[:2]),
    "limits with signs": Style(lambda r: f"{r.game} {r.tuning} r{r.round}.csv", FIVE[:3],
                               ("-90mV 88%", "+120MHz", "stock")),
    "numbers of games": Style(lambda r: f"{r.game.split()[0]} {len(r.game)} {r.tuning} {r.round}.csv", FIVE[:3],
                              ("stock", "uv", "oc")),
    "sittings": Style(lambda r: f"s{1 + (r.round > 2)}-{r.game}-{r.tuning}-run{r.round}-final.csv", FIVE[:3],
                      ("stock", "uv", "oc")),
    "logs by number": Style(lambda r: f"log{r.order:03d}.csv", has_stamps=False, is_copied=True),
    "days as folders, running number": Style(lambda r: f"2026-03-{r.round:02d}/{r.game}_{r.tuning}_{r.order}.csv",
                                             FIVE[:3], ("stock", "uv", "oc"), has_stamps=False, is_copied=True),
    "letters behind camel": Style(
        lambda r: f"{r.game.replace(' ', '')}{r.tuning.upper()}{'ABC'[r.round - 1]}.csv", FIVE[:3],
        ("stock", "uv", "oc")),
    "resolutions": Style(lambda r: f"{r.game} {r.setting} {r.tuning} {r.round}.csv", FIVE[:3], THREE[:2],
                         ("2560x1440", "3840x2160")),
}  # fmt: skip


def random_style(seed: int) -> Style:
    """Return a style of random names: parts in any order, separators, folders, cases, dates, words for numbers."""
    rng = random.Random(seed)
    games = tuple(rng.sample([*FIVE, "Iron Vale", "Low Tide Racers", "Salt Orchard", "Ninefold", "Über Wasser"],
                             rng.randint(2, 5)))  # fmt: skip
    tunings = rng.choice((("factory", "quiet"), ("stock", "uv"), ("default", "oc", "eco"), ("Serie", "leise"),
                          ("300W", "260W"), ("stock", "uv 950")))  # fmt: skip
    apart = rng.choice((" ", "_", "-", " - ", "."))
    case = rng.choice((str, str.lower, str.upper, lambda text: text.replace(" ", "")))
    number = rng.choice(("{}", "run{}", "r{}", "run {}", "#{}", "({})", "Lauf {}", "{:02d}", ""))
    date = rng.choice(("", "", "%Y-%m-%d %H%M%S", "%Y%m%d_%H%M%S", "%H.%M.%S", "%d.%m.%Y %H-%M-%S"))
    folder = rng.choice(("", "", "game", "tuning"))
    order = rng.sample(("game", "tuning", "number", "date"), 4)
    if number == "({})":
        order = [*(part for part in order if part != "number"), "number"]

    def name_of(run: MadeRun) -> str:
        parts = {"game": case(run.game), "tuning": run.tuning, "number": number.format(run.round),
                 "date": run.stamp(date) if date else ""}  # fmt: skip
        own = apart.join(parts[part] for part in order if parts[part] and part != folder)
        return f"{parts[folder]}/{own or 'log'}.csv" if folder else f"{own}.csv"

    return Style(
        name_of, games, tunings, rounds=rng.randint(2, 4), days=rng.choice((1, 1, 2)), block=rng.random() < 0.2,
        has_stamps=rng.random() < 0.5, is_copied=rng.random() < 0.5,
        sensors=rng.choice(("one", "one", "clock", "")),
    )  # fmt: skip
