"""Comparisons of run-level tables: estimates, intervals, verdicts and plans."""
