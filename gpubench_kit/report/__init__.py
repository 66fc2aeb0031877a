"""Notebook run, HTML page, report folder and manifest."""
