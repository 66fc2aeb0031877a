"""Where the numbers come from: tables, notebook, hashes, versions."""

from __future__ import annotations

from gpubench_kit.model.tables import ALL_TABLES
from gpubench_kit.page.elements import render
from gpubench_kit.page.film.names import FOLDER
from gpubench_kit.page.results import Results
from gpubench_kit.page.section import Section
from gpubench_kit.sweep.tables import SWEEP_TABLES
from gpubench_kit.wording.catalogue import say

NOTEBOOK = "card_review.ipynb"


def downloads(results: Results) -> Section:
    """Return the section with the downloads and what the page was made of.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    plan, declared = results.plan, {**ALL_TABLES, **SWEEP_TABLES}
    names = [one for one in ALL_TABLES if plan.claims or one != "claims"]
    names += list(results.sweep.tables) if results.sweep else []
    counted = {"made": max(results.looks_made, 1), "planned": plan.analysis.looks, "seed": plan.analysis.seed}
    values = {
        "tables": [(name, say("downloads.rows", row=declared[name].row)) for name in names],
        "about": say("downloads.about", version=results.version, **counted),
        "licence": plan.review.licence,
        "fingerprint": plan.fingerprint,
        "notebook": NOTEBOOK,
        "has_claims": "claims" in names,
        "pictures": f"{FOLDER}/index.html" if results.main and results.pictures != "none" else "",
    }
    return Section("downloads", say("downloads.title"), render("downloads.html.j2", values))
