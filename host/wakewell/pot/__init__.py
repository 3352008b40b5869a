"""A pot's folder: each of its files read, checked, compiled; secrets; chips; whose board it is."""
