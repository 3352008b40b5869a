"""Sequences: readings written by hand or cut from a field log, and what must follow from them."""
