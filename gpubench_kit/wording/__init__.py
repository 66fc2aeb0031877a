"""Language: numbers, terms and reasons as text."""
