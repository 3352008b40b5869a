"""Records through a core: play, compare, verdicts."""
