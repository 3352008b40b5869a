"""A pot's log and its twin: the rig fitted to this very pot, what it foretells, and how sure."""
