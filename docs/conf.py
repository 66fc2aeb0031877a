"""How the documentation is made: `nox -s docs`."""

import re
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
# The reference is made of what the kit declares, each time.
subprocess.run([sys.executable, HERE.parent / "tools" / "make_reference.py", HERE / "reference"], check=True)

project = "gpubench_kit"
copyright = "gpubench_kit contributors"
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["cautions.md", "_build"]
myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 3
autodoc_typehints = "description"
autodoc_member_order = "alphabetical"
napoleon_google_docstring = False
napoleon_use_rtype = False
html_theme = "furo"
html_title = "gpubench_kit"
html_extra_path = ["plan.schema.json", "example_results.xlsx"]


def _meanings_below(app, what, name, obj, options, lines):
    """Put what stands behind `name :` on the line below: the docstrings give meanings there, hints give types."""
    lines[:] = [
        part for line in lines for part in re.sub(r"^(\*{0,2}\w[\w, *]*) : (.*)", r"\1\n    \2", line).split("\n")
    ]


def setup(app):
    """Add the step above."""
    app.connect("autodoc-process-docstring", _meanings_below, priority=400)
