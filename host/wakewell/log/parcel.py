"""A pot's logs, settings, limits and calibration in one file to send.

What belongs here: packing, the sharing form that drops identity and dates, and opening. A parcel
is a zip file with a page of contents, `parcel.json`; replay and report open it like a folder.
private.toml is never packed.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import stat
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import wakewell
from wakeboard.short import END, STEPS
from wakecore import line, rules
from wakewell import extras, ownfile, tomlfile
from wakewell.errors import BadInput
from wakewell.log import logs, mended, record
from wakewell.log.logs import Skips, printable
from wakewell.log.record import Brief, Utc, Wake
from wakewell.pot import chips, description, parts
from wakewell.tomlfile import show_path

if TYPE_CHECKING:
    import tomlkit
else:
    tomlkit = extras.Late("tomlkit")

FORM = 1
CONTENTS = "parcel.json"
SUFFIX = ".parcel.zip"
TOML = ("pot.toml", "wiring.toml", "settings.toml", "limits.toml", "calibration.toml")
MOST_FILES, MOST_BYTES = 4000, 1 << 30  # unpacked; fifty years of wakes are smaller
COMPLAINTS = ("too wet", "too dry", "silent")  # what a parcel can be sent with
PIECE = 1 << 20  # bytes of a file at a time
SHARED_DAY = 366  # the first dated wake of a shared log falls on 2001-01-01
HOSTS = (
    "entry page",
    "mute",
    record.IN_FORCE,
    record.TAKEN_BACK,
    *("clear " + row[0] for row in rules.LOCKOUTS),
)
LEFT_OUT = (*STEPS[1:], END)  # what a shortened record may say that it lacks
# Numbers and words of pot.toml that say nothing about whose it is
KEEP = {"chip": None, "planter": None, "tank": None, "battery": None}
KNOWN_WORDS = {
    *(
        *description.SHAPES,
        *description.CHEMISTRIES,
        *description.HABITS,
        *description.STANDS,
        *description.BOARDS,
        *description.CURRENTS,
    ),
    *(word for kind in parts.PARTS.values() for words_ in kind.words.values() for word in words_),
    *(*parts.LEVELS, *chips.CHIPS, "a pot", "a plant"),
}
ENTRY = re.compile(
    r"(?:logs/(?:in-force/)?[0-9A-Za-z_-][0-9A-Za-z._-]{0,99}|[a-z]{1,20}\.(?:toml|json))", re.ASCII
)
# What a damaged zip file raises on its way through zipfile and zlib
DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    ValueError,
    struct.error,
    RuntimeError,  # a password is asked for
    NotImplementedError,
)


def pot_folder(place: Path) -> Path:
    """The folder that would hold pot.toml."""
    folder = place if place.is_dir() else place.parent
    return folder if (folder / "pot.toml").is_file() else folder.parent


def in_force_files(place: Path) -> Iterator[tuple[str, bytes]]:
    """(name, bytes) of the files that were in force, where `logs.InForce` looks for them."""
    folder = place if place.is_dir() else place.parent
    seen = set()
    for keep in (folder / logs.IN_FORCE, folder.parent / logs.IN_FORCE):
        for path in sorted(keep.glob("*.json")) if keep.is_dir() else ():
            if path.name not in seen and path.is_file() and path.stat().st_size <= line.MOST_LINE:
                seen.add(path.name)
                yield path.name, bytes_of(path)


def bytes_of(path: Path) -> bytes:
    """A file's content. Raises BadInput."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadInput(f"{show_path(str(path))}: cannot be read: {error.strerror}") from None


def plain(place: Path, files: Sequence[Path]) -> tuple[dict[str, bytes], list[str]]:
    """Everything as it is."""
    entries = {}
    for path in files:
        data = bytes_of(path)
        name = path.name if path.name.endswith(logs.SUFFIXES) else path.name + logs.SUFFIXES[0]
        entries["logs/" + safe(name)] = data
    for name, data in in_force_files(place):
        entries[f"logs/{logs.IN_FORCE}/{safe(name)}"] = data
    folder = pot_folder(place)
    for name in TOML:
        if (folder / name).is_file():
            data_or_problem = tomlfile.read_bytes(folder / name, name)
            if isinstance(data_or_problem, bytes):
                entries[name] = data_or_problem
    return entries, ["holds names, notes and dates as they are; --share drops them"]


def safe(name: str) -> str:
    """A file's name that every system takes."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "-" for c in name)[-100:]


def shared(place: Path, files: Sequence[Path]) -> tuple[dict[str, bytes], list[str]]:
    """The sharing form: same decisions, other dates, no names.

    Every record is written anew with only the members we know, its date shifted by one
    constant, its CRC made again; the core never looks at the date, so a replay still
    agrees to the last bit. Free text (notes, comments in TOML, unknown host actions) goes.
    """
    skips = Skips()
    shift_s: int | None = None
    entries: dict[str, bytes] = {}
    for number, path in enumerate(files, 1):
        rows = []
        for read, at in mended.read_file(path, skips):
            found = read.found
            if isinstance(found, Wake | Brief):
                begin = found.begin
                begin.utc, shift_s = shifted(begin.utc, shift_s)
                begin.host = [action for action in begin.host if action in HOSTS]
                if found.left_out:
                    found.left_out = [step for step in LEFT_OUT if step in found.left_out]
                    if not found.left_out:
                        skips.add(path, at, "what it left out is not known here")
                        continue
            if found is not None:
                rows.append(record.line_of(found))
        entries[f"logs/{number:08d}.jsonl"] = b"".join(row + b"\n" for row in rows)
    for name, data in in_force_files(place):
        if line.decode(data.rstrip(b"\r\n"))[0] is not None:
            entries[f"logs/{logs.IN_FORCE}/{safe(name)}"] = data
    folder = pot_folder(place)
    for name in TOML:
        if (folder / name).is_file():
            text = without_text(folder / name, name)
            if text:
                entries[name] = text.encode()
    notes = ["dates shifted to begin on 2001-01-01; names, places, notes and comments dropped"]
    notes.append(
        "what remains: how often it was watered and filled and its button pressed, and in which "
        "order"
    )
    if skips.count:
        notes.append(f"{skips.count} lines could not be read and are not in it")
    return entries, notes


def shifted(utc: Utc, shift_s: int | None) -> tuple[Utc, int | None]:
    """The clock moved by one constant, and that constant once it is known."""
    day, second, trusted = utc
    if not trusted:
        return (0, 0, 0), shift_s
    time_s = day * 86400 + second
    if shift_s is None:
        shift_s = SHARED_DAY * 86400 - time_s
    moved = max(0, time_s + shift_s)
    return (moved // 86400, moved % 86400, trusted), shift_s


def without_text(path: Path, name: str) -> str:
    """A TOML file with its numbers and short words only: no comments, names or notes."""
    found = tomlfile.read_toml(path, name)
    if isinstance(found, tomlfile.Problem):
        return ""
    data = dict(found.data)
    if name == "pot.toml":
        data = {key: data[key] for key in KEEP if key in data}
        data |= {"name": "a pot", "plant": "a plant"}
        data = {key: data[key] for key in ("name", "plant", *KEEP) if key in data}
    return tomlkit.dumps(_known_words(data))


def _known_words(value: Any) -> Any:
    """Tables, lists and numbers as they are; of texts only the words our own tables allow."""
    if isinstance(value, dict):
        kept = {k: _known_words(v) for k, v in value.items()}
        return {k: v for k, v in kept.items() if v is not None}
    if isinstance(value, list):
        return [v for v in map(_known_words, value) if v is not None]
    if isinstance(value, str):
        return value if value in KNOWN_WORDS else None
    return value if isinstance(value, (bool, int, float)) else None


def contents(entries: dict[str, bytes], notes: list[str], is_shared: bool, complaint: str) -> bytes:
    """A parcel's page of contents. complaint: one of COMPLAINTS, or nothing."""
    page = {
        "form": FORM,
        "made_by": f"wakewell {wakewell.__version__}",
        "shared": is_shared,
        "complaint": complaint,
        "notes": notes,
        "files": {k: hashlib.sha256(v).hexdigest() for k, v in sorted(entries.items())},
    }
    return (json.dumps(page, indent=1) + "\n").encode()


def pack(out: Path, entries: dict[str, bytes]) -> None:
    """Write the zip file, the same bytes for the same content, in one step."""
    draft = out.with_name(out.name + ".new")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with ownfile.new(draft) as whole, zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as file:
            for name, data in sorted(entries.items()):
                info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
                info.compress_type = zipfile.ZIP_DEFLATED
                info.external_attr = (stat.S_IFREG | 0o644) << 16
                file.writestr(info, data)
        draft.replace(out)
    except OSError as error:
        draft.unlink(missing_ok=True)
        text = f"cannot be written: {error.strerror}; try another --out"
        raise BadInput(f"{show_path(str(out))}: {text}") from None


# Opening


def is_parcel(path: Path) -> bool:
    """A zip file by content, whatever its name."""
    try:
        return path.is_file() and zipfile.is_zipfile(path)
    except OSError:
        return False


@contextlib.contextmanager
def opened(paths: Sequence[Path]) -> Iterator[list[Path]]:
    """The same paths, with a folder in place of every parcel; gone when the block ends. Messages
    name a file in it by its place in the parcel. Raises BadInput.
    """
    with contextlib.ExitStack() as stack:
        found = []
        for path in paths:
            if is_parcel(path):
                folder = stack.enter_context(room(path))
                name = path.name.removesuffix(".zip").removesuffix(".parcel") or "pot"
                place = folder / safe(name)
                stack.enter_context(tomlfile.called(str(place), str(path)))
                found.append(unpack(path, place))
            else:
                found.append(path)
        yield found


@contextlib.contextmanager
def room(path: Path) -> Iterator[Path]:
    """A temporary folder for that parcel. Raises BadInput if there can be none."""
    try:
        folder = tempfile.TemporaryDirectory(prefix="wakewell-", ignore_cleanup_errors=True)
    except OSError as error:
        raise BadInput(no_room(path, error)) from None
    with folder as name:
        yield Path(name)


def no_room(path: Path, error: OSError) -> str:
    """What to say when a parcel cannot be unpacked because of this computer."""
    why = error.strerror or str(error)
    where = "the folder for temporary files; TMPDIR names another"
    return f"{show_path(str(path))}: cannot be unpacked: {why}; make room in {where}"


def unpack(path: Path, folder: Path) -> Path:
    """Unpack a parcel into a new folder. Whatever it holds, nothing outside is touched."""
    shown = show_path(str(path))
    try:
        with zipfile.ZipFile(path) as file:
            infos = file.infolist()
            if CONTENTS not in file.namelist():
                raise BadInput(
                    f"{shown}: a zip file, but no parcel: {CONTENTS} is missing; "
                    "pack one with wakewell parcel"
                )
            total = sum(info.file_size for info in infos)
            if len(infos) > MOST_FILES or total > MOST_BYTES:
                raise BadInput(
                    f"{shown}: {len(infos)} files of {total} bytes, allowed {MOST_FILES} and "
                    f"{MOST_BYTES}; no parcel is that large"
                )
            seen: set[str] = set()
            for info in infos:
                name = info.filename
                twice = name.lower() in seen
                seen.add(name.lower())
                # The name as it will be read again is the one that is written
                if not ENTRY.fullmatch(name) or name.startswith("private") or twice:
                    why = "twice" if twice else "which no parcel contains"
                    raise BadInput(
                        f"{shown}: holds {tomlfile.show(name)}, {why}; "
                        "do not open it, ask who sent it"
                    )
                if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                    raise BadInput(
                        f"{shown}: {tomlfile.show(name)} is packed in a way that no parcel is; "
                        "ask for it again, as wakewell parcel made it"
                    )
                extract(path, file, info, folder / name)
            try:
                contents = json.loads((folder / CONTENTS).read_bytes())
            except RecursionError:
                contents = None
            if not isinstance(contents, dict) or contents.get("form") != FORM:
                raise BadInput(f"{shown}: parcel form {FORM} is known, this one is of another")
            check(path, folder, contents)
    except DAMAGE as error:
        why = printable(str(error), 80)
        raise BadInput(f"{shown}: the parcel is damaged ({why}); ask for it again") from None
    except OSError as error:
        raise BadInput(f"{shown}: cannot be read: {error.strerror or error}") from None
    return folder


def extract(path: Path, file: zipfile.ZipFile, info: zipfile.ZipInfo, target: Path) -> None:
    """Write one file of a parcel, of no more bytes than were announced. Raises BadInput, DAMAGE."""
    size = 0
    with file.open(info) as source:
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("wb") as whole:
                while piece := source.read(PIECE):
                    size += whole.write(piece)
        except OSError as error:
            raise BadInput(no_room(path, error)) from None
    if size != info.file_size:
        raise zipfile.BadZipFile(f"{info.filename} has another size than announced")


def check(path: Path, folder: Path, contents: dict[str, Any]) -> None:
    """Every file listed is there and whole."""
    files = contents.get("files")
    for name, digest in files.items() if isinstance(files, dict) else ():
        target = folder / name
        whole = ENTRY.fullmatch(name) and target.is_file()
        if not whole or hashlib.sha256(target.read_bytes()).hexdigest() != digest:
            raise BadInput(
                f"{show_path(str(path))}: {tomlfile.show(name)} is missing or damaged; "
                "ask for it again"
            )


def came_with(place: Path) -> tuple[str, bool]:
    """(the complaint, are the dates shifted?) of the parcel a log was opened from, if from one."""
    folder = place.parent if place.name == "logs" else place
    try:
        contents = json.loads((folder / CONTENTS).read_bytes()[:1_000_000])
    except (OSError, ValueError, RecursionError):
        return "", False
    if not isinstance(contents, dict):
        return "", False
    said = [word for word in COMPLAINTS if word == contents.get("complaint")]
    return "".join(said), contents.get("shared") is True
