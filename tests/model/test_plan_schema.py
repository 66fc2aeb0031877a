"""The published JSON Schema says what the models check."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import Analysis

TOOL = Path(__file__).parents[2] / "tools" / "make_schema.py"
_MADE = runpy.run_path(str(TOOL))
plan_schema, schema_text = _MADE["plan_schema"], _MADE["schema_text"]


@pytest.mark.parametrize("file", _MADE["FILES"], ids=["package", "docs"])
def test_published_schema_is_that_of_the_models(file):
    assert file.read_text(encoding="utf-8") == schema_text(), "run: python tools/make_schema.py"


def test_every_section_is_described_and_closed():
    schema = plan_schema()
    assert set(schema["properties"]) == set(ReviewPlan.model_fields)
    for name, section in schema["$defs"].items():
        assert section.get("description"), name
        # Tables named after cards may stand in [logs]; all else is closed.
        assert section["additionalProperties"] is False or name == "Logs", name


def test_schema_names_the_metrics_and_the_defaults():
    analysis = plan_schema()["$defs"]["Analysis"]["properties"]
    assert set(analysis["metrics"]["items"]["enum"]) == set(METRICS)
    assert analysis["margin_pct"]["default"] == Analysis().margin_pct


def test_every_key_has_a_meaning():
    for name, section in plan_schema()["$defs"].items():
        for key, field in section.get("properties", {}).items():
            assert field.get("description"), f"{name}.{key}"
