"""Text files and sensor samples to frames and samples, one run at a time."""
