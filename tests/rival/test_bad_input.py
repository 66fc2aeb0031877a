"""Bad input to a review with rivals, through the command: each is told in plain words."""

from __future__ import annotations

import re

import pytest
from made_rivals import CARDS, RivalReview, toml_text
from markupsafe import Markup

from gpubench_kit.cli import main

pytestmark = pytest.mark.usefixtures("notebooks_here")

#: Power at another point and no price; and a card that is cheaper to buy and to run than ours.
OTHERS = {
    "B": {"name": "Fernholt 3", "role": "rival", "power_measured_at": "wall"},
    "C": {"name": "Fen Hollow 2", "role": "rival", "power_measured_at": "inline", "price": 500.0},
}


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> str:
    """Return the words of a page on one card against two rivals."""
    folder = tmp_path_factory.mktemp("rivals")
    review = RivalReview(
        installed="ABCCBA",
        cards={"A": CARDS["A"]} | OTHERS,
        watts={"A": 1.1},
        tunings={"factory": (0.0, 0.0, 0.0)},
        games=("Low Tide Racers", "Salt Orchard"),
    )
    review.write(folder / "review")
    assert main(["report", str(folder / "review"), "-o", str(folder / "out"), "--quiet"]) == 0
    html = (folder / "out" / "index.html").read_text(encoding="utf-8")
    return " ".join(str(Markup(re.sub(r"(?s)<(svg|style).*?</\1>", " ", html)).striptags()).split())


@pytest.mark.slow
def test_different_power_points_give_no_watts_and_say_why(page):
    assert "Power was measured at different points, so cards are not compared in watts or energy." in page
    assert "Not estimated: Power was measured at different points, or the point is not stated." in page


@pytest.mark.slow
def test_a_missing_price_is_named(page):
    assert "FPS for the price is not shown: no price is given for Fernholt 3." in page
    assert "Not estimated: No price is given for Fernholt 3." in page


@pytest.mark.slow
def test_a_negative_saving_never_breaks_even(page):
    assert (
        "Estimate: the break-even never comes: Larkmoor 4, factory costs more to buy and does not save energy "
        "compared with Fen Hollow 2, factory."
    ) in page


@pytest.mark.parametrize("price", ["560 USD", "$560"])
def test_a_price_with_a_currency_of_its_own_is_refused_with_the_place(tmp_path, capsys, price):
    mapping = RivalReview().mapping
    mapping["cards"][1]["price"] = price
    (tmp_path / "review").mkdir()
    (tmp_path / "review" / "plan.toml").write_text(toml_text(mapping), encoding="utf-8")
    assert main(["report", str(tmp_path / "review"), "-o", str(tmp_path / "out")]) == 2
    told = capsys.readouterr().err
    assert "price" in told
    assert price in told
    assert "Traceback" not in told
    assert not (tmp_path / "out").exists()


def test_a_negative_price_is_refused(tmp_path, capsys):
    mapping = RivalReview().mapping
    mapping["cards"][1]["price"] = -560.0
    (tmp_path / "review").mkdir()
    (tmp_path / "review" / "plan.toml").write_text(toml_text(mapping), encoding="utf-8")
    assert main(["report", str(tmp_path / "review"), "-o", str(tmp_path / "out")]) == 2
    assert "price" in capsys.readouterr().err
