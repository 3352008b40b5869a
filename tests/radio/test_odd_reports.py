"""Reports of a board that has the key and says what it likes: kept as they came or dropped, and
whoever reads what was kept (listener, reminders, replay, report) goes on."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from test_listen import BOARD, KEY, LINES, NONCE, Desk
from test_odd_content import CHANGES, changed, sealed

from wakeboard import senml
from wakewell.cli import main
from wakewell.radio import store

EASY = settings(
    deadline=None,
    derandomize=True,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
TEXTS = st.text(max_size=12) | st.sampled_from(["\x1b[2J", "\u202e", '"', "\\", "\x00", "log/1/0"])
NAMES = st.sampled_from(["asked", "answer", "refused", "report", "nonce", "odd", "log/1/0"])


def reports(lines: list[bytes]) -> list[bytes]:
    """Two reports that hold these lines and, unlike a board's own, no readings beside them."""
    bodies, at = [], 0
    for number, some in enumerate((lines[:6], lines[6:])):
        body = senml.head(BOARD, number, NONCE, {"asked": 0, "answer": "", "refused": 0})
        for data in some:
            body += senml.log_line(1, at, data)
            at += len(data) + 1
        bodies.append(bytes(senml.close(body, KEY)))
    return bodies


@settings(EASY, max_examples=30)
@given(CHANGES)
def test_odd_lines(tmp_path: Path, capsys: pytest.CaptureFixture[str], changes: list[Any]) -> None:
    folder = tmp_path / "basil"
    shutil.rmtree(folder, ignore_errors=True)
    made = list(LINES[:12])
    for at, where, how, value in changes:
        record = json.loads(made[at % len(made)])
        changed(record, where, how, value)
        made[at % len(made)] = sealed(record)
    desk = Desk(folder)
    desk.hear(*reports(made))
    pots = desk.listener.store.pots()
    assert len(pots) == 1
    desk.listener.store.close()
    assert all(text.isprintable() for text in desk.said)
    csv = ["report", str(folder), "--form", "csv", "--out", str(tmp_path)]
    for words in (["replay", str(folder)], csv):
        assert main(words) in (0, 1, 2)
        out, err = capsys.readouterr()
        assert all(c.isprintable() or c in "\n\t" for c in out + err)


@settings(EASY, max_examples=60)
@given(st.dictionaries(NAMES, TEXTS | st.integers(), max_size=4), st.binary(max_size=40))
def test_odd_packs(tmp_path: Path, words: dict[str, Any], noise: bytes) -> None:
    folder = tmp_path / "basil"
    shutil.rmtree(folder, ignore_errors=True)
    desk = Desk(folder)
    text = noise.decode("latin-1")
    entries = [{"bn": senml.base_name(BOARD), "n": "report", "v": 1}]
    entries += [{"n": n, ("v" if isinstance(v, int) else "vs"): v} for n, v in words.items()]
    entries += [{"n": text or "x", "vd": text}]
    for body in (json.dumps(entries).encode(), noise, b"[" * 5000, b"[{}]"):
        desk.hear(bytes(senml.close(bytearray(body.removesuffix(b"]")), KEY)))
    assert all(told.isprintable() for told in desk.said)
    assert isinstance(desk.listener.store, store.ReportStore)
    desk.listener.store.close()
