"""Where the numbers come from: tables, notebook, hashes, versions."""

from __future__ import annotations

from collections.abc import Sequence

from gpubench_kit.model.tables import ALL_TABLES
from gpubench_kit.page.elements import render
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
    left_out = () if results.plan.claims else ("claims",)
    names = [one for one in ALL_TABLES if one not in left_out]
    names += list(results.sweep.tables) if results.sweep else []
    about = {"version": results.version, "looks_made": results.looks_made, "notebook": NOTEBOOK}
    return downloads_of(names, results.plan, **about)


def downloads_of(names: Sequence[str], plan, *, version: str, looks_made: int, notebook: str) -> Section:
    """Return the section with the downloads of some tables.

    Parameters
    ----------
    names : tables that stand beside the page
    plan : ReviewPlan
    version : version of the kit
    looks_made : looks at verdicts so far
    notebook : name of its file
    """
    declared = {**ALL_TABLES, **SWEEP_TABLES}
    made = max(looks_made, 1)
    values = {
        "tables": [(name, say("downloads.rows", row=declared[name].row)) for name in names],
        "about": say(
            "downloads.about", version=version, made=made, planned=plan.analysis.looks, seed=plan.analysis.seed
        ),
        "licence": plan.review.licence,
        "fingerprint": plan.fingerprint,
        "notebook": notebook,
        "has_claims": "claims" in names,
    }
    return Section("downloads", say("downloads.title"), render("downloads.html.j2", values))
