"""Frames and samples of one run to one number per metric."""
