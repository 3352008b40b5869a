"""Verified copies of the database and the pots' folders, made while `listen` runs; the way back.

A copy is a folder: `pots/NAME/...`, the database, and `copy.json` with the hash of every file. The
folders are copied first and the database after them, so that it holds every line that was
acknowledged before the copy was done; what the logs lack of it is laid there when it is restored.
A copy gets its name when every byte of it was read back. Here: making, checking, restoring and
thinning out. Not here: when (the command).
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import wakewell
from wakewell import ownfile
from wakewell.errors import BadInput
from wakewell.pot.board_file import board_id
from wakewell.pot.description import PRIVATE
from wakewell.radio import homes, migrate
from wakewell.radio.store import ReportStore, sa, self_made, why_of
from wakewell.radio.tables import META
from wakewell.tomlfile import show_path

LIST = "copy.json"
POTS, SQLITE, TABLES = "pots", "heard.db", "tables"
FORM = "%Y-%m-%dT%H%M%SZ"
NAME = re.compile(r"\d{4}-\d\d-\d\dT\d{6}Z(-\d+)?")
UNDER_WAY = ".part"  # end of the name of one that is not whole
LEFT_OUT = frozenset((".git",))
PIECE = 1 << 20


@dataclass(frozen=True)
class Copy:
    """One copy. database: "sqlite", "postgresql" or "" for none. lines: of logs in the database.
    columns: of each table of one from PostgreSQL.
    files: {path below it: (bytes, SHA-256, who may read it)}; links: {path: where it leads}."""

    path: Path
    made: str
    database: str
    form: str
    columns: dict[str, str]
    lines: int
    pots: tuple[str, ...]
    files: dict[str, tuple[int, str, int]]
    links: dict[str, str]

    @property
    def size(self) -> int:
        """Bytes of all its files."""
        return sum(size for size, _, _ in self.files.values())


def make(where: Path, pots: Iterable[Path], database: str, now: datetime | None = None) -> Copy:
    """Copy these pots and their database into a new folder below `where`; whole and verified.

    Raises BadInput, and then there is no such copy and the older ones are as they were.
    """
    named: dict[str, Path] = {}
    for pot in pots:
        name = pot.resolve().name
        if name in named:
            raise BadInput(f"{show_path(str(pot))}: two pots of one name; rename one folder")
        if where.resolve().is_relative_to(pot.resolve()):
            raise BadInput(f"{show_path(str(where))}: inside a pot's folder; name another place")
        named[name] = pot
    began = (now or datetime.now(UTC)).strftime(FORM)
    try:
        where.mkdir(parents=True, exist_ok=True)
        draft = _free(where, began)
        try:
            _fill(draft, named, database, began)
            final = draft.with_name(draft.name.removesuffix(UNDER_WAY))
            draft.rename(final)
            _to_disk(where)
        except BaseException:
            shutil.rmtree(draft, ignore_errors=True)
            raise
    except (OSError, sqlite3.Error, sa.exc.SQLAlchemyError) as error:
        text = f"no copy was made: {why_of(error)}; the older ones are as they were"
        raise BadInput(f"{show_path(str(where))}: {text}") from None
    return read(final)


def _free(where: Path, began: str) -> Path:
    for number in range(1, 100):
        name = began if number == 1 else f"{began}-{number}"
        if not (where / name).exists():
            draft = where / (name + UNDER_WAY)
            with suppress(FileExistsError):
                draft.mkdir(mode=0o700)
                return draft
    raise BadInput(f"{show_path(str(where))}: a hundred copies of this second; try again")


def _fill(draft: Path, named: dict[str, Path], database: str, began: str) -> None:
    """Everything of a copy, its list last. Raises OSError and what databases raise."""
    files: dict[str, tuple[int, str, int]] = {}
    links: dict[str, str] = {}
    for name, pot in named.items():
        for path in _below(pot):
            below = f"{POTS}/{name}/{path.relative_to(pot).as_posix()}"
            if path.is_symlink():
                links[below] = os.readlink(path)
            elif path.is_file():
                with suppress(FileNotFoundError):  # what was being written beside it
                    mode = path.stat().st_mode & 0o777
                    files[below] = (*_copy_file(path, draft / below), mode)
        (draft / POTS / name).mkdir(parents=True, exist_ok=True)
    kind, form, lines, columns = "", "", 0, {}
    if database:
        kind = "postgresql" if "://" in database else "sqlite"
        source = from_postgres if "://" in database else from_sqlite
        form, lines = source(database, draft)
        columns = _tables() if kind == "postgresql" else {}
        for path in _below(draft):
            below = path.relative_to(draft).as_posix()
            if path.is_file() and below not in files:
                files[below] = (*_hash(path), 0o600)
    for below, (size, digest, _) in files.items():
        if _hash(draft / below) != (size, digest):
            raise OSError(f"{below}: what was read back differs")
    told = {"kind": "wakewell copy", "version": 1, "wakewell": wakewell.__version__, "made": began}
    told |= {"database": kind, "form": form, "columns": columns, "lines": lines}
    told |= {"pots": list(named), "files": files, "links": links}
    with ownfile.new(draft / LIST) as file:
        ownfile.to_disk(file, json.dumps(told, indent=1).encode())


def _below(folder: Path) -> Iterator[Path]:
    """Every file and link below a folder, not through links."""
    for at, folders, names in os.walk(folder):
        links = [name for name in folders if (Path(at) / name).is_symlink()]
        folders[:] = sorted(set(folders) - set(links) - LEFT_OUT)
        yield from (Path(at) / name for name in sorted([*names, *links]))


def _copy_file(source: Path, target: Path) -> tuple[int, str]:
    """Copy what is there now, onto the disk: (bytes, SHA-256)."""
    digest, size = hashlib.sha256(), 0
    with source.open("rb") as old:
        target.parent.mkdir(parents=True, exist_ok=True)
        with ownfile.new(target) as new:
            while piece := old.read(PIECE):
                new.write(piece)
                digest.update(piece)
                size += len(piece)
            ownfile.to_disk(new, b"")
    return size, digest.hexdigest()


def _hash(path: Path) -> tuple[int, str]:
    with path.open("rb") as file:
        return path.stat().st_size, hashlib.file_digest(file, "sha256").hexdigest()


def _to_disk(folder: Path) -> None:
    """The names in that folder, too. Windows has no such thing."""
    if os.name == "posix":
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def from_sqlite(database: str, draft: Path) -> tuple[str, int]:
    """The database by SQLite's own way for one in use: (its form, lines in it)."""
    if not Path(database).is_file():
        raise BadInput(f"{show_path(database)}: no such database; give --database FILE")
    place = draft / SQLITE
    ownfile.new(place).close()
    with closing(sqlite3.connect(database)) as old, closing(sqlite3.connect(place)) as new:
        old.backup(new)
        new.execute("PRAGMA journal_mode=DELETE")  # one file, without others beside it
        if (found := new.execute("PRAGMA integrity_check").fetchone()[0]) != "ok":
            raise sqlite3.DatabaseError(f"the database is damaged: {found}")
        lines = new.execute("SELECT count(*) FROM lines").fetchone()[0]
        form = new.execute("SELECT version_num FROM alembic_version").fetchone()[0]
    with place.open("rb+") as file:
        os.fsync(file.fileno())
    return str(form), int(lines)


def from_postgres(url: str, draft: Path) -> tuple[str, int]:
    """Every table as COPY gives it, all of one moment: (its form, lines in it)."""
    engine = sa.create_engine(url)
    (draft / TABLES).mkdir()
    try:
        with engine.connect() as c:
            if (found := migrate.form_of(c)) != migrate.FORM:
                raise BadInput(f"{self_made(url)}: its form is {found}; run listen once first")
        with closing(engine.raw_connection()) as held:
            raw: Any = held.driver_connection
            raw.rollback()
            raw.isolation_level, raw.read_only = 4, True  # psycopg: REPEATABLE READ
            with raw.cursor() as c:
                for name, columns in _tables().items():
                    with ownfile.new(draft / TABLES / f"{name}.copy") as file:
                        with c.copy(f'COPY "{name}" ({columns}) TO STDOUT') as rows:
                            for piece in rows:
                                file.write(piece)
                        ownfile.to_disk(file, b"")
                lines = c.execute("SELECT count(*) FROM lines").fetchone()[0]
                form = c.execute("SELECT version_num FROM alembic_version").fetchone()[0]
            raw.rollback()
            raw.isolation_level, raw.read_only = None, None
    finally:
        engine.dispose()
    return str(form), int(lines)


def _tables() -> dict[str, str]:
    """{table: its columns} of today's form, without the mark of the form."""
    return {
        table.name: ", ".join(f'"{column.name}"' for column in table.c)
        for table in META.sorted_tables
    }


def read(path: Path) -> Copy:
    """What a copy's list says. Raises BadInput where it is none."""
    try:
        told = json.loads((path / LIST).read_bytes())
        if told["kind"] != "wakewell copy" or told["version"] != 1:
            raise ValueError
        files = {str(name): (int(a), str(b), int(c)) for name, (a, b, c) in told["files"].items()}
        links = {str(name): str(to) for name, to in told["links"].items()}
        if any(Path(name).is_absolute() or ".." in Path(name).parts for name in (*files, *links)):
            raise ValueError
        return Copy(
            path, told["made"], told["database"], told["form"], told["columns"], told["lines"],
            tuple(told["pots"]), files, links,
        )  # fmt: skip
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        raise BadInput(
            f"{show_path(str(path))}: no copy that wakewell keep made, or its {LIST} is damaged"
        ) from None


def damage(copy: Copy) -> list[str]:
    """What of a copy is not as it was made, file by file; [] if it is whole."""
    found = []
    for name, (size, digest, _) in copy.files.items():
        try:
            if _hash(copy.path / name) != (size, digest):
                found.append(f"{name}: differs from what was copied")
        except OSError as error:
            found.append(f"{name}: {(error.strerror or 'cannot be read').lower()}")
    return found


def all_in(where: Path) -> list[Path]:
    """The copies in that folder, oldest first."""
    found = [p for p in where.iterdir() if NAME.fullmatch(p.name)] if where.is_dir() else []
    return sorted(path for path in found if path.is_dir())


def thin_out(where: Path, most: int) -> list[Path]:
    """Remove the oldest copies beyond so many, and what a power cut left half made; the removed."""
    gone = all_in(where)[:-most]
    gone += [p for p in where.glob("*" + UNDER_WAY) if NAME.fullmatch(p.name[: -len(UNDER_WAY)])]
    for path in gone:
        shutil.rmtree(path, ignore_errors=True)
    return gone


def restore(copy: Copy, into: Path, database: str = "") -> int:
    """Lay a copy out in `into`: a folder a pot, and the database beside them or, of a copy from
    PostgreSQL, in the empty one named. How many lines of logs the database holds.

    Nothing that is there is overwritten. Raises BadInput, and then nothing was laid out.
    """
    if found := damage(copy):
        raise BadInput(
            f"{show_path(str(copy.path))}: damaged, {found[0]}; nothing restored; name an older "
            "copy"
        )
    if copy.form > migrate.FORM:
        raise BadInput(
            f"{show_path(str(copy.path))}: its database has form {copy.form}, known here up to "
            f"{migrate.FORM}; update wakewell first"
        )
    if (copy.database == "postgresql") != ("://" in database):
        text = "its database is an SQLite file, or it has none; leave --database out"
        if copy.database == "postgresql":
            text = "its database is from PostgreSQL; give --database postgresql+psycopg://... of "
            text += "an empty one"
        raise BadInput(f"{show_path(str(copy.path))}: {text}")
    laid = [into / name for name in copy.pots] + [into / SQLITE] * (copy.database == "sqlite")
    for path in laid:
        if path.exists():
            text = "is there already; give --out a place without it, nothing was restored"
            raise BadInput(f"{show_path(str(path))}: {text}")
    try:
        if copy.database == "postgresql":
            _into_postgres(copy, database)
        into.mkdir(parents=True, exist_ok=True)
        for name in copy.pots:
            (into / name).mkdir()
        for name, (_, digest, mode) in copy.files.items():
            if name.startswith(TABLES + "/"):
                continue
            target = into / name.removeprefix(POTS + "/")
            if _copy_file(copy.path / name, target)[1] != digest:
                raise OSError(f"{name}: what was read differs")
            target.chmod(mode)
        for name, to in copy.links.items():
            target = into / name.removeprefix(POTS + "/")
            target.parent.mkdir(parents=True, exist_ok=True)
            target.symlink_to(to)
        return _lay_logs(copy, into, database or str(into / SQLITE)) if copy.database else 0
    except (OSError, sa.exc.SQLAlchemyError) as error:
        for path in laid:
            shutil.rmtree(path, ignore_errors=True) if path.is_dir() else path.unlink(True)
        text = f"nothing was restored: {why_of(error)}"
        raise BadInput(f"{show_path(str(into))}: {text}") from None


def _lay_logs(copy: Copy, into: Path, database: str) -> int:
    """Lay into the logs whatever the database holds beyond them."""
    folders, ours = {}, {}
    for name in copy.pots:
        board = board_id(into / name)
        if board is not None:
            folders[board] = into / name
            if (into / name / PRIVATE).exists():
                ours[board] = homes.marks(into / name)
    store = ReportStore(database, folders, ours)
    try:
        store.exported = 0  # from the first line on
        store.export()
        with store.engine.connect() as c:
            return int(c.scalar(sa.select(sa.func.count()).select_from(META.tables["lines"])) or 0)
    finally:
        store.close()


def _into_postgres(copy: Copy, url: str) -> None:
    """Its tables into an empty database, all or none. Raises BadInput where it is not empty."""
    engine = sa.create_engine(url)
    try:
        with engine.begin() as c:
            if migrate.form_of(c) != migrate.NEW:
                raise BadInput(f"{self_made(url)}: not empty; give an empty database")
            migrate.make(c, copy.form)
            raw: Any = c.connection.driver_connection
            with raw.cursor() as cursor:
                for name, columns in copy.columns.items():
                    path = copy.path / TABLES / f"{name}.copy"
                    into = f'COPY "{name}" ({columns}) FROM STDIN'
                    with path.open("rb") as file, cursor.copy(into) as rows:
                        while piece := file.read(PIECE):
                            rows.write(piece)
                cursor.execute(
                    "SELECT setval(pg_get_serial_sequence('lines', 'id'), "
                    "(SELECT coalesce(max(id), 1) FROM lines))"
                )
    finally:
        engine.dispose()
