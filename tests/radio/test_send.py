"""What `wakewell send` makes, keeps and leaves with the broker; the board's part is elsewhere."""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path
from typing import Any

import pytest
import remote_pots
from versions import version

import makelog
from wakeboard import manifest, senml
from wakecore import line
from wakewell.cli import main
from wakewell.commands import round as round_command
from wakewell.log.record import IN_FORCE
from wakewell.pot import pot_folder, private
from wakewell.radio import broker, letters, listen, pieces, send
from wakewell.radio.store import ReportStore
from wakewell.radio.waiting import Message
from wakewell.replay import changes, preview
from wakewell.report import overview
from wakewell.shipped import CAFE
from wakewell.usb import flash, payload

BOARD = remote_pots.BOARD
ABOUT = f'id = "{BOARD}"\nmachine = "Generic ESP32 module with ESP32"\n'
Left = dict[str, bytes]


def folder_of(under: Path, name: str = "basil", about: str = ABOUT) -> Path:
    """A café pot with secrets and a board, without a log."""
    folder = under / name
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    (folder / "board.toml").write_text(about)
    remote_pots.fill_in(folder, 1883)
    return folder


@pytest.fixture
def pot(tmp_path: Path) -> Path:
    return folder_of(tmp_path)


@pytest.fixture
def left(monkeypatch: pytest.MonkeyPatch) -> Left:
    """{topic: what was left with the broker}, in the order in which it was."""
    found: Left = {}

    def publish_all(secret: Any, folder: Path, messages: Any, retain: bool) -> None:
        assert retain
        found.update(messages)

    monkeypatch.setattr(broker, "publish_all", publish_all)
    return found


def test_sent_is_what_a_flash_would_put_on_the_board(pot: Path, left: Left) -> None:
    assert main(["send", str(pot)]) == 0
    code = payload.compile_code()
    wanted = flash.wanted_files(pot_folder.load(pot), code)
    key = private.read(pot).key
    *_, last = left
    assert last == f"wakewell/{BOARD}/code", "the manifest, when all pieces are there"
    here = {"chip": "ESP32", "mpy": 6, "root": send.root_id("esp32")}
    n, record, why = manifest.judge(left[last], key, BOARD, 0, lambda: here, [0, 0, 0], 0)
    assert (n, why, record["name"]) == (1, "", code.version)

    def fetched(digest: str, size: int) -> bytes:
        found = b""
        for number in range(-(-size // manifest.PIECE)):
            topic = f"wakewell/{BOARD}/{manifest.topic(digest, number)}"
            data = manifest.open_piece(left[topic], key, BOARD, digest, number, size)
            assert data is not None
            found += data
        assert payload.sha(found) == digest
        return found

    rows = fetched(record["list"], record["size"])
    assert manifest.check_list(rows.splitlines(keepends=True)) == ""
    for text in rows.splitlines(keepends=True):
        digest, size, name = manifest.read_row(text)
        assert fetched(digest, size) == wanted[f"/code/{code.version}/{name}"]
    assert len(rows.splitlines()) == len(code.files)
    assert max(map(len, left.values())) <= manifest.PIECE + manifest.TAG_SIZE


def test_what_is_left_with_the_broker_holds_no_secret(pot: Path, left: Left) -> None:
    assert main(["send", str(pot)]) == 0
    words = [word.encode() for word in private.read(pot).words()] + [b"basil"]
    for data in left.values():
        assert not [word for word in words if word in data]
    kept = [path.read_bytes() for path in (pot / "sent").rglob("*") if path.is_file()]
    assert not [word for word in words[:-1] for data in kept if word in data]


def retained(left: Left) -> set[str]:
    """The topics at which something is."""
    return {topic.split("/", 2)[2] for topic, data in left.items() if data}


def test_a_newer_version_takes_the_pieces_of_the_older_one_away(
    pot: Path, left: Left, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["send", str(pot)]) == 0
    first = retained(left)
    newer = version(tmp_path, wake="CHANGED = 1")
    monkeypatch.setattr(payload, "compile_code", lambda *_: newer)
    assert main(["send", str(pot)]) == 0
    assert first - retained(left), "what only the older one had"
    files = {payload.sha(send.listing(newer.files)), *map(payload.sha, newer.files.values())}
    assert {path.name for path in pieces.kept_files(pot)} == files
    wanted = [name for name, _ in pieces.of(dict.fromkeys(files, b"x"), bytes(32), BOARD)]
    assert {name for name in retained(left) if name.endswith("/0")} == set(wanted)


@pytest.mark.parametrize(
    ("sent", "state", "days", "gone"),
    [
        (1, "fetching", 0, False),
        (0, "", 0, False),  # it has not been told of it yet
        (1, "staged", 0, True),
        (1, "in force", 0, True),
        (1, "taken back", 0, True),
        (1, "refused", 0, True),
        (2, "refused", 0, True),  # settled by cable
        ("1", "in force", 0, False),
        (None, None, send.DAYS - 1, False),
        (None, None, send.DAYS + 1, True),
        (1, "fetching", send.DAYS + 1, True),
    ],
)
def test_what_no_board_fetches_any_more_does_not_stay_with_the_broker(
    pot: Path, left: Left, sent: Any, state: Any, days: int, gone: bool
) -> None:
    """The listener takes it away by what the board tells, or once nobody may take it."""
    assert main(["send", str(pot)]) == 0
    store = ReportStore(pot.parent / "heard.db", {BOARD: pot})
    listener = listen.Listener({BOARD: bytes(32)}, store, left.__setitem__)
    now = time.time() + days * 86400
    if sent is None:
        listener.clear_late(now)
    else:
        words = {"asked": 0, "answer": "", "refused": 0, "sent": sent, "sent_is": state}
        body = senml.head(BOARD, 1, "00" * 8, words)
        report = bytes(senml.close(body, bytes(32)))
        listener.deal([Message(f"wakewell/{BOARD}/report", report)], now)
        assert listener.heard == 1
        del left[f"wakewell/{BOARD}/heard"]
    store.close()
    assert retained(left) == {"code"} if gone else len(retained(left)) > 20
    assert bool(pieces.kept_files(pot)) != gone
    assert len(send.numbered(pot)) == 1, "what was sent can still be told"


def test_ask_and_the_round_show_what_waits(
    pot: Path, left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    """Until the board tells of it, and what it told of the one before stays beside it."""
    assert main(["send", str(pot)]) == 0
    shutil.copytree(CAFE / "basil" / "logs", pot / "logs")

    def shown(command: str) -> list[str]:
        capsys.readouterr()
        main([command, str(pot)])
        rows = capsys.readouterr().out.splitlines()
        return [row.strip() for row in rows if row.strip().startswith(("sent", "program"))]

    version = payload.compile_code().version
    (sent,), (program,) = shown("ask"), shown("round")
    assert sent.startswith(f"sent       number 1: version {version}; not heard of yet")
    assert f"number 1 was sent: version {version}; not heard of yet" in program
    store = ReportStore(pot.parent / "heard.db")
    words = {"code": "a-1", "sent": 1, "sent_is": "taken back", "sent_why": "watchdog"}
    store.take([letters.BoardReport(BOARD, 1, "ab", words)], 1)
    store.close()
    assert shown("ask") == ["sent       number 1: taken back, watchdog"]
    assert main(["send", str(pot), "--back"]) == 0
    assert len(shown("ask")) == 2
    assert shown("ask")[1].startswith("sent       number 2: back to the version before; not heard")
    path = pot / "sent" / "000002.json"
    path.write_bytes(path.read_bytes().replace(b'"until":[', b'"until":[-9'))
    assert shown("ask")[1].endswith("not taken in its time, send it again")
    assert "not taken in its time" in shown("round")[0]
    path.write_bytes(b"{}")
    assert main(["ask", str(pot)]) == 2
    capsys.readouterr()
    assert main(["round", str(pot)]) == 1, "the others are shown all the same"
    assert "000002.json: not a manifest as send made it" in capsys.readouterr().out


def test_numbers_only_rise_whoever_counted(pot: Path, left: Left) -> None:
    """Another copy of this folder may have sent too; the board says which it judged last."""
    assert main(["send", str(pot)]) == 0
    store = ReportStore(pot.parent / "heard.db")
    words = {"code": "x", "sent": 7, "sent_is": "in force", "sent_why": ""}
    store.take([letters.BoardReport(BOARD, 1, "ab", words)], 1)
    store.close()
    assert main(["send", str(pot)]) == 0
    assert [path.name for path in sorted((pot / "sent").glob("*.json"))] == [
        "000001.json", "000008.json",
    ]  # fmt: skip


def test_weaker_by_the_pots_own_log_needs_the_makers_word(
    pot: Path, left: Left, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    weaker = preview.Changed(changes.WEAKER, "R4", "trip no flow is gone", 7, "here")
    found = preview.Preview(["the new core: otherwise"], [weaker])
    monkeypatch.setattr(preview, "of", lambda pot, only_core: found)
    assert main(["send", str(pot)]) == 2
    said = capsys.readouterr().out
    assert "the new core: otherwise" in said
    assert "--accept-weaker" in said
    assert not left
    assert not (pot / "sent").exists()
    assert main(["send", str(pot), "--accept-weaker"]) == 0
    assert left


@pytest.mark.parametrize(
    ("about", "private_toml", "why"),
    [
        ("", True, "flash it once by cable"),
        (f'id = "{BOARD}"\n', True, "flash it once by cable"),
        (ABOUT, False, "private.toml"),
    ],
)
def test_a_pot_that_cannot_be_sent_to(
    tmp_path: Path, left: Left, about: str, private_toml: bool, why: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    folder = folder_of(tmp_path, about=about or ABOUT)
    if not about:
        (folder / "board.toml").unlink()
    if not private_toml:
        (folder / "private.toml").unlink()
    assert main(["send", str(folder)]) == 2
    told = capsys.readouterr()
    assert why in told.out + told.err
    assert not left


def test_an_old_program_takes_none(
    pot: Path, left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    """What its reports say shows that it does not know of versions by radio."""
    store = ReportStore(pot.parent / "heard.db")
    store.take([letters.BoardReport(BOARD, 1, "ab", {"asked": 0})], 1)
    store.close()
    assert main(["send", str(pot)]) == 2
    assert "flash it once by cable" in capsys.readouterr().out
    assert not left


def test_a_dry_run_sends_and_keeps_nothing(
    pot: Path, left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["send", str(pot), "--dry-run", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (result,) = told["results"]
    assert (result["number"], result["sent"]) == (1, False)
    assert not left
    assert not (pot / "sent").exists()


def test_the_round_tells_how_far_it_is() -> None:
    row = overview.Overview("basil", "basil", core="x")
    assert not [text for text in round_command.below(row) if text.startswith("program")]
    row.program = {"code": "a-1", "sent": 3, "sent_is": "taken back", "sent_why": "watchdog"}
    assert "program   a-1; number 3 was sent: taken back, watchdog" in round_command.below(row)
    assert round_command.as_json(row)["program"] == row.program


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["basil", "basil"], "basil: the same pot as basil; name one of them"),
        (["basil", "basil/"], "the same pot as"),
        (["basil", "copy"], "copy: the same board as basil; name one of them"),
        (["basil", "--first", "copy"], "the same board as"),
        (["basil", "--back", "--first", "basil"], "--first is for a new version"),
    ],
)
def test_each_pot_once_and_no_first_on_the_way_back(
    pot: Path, left: Left, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    words: list[str], why: str,
) -> None:  # fmt: skip
    """Two orders to one board would count two numbers, and the second one would be the older."""
    shutil.copytree(pot, pot.parent / "copy")
    monkeypatch.chdir(pot.parent)
    assert main(["send", *words]) == 2
    assert why in capsys.readouterr().err
    assert not left
    assert not (pot / "sent").exists()


@pytest.mark.parametrize("every", [0, 1])
def test_a_pot_that_never_reports_is_told_of(
    pot: Path, left: Left, every: int, capsys: pytest.CaptureFixture[str]
) -> None:
    path = pot / "settings.toml"
    path.write_text(f"radio_wakes = {every}\n{path.read_text()}")
    assert main(["send", str(pot)]) == 0
    assert ("CAUTION: it obeys radio_wakes = 0" in capsys.readouterr().out) == (every == 0)
    assert main(["send", str(pot), "--json", "--dry-run"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["results"]
    assert told["never_reports"] == (every == 0)
    assert main(["ask", str(pot), "--replace-key", "--dry-run"]) == 0
    assert ("CAUTION: it obeys radio_wakes = 0" in capsys.readouterr().out) == (every == 0)


@pytest.mark.parametrize("words", [["send"], ["ask"], ["ask", "dose_ml=61"]])
def test_a_database_that_is_named_must_be_there(
    pot: Path, left: Left, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """Without it the number that the board judged last would not be known."""
    command, *values = words
    where = str(pot.parent / "nowhere.db")
    assert main([command, str(pot), *values, "--database", where]) == 2
    assert "nowhere.db" in capsys.readouterr().err
    assert not left
    assert not Path(where).exists()


class First:
    """Two pots, one of which is sent to first, and what is heard of it."""

    def __init__(self, under: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.first, self.other = folder_of(under, "first"), folder_of(under, "other")
        (self.other / "board.toml").write_text(ABOUT.replace(BOARD, "0242ac110099"))
        self.capsys, self.reports = capsys, 0
        self.version = payload.compile_code().version

    def send(self, *words: str) -> tuple[int, str]:
        code = main(["send", str(self.first), str(self.other), "--first", str(self.first), *words])
        return code, self.capsys.readouterr().out

    def heard(self, state: str, why: str = "", version: str = "") -> None:
        self.reports += 1
        words = {"code": version or self.version, "sent": 1, "sent_is": state, "sent_why": why}
        store = ReportStore(self.first.parent / "heard.db")
        store.take([letters.BoardReport(BOARD, self.reports, "ab", words)], self.reports)
        store.close()


def test_the_others_follow_when_the_first_has_proved_it(
    tmp_path: Path, left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    two = First(tmp_path, capsys)
    assert two.send("--wakes", "2")[0] == 1
    assert {topic.split("/")[1] for topic in left} == {BOARD}
    two.heard("fetching")
    code, said = two.send("--wakes", "2")
    assert (code, "0 of 2 wakes with a dose" in said) == (1, True)
    two.heard("in force")
    for wakes, code in ((15, 1), (25, 0)):  # the pot is watered at every tenth
        written(two.first / "logs", wakes)
        assert two.send("--wakes", "2")[0] == code
    assert {topic.split("/")[1] for topic in left} == {BOARD, "0242ac110099"}


def written(folder: Path, count: int) -> None:
    """A log of so many wakes, at the fifth of which a version came in force."""
    folder.mkdir(exist_ok=True)
    lines = list(makelog.log_lines(makelog.play(makelog.wakes(count))))
    for at, data in enumerate(lines):
        record, _ = line.decode(data)
        assert record is not None
        if record["kind"] == "wake" and record["n"] == 5:
            lines[at] = makelog.changed(data, begin=record["begin"] | {"host": [IN_FORCE]})
    makelog.write(folder, lines)


def test_a_first_pot_that_took_it_back_holds_the_others(
    tmp_path: Path, left: Left, capsys: pytest.CaptureFixture[str]
) -> None:
    two = First(tmp_path, capsys)
    two.send()
    two.heard("taken back", "watchdog", "0123456789ab-01234567")
    code, said = two.send()
    assert code == 1
    assert "taken back: watchdog" in said
    assert {topic.split("/")[1] for topic in left} == {BOARD}
