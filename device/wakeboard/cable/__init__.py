"""Programs that the computer has a board run over the cable, one a file.

The computer sends the text of a file and calls its `main` (host/wakewell/usb/programs.py). Nothing
of it is stored on the board. `identify`, `keep_awake` and those that only work on files also run on
a board without any of our code. The others import from the version that `use_version` found in
force, or from the version that they are given.
"""
