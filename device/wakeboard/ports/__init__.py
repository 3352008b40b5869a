"""One file for each kind of chip: all that the loader and the board need of it.

`flash` writes the one of the pot's chip beside the loader, as /chip.py: in source, because an
interpreter of another version refuses compiled files, and outside the versions of the code,
because the pump has to be off, held and watched when no version runs (R1, R13). Loader and board
say `import chip` and nothing else of a chip. A port is another file with the names of `esp32`.
"""
