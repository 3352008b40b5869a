"""A pot's secrets for the tests of this folder."""

from __future__ import annotations

from pathlib import Path

import mosquitto

from wakewell.remote import private

BOARD = "0242ac110002"


def fill_in(folder: Path, port: int, tls: bool = False, **changes: str) -> private.Private:
    """private.toml with the broker of a test in it."""
    path = private.make(folder)
    text = path.read_text()
    rows = {
        'host = ""': 'host = "localhost"', "port = 8883": f"port = {port}",
        "tls = true": f"tls = {str(tls).lower()}", 'user = ""': f'user = "{mosquitto.USER}"',
        'name = ""': 'name = "greenhouse"',
    }  # fmt: skip
    for old, new in (rows | changes).items():
        assert old in text
        text = text.replace(old, new)
    head, _, tail = text.partition("[broker]")
    tail = tail.replace('password = ""', f'password = "{mosquitto.WORD}"')
    path.write_text(head + "[broker]" + tail)
    return private.read(folder)
