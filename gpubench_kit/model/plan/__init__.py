"""The review plan: decisions made before the data, checked and frozen."""

from gpubench_kit.model.plan.review_plan import (
    PLAN_FILE,
    SCHEMA_FILE,
    Pair,
    ReviewPlan,
    Subject,
    load_plan,
    plan_file_of,
)

__all__ = ["PLAN_FILE", "SCHEMA_FILE", "Pair", "ReviewPlan", "Subject", "load_plan", "plan_file_of"]
