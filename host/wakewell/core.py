"""Which control core is this? Its identity is a hash of its source."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

import wakecore


def core_folder() -> Path:
    """Where the core's source is."""
    return Path(wakecore.__file__).parent


@cache
def core_id() -> str:
    """Twelve hexadecimal digits of the SHA-256 of every source file's name and text."""
    digest = hashlib.sha256()
    for path in sorted(core_folder().glob("*.py")):
        digest.update(path.name.encode() + b"\0")
        digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return digest.hexdigest()[:12]
