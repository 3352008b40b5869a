"""SHA-256 of a file, or of its beginning."""

import hashlib
from binascii import hexlify


def main(path: str, size: int = 1 << 30) -> str:
    """In hexadecimal, of its first `size` bytes at most."""
    sha = hashlib.sha256()
    with open(path, "rb") as file:
        while size:
            data = file.read(min(size, 1024))
            if not data:
                break
            sha.update(data)
            size -= len(data)
    return hexlify(sha.digest()).decode()
