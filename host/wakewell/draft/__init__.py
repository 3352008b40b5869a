"""A pot that does not exist yet: from a few answers to the files of its folder."""
