"""One look; one table to one described figure."""
