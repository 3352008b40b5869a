# mypy: ignore-errors
# First file of every boot of the desk interpreter; everything else is in desk_boot.py. It runs
# in __main__, where boot.py and main.py will, so it leaves no name behind.
import micropython

micropython.kbd_intr(-1)
import sys  # noqa: E402

sys.path[:] = [sys.argv[1]]
import desk_boot  # noqa: E402

_run = desk_boot.run
del sys, micropython, desk_boot
_run(globals())
del _run
