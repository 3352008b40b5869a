"""SenML as a board writes it, against RFC 8428, and the same bytes on MicroPython."""

from __future__ import annotations

import base64
import json
import re
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakeboard import senml
from wakecore import line

RECORD: dict[str, Any] = {
    "kind": "wake", "begin": {"utc": [3811, 48264, 1]},
    "values": {"battery_mv": 3912, "soil_ppt": 287, "level_ml": 850, "temperature_mc": -1250},
}  # fmt: skip


def test_a_record_is_resolved_as_the_standard_says() -> None:
    """RFC 8428, sections 4.1 to 4.3: labels, types, units of its registry (section 12.1).

    Sections here and in test_listen.py: as in draft-ietf-core-senml-16, the last before the RFC.
    """
    pack = senml.head("0024be804ff1", 3, "00ff", {"wakes": 9})
    pack = pack + senml.readings(RECORD) + senml.log_line(2, 0, b"abc?>") + b"]"
    found = json.loads(pack, parse_float=Fraction)
    # The base name in the RFC's own examples is of this form: "urn:dev:mac:0024befffe804ff1".
    assert found[0]["bn"] == "urn:dev:mac:0024befffe804ff1:"
    values = {r["n"]: r for r in found}
    assert {n: (r["u"], r["v"]) for n, r in values.items() if "u" in r} == {
        "battery": ("V", Fraction("3.912")),
        "soil": ("/", Fraction("0.287")),
        "tank": ("m3", Fraction("0.00085")),
        "temperature": ("Cel", Fraction("-1.25")),
    }
    # RFC 8428, section 5.1.2: 1.276020076001e+09 is Tue Jun 8 18:01:16.001 UTC 2010.
    assert {r["t"] for r in found if "t" in r} == {(10957 + 3811) * 86400 + 48264}
    for r in found:
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", found[0]["bn"] + r["n"])  # 4.5.1
        assert sum(name in r for name in ("v", "vs", "vb", "vd")) == 1  # 4.2
    data = values["log/2/0"]["vd"]
    assert "=" not in data  # section 5: base64url, no padding
    assert base64.urlsafe_b64decode(data + "===") == b"abc?>"


def test_the_standards_own_values_are_written_as_there() -> None:
    """RFC 8428, sections 5.1.1 to 5.1.3: 23.1, 120.1, 1.2 and 20.7 are written there so."""
    assert senml.decimal(23100, 3) == "23.1"
    assert senml.decimal(120100, 3) == "120.1"
    assert senml.decimal(1200, 3) == "1.2"
    assert senml.decimal(207, 1) == "20.7"


@given(st.integers(-(10**9), 10**9), st.integers(1, 6))
def test_a_decimal_is_exact_json(number: int, places: int) -> None:
    text = senml.decimal(number, places)
    assert json.loads(f"[{text}]", parse_float=Fraction)[0] == Fraction(number, 10**places)


@given(st.binary(max_size=100))
def test_data_values_are_base64url(data: bytes) -> None:
    assert senml.data_value(data) == base64.urlsafe_b64encode(data).decode().rstrip("=")


def test_nothing_is_dated_by_an_unsure_clock() -> None:
    assert senml.readings(RECORD | {"begin": {"utc": [3811, 48264, 0]}}) == b""
    assert senml.readings({"kind": "state"}) == b""


@pytest.mark.parametrize("board", ["0242ac110002", "0102030405060708"])
def test_every_board_has_a_name_of_its_own(board: str) -> None:
    assert board[-6:] in senml.base_name(board)


def test_a_summary_of_a_line_gives_the_readings_of_the_whole() -> None:
    """What is looked at in a long line is what a decoded record says; no other line says any."""
    whole = {
        "kind": "wake", "n": 7,
        "begin": {"host": ['"utc":[1,2,3]', "}"], "utc": [3811, 48264, 1]},
        "run": {"ms": list(range(300))},
        "values": {"battery_mv": 3900, "level_ml": None, "soil_ppt": 211, "temperature_mc": -500},
        "water": {"day_ml": 5},
    }  # fmt: skip
    data = line.encode(tuple(whole), whole)
    assert senml.readings(senml.summary(data)) == senml.readings(whole) != b""
    assert senml.summary(data.replace(b"3900", b"3901")) == {}, "damaged"
    assert senml.summary(b"") == senml.summary(data[:30]) == {}
    state = line.encode(("kind", "n"), {"kind": "state", "n": 7})
    assert senml.summary(state) == {}
    less = line.encode(("kind", "n"), whole)
    assert senml.summary(less) == {}


@pytest.mark.parametrize("size", [0, 1, 2, 3, 383, 384, 385, 5000])
def test_the_pieces_of_a_line_are_its_base64(size: int) -> None:
    data = bytes(n * 7 & 255 for n in range(size))
    made = b"".join(senml.log_pieces(3, 9, data))
    text = base64.urlsafe_b64encode(data).decode().rstrip("=")
    assert made == b',{"n":"log/3/9","vd":"' + text.encode() + b'"}'
