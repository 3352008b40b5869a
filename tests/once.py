"""What takes long to make is made once in a run of tests, for all workers."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any


def made_once(factory: Any, name: str, make: Callable[[Path], object]) -> Path:
    """A folder for all workers of a run. The first worker that needs it makes it, and no test
    changes it.

    factory: pytest's tmp_path_factory. On Windows each worker makes its own.
    """
    base: Path = factory.getbasetemp()
    if sys.platform == "win32":
        place = base / name
        if not place.exists():
            place.mkdir()
            make(place)
        return place
    import fcntl

    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent
    place, draft = base / name, base / f"{name}.new"
    with (base / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not place.exists():
            shutil.rmtree(draft, ignore_errors=True)
            draft.mkdir()
            make(draft)
            draft.rename(place)
    return place
