"""How pairs are named: never so that two cards, or two test setups, could be read as one."""

import pandas as pd
from run_tables import make_plan
from simulated_runs import Design, make_review

from gpubench_kit.model.tables import RUNS
from gpubench_kit.page.answer_card import rows_of
from gpubench_kit.page.headline import headline, pair_name, side_of
from gpubench_kit.page.results import Pair, Results, Side
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings


def test_a_pair_of_cards_names_the_rival_where_its_tuning_is_another():
    ours, same = Side("Larkmoor 4", "quiet", ""), Side("Fernholt 3", "quiet", "")
    assert pair_name(Pair(ours, same)) == "Both quiet"
    assert pair_name(Pair(ours, Side("Fernholt 3", "factory", ""))) == "quiet vs Fernholt 3, factory"


def test_a_card_on_two_test_setups_is_told_apart_by_them():
    new, old = Side("Larkmoor 4", "factory", "driver 2"), Side("Larkmoor 4", "factory", "driver 1")
    assert Pair(new, old).is_over_benches
    assert Pair(new, old).names == ("driver 2", "driver 1")
    assert Pair(new._replace(tuning="quiet"), old).names == ("quiet, driver 2", "factory, driver 1")
    assert Pair(new._replace(tuning="quiet"), new).names == ("quiet", "factory")
    assert not Pair(new, old._replace(card="Fernholt 3")).is_over_benches


def test_the_page_of_two_drivers_names_them():
    bench = ("driver 1", "driver 2")
    pair = {"of": {"tuning": "factory", "bench": bench[1]}, "against": {"tuning": "factory", "bench": bench[0]}}
    sections = {"benches": [{"name": name} for name in bench], "comparisons": [pair]}
    plan = make_plan(("factory",), sections=sections, restart_spread={"avg_fps": 0.1, "restarts": 0})
    parts = []
    for place, name in enumerate(bench):
        made = make_review({"factory": 5.0 * place}, Design(games=4), seed=7)
        order = made["order"] + 1000 * place
        about = {"bench": name, "session": name, "setting": "", "group": "all"}
        parts.append(made.assign(**about, run=name + made["run"], order=order))
    usable, none = pd.concat(parts, ignore_index=True), pd.DataFrame()
    tables = {"comparisons": compare_tunings(usable, plan), "overall": compare_over_games(usable, plan)}
    results = Results(plan, RUNS.frame(), none, none, none, **tables)
    assert headline(results).startswith("Driver 2 vs driver 1: ")
    (block,) = results.blocks
    assert [row.name for row in rows_of(results, block, group=results.groups[0])] == ["Driver 2 vs driver 1"]


def test_tunings_against_different_ones_name_both_sides():
    pairs = (("quiet", "factory"), ("brisk", "quiet"))
    asked = [{"of": {"tuning": of}, "against": {"tuning": against}} for of, against in pairs]
    plan = make_plan(("factory", "quiet", "brisk"), sections={"comparisons": asked})
    usable = make_review({"factory": 0.0, "quiet": -5.0, "brisk": 5.0}, Design(games=4), seed=7)
    usable, none = usable.assign(setting="", group="all"), pd.DataFrame()
    tables = {"comparisons": compare_tunings(usable, plan), "overall": compare_over_games(usable, plan)}
    results = Results(plan, RUNS.frame(), none, none, none, **tables)
    assert [side_of(results, Pair(*pair)) for pair in results.main.pairs] == ["Quiet vs factory", "Brisk vs quiet"]
    assert headline(results).startswith(("Quiet vs factory: ", "Brisk vs quiet: "))
