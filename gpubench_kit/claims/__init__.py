"""Sentences of the script checked against the data, and the sentences that the data support."""
