"""The public names, for editors, type checkers and the package itself, which loads them from here when used."""

from . import plots as plots
from .checks.review import check_review as check_review
from .checks.review import exclude_runs as exclude_runs
from .claims.check import check_claims as check_claims
from .logs.review import open_review as open_review
from .metrics.per_run import compute_run_metrics as compute_run_metrics
from .model.errors import GpubenchError as GpubenchError
from .model.plan import load_plan as load_plan
from .report.build import build_report as build_report
from .report.other_stages import check as check
from .report.other_stages import find_tuning as find_tuning
from .report.other_stages import gather_archive as gather_archive
from .report.other_stages import plan_session as plan_session
from .report.stages import review as review
from .sheet.looks import open_looks as open_looks
from .statistics.compare import compare_over_games as compare_over_games
from .statistics.compare import compare_tunings as compare_tunings
from .statistics.compare import estimate_noise as estimate_noise

__version__: str
