"""The build sheet: what to buy and how to join it, from a pot's own files."""
