"""Made-up reviews with known effects, as folders with plan, run sheet and logs: `review.write_review`."""
