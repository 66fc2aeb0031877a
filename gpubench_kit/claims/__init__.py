"""Sentences of the script held against the data, and the sentences that the data support."""
