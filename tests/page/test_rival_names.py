"""How the rows of a rival's sheet are named: never so that they could be read as of one card."""

from gpubench_kit.page.results import Pair, Side
from gpubench_kit.page.rival import pair_name


def test_a_pair_of_cards_names_the_rival_where_its_tuning_is_another():
    ours, same = Side("Larkmoor 4", "quiet", ""), Side("Fernholt 3", "quiet", "")
    assert pair_name(Pair(ours, same)) == "Both quiet"
    assert pair_name(Pair(ours, Side("Fernholt 3", "factory", ""))) == "quiet vs Fernholt 3, factory"
