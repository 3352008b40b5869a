"""Parcels that came damaged, made by others, or onto a full disk: one line, and its own name."""

from __future__ import annotations

import bz2
import json
import lzma
import os
import random
import stat
import zipfile
from pathlib import Path

import pytest

from grown import Garden, make
from wakewell.cli import main
from wakewell.log import parcel
from wakewell.replay import replaying

Told = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("home") / "pot"
    make(folder, Garden(days=12))
    out = folder.parent / "p.zip"
    assert main(["parcel", str(folder), "--file", str(out)]) == 0
    return out.read_bytes()


def one_line(path: Path, told: Told) -> str:
    """What replay says of it: bad input, in one line that names it and no other place."""
    told.readouterr()
    assert main(["replay", str(path)]) == 2
    err = told.readouterr().err
    assert err.count("\n") == 1
    assert err.startswith(f"wakewell replay: {path}")
    assert "/wakewell-" not in err
    return err


def packed(path: Path, how: int, **files: bytes) -> Path:
    with zipfile.ZipFile(path, "w", how) as file:
        file.writestr(parcel.CONTENTS, json.dumps({"form": 1, "files": {}}))
        for name, data in files.items():
            file.writestr(name, data)
    return path


def test_every_damaged_byte_is_one_line_or_harmless(
    whole: bytes, tmp_path: Path, capsys: Told
) -> None:
    """Seeded: bytes flipped, cut out and put in, everywhere in the file, its directory too."""
    dice = random.Random(11)
    path = tmp_path / "p.zip"
    codes = set()
    for turn in range(250):
        data = bytearray(whole)
        at = turn * len(data) // 125 if turn < 125 else len(data) - 1 - (turn - 125) * 8
        kind = dice.randrange(4)
        if kind == 0:
            data[at] ^= 1 << dice.randrange(8)
        elif kind == 1:
            data[at] = dice.randrange(256)
        elif kind == 2:
            del data[at : at + dice.randint(1, 50)]
        else:
            data[at:at] = dice.randbytes(dice.randint(1, 20))
        path.write_bytes(data)
        code = main(["replay", str(path)])
        out, err = capsys.readouterr()
        codes.add(code)
        assert code in (0, 1, 2)
        assert "Traceback" not in out + err
        assert "/wakewell-" not in out + err
        if code == 2:
            assert err.count("\n") == 1
    assert 2 in codes


@pytest.mark.parametrize("method", [12, 14, 93, 99])
def test_a_method_that_no_parcel_uses(method: int, tmp_path: Path, capsys: Told) -> None:
    """12: bz2, 14: LZMA (PKWARE APPNOTE 4.4.5); 93 and 99 are nothing zipfile knows."""
    how = {12: zipfile.ZIP_BZIP2, 14: zipfile.ZIP_LZMA}.get(method, zipfile.ZIP_STORED)
    path = packed(tmp_path / "p.zip", how, **{"logs/a.jsonl": b"x" * 2000})
    data = bytearray(path.read_bytes())
    if method > 14:
        for mark, offset in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
            at = data.find(mark, 0)
            while at >= 0:
                data[at + offset] = method
                at = data.find(mark, at + 1)
    path.write_bytes(data)
    assert "packed in a way that no parcel is" in one_line(path, capsys)
    assert bz2.decompress(bz2.compress(b"x")) == lzma.decompress(lzma.compress(b"x"))


NAMES = [
    "logs/..",
    "logs/../x",
    "logs/.hidden",
    "logs//x.jsonl",
    "/logs/x.jsonl",
    "logs\\x.jsonl",
    "logs/\u0661.jsonl",
    "logs/x.jsonl\n",
    "logs/in-force/../../x",
    "C:x.toml",
    "private.toml",
    "private-old.toml",
    "\x1b[2J",
    "logs/",
]


@pytest.mark.parametrize("name", NAMES)
def test_odd_member_names(name: str, tmp_path: Path, capsys: Told) -> None:
    err = one_line(packed(tmp_path / "p.zip", zipfile.ZIP_DEFLATED, **{name: b"x"}), capsys)
    assert "which no parcel contains" in err
    assert err.rstrip("\n").isprintable()
    assert [p.name for p in tmp_path.iterdir()] == ["p.zip"]


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize("names", [("pot.toml", "pot.toml"), ("logs/a.jsonl", "logs/A.jsonl")])
def test_a_name_twice(names: tuple[str, str], tmp_path: Path, capsys: Told) -> None:
    """The second would replace what the first was checked to be."""
    path = tmp_path / "p.zip"
    with zipfile.ZipFile(path, "w") as file:
        file.writestr(parcel.CONTENTS, json.dumps({"form": 1, "files": {}}))
        for name in names:
            file.writestr(name, b"x")
    assert "twice" in one_line(path, capsys)


@pytest.mark.parametrize("contents", ["[" * 20_000, "1", '{"form":1,"files":7}', '{"form":"1"}'])
def test_odd_contents(contents: str, tmp_path: Path, capsys: Told) -> None:
    path = tmp_path / "p.zip"
    with zipfile.ZipFile(path, "w") as file:
        file.writestr(parcel.CONTENTS, contents)
    one_line(path, capsys)


def test_no_room_for_temporary_files(
    whole: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Told
) -> None:
    path = tmp_path / "p.zip"
    path.write_bytes(whole)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(parcel.tempfile, "TemporaryDirectory", full)  # type: ignore[attr-defined]
        assert "No space left on device; make room" in one_line(path, capsys)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "mkdir", full)
        assert "No space left on device; make room" in one_line(path, capsys)


def test_what_lies_in_a_parcel_is_named_by_it(whole: bytes, tmp_path: Path, capsys: Told) -> None:
    path = tmp_path / "sent.zip"
    path.write_bytes(whole)
    with parcel.opened([path]) as (folder,):
        (log,) = (folder / "logs").glob("*.jsonl")
        log.write_bytes(b"rubbish\n" + log.read_bytes())
        (folder / "pot.toml").write_text("name = 1\n")
        report = replaying.replay_log("pot", [log])
        assert str(report.skips.first[0]).startswith(f"{path}/logs/{log.name}:1: ")
    bare = packed(tmp_path / "bare.zip", zipfile.ZIP_DEFLATED, **{"pot.toml": b"x"})
    for command in ("replay", "report", "parcel"):
        assert main([command, str(bare)]) == 2
        err = capsys.readouterr().err
        assert err.startswith(f"wakewell {command}: {bare}: no log here")


@pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")
def test_a_parcel_is_for_its_owners_eyes(whole: bytes, tmp_path: Path) -> None:
    source = tmp_path / "in.zip"
    source.write_bytes(whole)
    before = os.umask(0)
    try:
        assert main(["parcel", str(source), "--file", str(tmp_path / "out.zip")]) == 0
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "out.zip").stat().st_mode) == 0o600
