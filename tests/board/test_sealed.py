"""Sealed messages: HMAC-SHA-256 as others compute it, on CPython and on a real MicroPython."""

from __future__ import annotations

import hashlib
import hmac
import json
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakeboard import sealed
from wakewell.interpreters import interpreter

# RFC 4231, section 4: test cases 1 to 4, 6 and 7 (5 is the truncated form, not used here).
# (key, data, HMAC-SHA-256), hexadecimal.
RFC_4231 = (
    ("0b" * 20, b"Hi There".hex(),
     "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (b"Jefe".hex(), b"what do ya want for nothing?".hex(),
     "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
    ("aa" * 20, "dd" * 50,
     "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    (bytes(range(1, 26)).hex(), "cd" * 50,
     "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"),
    ("aa" * 131, b"Test Using Larger Than Block-Size Key - Hash Key First".hex(),
     "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"),
    ("aa" * 131,
     b"This is a test using a larger than block-size key and a larger than block-size data. "
     b"The key needs to be hashed before being used by the HMAC algorithm.".hex(),
     "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"),
)  # fmt: skip


@pytest.mark.parametrize(("key", "data", "tag"), RFC_4231)
def test_the_published_cases(key: str, data: str, tag: str) -> None:
    assert sealed.hmac(bytes.fromhex(key), bytes.fromhex(data)).hex() == tag


@pytest.mark.skipif(not interpreter.found(), reason=interpreter.MISSING)
def test_the_published_cases_on_micropython(tmp_path: Path) -> None:
    program = tmp_path / "program.py"
    program.write_text(
        "import json, sys\nfrom binascii import hexlify, unhexlify\nfrom wakeboard import sealed\n"
        "for key, data in json.load(open(sys.argv[1])):\n"
        "    print(hexlify(sealed.hmac(unhexlify(key), unhexlify(data))).decode())\n"
    )
    cases = tmp_path / "cases"
    cases.write_text(json.dumps([row[:2] for row in RFC_4231]))
    start = "import sys, micropython_unix; sys.exit(micropython_unix.main())"
    done = subprocess.run(
        [sys.executable, "-c", start, str(program), str(cases)],
        env=interpreter.environment(), capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.split() == [row[2] for row in RFC_4231]


@given(st.binary(max_size=200), st.binary(max_size=300))
def test_like_the_standard_librarys(key: bytes, data: bytes) -> None:
    assert sealed.hmac(key, data) == hmac.new(key, data, hashlib.sha256).digest()


@given(st.binary(min_size=1, max_size=64), st.data())
def test_whatever_is_changed_is_refused(key: bytes, data: st.DataObject) -> None:
    whole = sealed.seal(b'{"kind":"asked","n":7', key)
    assert sealed.unseal(whole, key, 500) == (b'{"kind":"asked","n":7}', "")
    at = data.draw(st.integers(0, len(whole) - 1))
    byte = data.draw(st.integers(0, 255).filter(lambda b: b != whole[at]))
    for other in (
        whole[:at] + bytes([byte]) + whole[at + 1 :],
        whole[:at],
        whole + bytes([byte]),
        whole[at:] + whole[:at] if at else whole * 2,
    ):
        assert sealed.unseal(other, key, 500)[0] is None
    assert sealed.unseal(whole, key, len(whole) - 1)[0] is None


def test_another_key_is_refused() -> None:
    whole = sealed.seal(b"{}"[:1], b"k" * 32)
    assert sealed.unseal(whole, b"l" * 32, 500)[0] is None


@given(st.binary(max_size=40), st.binary(max_size=40))
def test_same_is_equality(a: bytes, b: bytes) -> None:
    assert sealed.same(a, b) == (a == b)
    assert sealed.same(a, a)
