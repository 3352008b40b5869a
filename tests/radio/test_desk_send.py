"""A version of the code over the air: a desk board fetches it, tries it, keeps or takes it back."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import test_desk_radio
from usb_desks import wakes
from versions import staged, version

from wakeboard import manifest
from wakewell.deskboard import why_not
from wakewell.pot import pot_folder, private
from wakewell.radio import broker, pieces, send
from wakewell.usb import payload

BOARD, Home, home = test_desk_radio.BOARD, test_desk_radio.Home, test_desk_radio.home
pytestmark = pytest.mark.skipif(bool(why_not()), reason=str(why_not()))


def sent(home: Home, code: payload.Code, back: bool = False) -> int:
    """Send it, as the command does; its number."""
    found = pot_folder.load(home.folder)
    made = send.order(home.folder, found, code, datetime.now(UTC), back, str(home.database))
    send.leave(home.folder, made, send.keep(home.folder, made))
    return made.n


def in_force(home: Home) -> str:
    return home.files()["code/in-force"].decode()


def told(home: Home) -> dict[str, object]:
    """What its last report says of versions."""
    words = home.store().pots()[BOARD].told
    return {name: words.get(name) for name in ("code", "sent", "sent_is", "sent_why")}


def test_fetched_staged_in_force_and_proved(home: Home, tmp_path: Path) -> None:
    old = in_force(home)
    new = version(tmp_path, short="CHANGED = 1")
    with home.listening():
        home.heard()
        assert told(home)["code"] == old
        assert sent(home, new) == 1
        home.heard()
        assert in_force(home) == old
        home.heard()
        assert in_force(home) == new.version
        home.heard()
        assert told(home) == {"code": new.version, "sent": 1, "sent_is": "in force", "sent_why": ""}
    files = home.files()
    assert (files["code/good"].decode(), files["code/before"].decode()) == (new.version, old)
    hosts = [wake["begin"]["host"] for wake in wakes(files)]
    assert [host for host in hosts if host] == [["version in force"]]
    with home.listening():  # and the deliberate way back
        assert sent(home, new, back=True) == 2
        home.heard(2)
        assert in_force(home) == old
        home.heard()
        assert told(home) == {"code": old, "sent": 2, "sent_is": "in force", "sent_why": ""}
    assert home.files()["code/before"].decode() == new.version
    assert {boot.ended for boot in home.board.boots[2:]} == {"deep sleep"}


def test_one_that_crashes_in_its_report_is_taken_back_and_says_so(
    home: Home, tmp_path: Path
) -> None:
    old = in_force(home)
    bad = version(tmp_path, radio="def report(board, n):\n    raise KeyError('x')")
    home.board.write_files(staged(bad, n=4))
    with home.listening():
        home.days(1)
        assert in_force(home) == old, "in the very boot of its report"
        home.heard()
        assert told(home) == {"code": old, "sent": 4, "sent_is": "taken back", "sent_why": "error"}


def test_one_whose_reports_nobody_hears_is_taken_back(home: Home, tmp_path: Path) -> None:
    """It waters, but nobody could ever send it another version."""
    old = in_force(home)
    bad = version(tmp_path, radio="def report(board, n):\n    return False")
    home.board.write_files(staged(bad))
    with home.listening():
        home.days(1)
        files = home.files()
        assert (in_force(home), files["code/good"].decode()) == (bad.version, old)
        name, left, _ = files["code/trial"].decode().split()
        assert (name, 30 < int(left) < 36) == (bad.version, True)
        home.board.write_files({"code/trial": f"{name} 3 1"})  # the rest of the waiting
        home.days(3)
        assert in_force(home) == old
        home.heard()
        assert told(home)["sent_why"] == "no report heard"


def leave(home: Home, messages: dict[str, bytes]) -> None:
    """As a stranger with the broker's password would: below the board's own place."""
    head = f"wakewell/{BOARD}/"
    pairs = [(head + name, data) for name, data in messages.items()]
    broker.publish_all(private.read(home.folder), home.folder, pairs, retain=True)


def test_a_stranger_between(home: Home, tmp_path: Path) -> None:
    """Pieces that are forged, swapped, cut, grown or missing are never written; the manifest of
    another key, another board or an old number changes nothing."""
    old = in_force(home)
    new = version(tmp_path, short="CHANGED = 1")
    key = private.read(home.folder).key
    changed = payload.sha(new.files["wakeboard/short.mpy"])
    first = manifest.topic(changed, 0)
    with home.listening():
        home.heard()
        sent(home, new)
        order = (home.folder / "sent" / "000001.json").read_bytes()
        right = dict(pieces.of({changed: new.files["wakeboard/short.mpy"]}, key, BOARD))[first]
        other = dict(pieces.of({changed: new.files["wakeboard/short.mpy"]}, key, "0242ac110099"))
        for wrong in (right[:-1], right + b"x", other[first], bytes(len(right)), bytes(5000), b""):
            leave(home, {first: wrong})
            home.heard()
            files = home.files()
            assert not [name for name in files if "short.mpy" in name and old not in name]
            assert told(home)["sent_is"] == "fetching"
        assert b"refused: not a piece of the version" in home.board.console
        leave(home, {first: right})
        home.heard(3)
        assert told(home)["sent_is"] == "in force"
        assert in_force(home) == new.version
        forged = manifest.make(bytes(32), json_of(order) | {"n": 9, "back": 1})
        elsewhere = manifest.make(key, json_of(order) | {"n": 9, "board": "0242ac110099"})
        for wrong in (bytes(forged), bytes(elsewhere), order, b"x" * 60000):
            leave(home, {"code": wrong})
            home.heard()
            assert told(home) == {
                "code": new.version, "sent": 1, "sent_is": "in force", "sent_why": "",
            }  # fmt: skip
    assert {boot.ended for boot in home.board.boots[2:]} == {"deep sleep"}
    assert "error.txt" not in home.files()


def json_of(data: bytes) -> dict[str, Any]:
    """The members of a manifest, without its tag."""
    record: dict[str, Any] = json.loads(data)
    del record["hmac"], record["kind"], record["version"]
    return record
