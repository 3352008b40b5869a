"""A version of the code over the air: a desk board fetches it, tries it, keeps or takes it back."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
import test_desk_radio
from usb_desks import wakes
from versions import version

from wakewell.deskboard import why_not
from wakewell.pot import pot_folder
from wakewell.radio import send
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
        print(home.board.console[-3000:].decode(errors="replace"))
        print(home.files().get("code/sent.json"), told(home))
        assert in_force(home) == new.version
        home.heard()
        assert told(home) == {"code": new.version, "sent": 1, "sent_is": "in force", "sent_why": ""}
    files = home.files()
    assert (files["code/good"].decode(), files["code/before"].decode()) == (new.version, old)
    hosts = [wake["begin"]["host"] for wake in wakes(files)]
    assert [host for host in hosts if host] == [["version in force"]]
    assert {boot.ended for boot in home.board.boots[2:]} == {"deep sleep"}
