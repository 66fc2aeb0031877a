"""A second language is a file: every sentence about claims comes from the catalogue."""

from itertools import product

import pytest
from judged_results import GAMES, claim_plan, game_rows, overall_rows
from second_language import said_in_english, wide_catalogue

from gpubench_kit.claims.check import check_claims
from gpubench_kit.claims.script import proposed_sentences, script_sheet
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.catalogue import spoken

RESULTS = (
    {"change": 3.0}, {"change": -1.0, "se": 0.1}, {"change": 0.0, "se": 0.3}, {"change": -0.5, "se": 1.0},
    {"change": 3.0, "withheld": "held_by_cap"}, {"change": 3.0, "cautions": "not_stated"},
)  # fmt: skip
SAYS = ({"says": "better"}, {"says": "no_loss"}, {"says": "same"}, {"says": "at_least", "by_pct": 2.0})
NAMES = [*GAMES, "Larkmoor 4", "quiet", "factory", "A test", "A sentence", *(one.label for one in METRICS.values())]


@pytest.mark.parametrize("metric", ["avg_fps", "board_w"])
def test_every_sentence_about_a_claim_is_in_the_catalogue(metric):
    overs = ("these_games", "every_game", "games_like_these", GAMES[0])
    plan = claim_plan(*({"metric": metric, "over": over} | says for over, says in product(overs, SAYS)))
    with spoken(wide_catalogue()):
        for result in RESULTS:
            row = result | {"metric": metric}
            games, overall = game_rows(plan, *[row] * 3, row | {"change": -9.0}), overall_rows(plan, row)
            claims, proposed = check_claims(games, overall, plan), proposed_sentences(games, overall, plan)
            # How many rounds would settle it is said where rounds are counted.
            sheet = script_sheet(claims.assign(to_settle=""), proposed, title="A test")
            texts = [*claims["evidence"], *claims["suggested_text"], sheet]
            names = [*NAMES, *(part for over, says in product(overs, SAYS) for part in (over, says["says"]))]
            assert said_in_english("".join(f"<p>{text}</p>" for text in texts), names=names) == []
