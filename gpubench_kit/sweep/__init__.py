"""The tuning found on a ladder of settings."""
