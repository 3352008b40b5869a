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
