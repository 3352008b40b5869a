"""Another key for a pot, agreed on over the air while the old one still works.

The host's message carries its half of a key exchange (X25519, RFC 7748) and is sealed with the old
key, as any other. The board makes a half of its own, tells it with its reports, and both sides make
the same new key of the two: who only reads along never learns it, not even with the old key.
/pot/key.json keeps the new key beside the old one until the first message that is sealed with it;
then private.json is replaced by one rename. At no moment is there no valid key.
"""

import os
from binascii import hexlify, unhexlify

from wakeboard import sealed
from wakeboard.files import read_bytes, replace
from wakecore import line

if False:
    from typing import Any

FILE = "/key.json"
NAMES = ("kind", "version", "was", "n", "share", "key")
P = (1 << 255) - 19
A24 = 121665
BASE = b"\x09" + bytes(31)
SIZE = 32  # bytes of a half and of what both halves make
MADE = "new key made"  # the board's answer


def x25519(scalar: bytes, point: bytes) -> bytes:
    """The function of RFC 7748, section 5, on 32 bytes each."""
    k = int.from_bytes(scalar, "little") & ((1 << 254) - 8) | 1 << 254
    x1 = int.from_bytes(point, "little") & ((1 << 255) - 1)
    x2, z2, x3, z3, swap = 1, 0, x1, 1, 0
    for t in range(254, -1, -1):
        bit = k >> t & 1
        if swap ^ bit:
            x2, x3, z2, z3 = x3, x2, z3, z2
        swap = bit
        a, b = x2 + z2, x2 - z2
        aa, bb = a * a % P, b * b % P
        e = aa - bb
        da, cb = (x3 - z3) * a % P, (x3 + z3) * b % P
        x3, z3 = (da + cb) ** 2 % P, x1 * ((da - cb) ** 2 % P) % P
        x2, z2 = aa * bb % P, e * (aa + A24 * e) % P
    if swap:
        x2, z2 = x3, z3
    found: bytes = (x2 * pow(z2, P - 2, P) % P).to_bytes(SIZE, "little")
    return found


def agreed(old: bytes, shared: bytes, asker: bytes, board: bytes) -> "bytes | None":
    """The new key, the same for both sides; None where a half was worth nothing.

    shared: what `x25519` makes of one's own secret and the other's half. asker, board: the halves.
    """
    if shared == bytes(SIZE):  # RFC 7748, section 6.1
        return None
    return sealed.hmac(old, b"wakewell new key" + shared + asker + board)


def make(
    key: bytes, board: str, n: int, until: "tuple[int, int]", until_n: int, share: bytes
) -> bytes:
    """The message that asks for another key (host). n, until, until_n: as `asked.make`."""
    record: "dict[str, Any]" = {"kind": "key", "version": 1, "board": board, "n": n}
    record["until"], record["until_n"] = list(until), until_n
    record["share"] = hexlify(share).decode()
    return sealed.seal(line.encode(tuple(record), record)[: -line.TAIL_SIZE], key)


def half(text: "Any") -> "bytes | None":
    """The 32 bytes that 64 hexadecimal digits stand for, else None."""
    try:
        return unhexlify(text) if type(text) is str and len(text) == 2 * SIZE else None
    except ValueError:
        return None


def mark(key: bytes) -> str:
    """What stands for a key in the file of the next one."""
    return hexlify(sealed.hmac(key, b"wakewell next key")[:8]).decode()


def load(root: str, private: "dict[str, Any]") -> "dict[str, Any] | None":
    """The new key that waits for its first message: share, n, key; None if there is none.

    One that is in force, or was made beside another key, is removed.
    """
    data = read_bytes(root + FILE, 1024)
    if data is None:
        return None
    record, _ = line.decode(data.rstrip(b"\r\n"))
    found = record or {}
    beside = found.get("was") == mark(unhexlify(private["key"])) and half(found.get("key"))
    if found.get("kind") == "key" and found.get("version") == 1 and beside:
        return found
    try:
        os.remove(root + FILE)
    except OSError:
        pass  # it is looked at again next time
    return None


def take(root: str, private: "dict[str, Any]", record: "dict[str, Any]") -> str:
    """Make the new key that an authentic message asks for, and keep it beside the old one; "" if it
    is kept, else why not. The same message, met again after a power cut, changes nothing."""
    kept = load(root, private)
    if kept is not None and kept["n"] == record["n"]:
        return ""
    asker = half(record.get("share"))
    if asker is None:
        return "its half of a key is not valid"
    old, secret = unhexlify(private["key"]), os.urandom(SIZE)
    mine = x25519(secret, BASE)
    new = agreed(old, x25519(secret, asker), asker, mine)
    if new is None:
        return "its half of a key is not valid"
    made: "dict[str, Any]" = {"kind": "key", "version": 1, "was": mark(old), "n": record["n"]}
    made["share"], made["key"] = hexlify(mine).decode(), hexlify(new).decode()
    stored = replace(root + FILE, line.encode(NAMES, made))
    return "" if stored else "it could not be stored"


def adopt(root: str, private: "dict[str, Any]", new: "dict[str, Any]") -> bool:
    """The first message under the new key came: from now on it is the only one. True if so."""
    made = dict(private)
    made["key"] = new["key"]
    if not replace(root + "/private.json", line.encode(sorted(made), made)):
        return False
    private["key"] = new["key"]
    load(root, private)  # removes what waited
    return True
