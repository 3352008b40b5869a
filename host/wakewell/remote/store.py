"""What was heard, kept: SQLite (WAL) or PostgreSQL through SQLAlchemy, and the pots' log files.

Belongs here: exactly once by board and wake, safe against a power cut at any moment: what
is acknowledged is in the database and on the disk. The log files of a pot's folder are made
from the database, in the order heard, and made good after a cut. Not here: the network.
"""

from __future__ import annotations

import json
import os
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

import msgspec

from wakecore import line
from wakewell import logs
from wakewell.logs import BadInput
from wakewell.remote import letters

try:
    import fcntl
except ImportError:  # Windows: one listener at a time writes there
    fcntl = None  # type: ignore[assignment]
try:
    import sqlalchemy as sa
    from sqlalchemy.dialects import postgresql, sqlite
except ImportError as error:  # pragma: no cover
    raise BadInput("needs the extra 'remote': pip install 'wakewell[remote]'") from error

__all__ = ["LINES", "POTS", "SENT", "Store", "append", "keep_in_force", "sa", "summary"]

# After a start, so many lines are looked for in the files, and those heard in this time
MADE_GOOD = 10_000
MADE_GOOD_S = 3600
CHUNK = 1000  # lines that are exported at a time
APPENDED = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
MOST_FILES = 2048  # log files whose end is remembered

meta = sa.MetaData()
POTS = sa.Table(
    "pots",
    meta,
    sa.Column("board", sa.String(64), primary_key=True),
    sa.Column("heard_at", sa.BigInteger, nullable=False),  # seconds since 1970
    sa.Column("report", sa.BigInteger, nullable=False),  # number of the newest report
    sa.Column("n", sa.BigInteger, nullable=False),  # number of the newest wake, -1: none
    sa.Column("told", sa.JSON, nullable=False),  # what it answered
)
LINES = sa.Table(
    "lines",
    meta,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True),
    sa.Column("board", sa.String(64), nullable=False),
    sa.Column("kind", sa.String(8), nullable=False),
    sa.Column("n", sa.BigInteger, nullable=False),
    sa.Column("crc", sa.String(8), nullable=False),
    sa.Column("file", sa.BigInteger, nullable=False),
    sa.Column("heard_at", sa.BigInteger, nullable=False),
    sa.Column("data", sa.LargeBinary, nullable=False),
    sa.UniqueConstraint("board", "kind", "n", "crc"),
)
SENT = sa.Table(  # reminders: see remind
    "reminders",
    meta,
    sa.Column("board", sa.String(64), primary_key=True),
    sa.Column("cause", sa.String(100), primary_key=True),
    sa.Column("since", sa.BigInteger, nullable=False),  # it holds since then
    sa.Column("sent_at", sa.BigInteger),  # the last message that left, or was about to
    sa.Column("before", sa.BigInteger),  # the one before it
    sa.Column("holds", sa.Boolean, nullable=False),
)
DROPPED = sa.Table(
    "dropped",
    meta,
    sa.Column("why", sa.String(200), primary_key=True),
    sa.Column("times", sa.BigInteger, nullable=False),
)


NAMES = ("board", "kind", "n", "crc", "file", "heard_at", "data")
KNOWN = "SELECT board, report, n, CAST(told AS TEXT) FROM pots WHERE board IN (%s)"
NEWEST = sa.select(LINES.c.id, LINES.c.heard_at).order_by(LINES.c.id.desc()).limit(1)
TOLD = ("needs", "lockouts", "settings", "values")
DAY_S = 86400
Row = tuple[str, str, int, str, int, int, bytes]  # NAMES


@dataclass(frozen=True)
class Heard:
    """What was last heard of a board: when, the numbers of its newest report and wake.

    told: what that report answered and what that wake says (`summary`).
    """

    heard_at: int
    report: int
    n: int
    told: dict[str, Any]


class Store:
    """The database. where: a file for SQLite, or an SQLAlchemy URL.

    folders: {board: the pot's folder} whose log files are kept up.
    """

    def __init__(self, where: str | Path, folders: dict[str, Path] | None = None) -> None:
        text = str(where)
        try:
            url = sa.make_url(text if "://" in text else f"sqlite:///{text}")
            # Values by place, for every driver
            style = "qmark" if url.get_backend_name() == "sqlite" else "format"
            self.engine = sa.create_engine(url, paramstyle=style)
            sa.event.listen(self.engine, "connect", _pragmas)
            meta.create_all(self.engine)
        except (sa.exc.SQLAlchemyError, ImportError) as error:
            why = str(getattr(error, "orig", None) or error).splitlines()[0]
            place = self_made(text)
            raise BadInput(f"{place}: no database can be kept there: {why}") from None
        insert = postgresql.insert if self.engine.dialect.name == "postgresql" else sqlite.insert
        self._insert: Any = insert
        # As text: the driver then gets the rows as they are, without a look at each of them.
        add = insert(LINES).inline().on_conflict_do_nothing()
        self._add = str(add.compile(self.engine, column_keys=list(NAMES)))
        tell: Any = insert(POTS).inline()
        names = [column.name for column in POTS.c]
        tell = tell.on_conflict_do_update(
            index_elements=names[:1], set_={name: tell.excluded[name] for name in names[1:]}
        )
        self._tell = str(tell.compile(self.engine, column_keys=names))
        self._newest = str(NEWEST.compile(self.engine, compile_kwargs={"literal_binds": True}))
        self._mark = "?" if style == "qmark" else "%s"
        self.folders = folders or {}
        self.ends: OrderedDict[tuple[str, int], int] = OrderedDict()
        self.exported = 0
        self.at_hand: tuple[int, list[Row]] | None = None  # all that came after `exported`
        self._start()

    def _start(self) -> None:
        """From which line on the log files may lack some."""
        with self.engine.connect() as c:
            newest = c.execute(NEWEST).first()
            if newest is not None:
                # Later than the newest: the clock was set back since.
                recent = LINES.c.heard_at.between(newest.heard_at - MADE_GOOD_S, newest.heard_at)
                before = NEWEST.where(~recent & (LINES.c.id <= newest.id - MADE_GOOD))
                self.exported = c.scalar(before) or 0

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def take(self, reports: Iterable[letters.Report], now_s: int) -> int:
        """Keep these reports, all or none; how many lines were new.

        When this returns they are on the disk. Raises sqlalchemy.exc.SQLAlchemyError.
        """
        reports = list(reports)
        rows: list[Row] = [
            (report.board, each.kind, each.n, each.crc, each.file, now_s, each.data)
            for report in reports
            for each in report.lines
        ]
        new = top = 0
        with self.engine.begin() as c:
            if rows:
                new = c.exec_driver_sql(self._add, rows).rowcount
                top = c.exec_driver_sql(self._newest).scalar() or 0
            self._see(c, reports, now_s)
        if rows:
            # These very rows, and no others, came after what is exported.
            whole = new == len(rows) and top - new == self.exported
            self.at_hand = (top, rows) if whole else None
        return new

    def _see(self, c: Any, reports: list[letters.Report], now_s: int) -> None:
        """What the newest report of each board says of it. An old one, sent again, says nothing."""
        boards = tuple({report.board for report in reports})
        marks = ", ".join([self._mark] * len(boards))
        known = c.exec_driver_sql(KNOWN % marks, boards) if boards else ()
        seen = {board: (number, n, text) for board, number, n, text in known}
        changed = set()
        for report in reports:
            number, n, text = seen.get(report.board, (-1, -1, "{}"))
            wakes = [each.n for each in report.lines if each.kind == "wake"]
            # A board whose count of reports was lost counts anew, but its wakes go on.
            if report.n > number or (wakes and max(wakes) > n):
                said = {k: v for k, v in report.words.items() if isinstance(v, (int, str))}
                text = msgspec.json.encode(msgspec.json.decode(text) | said).decode()
                seen[report.board] = (report.n, wakes[-1] if wakes else n, text)
                changed.add(report.board)
        rows = [(board, now_s, *seen[board]) for board in sorted(changed)]
        if rows:
            c.exec_driver_sql(self._tell, rows)

    def pots(self) -> dict[str, Heard]:
        """{board: what was last heard of it}."""
        newest = (LINES.c.board == POTS.c.board) & (LINES.c.kind == "wake")
        newest &= LINES.c.n == POTS.c.n
        wakes = sa.select(LINES.c.board, LINES.c.data).join(POTS, newest).order_by(LINES.c.id)
        with self.engine.connect() as c:
            said = {row.board: summary(row.data) for row in c.execute(wakes)}
            return {
                row.board: Heard(
                    row.heard_at, row.report, row.n, row.told | (said.get(row.board) or {})
                )
                for row in c.execute(sa.select(POTS))
            }

    def drop(self, why: str, count: int = 1) -> None:
        """Count messages that were dropped, by why."""
        stated = self._insert(DROPPED).values(why=why[:200], times=count)
        more = {"times": DROPPED.c.times + count}
        with self.engine.begin() as c:
            c.execute(stated.on_conflict_do_update(index_elements=["why"], set_=more))

    def dropped(self) -> dict[str, int]:
        """{why: messages dropped}."""
        with self.engine.connect() as c:
            return {row.why: row.times for row in c.execute(sa.select(DROPPED))}

    def lines(self, board: str) -> list[bytes]:
        """Every line of a board, in the order heard."""
        with self.engine.connect() as c:
            chosen = sa.select(LINES.c.data).where(LINES.c.board == board).order_by(LINES.c.id)
            return [bytes(data) for data in c.scalars(chosen)]

    def export(self) -> None:
        """Write lines that are not yet in the log files there. Raises OSError."""
        at_hand, self.at_hand = self.at_hand, None
        try:
            if at_hand is not None:
                self._write(at_hand[1])
                self.exported = at_hand[0]
                return
            chosen = sa.select(*(LINES.c[name] for name in NAMES), LINES.c.id)
            chosen = chosen.order_by(LINES.c.id).limit(CHUNK)
            while True:
                with self.engine.connect() as c:
                    rows = c.execute(chosen.where(LINES.c.id > self.exported)).all()
                if not rows:
                    return
                since = {b: self.since(b) for b in {row.board for row in rows}}
                self._write([tuple(row[:-1]) for row in rows if row.heard_at > since[row.board]])
                self.exported = rows[-1].id
        except OSError:
            self.ends.clear()  # what was written before it must be found when all comes again
            raise

    def since(self, board: str) -> int:
        """When that pot was handed over: what was heard until then is its old home's. -1: never."""
        try:
            path = self.folders[board] / "logs" / logs.HANDED_OVER
            return int(path.read_text(encoding="ascii"))
        except (KeyError, FileNotFoundError, NotADirectoryError, ValueError):
            return -1

    def _write(self, rows: list[Row]) -> None:
        for place, group in groupby(rows, itemgetter(0, 4)):
            board, file = place
            if board not in self.folders:
                continue
            path = f"{self.folders[board]}/logs/{file:08d}.jsonl"
            found = [row[-1] for row in group]
            self.ends[place] = append(path, found, self.ends.pop(place, -1))
            while len(self.ends) > MOST_FILES:
                self.ends.popitem(last=False)


def self_made(text: str) -> str:
    """A database's place, without the password a URL may hold."""
    try:
        return sa.engine.make_url(text).render_as_string() if "://" in text else text
    except sa.exc.ArgumentError:
        return "that URL"


# 16 MB of the log are copied into the file at a time, in pages that hold seven lines: the pages of
# the index, which every message touches, are then written there once for many.
PRAGMAS = (
    "page_size=8192",
    "journal_mode=WAL",
    "synchronous=FULL",
    "busy_timeout=10000",
    "wal_autocheckpoint=2000",
)


def _pragmas(connection: Any, _: Any) -> None:
    """SQLite: a write-ahead log, on the disk before a commit returns."""
    if type(connection).__module__.startswith("sqlite3"):
        for text in PRAGMAS:
            connection.execute("PRAGMA " + text)


def summary(data: bytes) -> dict[str, Any] | None:
    """What a wake says of its pot, for those who are reminded; None if it is no whole wake."""
    try:
        record = json.loads(data)
        told = {name: record[name] for name in TOLD}
        told["utc"] = record["begin"]["utc"]
        sleep = record["commands"][-1].split() if record["commands"] else []
        told["sleep_s"] = int(sleep[1]) if sleep[:1] == ["sleep"] else DAY_S
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return None
    if [type(value) for value in told.values()] != [list, list, str, dict, list, int]:
        return None
    texts = (*told["needs"], *told["lockouts"], told["settings"])
    numbers = (*told["utc"], *(value for value in told["values"].values() if value is not None))
    good = set(map(type, texts)) <= {str} and set(map(type, numbers)) <= {int}
    return told if good and len(told["utc"]) == 3 and "".join(texts).isprintable() else None


def append(path: str, found: list[bytes], known: int) -> int:
    """Append the lines that are not yet in the file; its size then.

    known: its size when it was last written to from here. If it has another one now (a cut, a
    pull, another listener) its lines are looked at first, and a torn last one is closed.
    """
    try:
        fd = os.open(path, APPENDED, 0o644)
    except FileNotFoundError:
        os.mkdir(os.path.dirname(path))
        fd = os.open(path, APPENDED, 0o644)
    try:
        if fcntl is not None:
            fcntl.flock(fd, fcntl.LOCK_EX)
        size = os.lseek(fd, 0, os.SEEK_END)
        if size and size != known:
            with os.fdopen(fd, "r+b", closefd=False) as file:
                file.seek(0)
                have = {text.rstrip(b"\r\n")[-line.TAIL_SIZE :] for text in file}
                found = [data for data in found if data[-line.TAIL_SIZE :] not in have]
                _close_torn(file, size, found)
            size = os.lseek(fd, 0, os.SEEK_END)
        left = b"\n".join([*found, b""])
        size += len(left)
        while left:
            left = left[os.write(fd, left) :]
        return size
    finally:
        os.close(fd)


def _close_torn(file: Any, size: int, found: list[bytes]) -> None:
    """A last line without its end: ours, cut short, goes and comes anew; else it is closed."""
    start = max(0, size - line.MOST_LINE)
    file.seek(start)
    tail = file.read().rpartition(b"\n")[2]
    if tail and any(data.startswith(tail) for data in found):
        file.truncate(size - len(tail))
    elif tail:
        file.write(b"\n")
    file.seek(0, os.SEEK_END)


def keep_in_force(folder: Path, data: bytes) -> bool:
    """Keep one of a pot's three files beside its logs, by id. False if it is none of them."""
    identity = letters.id_of(data)
    if not identity:
        return False
    target = folder / "logs" / logs.IN_FORCE
    target.mkdir(parents=True, exist_ok=True)
    path = target / f"{identity}.json"
    if not path.exists():
        beside = path.with_name(path.name + ".part")
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    return True
