"""The published JSON Schema says what the models check."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import Analysis
from gpubench_kit.model.plan.schema import SCHEMA_FILE, main, plan_schema, schema_text

DOCS = Path(__file__).parents[2] / "docs" / "plan.schema.json"


@pytest.mark.parametrize("file", [SCHEMA_FILE, DOCS], ids=["package", "docs"])
def test_published_schema_is_that_of_the_models(file):
    action = f"run for each of both files: python -m gpubench_kit.model.plan.schema {file}"
    assert file.read_text(encoding="utf-8") == schema_text(), action


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


def test_the_command_writes_the_schema(tmp_path):
    main([str(tmp_path / "plan.schema.json")])
    assert json.loads((tmp_path / "plan.schema.json").read_text(encoding="utf-8")) == plan_schema()
