"""Readers of bytes: changed corpora crash nothing, and nothing damaged is taken for good."""

from __future__ import annotations

import pytest

from assurance import fuzz
from wakecore import line, state


@pytest.mark.parametrize("name", fuzz.TARGETS)
def test_a_changed_corpus_crashes_nothing(name: str) -> None:
    assert fuzz.plain(name, 300, seed=11) > 300


@pytest.mark.parametrize("data", fuzz.corpus("state"), ids=len)
def test_a_state_with_any_bit_turned_or_cut_anywhere_is_refused(data: bytes) -> None:
    """CRC-32 finds every single-bit error (Koopman, 32-Bit CRC for Internet Applications)."""
    assert state.from_bytes(data) is not None
    for at in range(len(data)):
        assert state.from_bytes(data[:at]) is None
        for bit in range(8):
            turned = data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]
            assert state.from_bytes(turned) is None


@pytest.mark.parametrize("data", fuzz.corpus("files"), ids=len)
def test_a_line_with_any_bit_turned_or_cut_anywhere_is_refused(data: bytes) -> None:
    assert line.decode(data)[0] is not None
    for at in range(len(data)):
        assert line.decode(data[:at])[0] is None
        for bit in range(8):
            turned = data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]
            assert line.decode(turned)[0] is None


def test_a_bad_reader_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that believes any CRC accepts numbers out of range somewhere."""
    monkeypatch.setattr(state, "crc32", lambda _: 0)
    monkeypatch.setattr(state, "from_numbers", lambda numbers, _: made(numbers))
    data = bytearray(fuzz.corpus("state")[0])
    data[-4:] = bytes(4)
    data[-12:-8] = b"\xff\xff\xff\x7f"
    with pytest.raises(fuzz.Accepted):
        fuzz.state(bytes(data))


def made(numbers: tuple[int, ...]) -> state.State:
    found = state.State()
    for name, number in zip(state.NAMES, numbers[2 * state.DELIVERIES :], strict=False):
        setattr(found, name, number)
    return found
