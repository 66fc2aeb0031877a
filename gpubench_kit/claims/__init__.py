"""Sentences of the script held against the data, and the sentences that the data support."""

from gpubench_kit.claims.check import check_claims

__all__ = ["check_claims"]
