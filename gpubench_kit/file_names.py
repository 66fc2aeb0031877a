"""Names for files and ids from any text."""

from __future__ import annotations

import hashlib
import re


def slug(*parts: str) -> str:
    """Return a name for files and ids: lower case, hyphens; distinct for distinct parts.

    What letters and digits cannot tell apart gets a short hash: names in other scripts, long names.
    """
    text = "-".join(part for part in parts if part)
    plain = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
    is_lossless = re.fullmatch(r"[A-Za-z0-9 _.-]*", text) is not None and len(plain) <= 80
    if is_lossless and plain:
        return plain
    digest = hashlib.sha256("\0".join(parts).encode("utf-8", "replace")).hexdigest()[:8]
    return f"{plain[:70].strip('-')}-{digest}".lstrip("-")
