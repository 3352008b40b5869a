"""Months of a pot's life, the real core deciding: trials, runs, many runs, pictures."""
