"""How a sweep's answers were found, in words."""

from __future__ import annotations

from collections.abc import Iterator

from gpubench_kit.page.elements import terms
from gpubench_kit.page.section import Section
from gpubench_kit.sweep.find import Sweep
from gpubench_kit.wording.numbers import percent_text

_LOSS = (
    "Each setting is compared with the factory state within rounds, over all games, every game counted once. A run "
    "is the unit. A step must also pass over the GPU-limited games alone, since the others hardly lose "
    "frame rate whatever the setting. It must have every game that another setting has."
)
_ORDER = (
    "From the factory state outward; a step is tested, one-sided at {level}, only if the step before it passed "
    "(Maurer, Hothorn and Lehmacher 1995). So the chance to name any setting that loses more than the margin is at "
    "most {level}, however many settings there are. No curve enters. "
    "The sweep is a family of its own: what a review says about overall results is not corrected for it."
)
_SHARED = " With several lines of settings the level is shared between them."
_TERMS = (
    ("Most efficient",
     "Least energy per frame of the settings that did not fail, nor lie beyond one that did. Which others may be "
     "the most efficient is found by comparing each with every other, at a level shared by them (after Hsu 1984)."),
    ("Curve",
     "Frame rate and power are fitted by least squares among all curves that rise and flatten (monotone and "
     "concave): a limit cuts off what the card would take beyond it, so raising it helps less and less. No formula "
     "is assumed. The curve of energy per frame is their ratio."),
    ("Band",
     "All curves of that shape that run through the intervals of every setting at once (Dümbgen 2003). It needs no "
     "large number of runs. Frame rate and power share the level, so that both bands hold together; the band of "
     "energy per frame follows from them. If there is no such curve, the shape is rejected and the page says so."),
    ("Knee",
     "Where the fitted curve stands highest above the straight line between its ends, shown only if a straight "
     "line is ruled out. Its range comes from redraws of the noise. It depends on how far the ladder reaches."),
    ("What to measure next",
     "For each candidate the chance that it passes, or is shown to lose more, is calculated on the curve with the "
     "noise found so far; best is what is expected to narrow the range around the answer most."),
)  # fmt: skip


def sweep_method(sweep: Sweep, plan) -> Section:
    """Return the section on how the answers were found.

    Parameters
    ----------
    sweep : see `gpubench_kit.sweep.find_tuning`
    plan : ReviewPlan

    Returns
    -------
    Section
    """
    return Section("method", "How this was found", terms(_told(sweep)))


def _told(sweep: Sweep) -> Iterator[tuple[str, str]]:
    """Yield what was done, each with its explanation."""
    level = percent_text(100 * float(sweep.answers["level"].max())) if len(sweep.answers) else "the level"
    is_shared = sweep.answers["line"].nunique() > 1
    yield "Loss", _LOSS
    yield "Order of the tests", _ORDER.format(level=level) + _SHARED * is_shared
    yield from _TERMS
