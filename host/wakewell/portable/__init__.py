"""Boards that are not hardware. Portable: they run on CPython and on MicroPython."""
