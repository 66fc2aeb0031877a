"""What a review is made of: its plan, metrics, verdicts and tables, and words that several parts know."""
