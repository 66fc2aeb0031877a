"""Make the JSON Schema of ``plan.toml``, for editors that complete and check TOML while it is written.

Run after a section or the list of metrics has changed; a test holds both published files against the models::

    python tools/make_schema.py
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from gpubench_kit.model.plan import SCHEMA_FILE, ReviewPlan

#: Where the schema is published: inside the package, and on the site.
FILES = (SCHEMA_FILE, Path(__file__).resolve().parents[1] / "docs" / "plan.schema.json")


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a plan, made from the models that check it."""
    schema = ReviewPlan.model_json_schema()
    schema["title"] = "plan.toml"
    schema["description"] = "Review plan of gpubench_kit: decisions made before the data."
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def schema_text() -> str:
    """Return the schema as it is published: indented, UTF-8, one newline at the end."""
    return json.dumps(plan_schema(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    for file in FILES:
        file.write_text(schema_text(), encoding="utf-8", newline="\n")
