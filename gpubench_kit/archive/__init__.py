"""Many reviews as one instrument: the noise of the bench, its restarts, drivers, cards and games."""
