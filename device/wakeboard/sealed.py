"""Messages that only a holder of the pot's key can have made: HMAC-SHA-256 over their bytes.

A message is read only after its tag is found right. So a stranger's bytes reach only a hash and a
comparison. No input, no output, no clock.
"""

import hashlib
from binascii import hexlify

if False:
    from typing import Callable, Iterable

KEY_SIZE = 32  # bytes of a pot's key
BLOCK = 64  # bytes of a block of SHA-256
TAG_SIZE = 64  # hexadecimal digits
OBJECT = (b',"hmac":"', b'"}')  # what stands before and after the tag of an object
PACK = (b',{"n":"hmac","vs":"', b'"}]')  # the same for a SenML pack


class Mac:
    """HMAC-SHA-256 (RFC 2104) of bytes that come piece by piece."""

    def __init__(self, key: bytes) -> None:
        if len(key) > BLOCK:
            key = hashlib.sha256(key).digest()
        self.key = key + bytes(BLOCK - len(key))
        self.inner = hashlib.sha256(bytes([b ^ 0x36 for b in self.key]))
        self.update = self.inner.update

    def digest(self) -> bytes:
        """32 bytes. Asked for once: some ports cannot go on then."""
        outer = hashlib.sha256(bytes([b ^ 0x5C for b in self.key]))
        outer.update(self.inner.digest())
        found: bytes = outer.digest()
        return found


def hmac(key: bytes, data: bytes) -> bytes:
    """HMAC-SHA-256 of the bytes, 32 bytes."""
    mac = Mac(key)
    mac.update(data)
    return mac.digest()


def tag(pieces: "Iterable[bytes]", key: bytes, form: "tuple[bytes, bytes]" = OBJECT) -> bytes:
    """What closes the message whose body comes in these pieces."""
    mac = Mac(key)
    for piece in pieces:
        mac.update(piece)
    return form[0] + hexlify(mac.digest()) + form[1]


def same(a: bytes, b: bytes) -> bool:
    """Are the bytes the same? Takes as long wherever they differ."""
    if len(a) != len(b):
        return False
    differ = 0
    for i in range(len(a)):
        differ |= a[i] ^ b[i]
    return differ == 0


def seal(
    body: bytes,
    key: bytes,
    form: "tuple[bytes, bytes]" = OBJECT,
    mac: "Callable[[bytes, bytes], bytes]" = hmac,
) -> bytes:
    """The message: the body, which lacks its closing bracket, with the tag at its end.

    mac: makes the tag; a caller may give a quicker function of the same standard.
    """
    return body + form[0] + hexlify(mac(key, body)) + form[1]


def unseal(
    data: bytes,
    key: bytes,
    most: int,
    form: "tuple[bytes, bytes]" = OBJECT,
    mac: "Callable[[bytes, bytes], bytes]" = hmac,
    same: "Callable[[bytes, bytes], bool]" = same,
) -> "tuple[bytes | None, str]":
    """(JSON bytes without the tag, "") or (None, why not). most: bytes a message may have."""
    head, end = form
    if len(data) > most:
        return None, "longer than %d bytes" % most
    size = len(head) + TAG_SIZE + len(end)
    at = len(data) - size
    if at < 1 or data[at : at + len(head)] != head or data[-len(end) :] != end:
        return None, "no tag at its end"
    body = data[:at]
    if not same(hexlify(mac(key, body)), data[at + len(head) : -len(end)]):
        return None, "tag does not match: not made with this pot's key, or changed on its way"
    return body + end[-1:], ""
