"""The run sheet: one row per run, from text or a workbook to a checked table."""

from gpubench_kit.sheet.load import RunSheet, load_run_sheet

__all__ = ["RunSheet", "load_run_sheet"]
