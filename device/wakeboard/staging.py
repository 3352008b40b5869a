"""A version of the code beside the one in force: its files as they come, checked, put in force.

Below /code: `next.list` names what it is made of, `next/` holds what is there of it. A file comes
as NAME.part and has its own name once its SHA-256 is right, so a power cut costs a piece. What the
version in force has too is copied from there. Whole, it gets a folder of its own name, and only
then it is staged. Nothing here listens to anybody.
"""

import hashlib
import os
from binascii import hexlify

import loader
from wakeboard import manifest, ordered, sent
from wakeboard.files import exists, read_bytes, write_bytes
from wakecore import line

if False:
    from typing import Any, Callable, Iterator

    from wakeboard.sent import Sent

# Names of ours: what stays on a flash that a bad version filled; see FILES.md
OWN = "boot.py main.py loader.py chip.py pump.json boots code pot lib error.txt"
OWN_POT = (
    "state.0 state.1 heard.0 heard.1 wiring.json host.json pulled.json private.json ca.der "
    "clock.json entry.json key.json log radio settings.json limits.json calibration.json "
    "settings.json.old limits.json.old calibration.json.old"
)
OWN_CODE = "in-force good before trial taken-back sent.json"
SPARE = 65536  # bytes that stay free for log and state
PART = ".part"
BLOCK = 512  # bytes read at once
BLOCK_SIZE = 4096  # bytes of a block of the flash: a file takes whole ones
FOLDER = 0x4000  # of a directory entry, or of its mode


def digest(path: str, to: "Any" = None) -> str:
    """SHA-256 of a file, "" if it cannot be read. to: a file that its bytes are written to."""
    sha = hashlib.sha256()
    try:
        with open(path, "rb") as file:
            data = file.read(BLOCK)
            while data:
                sha.update(data)
                if to is not None:
                    to.write(data)
                data = file.read(BLOCK)
    except OSError:
        if to is not None:
            raise
        return ""
    return hexlify(sha.digest()).decode()


def size_of(path: str) -> int:
    """Bytes of a file, -1 if there is none."""
    try:
        return os.stat(path)[6]
    except OSError:
        return -1


def remove(path: str) -> None:
    """A file, or a folder with all that is in it, if it is there."""
    try:
        if os.stat(path)[0] & FOLDER:
            for name in os.listdir(path):
                remove(path + "/" + name)
            os.rmdir(path)
        else:
            os.remove(path)
    except OSError:
        pass  # not there; or it stays, and is tried again


class Staging:
    """What is staged on one board. code: the folder of all versions."""

    def __init__(self, sent: "Sent", code: str = loader.CODE) -> None:
        self.sent, self.code = sent, code
        self.next, self.list = code + "next", code + "next.list"

    def name(self, which: str) -> str:
        """The version that a small file names: in-force, good, before."""
        return loader.read(self.code + which)

    def kept(self) -> list[str]:
        """The versions that are never removed."""
        return [self.name(which) for which in ("in-force", "good", "before")]

    def rows(self) -> "Iterator[tuple[str, int, str]]":
        """(SHA-256, bytes, path) of each file of the version that is sent. OSError without a list;
        ValueError for a damaged one."""
        with open(self.list, "rb") as file:
            text = file.readline()
            while text:
                found = manifest.read_row(text)
                if found is None:
                    raise ValueError("damaged list")
                yield found
                text = file.readline()

    def begin(self) -> None:
        """Make room for another version: what was staged before it goes."""
        for name in ("staged", "taken-back", "next.list", "next.list" + PART, "next"):
            remove(self.code + name)
        for name in os.listdir(self.code[:-1] or "/"):
            self.drop(name)

    def drop(self, name: str) -> None:
        """Remove a version, if it is the name of one and not of one that is kept."""
        if manifest.is_name(name) and name not in self.kept():
            remove(self.code + name)

    def fetch(self, get: "Callable[[str, int, int], bytes | None]", most: int) -> int:
        """Fetch up to so many pieces; how many came. get(SHA-256, number, bytes of the file)."""
        count = 0
        if not exists(self.list):
            count = self.fetch_file(get, most, self.sent.list, self.sent.size, self.list)
            if not exists(self.list):
                return count
            most -= count
        why = "" if exists(self.next) else self.check_list()
        if why:
            remove(self.list)
            self.sent.refuse(why)
            return count
        for folder in ("", "/wakeboard", "/wakecore"):
            if not exists(self.next + folder):
                os.mkdir(self.next + folder)
        for sha, size, path in self.rows():
            if self.lacks(sha, size, path):
                came = self.fetch_file(get, most, sha, size, self.next + "/" + path)
                count += came
                most -= came
                if most <= 0 or not exists(self.next + "/" + path):
                    break
        return count

    def check_list(self) -> str:
        """Why the list is none, or there is no room for what it names; "" if all is well."""
        with open(self.list, "rb") as file:
            why = manifest.check_list(file)
        if why:
            return why
        if not self.has_room():
            before = self.name("before")
            remove(self.code + "before")  # from here on there is no way back to it
            self.drop(before)
            if not self.has_room():
                return "no room on its flash"
        return ""

    def has_room(self) -> bool:
        """Is there room for the version, and to spare?"""
        need = SPARE + 8 * BLOCK_SIZE
        for _, size, _ in self.rows():
            need += -(-size // BLOCK_SIZE) * BLOCK_SIZE
        return loader.free_bytes() >= need

    def all_there(self) -> bool:
        """Has every file come that must come over the air? Raises as `rows`."""
        return all(not self.lacks(sha, size, path) for sha, size, path in self.rows())

    def lacks(self, sha: str, size: int, path: str) -> bool:
        """Must this file come over the air?"""
        if size_of(self.next + "/" + path) == size:
            return False
        own = self.code + self.name("in-force") + "/" + path
        return size_of(own) != size or digest(own) != sha

    def fetch_file(
        self,
        get: "Callable[[str, int, int], bytes | None]",
        most: int,
        sha: str,
        size: int,
        path: str,
    ) -> int:
        """Pieces of one file, from where they stopped; how many came. Whole and right, it is at its
        place; whole and wrong, it is gone."""
        part = path + PART
        there = size_of(part)
        if there > size or there % manifest.PIECE:
            remove(part)
            there = 0
        count, number = 0, max(0, there) // manifest.PIECE
        while number * manifest.PIECE < size:
            if count >= most:
                return count
            data = get(sha, number, size)
            if data is None:
                return count
            with open(part, "ab" if number else "wb") as file:
                file.write(data)
            number += 1
            count += 1
        self.arrived(part, sha, path)
        return count

    def arrived(self, part: str, sha: str, path: str) -> None:
        if digest(part) == sha:
            os.rename(part, path)
        else:
            remove(part)

    def settle(self) -> None:
        """If every file that must come has come: copy the others, check all, and stage it. Raises
        OSError where the flash refuses; it is tried again then."""
        if self.sent.state != sent.FETCHING or not exists(self.list):
            return
        name = self.sent.name
        if not self.is_whole(self.code + name):
            if not self.all_there():
                return
            if name in self.kept():
                self.sent.refuse("another version of that name is kept")
                return
            remove(self.code + name)
            self.copy()
            if not self.is_whole(self.next):
                remove(self.next)  # all of it comes once more
                return
            os.rename(self.next, self.code + name)
        loader.write(self.code + "staged", name)
        self.sent.state = sent.STAGED
        self.sent.save()
        remove(self.next)

    def copy(self) -> None:
        """What the version in force has too."""
        own = self.code + self.name("in-force") + "/"
        for sha, size, path in self.rows():
            target = self.next + "/" + path
            if size_of(target) != size:
                with open(target + PART, "wb") as file:
                    digest(own + path, file)
                self.arrived(target + PART, sha, target)

    def is_whole(self, folder: str) -> bool:
        """Does that folder hold the version that is sent, every byte of it and nothing else?"""
        try:
            count = 0
            for sha, _, path in self.rows():
                if digest(folder + "/" + path) != sha:
                    return False
                count += 1
            for package in os.listdir(folder):
                count -= len(os.listdir(folder + "/" + package))
        except (OSError, ValueError):
            return False
        return count == 0

    def put_in_force(self, version: str, utc: list[int], wake_n: int, wakes: int) -> bool:
        """True if from the next boot on the staged version is in force, on trial for so many
        finished wakes. version: the one in force now. Raises OSError; then it stays."""
        one = self.sent
        if self.name("staged") != one.name or one.state != sent.STAGED:
            remove(self.code + "staged")
            return False
        if self.name("good") != version or loader.on_trial(version):
            return False  # nothing to go back to
        why = ordered.late(one.times(), utc, wake_n)
        if not why and not one.back and not self.is_whole(self.code + one.name):
            why = "damaged on its flash"
        if why:
            remove(self.code + "staged")
            one.refuse(why)
            return False
        names = os.listdir("/") + os.listdir("/pot")
        write_bytes(self.code + "there", "\n".join(names).encode()[:4096])
        loader.begin_trial(one.name, version, wakes)
        return True


def clean_up(root: str) -> None:
    """A version was taken back: its files go. If it filled the flash, so does all that is no file
    of ours and was not there before it, in the root and among the pot's own."""
    full = loader.free_bytes() < SPARE
    bad = loader.read(loader.TRIAL).partition(" ")[0]
    place = Staging(sent.Sent())
    place.drop(bad)
    if full:
        there = read_bytes(loader.CODE + "there", 4096) or b""
        names = there.decode().split("\n")
        sweep("/", OWN.split(" ") + names)
        sweep(root + "/", OWN_POT.split(" ") + names)
        sweep(loader.CODE, OWN_CODE.split(" ") + place.kept())
    if loader.read(loader.TAKEN).partition(" ")[0] != bad:
        loader.write(loader.TAKEN, bad + " full flash")  # there was no room to say so
    remove(loader.TRIAL)


def sweep(folder: str, own: list[str]) -> None:
    """Remove what is in that folder under no name of ours."""
    for name in os.listdir(folder):
        if name not in own and name[:4] != "pot-":
            remove(folder + name)


def trial_wakes(root: str) -> int:
    """Finished wakes a version on trial may have until it is heard: three reports and more, with
    the looks and the pulses between them."""
    data = read_bytes(root + "/settings.json") or b""
    record, _ = line.decode(data.rstrip(b"\r\n"))
    every = (record or {}).get("radio_wakes")
    return 36 * max(1, every if type(every) is int else 1)
