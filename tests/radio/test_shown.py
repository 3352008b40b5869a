"""Pages that follow the reports: always whole, of the newest wake, silent when nothing comes."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import mosquitto
import pytest
import remote_pots
import test_listen as common

import waiting
from wakewell.errors import BadInput
from wakewell.log import series
from wakewell.pot import private
from wakewell.radio import broker
from wakewell.radio.shown import ROUND, Shown
from wakewell.report import page_files
from wakewell.shipped import CAFE

SAID: list[str] = []


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A pot's folder without a log."""
    made = tmp_path / "pots" / "basil"
    shutil.copytree(CAFE / "basil", made, ignore=shutil.ignore_patterns("*.jsonl*"))
    return made


def tell(folder: Path, count: int) -> float:
    """The pot's log with so many lines; the time of the newest."""
    path = folder / "logs" / "00000001.jsonl"
    path.write_bytes(common.whole(common.LINES[:count]))
    page_files.last_day.cache_clear()
    newest = page_files.last_day(folder)
    assert newest is not None
    return newest


def read_up_to(page: Path) -> str:
    found = re.search(r"<dt>Read up to</dt><dd>([^(]+) ", page.read_text(encoding="utf-8"))
    assert found is not None
    return found[1]


def test_a_pot_that_was_never_heard_is_in_the_round(folder: Path, tmp_path: Path) -> None:
    shown = Shown({"a": folder}, tmp_path / "out", SAID.append)
    shown.write(["a"])
    assert "nothing heard yet" in (tmp_path / "out" / ROUND).read_text()
    assert not (tmp_path / "out" / "basil.html").exists()


def test_they_follow_the_log_and_the_clock(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = folder.with_name("mint")
    shutil.copytree(folder, other)
    shown, out = Shown({"a": folder, "b": other}, tmp_path / "out", SAID.append), tmp_path / "out"
    now_s = tell(folder, 20)
    tell(other, 10)
    monkeypatch.setattr(page_files, "today", lambda: now_s)
    shown.write(["a", "b"])
    first, second = (read_up_to(out / f"{name}.html") for name in ("basil", "mint"))
    assert first != second
    now_s = tell(folder, 40)
    shown.write(["a"])
    assert read_up_to(out / "basil.html") != first
    assert read_up_to(out / "mint.html") == second
    assert "no news" not in re.findall(r'stamp \w+">([^<]+)<', (out / "basil.html").read_text())
    now_s += 30 * 86400
    shown.write(["a", "b"])
    page = (out / ROUND).read_text()
    assert re.findall(r'stamp \w+">([^<]+)<', page) == ["no news", "no news"]
    assert f'href="{ROUND}"' in (out / "basil.html").read_text()


def test_a_log_that_cannot_be_read_keeps_no_other_page_back(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other, said, out, read = folder.with_name("mint"), [], tmp_path / "out", series.read
    shutil.copytree(folder, other)
    shown = Shown({"a": folder, "b": other}, out, said.append)
    for each in (folder, other):
        tell(each, 20)

    def fails(name: str, *args: Any) -> Any:
        if name == "basil":
            raise BadInput("basil: cannot be read: worn disk")
        return read(name, *args)

    monkeypatch.setattr(series, "read", fails)
    shown.write(["a", "b"])
    page = (out / ROUND).read_text()
    assert 'href="mint.html"' in page
    assert "basil: cannot be read: worn disk" in page
    assert said == ["pages: basil: cannot be read: worn disk"]
    monkeypatch.undo()
    shown.write(["a"])
    assert "worn disk" not in (out / ROUND).read_text()


def test_whoever_opens_a_page_meanwhile_gets_a_whole_one(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    shown = Shown({"a": folder}, out, SAID.append)
    tell(folder, 20)
    shown.write(["a"])
    bad: list[str] = []
    stop = threading.Event()

    def look() -> None:
        while not stop.is_set():
            for name in (ROUND, "basil.html"):
                text = (out / name).read_text(encoding="utf-8")
                if not text.rstrip().endswith("</html>"):
                    bad.append(name)

    looker = threading.Thread(target=look)
    looker.start()
    for count in range(21, 27):
        tell(folder, count)
        shown.write(["a"])
    stop.set()
    looker.join()
    assert bad == []


def test_each_report_is_followed_and_a_failure_is_told(folder: Path, tmp_path: Path) -> None:
    out, said = tmp_path / "out", []
    shown = Shown({"a": folder}, out, said.append)
    tell(folder, 20)
    shown.start()
    waiting.until((out / ROUND).exists)  # the last that is written
    first, round_ns = read_up_to(out / "basil.html"), (out / ROUND).stat().st_mtime_ns
    tell(folder, 40)
    shown.changed(["a"])
    waiting.until(lambda: (out / ROUND).stat().st_mtime_ns != round_ns)
    assert read_up_to(out / "basil.html") != first
    shutil.rmtree(out)
    out.write_text("in the way")
    shown.changed(["a"])
    waiting.until(lambda: said)
    assert said[0].startswith("pages: ")
    out.unlink()
    shown.changed(["a"])
    waiting.until((out / ROUND).exists)
    shown.stop()


def test_a_folder_that_cannot_be_written_is_told_at_once(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("in the way")
    with pytest.raises(BadInput, match="cannot be written"):
        Shown({"a": folder}, tmp_path / "out", SAID.append)


def test_the_listener_says_which_boards_it_heard(tmp_path: Path) -> None:
    desk = common.Desk(tmp_path)
    heard: list[set[str]] = []

    class Told:
        def changed(self, boards: set[str]) -> None:
            assert (desk.folder / "logs").exists(), "the log is there before its page is made"
            heard.append(boards)

    desk.listener.shown = Told()
    desk.hear(common.pack(common.LINES[:5], 1))
    desk.hear(b"not ours")
    assert heard == [{common.BOARD}]


def test_the_command(server: mosquitto.Broker, pot: Path, tmp_path: Path) -> None:
    out, secret = tmp_path / "page", private.read(pot)
    words = ["listen", str(pot), "--page", str(out), "--for", "86400"]
    process = subprocess.Popen(
        [sys.executable, "-m", "wakewell", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    waiting.until((out / ROUND).exists)
    assert "nothing heard yet" in (out / ROUND).read_text()
    topic = f"wakewell/{remote_pots.BOARD}/report"
    broker.publish(secret, pot, topic, common.pack(common.LINES[:20], 1, secret.key), False)
    waiting.until((out / "basil.html").exists)
    process.terminate()
    told = process.communicate()
    assert process.returncode == 0, told
    assert 'href="basil.html"' in (out / ROUND).read_text()
