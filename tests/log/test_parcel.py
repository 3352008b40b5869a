"""Parcels: whole, shared, hostile; and the causes of a complaint."""

from __future__ import annotations

import argparse
import json
import shutil
import tomllib
import zipfile
from pathlib import Path

import pytest

from grown import Garden, make, pot_toml
from wakecore import line
from wakewell.cli import main
from wakewell.commands import parcel as parcel_command
from wakewell.log import logs, parcel, series
from wakewell.log.times import Calendar
from wakewell.replay import replaying
from wakewell.report import complaints

SECRET = "Grandma Edith, 14 Elm Street"


@pytest.fixture(scope="module")
def pot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("home") / "ediths-pot"
    make(folder, Garden(days=70, hose_off=50, refill=(20,), brownouts=(30,)))
    pot_toml(folder, name=SECRET[:13], place=SECRET, notes=SECRET)
    wiring = folder / "wiring.toml"  # a name of nobody's table: check refuses it, a parcel drops it
    wiring.write_text('keeper = "Edith"\n' + wiring.read_text(encoding="utf-8"), encoding="utf-8")
    (folder / "private.toml").write_text('key = "do not send"\n')
    return folder


def packed(pot: Path, out: Path, *words: str) -> Path:
    assert main(["parcel", str(pot), "--file", str(out), *words]) == 0
    return out


def everything(path: Path) -> bytes:
    with zipfile.ZipFile(path) as file:
        return b"\n".join(name.encode() + b"\n" + file.read(name) for name in file.namelist())


def wakes(path: Path) -> series.PotLog:
    with parcel.opened([path]) as (folder,):
        ((place, files),) = logs.find_logs(folder)
        return series.read("pot", place, files)


def test_a_parcel_opens_as_the_pot_it_was(pot: Path, tmp_path: Path) -> None:
    there = wakes(packed(pot, tmp_path / "p.zip"))
    here = series.read("pot", pot / "logs", sorted((pot / "logs").glob("*.jsonl")))
    assert there.wakes == here.wakes
    assert there.title == SECRET[:13]
    assert there.pot is not None
    assert b"do not send" not in everything(tmp_path / "p.zip")


def test_the_shared_form_tells_nothing_of_whose_it_is(pot: Path, tmp_path: Path) -> None:
    path = packed(pot, tmp_path / "p.zip", "--share")
    data = everything(path)
    for word in (b"Edith", b"edith", b"Elm", b"do not send", b"#"):
        assert word not in data
    there = wakes(path)
    assert there.wakes[0].time_s == 978307200  # 2001-01-01 00:00 UTC
    here = series.read("pot", pot / "logs", sorted((pot / "logs").glob("*.jsonl")))
    for ours, theirs in zip(here.wakes, there.wakes, strict=True):
        assert ours.time_s - here.wakes[0].time_s == theirs.time_s - there.wakes[0].time_s
        assert (ours.lockouts, ours.given_ul) == (theirs.lockouts, theirs.given_ul)
    with zipfile.ZipFile(path) as file:
        # The earliest date of a zip file (from memory, APPNOTE 4.4.6: the DOS form)
        assert {info.date_time for info in file.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_what_the_shared_form_cannot_tell_is_counted(
    pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A record whose CRC is right and whose form is none is left out, and that is said."""
    folder = tmp_path / "pot"
    shutil.copytree(pot, folder)
    (path, *_) = sorted((folder / "logs").glob("*.jsonl"))
    odd = {"kind": "wake", "n": 3, "begin": 7}
    path.write_bytes(path.read_bytes() + line.encode(list(odd), odd) + b"\n")
    deep = tmp_path / "parcels" / "sent" / "p.zip"  # folders that are not there yet
    packed(folder, deep, "--share")
    out = capsys.readouterr().out
    assert "1 lines could not be read and are not in it" in out
    assert b'"begin":7' not in everything(deep)
    packed(pot, tmp_path / "whole.zip", "--share")
    assert "could not be read" not in capsys.readouterr().out


def test_the_shared_form_replays_to_the_last_bit(pot: Path, tmp_path: Path) -> None:
    with parcel.opened([packed(pot, tmp_path / "p.zip", "--share")]) as (folder,):
        ((_, files),) = logs.find_logs(folder)
        found = replaying.replay_log("pot", files)
    assert found.divergent == 0
    assert not found.unplayed
    assert found.verdicts.wakes > 100


def test_report_opens_a_parcel(
    pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = packed(pot, tmp_path / "p.parcel.zip", "--complaint", "too dry")
    out = capsys.readouterr().out
    assert "the soil did not get wetter" in out.split("1. ")[1].split("2. ")[0]
    assert main(["report", str(path), "--out", str(tmp_path / "o")]) == 1
    assert "too dry" in (tmp_path / "o" / "p.html").read_text(encoding="utf-8")


def test_nothing_is_overwritten(
    pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = packed(pot, tmp_path / "p.zip")
    before = path.read_bytes()
    assert main(["parcel", str(pot), "--file", str(path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert path.read_bytes() == before


def test_the_same_pot_makes_the_same_parcel(pot: Path, tmp_path: Path) -> None:
    one, two = packed(pot, tmp_path / "1.zip"), packed(pot, tmp_path / "2.zip")
    assert one.read_bytes() == two.read_bytes()


@pytest.mark.parametrize(
    ("name", "data", "message"),
    [
        ("../../evil.txt", b"x", "no parcel contains"),
        ("/etc/evil.txt", b"x", "no parcel contains"),
        ("logs/../../evil.jsonl", b"x", "no parcel contains"),
        ("private.toml", b"x", "no parcel contains"),
        ("run.py", b"x", "no parcel contains"),
        (parcel.CONTENTS, b'{"form": 99}', "of another"),
        (parcel.CONTENTS, b"[1]", "of another"),
        (parcel.CONTENTS, b"{", "damaged"),
        (parcel.CONTENTS, b'{"form": 1, "files": {"logs/1.jsonl": "00"}}', "missing or damaged"),
        ("notes.json", b"x", "is missing; pack one"),
    ],
)
def test_a_hostile_parcel_harms_nothing(
    tmp_path: Path, name: str, data: bytes, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "in" / "p.zip"
    path.parent.mkdir()
    with zipfile.ZipFile(path, "w") as file:
        if name not in (parcel.CONTENTS, "notes.json"):
            file.writestr(parcel.CONTENTS, json.dumps({"form": 1, "files": {}}))
        file.writestr(name, data)
    assert main(["report", str(path), "--out", str(tmp_path / "o")]) == 2
    assert message in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["in", "p.zip"]


def test_a_cut_off_parcel_is_told(
    pot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = packed(pot, tmp_path / "p.zip")
    data = bytearray(path.read_bytes())
    data[200:240] = bytes(40)
    path.write_bytes(data)
    assert main(["report", str(path), "--out", str(tmp_path / "o")]) == 2
    assert "damaged" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("garden", "complaint", "likeliest"),
    [
        (Garden(days=90, hose_off=60), "too dry", "did not get wetter"),
        (Garden(days=90, clog=80), "too dry", "the tank did not get emptier"),
        (Garden(days=80, tank_ml=2500), "too dry", "down to its reserve"),
        (Garden(days=60, leak_ml_day=(40, 15.0)), "too wet", "siphons or leaks"),
        (Garden(days=150, drain=0.0065, refill=(60,)), "silent", "battery is empty"),
        (Garden(days=60, brownouts=(50, 52, 55, 58)), "silent", "bad contact"),
    ],
)
def test_the_likeliest_cause_is_the_one_that_was_made(
    tmp_path: Path, garden: Garden, complaint: str, likeliest: str
) -> None:
    place = make(tmp_path, garden)
    log = series.read("pot", place, sorted(place.glob("*.jsonl")))
    found = complaints.ranked(log, complaint, Calendar("UTC"))
    assert likeliest in found[0].name
    assert found[0].evidence
    assert all(cause.check.endswith(".") for cause in found)


def test_a_parcel_of_an_unreadable_log_still_packs(tmp_path: Path) -> None:
    (tmp_path / "x.jsonl").write_text("rubbish\n")
    args = argparse.ArgumentParser()
    parcel_command.arguments(args)
    words = [str(tmp_path / "x.jsonl"), "--file", str(tmp_path / "p.zip"), "--complaint", "silent"]
    assert parcel_command.run(args.parse_args(words)) == 0


def test_the_shared_form_keeps_numbers_and_words_of_our_tables(tmp_path: Path) -> None:
    (tmp_path / "pot.toml").write_text(
        'name = "Edith"  # mine\nplant = "fern"\nchip = "esp32"\nplace = "Elm Street"\n'
        '[planter]\nvolume_ml = 3500\nstands = "window sill"\nnote = "by Edith"\n'
        '[battery]\nchemistry = "lithium-ion"\ncells = 1\nspare = true\nlist = [1, "Edith", 2.5]\n'
    )
    text = parcel.without_text(tmp_path / "pot.toml", "pot.toml")
    assert tomllib.loads(text) == {
        "name": "a pot",
        "plant": "a plant",
        "chip": "esp32",
        "planter": {"volume_ml": 3500, "stands": "window sill"},
        "battery": {"chemistry": "lithium-ion", "cells": 1, "spare": True, "list": [1, 2.5]},
    }
    assert parcel.without_text(tmp_path / "absent.toml", "absent.toml") == ""


@pytest.mark.parametrize(
    ("contents", "expected"),
    [
        (b'{"complaint": "too dry", "shared": true}', ("too dry", True)),
        (b'{"complaint": "too dry"}', ("too dry", False)),
        (b'{"complaint": "anything", "shared": 1}', ("", False)),
        (b"[1]", ("", False)), (b"{", ("", False)), (b"[" * 9000, ("", False)),
    ],
)  # fmt: skip
def test_what_came_with_a_parcel(
    tmp_path: Path, contents: bytes, expected: tuple[str, bool]
) -> None:
    (tmp_path / parcel.CONTENTS).write_bytes(contents)
    assert parcel.came_with(tmp_path) == parcel.came_with(tmp_path / "logs") == expected
    assert parcel.came_with(tmp_path / "none") == ("", False)
