"""The page: one function for each section, from tables to what a reader sees."""

from gpubench_kit.page.cautions import cautions
from gpubench_kit.page.closing import limits, provenance
from gpubench_kit.page.measured import everyday, heat, power
from gpubench_kit.page.method import method
from gpubench_kit.page.quality import data_quality
from gpubench_kit.page.results import game_results, overall_results
from gpubench_kit.page.script import script
from gpubench_kit.page.stylesheet import look
from gpubench_kit.page.summary import summary

__all__ = [
    "cautions",
    "data_quality",
    "everyday",
    "game_results",
    "heat",
    "limits",
    "look",
    "method",
    "overall_results",
    "power",
    "provenance",
    "script",
    "summary",
]
