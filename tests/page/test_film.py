"""Pictures for films: whole, legible, the same every time, and named so that a folder can be read."""

from __future__ import annotations

import hashlib
import itertools
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.files import transliterated
from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Style
from gpubench_kit.model.tables import COMPARISONS, FINDINGS, NOISE, OVERALL, RUNS, USABLE
from gpubench_kit.page import film
from gpubench_kit.page import pictures as drawing
from gpubench_kit.page.charts import Axis, Cell, Figure, FigureRow, Figures, Lane, Lanes
from gpubench_kit.page.charts.marks import text_width
from gpubench_kit.page.elements import tied
from gpubench_kit.page.film import film_pictures, write_film
from gpubench_kit.page.pictures import SHAPES, Picture, picture_png, picture_svg
from gpubench_kit.page.results import Results
from gpubench_kit.statistics.compare import LEVELS
from tests.page.conftest import GAMES, facts_of, made_up, page_html, results_of

HOSTILE = ["<b>&amp;</b> ]]>", "\u202eevil", "x" * 300, "🎮 quest", "غابة الزجاج", "日本語のゲーム", "Größe"]


def lanes(names=("Glass Tundra",), change=-3.7) -> Lanes:
    cell = Cell(centre=change, low=change - 1, high=change + 1, verdict="worse", text="▼ −3.7 %")
    rows = tuple(Lane(one, None, (cell,)) for one in names)
    return Lanes("Frame rate vs factory", (Axis("Frame rate", "%", margin=(-2.0, 2.0), signed=True),), rows)


def figures(names=("Quiet", "Brisk")) -> Figures:
    one = Figure("−0.9 %", "▽", "slightly slower", "i", "−1.4 to −0.4 %")
    return Figures(
        "t", ("Frame rate", "1 % low", "Power"), tuple(FigureRow(n, p, (one,) * 3) for p, n in enumerate(names, 1))
    )


def picture(**more) -> Picture:
    body = more.pop("body", lanes())
    return Picture("", "", "games", "Quiet slows Glass Tundra", "Larkmoor 4 · channel", body, **more)


def results(games=("Glass Tundra",), tunings=("quiet",), *, has_power=True) -> Results:
    """Return a made-up review of one card in which every tuning loses 3 % in every game."""
    plan = ReviewPlan.from_dict(
        {
            "review": {"title": "Larkmoor 4", "channel": "Bench & Brew"},
            "cards": [{"name": "Larkmoor 4"}],
            "tunings": [{"name": "factory", "reference": True}, *({"name": one} for one in tunings)],
            "games": [{"name": one} for one in games],
        }
    )
    metrics = ["avg_fps", "low_1pct_fps"] + ["board_w"] * has_power
    states = ["factory", *tunings]
    side = {"card": "Larkmoor 4", "bench": ""}
    pair = {"of_card": "Larkmoor 4", "of_bench": "", "against_card": "Larkmoor 4", "against_bench": "",
            "against_tuning": "factory", "group": "all", "scale": "ratio", "confidence": 0.95}  # fmt: skip
    found = {"change": -3.0, "ci_low": -3.5, "ci_high": -2.5, "margin": 2.0, "reason": ""}
    compared = [
        pair | found | {"of_tuning": t, "game": g, "setting": "", "metric": m, "n": 3, "n_against": 3,
                        "of_value": 97.0, "against_value": 100.0, "unit": METRICS[m].unit,
                        "verdict": "better" if m == "board_w" else "worse"}
        for t in tunings for g in games for m in metrics
    ]  # fmt: skip
    whole = [
        pair | found | {"of_tuning": t, "scope": "these_games", "metric": m, "n_games": len(games),
                        "unit": METRICS[m].unit, "verdict": "better" if m == "board_w" else "worse",
                        "games_left_out": "", "change_w": -41.0 if m == "board_w" else np.nan,
                        "change_w_ci_low": -42.0 if m == "board_w" else np.nan,
                        "change_w_ci_high": -40.0 if m == "board_w" else np.nan, "carried_by": ""}
        for t in tunings for m in metrics
    ]  # fmt: skip
    levels = [
        side | {"tuning": t, "game": g, "setting": "", "group": "all", "metric": m, "unit": METRICS[m].unit, "n": 3,
                "value": 100.0 - 3 * place, "ci_low": 99.0 - 3 * place, "ci_high": 101.0 - 3 * place}
        for place, t in enumerate(states) for g in [*games, ""] for m in metrics
    ]  # fmt: skip
    runs = [
        side | {"run": f"r{place}{number}", "tuning": t, "game": g, "setting": "", "purpose": "measure",
                "used": True}
        for place, t in enumerate(states) for number, g in enumerate(games)
    ]  # fmt: skip
    tables = {"findings": FINDINGS.frame([]), "noise": NOISE.frame([]), "usable": USABLE.frame([])}
    return Results(
        plan, runs=RUNS.frame(runs), comparisons=pd.DataFrame(compared).reindex(columns=COMPARISONS.names),
        overall=pd.DataFrame(whole).reindex(columns=OVERALL.names), levels=LEVELS.frame(levels), **tables,
    )  # fmt: skip


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("shape", SHAPES)
def test_a_picture_is_whole_svg_of_its_size_without_variables(shape, theme):
    svg = picture_svg(picture(shape=shape, place=1), theme=theme)
    root = ET.fromstring(svg)
    assert (int(root.get("width")), int(root.get("height"))) == SHAPES[shape][:2]
    assert "var(" not in svg
    assert "Quiet slows Glass Tundra" in root.get("aria-label")


@pytest.mark.parametrize("name", HOSTILE, ids=[f"name {n}" for n in range(len(HOSTILE))])
def test_hostile_names_stay_text(name):
    shown = replace(picture(), title=name, foot=name, body=lanes((name,) * 3))
    tags = {one.tag.rpartition("}")[2] for one in ET.fromstring(picture_svg(shown, theme="dark")).iter()}
    assert tags <= {"svg", "style", "g", "path", "text", "title", "circle", "rect"}


@pytest.mark.parametrize("body", [lanes(tuple("abcdefgh")), lanes(("a",)), figures(), figures(("Quiet",))],
                         ids=["eight games", "one game", "two tunings", "one tuning"])  # fmt: skip
@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_all_text_can_be_read_on_a_screen(shape, body):
    svg = picture_svg(replace(picture(), body=body, shape=shape), theme="dark")
    root = ET.fromstring(svg)
    inner = next(one for one in root if one.get("class") == "ch")
    scale = float(inner.get("width")) / float(inner.get("viewBox").split()[2])
    assert 12 * scale >= 39.9
    high = float(inner.get("y")) + float(inner.get("height"))
    assert high <= SHAPES[shape][1] - 80


def test_the_same_picture_gives_the_same_bytes():
    first, second = (picture_png(picture(), theme="dark") for _ in range(2))
    assert hashlib.sha256(first).hexdigest() == hashlib.sha256(second).hexdigest()
    assert first.startswith(b"\x89PNG")


def test_letters_of_a_picture_are_drawn():
    blank = replace(picture(), title=" ", foot=" ")
    assert len(picture_png(picture(), theme="dark")) > 1.1 * len(picture_png(blank, theme="dark"))


@pytest.mark.parametrize("name", HOSTILE, ids=[f"name {n}" for n in range(len(HOSTILE))])
def test_names_of_any_script_are_drawn_as_pictures(name):
    assert picture_png(replace(picture(), title=name, body=lanes((name,))), theme="light").startswith(b"\x89PNG")


def test_an_accent_colours_the_first_tuning():
    third = picture(shape="third", place=1)
    assert "#00aa77" in picture_svg(third, theme="dark", style=Style(accent="#00aa77"))


def test_a_review_gives_the_pictures_of_a_film():
    charts = [one.chart for one in film_pictures(results())]
    assert charts == ["tunings", "watts-fps", "lower-third-quiet", "frame-rates"]
    several = [one.chart for one in film_pictures(results(tuple("ABCDEFGHIJ"), ("quiet", "brisk")))]
    assert several.count("frame-rates") == 10
    assert sum(one.startswith("games-") for one in several) == 2


def test_the_title_of_a_game_says_what_each_tuning_does_there():
    made = results(("Glass Tundra",), ("quiet", "brisk"))
    table = made.comparisons.copy()
    table.loc[(table["of_tuning"] == "brisk"), "verdict"] = "same_within_margin"
    shown = [one for one in film_pictures(replace(made, comparisons=table)) if one.chart == "frame-rates"]
    assert shown[0].title.replace("\u00a0", " ") == "Glass Tundra: quiet 3.0 % slower, brisk the same"


def test_the_foot_names_card_channel_and_runs():
    shown = next(film_pictures(results()))
    for told in ("Larkmoor 4", "Bench & Brew", "2 runs", "95\u00a0% intervals"):
        assert told in shown.foot


def test_the_title_says_what_the_picture_shows_and_its_foot_counts_those_runs():
    games = ("Glass Tundra", "Salt Orchard")
    every = {one.chart: one for one in film_pictures(results(games), every=True)}
    named = " of quiet is {} in Glass Tundra and Salt Orchard"
    assert every["games-quiet-low-1pct-fps"].title == tied("1 % low" + named.format("worse"))
    assert every["games-quiet-board-w"].title == tied("Board power" + named.format("lower"))
    # A picture of one game counts that game's runs, and names no other game.
    whole, of_game = (every[name].foot for name in ("games-quiet-avg-fps", "frame-rates"))
    assert "2 games · 4 runs" in whole
    assert "· 2 runs ·" in of_game
    assert "games" not in of_game


def test_a_picture_of_power_is_titled_by_power_and_one_of_sensors_without_a_capital_within():
    review = made_up(games=GAMES[:2])
    pictures = film_pictures(results_of(review, facts_of=facts_of(review)), every=True)
    shown = {one.chart: one.title for one in pictures}
    assert "power" in shown["power"]
    same = review.comparisons.assign(verdict="same_within_margin")
    unmoved = results_of(replace(review, comparisons=same), facts_of=facts_of(review))
    titles = {one.chart: one.title for one in film_pictures(unmoved, every=True)}
    assert titles["power"].endswith("the same power")
    assert "power" not in shown["runs"]
    of_sensors = [title for chart, title in shown.items() if chart.startswith("sensor-")]
    assert of_sensors
    assert not [title for title in of_sensors if re.search(r": [A-Z]", title)]


@pytest.mark.parametrize("limit", [1.5, 4.0, 12.0, 40.0, 90.0])
@pytest.mark.parametrize("width", [180.0, 281.0, 520.0])
def test_ticks_of_the_margin_never_run_into_each_other(limit, width):
    shown = lanes(change=-limit)
    panel = replace(shown, width=width, axes=(replace(shown.axes[0], low=-limit, high=limit),)).panels[0]
    ends = [(place - text_width(text) / 2, place + text_width(text) / 2) for place, text, _ in panel.ticks]
    assert ends
    assert all(before[1] < after[0] for before, after in itertools.pairwise(ends))


def test_an_upright_picture_of_few_rows_is_filled():
    shown = picture_svg(picture(shape="tall", body=lanes(("A", "B", "C"))), theme="light", with_fonts=False)
    high = float(re.search(r'<svg class="ch"[^>]* height="([\d.]+)"', shown)[1])
    assert high > 0.4 * SHAPES["tall"][1]


def test_more_than_eight_games_are_summed_up_and_paged():
    many = results(tuple(f"Game {n:02}" for n in range(20)))
    first = [one for one in film_pictures(many) if one.chart.startswith("games-")]
    assert [len(one.body.lanes) for one in first] == [8]
    assert first[0].body.lanes[-1].name == "13 more games"
    assert "0 undecided" in first[0].body.lanes[-1].cells[0].text
    paged = [
        one for one in film_pictures(many, every=True) if re.fullmatch(r"games-quiet-avg-fps(-\d)?", one.chart)
    ]
    assert [len(one.body.lanes) for one in paged] == [8, 8, 5]


def test_without_power_or_games_fewer_pictures_are_made():
    assert "watts-fps" not in [one.chart for one in film_pictures(results(has_power=False))]
    nothing = replace(results(), comparisons=COMPARISONS.frame([]), overall=OVERALL.frame([]))
    assert list(film_pictures(nothing)) == []


def test_files_stand_in_a_folder_for_each_game_with_names_that_can_be_read(tmp_path):
    names = write_film(results(("Größe & Glanz", "Лес")), tmp_path)
    assert "groesse-glanz/groesse-glanz_frame-rates_dark.png" in names
    assert "les/les_frame-rates_light.svg" in names
    assert "all-games/all-games_tunings_dark.png" in names
    assert sorted(p.relative_to(tmp_path / "pictures").as_posix() for p in tmp_path.rglob("*.*")) == names


def test_the_sheet_shows_every_picture_and_links_no_file_that_is_not_there(tmp_path):
    write_film(results(("<b>A</b>", "B")), tmp_path)
    sheet = (tmp_path / "pictures" / "index.html").read_text(encoding="utf-8")
    links = re.findall(r'(?:href|src)="([^"]*)"', sheet)
    assert all((tmp_path / "pictures" / one).is_file() for one in links if one != "../index.html")
    assert "<b>A</b>" not in sheet
    assert all(re.findall(r'<img [^>]*alt="([^"]+)"', sheet))


@pytest.mark.parametrize("choice", ["film", "all", "none"])
@pytest.mark.parametrize("has_png", [True, False], ids=["png", "svg only"])
def test_every_link_to_a_picture_on_the_page_has_its_file(tmp_path, monkeypatch, choice, has_png):
    names = ("Ärger", "Aerger", "All games", "<b>bold</b>", "遠い港")
    review = made_up(games=names, tunings=("factory", "Käse", "Kaese", "brisk"))
    shown = results_of(review, facts_of=facts_of(review), pictures=choice)
    monkeypatch.setattr(drawing, "resvg_py", drawing.resvg_py if has_png else None)
    for name, drawn in (("picture_png", b""), ("picture_svg", "")):
        monkeypatch.setattr(film, name, lambda *_, drawn=drawn, **__: drawn)
    written = write_film(shown, tmp_path, pictures=choice)
    links = set(re.findall(r'href="pictures/([^"]*)"', page_html(shown)))
    assert links <= set(written)
    assert len(written) == len(set(written))
    assert ("index.html" in links) == (choice != "none")
    assert any("tunings" in one for one in links) == (choice != "none")
    assert any("percentiles" in one for one in links) == (choice == "all")
    assert any(one.endswith(".png") for one in links) == (has_png and choice != "none")


def test_all_pictures_hold_sensors_and_percentiles_too():
    review = made_up(games=GAMES[:2])
    charts = {one.chart for one in film_pictures(results_of(review, facts_of=facts_of(review)), every=True)}
    assert {"sensor-Board power", "runs", "power", "frame-times", "percentiles", "frame-rates"} <= charts


def test_games_that_are_written_alike_do_not_share_a_folder(tmp_path):
    names = write_film(results(("Ärger", "Aerger")), tmp_path)
    folders = {one.partition("/")[0] for one in names if "frame-rates" in one}
    assert len(folders) == 2


def test_without_what_draws_png_files_the_set_is_svg_and_the_sheet_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(drawing, "resvg_py", None)
    names = write_film(results(), tmp_path)
    assert {one.rpartition(".")[2] for one in names} == {"svg", "html"}
    assert "resvg-py" in (tmp_path / "pictures" / "index.html").read_text(encoding="utf-8")
    with pytest.raises(ReportError, match="resvg-py"):
        picture_png(picture(), theme="dark")


def test_no_pictures_are_written_where_none_are_wanted(tmp_path):
    assert write_film(results(), tmp_path, pictures="none") == []
    assert not (tmp_path / "pictures").exists()
    with pytest.raises(ReportError, match=r"some.*'film', 'all', 'none'"):
        write_film(results(), tmp_path, pictures="some")


@pytest.mark.parametrize(
    ("name", "written"),
    [("Glass Tundra", "glass-tundra"), ("Widow's Aqueduct", "widows-aqueduct"), ("Größe", "groesse"),
     ("Łódź", "lodz"),
     ("Щит", "shchit"), ("Ωμέγα", "omega"), ("1440p ray tracing", "1440p-ray-tracing")],
)  # fmt: skip
def test_names_are_written_in_the_plain_alphabet(name, written):
    assert transliterated(name) == written


@pytest.mark.parametrize("name", ["日本語", "!!!", "🎮", "x" * 300])
def test_what_leaves_nothing_to_read_gets_a_name_of_its_own(name):
    found = transliterated(name)
    assert re.fullmatch(r"[a-z0-9-]{6,90}", found)
    assert found != transliterated(name + "!")


def test_a_picture_that_cannot_be_written_is_an_error_of_the_report(tmp_path):
    (tmp_path / "pictures").write_text("in the way", encoding="utf-8")
    with pytest.raises(ReportError, match="cannot be written"):
        write_film(results(), tmp_path)


@pytest.mark.parametrize("tenths", range(31, 49))
def test_a_title_that_is_made_smaller_to_fit_is_not_cut(tenths):
    title = tied(f"Glass Tundra, 1440p: quiet 3.7 % slower, brisk {tenths / 10} % faster")
    svg = picture_svg(replace(picture(), title=title), theme="dark")
    shown = re.findall(r'<text class="film"[^>]*font-weight:700">([^<]*)</text>', svg)
    assert " ".join(shown) == title


@pytest.mark.parametrize("width", [280.0, 520.0])
def test_words_of_neighbouring_figures_stand_apart(width):
    one = Figure("−0.9 %", "▽", "slightly slower", "i", "−1.4 to −0.4 %")
    shown = Figures("t", ("Frame rate", "1 % low", "Power"), (FigureRow("Quiet", 1, (one,) * 3),), width=width)
    assert text_width(one.told, shown.word_size, face="semibold") <= shown.column_width - 8
