"""The JSON Schema of ``plan.toml``, for editors that complete and check TOML while it is written.

``python -m gpubench_kit.model.plan.schema FILE...`` writes it, for example after a section has got a key.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from gpubench_kit.model.plan import ReviewPlan

#: Where the schema is published inside the package.
SCHEMA_FILE = Path(__file__).with_name("plan.schema.json")


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a plan, made from the models that check it."""
    schema = ReviewPlan.model_json_schema()
    schema["title"] = "plan.toml"
    schema["description"] = "Review plan of gpubench_kit: decisions made before the data."
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def schema_text() -> str:
    """Return the schema as it is published: indented, UTF-8, one newline at the end."""
    return json.dumps(plan_schema(), indent=2, ensure_ascii=False) + "\n"


def main(files: list[str]) -> None:
    """Write the schema to files; to the one inside the package where none is given."""
    for file in files or [str(SCHEMA_FILE)]:
        Path(file).write_text(schema_text(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(sys.argv[1:])
