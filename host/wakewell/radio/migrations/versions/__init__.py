"""The steps, one a file, named by their number. A step that was ever released stays as it is."""
