# mypy: ignore-errors
"""The `gc` module of the desk interpreter: its own, except for how often it collects.

A collection waits until the second thread (desk_core) has shown its pointers, which takes a busy
computer its time, and this heap is far larger than a chip's. What board code asks for is kept and
told; what it means for memory is tried on an interpreter of 32 bits (wakewell.interpreters.chip32).
"""

import gc as _gc

for _name in dir(_gc):
    if _name[:2] != "__":
        globals()[_name] = getattr(_gc, _name)

LEAST = 65536
_asked = -1


def threshold(amount=None):
    """As the interpreter's own: collect after so many bytes; -1: only when memory is short."""
    global _asked
    if amount is None:
        return _asked
    _asked = amount
    _gc.threshold(amount if amount < 0 else max(amount, LEAST))
    return None
