"""Argument: COMPILED. Prints the bytes of heap that importing the core takes."""

import sys

sys.path[:] = [sys.argv[1], ".frozen"]
import array  # noqa: E402, F401 - what the core imports itself is not counted
import binascii  # noqa: E402, F401
import gc  # noqa: E402
import json  # noqa: E402, F401
import struct  # noqa: E402, F401

gc.collect()
before = gc.mem_alloc()
from wakecore import fields, line, wake  # noqa: E402, F401

gc.collect()
after = gc.mem_alloc()
if not wake.__file__.endswith(".mpy"):
    raise ImportError("the core came from source")
print(after - before)
