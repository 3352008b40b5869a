"""A version of the code and a pot's files onto its board, all or nothing.

New code goes into a folder of its own, every file is checked by its SHA-256 on the board, and only
then one rename puts it all in force. The last good version stays. Logs and state are never touched.
If the cable is pulled at any byte, with or without loss of power, the old version or the new one is
in force, never a mixture.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from tqdm import tqdm

from wakeboard import clock
from wakecore import line
from wakecore.state import State, from_bytes
from wakewell import kept, terminal
from wakewell.errors import BadInput
from wakewell.log import in_force as in_force_log
from wakewell.log import obeyed
from wakewell.pot import (
    bench_book,
    board_file,
    bringup_file,
    certificates,
    chips,
    description,
    pot_folder,
    private,
    sent_files,
    stage,
)
from wakewell.pot.board_file import board_id
from wakewell.replay import preview
from wakewell.terminal import Bad
from wakewell.usb import payload
from wakewell.usb.link import (
    EPOCH,
    LEAST_VERSION,
    RESET,
    BoardLost,
    BoardRefused,
    Identity,
    Link,
    connect,
    ports,
)

POT_FILES = ("settings", "limits", "calibration")
FLOOR = "/pot" + clock.FILE  # of the board's clock for certificates
RENEW_S = 60.0  # the host's lease runs five minutes
# The last word of the interpreter's name for its machine, and the chip of pot.toml.
CHIP_WORDS = {
    "ESP32": "esp32",
    "ESP32S3": "esp32-s3",
    "ESP32C3": "esp32-c3",
    "ESP32C6": "esp32-c6",
    "RP2040": "rp2040",
    "RP2350": "rp2350",
}
SPARE_BYTES = 65536  # free space that must be left for logs
# What the board keeps of a version that came by radio until it is proved; a flash needs no trial
ON_TRIAL = ("/code/staged", "/code/trial", "/code/taken-back", "/code/next.list")

CAUTION = (
    "Take the tank out or the hose off while you flash: what is sent has never run on this board. "
    "Keep mains chargers away from water."
)

# What the self-test tells: how the state and each file was found, do they match, the stage, is the
# pump's file read, and every part's reading
TOLD = tuple[str, dict[str, str], bool, int, bool, dict[str, list[int] | None]]


@dataclass
class FlashResult:
    """What a flash did. good is False if the self-test found something."""

    port: str
    pot: str
    identity: Identity
    version: str
    files_sent: int = 0
    bytes_sent: int = 0
    copied: int = 0
    notes: list[str] = field(default_factory=list)
    readings: dict[str, list[int] | None] = field(default_factory=dict)
    good: bool = True
    stage: int = 0


class Undecided(BadInput):
    """The pot obeys settings that its folder does not have; a person has to decide which stay."""


def check_board(link: Link, folder: Path) -> None:
    """Is this the right board, with an interpreter that will do? BadInput if not."""
    identity = link.identity
    known = board_id(folder)
    if known is not None and known != identity.unique_id:
        raise BadInput(
            f"{link.port}: this board is {identity.unique_id}, {folder.name} belongs to {known} "
            f"({folder / board_file.BOARD_FILE}). Connect the right board, or delete that file to "
            "change over (then it has to be commissioned on this one)"
        )
    about = pot_folder.load(folder).about
    chip = CHIP_WORDS.get(identity.machine.rpartition(" ")[2])
    for name in (chip, about.chip if about is not None else None):
        if name is not None and name not in chips.PORTED:
            raise BadInput(chips.not_ported(name, link.port))
    if about is not None and chip is not None and chip != about.chip:
        raise BadInput(
            f"{link.port}: this board is an {chip}, {folder / 'pot.toml'} says {about.chip}: its "
            "pins are other ones. Connect the right board, or rewire and correct chip"
        )
    if identity.interpreter != "micropython":
        raise BadInput(f"{link.port}: runs {identity.interpreter}, allowed: micropython")
    if identity.version[:2] < LEAST_VERSION:
        found = ".".join(str(n) for n in identity.version)
        raise BadInput(
            f"{link.port}: MicroPython {found}, allowed {LEAST_VERSION[0]}.{LEAST_VERSION[1]} or "
            "newer; write a newer one with --interpreter FILE"
        )
    if identity.free_bytes < 0:
        raise BadInput(
            f"{link.port}: its file system cannot be read. Pull what can be saved, then make it "
            "anew by writing the interpreter with --interpreter FILE"
        )


def one_board_each(folders: list[Path]) -> None:
    """Raises BadInput where two folders name the same board: one of them is a copy."""
    boards: dict[str, Path] = {}
    for folder in folders:
        board = board_id(folder)
        if board is not None and boards.setdefault(board, folder).resolve() != folder.resolve():
            raise BadInput(
                f"{boards[board]} and {folder} belong to the same board, {board}: one is a copy; "
                f"delete {board_file.BOARD_FILE} in it and flash it onto its own board"
            )


def check_belongs(link: Link, folder: Path) -> None:
    """Is this the board of that pot, though the folder does not know its id yet?

    It is if it carries this pot's hard limits; then the folder remembers it. BadInput if not:
    one pot's log must never lie in another's folder.
    """
    if board_id(folder) is not None:
        return
    there = (link.read("/pot/limits.json") or b"").rstrip(b"\r\n")
    if there != pot_folder.load(folder).lines.get("limits", b""):
        raise BadInput(
            f"{link.port}: this board does not carry the hard limits of {folder.name}, and the "
            f"folder does not say which board is its own. Name the pot it belongs to, or flash "
            f"{folder.name} onto it first"
        )
    board_file.remember(folder, link.identity.unique_id, link.identity.machine)


def check_free(link: Link, folder: Path, pot: description.PotFolder) -> None:
    """Refuse a board that is another pot's: this one would get its memory and its log."""
    there = (link.read("/pot/limits.json") or b"").rstrip(b"\r\n")
    if board_id(folder) is None and there and there != pot.lines["limits"]:
        raise BadInput(
            f"{link.port}: this board carries another pot's hard limits, memory and log, and "
            f"{folder.name} does not name this board as its own. Connect the right board; or pull "
            "that pot and flash with --take-over, which sets its files aside on the board"
        )


def check_pulse(link: Link) -> int:
    """Refuse while a pulse is begun and not ended. The number of the board's next wake."""
    newest: Any = None
    for slot in ("/pot/state.0", "/pot/state.1"):
        data = link.read(slot)
        state: Any = from_bytes(data) if data else None
        if state is not None and (newest is None or state.seq > newest.seq):
            newest = state
    if newest is not None and newest.open_ms:
        raise BadInput(
            f"{link.port}: a pulse is begun and not ended: the board was interrupted during a "
            f"dose. Leave everything plugged in, {RESET}, let it finish one wake (it counts the "
            "pulse), then flash"
        )
    return 0 if newest is None else int(newest.wakes)


def sums(link: Link) -> dict[str, str]:
    """SHA-256 of the code, our root files and the pot's files on the board, by path."""
    names = (*payload.ROOT_FILES, payload.CHIP_FILE)
    link.run("finish_moves")
    told = link.run("sums", ["/pump.json", "/boots", *(f"/{name}" for name in names)])
    pairs = [text.rpartition(" ") for text in told.splitlines()]
    return {path: digest for path, _, digest in pairs if len(digest) == 64}


def flash_one(
    folder: Path,
    port: str,
    say: Callable[[str], None],
    wait_s: float | None = None,
    moved: Callable[[int, int], None] = lambda done, total: None,
    take_over: bool = False,
    keep_asked: bool | None = None,
    accept_weaker: bool = False,
) -> FlashResult:
    """Flash one board. Raises BadInput or BoardLost; the board is then as it was.

    say: told what a person has to do. moved: told how many bytes of how many are there.
    take_over: the board was another pot's, whose files are set aside on it.
    keep_asked: whether settings that were asked by radio are kept, and written into settings.toml,
    or replaced by what it says. None: Undecided is raised where there are such.
    accept_weaker: send what by the pot's own log protects less than what is on the board.
    """
    pot = pot_folder.load(folder)
    if pot.problems:
        raise BadInput(f"{folder}: {pot.problems[0]}; run wakewell check {folder}")
    with connect(port, say, **({} if wait_s is None else {"wait_s": wait_s})) as link:
        check_board(link, folder)
        moves_in = take_over and board_id(folder) is None
        if not moves_in:
            check_free(link, folder, pot)
        next_n = check_pulse(link)
        identity = link.identity
        code = payload.compile_code(identity.mpy_version)
        result = FlashResult(port, folder.name, identity, code.version)
        settled = 0
        if not moves_in:
            pot, settled = settle(link, pot, keep_asked, result)
        elif old := link.ask("take_over", kind=str):
            next_n = 0
            result.notes.append(f"the files of the pot before are on the board in {old}")
            forget_bench(folder, identity.unique_id, result)
        pot = at_its_stage(link, pot, result)
        preview.foresee(pot, say, accept_weaker)
        link.renew()
        there = sums(link)
        wanted = wanted_files(pot, code)
        given = wanted.get(private.ON_BOARD)
        if given is not None:
            stays = private.with_entered(given, link.read(private.ON_BOARD))
            if stays != given:
                wanted[private.ON_BOARD] = stays
                result.notes.append("the Wi-Fi entered at the pot itself stays")
        missing = {p: d for p, d in wanted.items() if there.get(p) != payload.sha(d)}
        block = max(1, identity.block_bytes)  # a file takes whole blocks, a folder two
        room = sum(-(-len(data) // block) * block for data in missing.values()) + 8 * block
        if missing and identity.free_bytes < room + SPARE_BYTES:
            tidy(link, there, {code.version})
            free = link.ask("free", kind=int)
            if free < room:
                raise BadInput(
                    f"{port}: {room} bytes needed, {free} are free; remove files of your own"
                )
        send(link, missing, there, result, moved)
        if any(f"/pot/{kind}.json" in missing for kind in POT_FILES):
            keep_in_force(link, folder)
        for kind in POT_FILES:
            in_force_log.keep_in_force(folder, pot.lines[kind])
        switch(link, code.version, missing, result)
        sent = line.identity(pot.lines["settings"])
        flashed = board_file.Flashed(next_n, sent, link.now())
        board_file.remember(folder, identity.unique_id, identity.machine, flashed)
        if settled:
            link.run("settle", code.version, settled)
        settle_sent(link, folder, code.version)
        tidy(link, sums(link) if missing else there, {code.version})
        if missing:
            test(link, code.version, result, pot.steps)
        if told := ahead(link):
            link.run("remove", [FLOOR], [])
            result.notes.append(
                f"its clock had been set to {told:%Y-%m-%d}, by a computer whose clock was wrong"
            )
        set_clock(link, code.version)
        result.notes += beside(folder, identity.unique_id, link.now())
        link.leave()
    return result


def ahead(link: Link) -> datetime | None:
    """The newest time the board was told, where that is yet to come: it would refuse every
    certificate from then on, and only a person with the cable can put that right."""
    record, _ = line.decode((link.read(FLOOR) or b"").rstrip(b"\r\n"))
    day = (record or {}).get("day")
    if type(day) is not int or not 0 <= day < clock.MOST_DAY:
        return None
    told = EPOCH + timedelta(days=day)
    return told if told > link.now() + timedelta(days=1) else None


def beside(folder: Path, board: str, now: datetime) -> list[str]:
    """Other notes on this pot, to be read while its board is on the cable."""
    return [bringup_file.standing(folder, board), *certificates.notes(folder, now)]


def settle(
    link: Link, pot: description.PotFolder, keep_asked: bool | None, result: FlashResult
) -> tuple[description.PotFolder, int]:
    """What was asked by radio and what settings.toml says become one: (the pot, number of the
    newest message that is settled by it).

    Raises Undecided where a person has to say which stays, BadInput where it cannot be kept.
    """
    link.run("finish_moves")  # only then is it known what is in force
    seen = obeyed.judged([link.read(f"/pot/heard.{slot}") for slot in (0, 1)])
    pending = None
    if (pot.path / description.PRIVATE).exists():  # else nothing that asks is believed
        key, board = private.read(pot.path).key, link.identity.unique_id
        pending = obeyed.pending(pot, board, seen, key, link.now())
    in_force = obeyed.on_board(pot, link.read("/pot/settings.json"), seen)
    found = pending or in_force
    if found is None:
        return pot, 0
    text = "; ".join(each.text for each in (in_force, pending) if each is not None)
    if keep_asked is None:
        raise Undecided(
            f"{text}. Nothing was changed. Keep it, written into settings.toml: "
            "--keep-asked; use settings.toml: --replace-asked"
        )
    if keep_asked:
        pot, copy = obeyed.keep(pot, found)
        result.notes.append(f"kept, and now in settings.toml (the one before is {copy}): {text}")
    else:
        result.notes.append(f"replaced by what settings.toml says: {text}")
    return pot, pending.n if pending else 0


def settle_sent(link: Link, folder: Path, version: str) -> None:
    """What was sent by radio is not taken any more: the cable has the last word. version: on the
    board, whose program does it."""
    made = sent_files.numbered(folder)
    if made or link.read("/code/sent.json") is not None:
        link.run("settle_sent", version, made[-1][0] if made else 0)


def forget_bench(folder: Path, board: str, result: FlashResult) -> None:
    """A bench book of that board describes the pot before: a copy of it stays and a new one
    begins.
    """
    book = bench_book.Book(folder)
    if book.begun and book.led_to().board == board:
        book.anew()
        book.lead_to(bench_book.LedTo(board=board))
        result.notes.append(f"its bench book is of the pot before: set aside in {kept.KEPT}/")


def at_its_stage(
    link: Link, pot: description.PotFolder, result: FlashResult
) -> description.PotFolder:
    """The pot at the stage that its commissioning gives it on this board (R14)."""
    board = link.identity.unique_id
    found = stage.standing(pot, board)
    on_board = link.read("/pot/calibration.json") or b""
    if found.old and board_id(pot.path) == board and carries(link, pot, on_board):
        bench_book.Book(pot.path).lead_to(stage.marks(pot, board))
        result.notes.append("this board carries its calibration: noted in its bench book")
        found = stage.standing(pot, board)
    result.stage = found.stage
    if found.stage < 2:
        result.notes.append(found.text or stage.WORDS[found.stage])
    if found.text and stage.stage_of(on_board):
        result.good = False
        result.notes.append(Bad("this board was commissioned; from now on it does not pump"))
    return stage.compiled(pot, found.stage)


def carries(link: Link, pot: description.PotFolder, calibration: bytes) -> bool:
    """Does the board have exactly this pot's calibration in force, on the same pins?"""
    wanted = {"/pot/wiring.json": payload.wiring_line(pot), "/pump.json": payload.pump_line(pot)}
    return stage.same_calibration(pot.lines["calibration"], calibration) and all(
        stage.same_names(data, link.read(path) or b"") for path, data in wanted.items()
    )


def keep_in_force(link: Link, folder: Path) -> None:
    """Keep the settings, limits and calibration on the board beside the logs, by id."""
    for kind in POT_FILES:
        for name in (f"/pot/{kind}.json", f"/pot/{kind}.json.old"):
            in_force_log.keep_in_force(folder, link.read(name) or b"")


def wanted_files(pot: description.PotFolder, code: payload.Code) -> dict[str, bytes]:
    """Every file the board shall have, by path."""
    wanted = {f"/code/{code.version}/{name}": data for name, data in code.files.items()}
    assert pot.about is not None  # a folder without problems has one
    root = payload.root_files(pot.about.chip)
    wanted |= {f"/{name}": data for name, data in root.items()}
    wanted["/pump.json"] = payload.pump_line(pot)
    wanted["/pot/wiring.json"] = payload.wiring_line(pot)
    for kind in POT_FILES:
        wanted[f"/pot/{kind}.json"] = pot.lines[kind]
    return wanted | private.board_files(pot.path, pot.about.language)


def send(
    link: Link,
    missing: dict[str, bytes],
    there: dict[str, str],
    result: FlashResult,
    moved: Callable[[int, int], None],
) -> None:
    """Bring the missing files to the board, beside those in force, each checked there."""
    by_sum = {digest: path for path, digest in there.items()}
    for folder in sorted({p.rpartition("/")[0] for p in missing} | {"/pot/log"}):
        if folder:
            link.folder(folder)
    total = sum(len(data) for data in missing.values())
    renewed = time.monotonic()
    for path, data in sorted(missing.items()):
        target = staged(path)
        source = by_sum.get(payload.sha(data))
        if source:
            if source != target:  # otherwise a flash that was cut off left it there
                link.run("copy_file", source, target)
            result.copied += 1
        else:
            link.write(target, data)
            result.files_sent += 1
            result.bytes_sent += len(data)
            moved(result.bytes_sent, total)
        if link.ask("digest", target) != payload.sha(data):
            raise BoardLost(
                f"{link.port}: {path} did not arrive complete; the old version stays in force"
            )
        if time.monotonic() - renewed > RENEW_S:
            link.renew()
            renewed = time.monotonic()


def staged(path: str) -> str:
    """Where a file lies until all are there: code in its own new folder, others beside the old."""
    return path if path.startswith("/code/") else path + ".new"


def switch(link: Link, version: str, missing: dict[str, bytes], result: FlashResult) -> None:
    """Put everything in force in one go that no cable can cut in two."""
    link.run("remove", list(ON_TRIAL), [])
    listing = link.ask("list_pot", kind=list[str])
    if not any(name.startswith("state.") or name.endswith(".jsonl") for name in listing):
        link.replace("/pot/state.0", State().to_bytes())
        result.notes.append("a new pot: it starts with an empty memory")
    moves = sorted(p for p in missing if not p.startswith("/code/"))
    if (link.read("/code/in-force") or b"").decode(errors="replace").strip() != version:
        link.write("/code/in-force.new", version.encode())
        link.write("/boots.new", b"0")
        moves += ["/boots", "/code/in-force"]
    if moves:
        link.run("switch", moves)


def set_clock(link: Link, version: str) -> None:
    """Give the board the time of day as an offset. Its own clock is never set (R10)."""
    since = link.now() - EPOCH
    link.run("set_clock", version, since.days, since.seconds)


def tidy(link: Link, there: dict[str, str], keep: set[str]) -> None:
    """Remove versions that are neither wanted, in force nor the last good one."""
    for name in ("/code/in-force", "/code/good", "/code/before"):
        keep = keep | {(link.read(name) or b"").decode(errors="replace").strip()}
    stale = {p for p in there if p.startswith("/code/") and p.count("/") > 2}
    stale = {p for p in stale if p.split("/")[2] not in keep}
    left = {p for p in there if p.endswith(".new")}
    folders = {p.rpartition("/")[0] for p in stale} | {"/".join(p.split("/")[:3]) for p in stale}
    if stale | left:
        link.run("remove", sorted(stale | left), sorted(folders, key=len, reverse=True))


def test(link: Link, version: str, result: FlashResult, steps: list[str]) -> None:
    """Have the board test itself and read the result: files, state, pump file, every part. steps:
    what the pot needs next, which is the reason why it does not pump yet.
    """
    try:
        found = link.ask("self_test", version, kind=TOLD)
    except BoardRefused as error:
        result.good = False
        result.notes.append(Bad(f"self-test failed: {error}"))
        return
    how, statuses, match, found_stage, pump, readings = found
    result.readings = readings
    if how != "good":
        result.notes.append(f"its state was found {how}")
    for kind, status in statuses.items():
        if status != "good":
            result.good = False
            result.notes.append(Bad(f"{kind} was read as {status}"))
    if not match and steps:
        result.notes += [f"next: {text}" for text in steps]
    elif not match:
        result.notes.append("settings, limits and calibration do not match, so it will not pump")
    if found_stage != result.stage:
        result.good = False
        result.notes.append(Bad(f"the stage was read as {found_stage}, sent as {result.stage}"))
    if not pump:
        result.good = False
        result.notes.append(Bad("the pump's file cannot be read: no pin is driven"))
    for name, reading in readings.items():
        if reading is None:
            result.notes.append(f"{name} does not answer")


def progress(text: str) -> None:
    """One line, for a person at a terminal or a pipe."""
    tqdm.write(text, file=sys.stderr)


class Bar:
    """A board's own line of progress, on a terminal only."""

    def __init__(self, name: str, row: int) -> None:
        self.name, self.row = name, row
        self.bar: Any = None

    def __call__(self, done: int, total: int) -> None:
        if self.bar is None:
            self.bar = tqdm(
                total=total, desc=terminal.plain(self.name), position=self.row, unit="B",
                unit_scale=True,
                file=terminal.bare(), disable=not sys.stderr.isatty(),
            )  # fmt: skip
        self.bar.update(done - self.bar.n)
        if done >= total:
            self.bar.close()


def match_ports(folders: list[Path], given: list[str], yes: bool) -> list[tuple[Path, str]]:
    """Which board is which pot: by unique id where known, else asked once."""
    if given:
        if len(given) != len(folders):
            raise BadInput(f"{len(given)} ports for {len(folders)} pots: give one --port for each")
        return list(zip(folders, given, strict=True))
    found = ports()
    if not found:
        raise BadInput(
            f"no board found on USB. Plug one in with a data cable; {RESET}; or name its --port"
        )
    known: dict[str, str] = {}
    for port in found:
        try:
            with connect(port, progress, wait_s=10) as link:
                known[link.identity.unique_id] = port
        except (BadInput, BoardLost) as error:
            progress(str(error))
    pairs: list[tuple[Path, str]] = []
    free = dict(known)
    for folder in folders:
        wanted = board_id(folder)
        if wanted is not None:
            if wanted not in known:
                raise BadInput(f"{folder.name}: its board {wanted} is not on USB; {RESET}")
            pairs.append((folder, known[wanted]))
            free.pop(wanted, None)
    for folder in [f for f in folders if board_id(f) is None]:
        if len(free) == 1 and (yes or not sys.stdin.isatty()):
            uid = next(iter(free))
        elif not free:
            raise BadInput(f"{folder.name}: no board left for it; boards on USB: {list(known)}")
        elif not sys.stdin.isatty():
            raise BadInput(f"{folder.name}: which board? Name its --port: {free}")
        else:
            listing = ", ".join(f"{port} ({uid})" for uid, port in free.items())
            answer = input(terminal.plain(f"Which board is {folder.name}? {listing}: ")).strip()
            uid = next((u for u, p in free.items() if answer in (u, p)), "")
            if not uid:
                raise BadInput(f"{answer!r}: allowed {listing}")
        pairs.append((folder, free.pop(uid)))
    return pairs
