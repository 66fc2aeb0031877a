"""The report: run the notebook, make the page, package the tables, say what made them."""

import sys

# jsonschema would build a grammar of internationalised addresses for 1.6 s on import; without it
# only the format check `iri` is skipped, which no notebook uses.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
