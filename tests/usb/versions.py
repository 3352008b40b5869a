"""Other versions of the code, for the tests that send them: today's with lines put to its end."""

from __future__ import annotations

import hashlib
from pathlib import Path

import wakeboard
import wakecore
from wakecore import line
from wakewell.core import core_id
from wakewell.radio import send
from wakewell.usb import payload

MPY = 6


def version(tmp_path: Path, **more: str) -> payload.Code:
    """more: {module of wakeboard or wakecore: lines put to its end}."""
    files = dict(payload.compile_code(MPY).files)
    for module, text in more.items():
        (name,) = [each for each in files if each.endswith(f"/{module}.mpy")]
        package = {"wakeboard": wakeboard, "wakecore": wakecore}[name.partition("/")[0]]
        source = Path(str(package.__file__)).parent / f"{module}.py"
        changed = tmp_path / name.partition("/")[0] / source.name
        changed.parent.mkdir(parents=True, exist_ok=True)
        changed.write_text(f"{source.read_text()}\n{text}\n")
        files[name] = payload.compile_file(changed)[1]
    return named(files)


def named(files: dict[str, bytes]) -> payload.Code:
    """The version with these files, named as a flash would name it."""
    digest = hashlib.sha256()
    for name, data in files.items():
        digest.update(name.encode() + b"\0" + data)
    return payload.Code(f"{core_id()}-{digest.hexdigest()[:8]}", files)


def staged(code: payload.Code, n: int = 1, back: int = 0) -> dict[str, bytes]:
    """The files of a flash on which that version lies staged, as it came over the air."""
    rows = send.listing(code.files)
    record = {
        "kind": "sent", "n": n, "state": "staged", "why": "", "name": code.version,
        "list": payload.sha(rows), "size": len(rows), "back": back, "day": 36000, "second": 0,
        "until_n": 1 << 20, "vain": 0,
    }  # fmt: skip
    found = {f"code/{code.version}/{name}": data for name, data in code.files.items()}
    found["code/next.list"] = rows
    found["code/staged"] = code.version.encode()
    found["code/sent.json"] = bytes(line.encode(tuple(record), record))
    return found


def fetched(code: payload.Code, there: dict[str, bytes]) -> dict[str, bytes]:
    """The files of a flash on which all of that version has come that must come. there: those that
    are on it."""
    whole = staged(code)
    record, _ = line.decode(whole["code/sent.json"])
    assert record is not None
    names = tuple(name for name in record if name != "crc")
    own = f"code/{there['code/in-force'].decode()}/"
    found = {name: whole[name] for name in ("code/next.list",)}
    found["code/sent.json"] = bytes(line.encode(names, record | {"state": "fetching"}))
    for name, data in code.files.items():
        if there.get(own + name) != data:
            found[f"code/next/{name}"] = data
    return found
