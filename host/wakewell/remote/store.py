"""What was heard, kept: SQLite (WAL) or PostgreSQL through SQLAlchemy, and the pots' log files.

Belongs here: exactly once by board and wake, safe against a power cut at any moment: what
is acknowledged is in the database and on the disk. The log files of a pot's folder are made
from the database, in the order heard, and made good after a cut. Not here: the network.
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Iterable
from pathlib import Path
from typing import Any

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

MADE_GOOD_S = 3600  # after a start, lines heard in this time are looked for in the files
MOST_FILES = 2048  # log files whose end is remembered

meta = sa.MetaData()
POTS = sa.Table(
    "pots",
    meta,
    sa.Column("board", sa.String(64), primary_key=True),
    sa.Column("heard_at", sa.BigInteger, nullable=False),  # seconds since 1970
    sa.Column("report", sa.BigInteger, nullable=False),  # number of the newest report
    sa.Column("n", sa.BigInteger, nullable=False),  # number of the newest wake, -1: none
    sa.Column("told", sa.JSON, nullable=False),  # its needs, lockouts, sleep; what it answered
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


class Store:
    """The database. where: a file for SQLite, or an SQLAlchemy URL.

    folders: {board: the pot's folder} whose log files are kept up.
    """

    def __init__(self, where: str | Path, folders: dict[str, Path] | None = None) -> None:
        text = str(where)
        try:
            self.engine = sa.create_engine(text if "://" in text else f"sqlite:///{text}")
            sa.event.listen(self.engine, "connect", _pragmas)
            meta.create_all(self.engine)
        except (sa.exc.SQLAlchemyError, ImportError) as error:
            why = str(getattr(error, "orig", None) or error).splitlines()[0]
            place = self_made(text)
            raise BadInput(f"{place}: no database can be kept there: {why}") from None
        insert = postgresql.insert if self.engine.dialect.name == "postgresql" else sqlite.insert
        self._insert: Any = insert
        self._add = insert(LINES).on_conflict_do_nothing()
        self.folders = folders or {}
        self.ends: OrderedDict[Path, int] = OrderedDict()
        self.exported = 0
        self._start()

    def _start(self) -> None:
        """From which line on the log files may lack some."""
        with self.engine.connect() as c:
            newest = c.scalar(sa.select(sa.func.max(LINES.c.heard_at)))
            if newest is not None:
                before = LINES.c.heard_at < newest - MADE_GOOD_S
                self.exported = c.scalar(sa.select(sa.func.max(LINES.c.id)).where(before)) or 0

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def take(self, reports: Iterable[letters.Report], now_s: int) -> int:
        """Keep these reports, all or none; how many lines were new.

        When this returns they are on the disk. Raises sqlalchemy.exc.SQLAlchemyError.
        """
        reports = list(reports)
        rows = [
            (report.board, each.kind, each.n, each.crc, each.file, now_s, each.data)
            for report in reports
            for each in report.lines
        ]
        names = ("board", "kind", "n", "crc", "file", "heard_at", "data")
        new = 0
        with self.engine.begin() as c:
            if rows:
                high = sa.select(sa.func.max(LINES.c.id))
                before = c.scalar(high) or 0
                c.execute(self._add, [dict(zip(names, row, strict=True)) for row in rows])
                count = sa.select(sa.func.count()).where(LINES.c.id > before)
                new = c.scalar(count) or 0
            self._see(c, reports, now_s)
        return new

    def _see(self, c: Any, reports: list[letters.Report], now_s: int) -> None:
        """What the newest report of each board says of it. An old one, sent again, says nothing."""
        boards = {report.board for report in reports}
        known = c.execute(sa.select(POTS).where(POTS.c.board.in_(boards)))
        seen = {row.board: dict(row._mapping) for row in known}
        changed = {}
        for report in reports:
            usual = {"board": report.board, "report": -1, "n": -1, "told": {}}
            row = seen.setdefault(report.board, usual)
            wakes = [each for each in report.lines if each.kind == "wake"]
            # A board whose count of reports was lost counts anew, but its wakes go on.
            if report.n <= row["report"] and not any(each.n > row["n"] for each in wakes):
                continue
            told = row["told"] | {k: v for k, v in report.words.items() if isinstance(v, int | str)}
            newest = wakes[-1].record if wakes else None
            if newest is not None and (newest["n"] > row["n"] or report.n > row["report"]):
                row["n"] = newest["n"]
                told |= summary(newest)
            row |= {"heard_at": now_s, "report": report.n, "told": told}
            changed[report.board] = row
        if changed:
            stated = self._insert(POTS)
            values = {name: stated.excluded[name] for name in ("heard_at", "report", "n", "told")}
            stated = stated.on_conflict_do_update(index_elements=["board"], set_=values)
            c.execute(stated, list(changed.values()))

    def pots(self) -> dict[str, Any]:
        """{board: row of what was last heard of it}."""
        with self.engine.connect() as c:
            return {row.board: row for row in c.execute(sa.select(POTS))}

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

    def export(self, most: int = 1000) -> int:
        """Write lines that are not yet in the log files there; how many were looked at.

        Raises OSError. Call it until it returns less than `most`.
        """
        after = LINES.c.id > self.exported
        chosen = sa.select(LINES.c.id, LINES.c.board, LINES.c.file, LINES.c.data).where(after)
        with self.engine.connect() as c:
            rows = c.execute(chosen.order_by(LINES.c.id).limit(most)).all()
        files: dict[tuple[str, int], list[bytes]] = {}
        for row in rows:
            files.setdefault((row.board, row.file), []).append(bytes(row.data))
        for (board, file), found in files.items():
            if board not in self.folders:
                continue
            path = self.folders[board] / "logs" / f"{file:08d}.jsonl"
            path.parent.mkdir(exist_ok=True)
            self.ends[path] = append(path, found, self.ends.pop(path, -1))
            while len(self.ends) > MOST_FILES:
                self.ends.popitem(last=False)
        if rows:
            self.exported = rows[-1].id
        return len(rows)


def self_made(text: str) -> str:
    """A database's place, without the password a URL may hold."""
    try:
        return sa.engine.make_url(text).render_as_string() if "://" in text else text
    except sa.exc.ArgumentError:
        return "that URL"


def _pragmas(connection: Any, _: Any) -> None:
    """SQLite: a write-ahead log, on the disk before a commit returns."""
    if type(connection).__module__.startswith("sqlite3"):
        for text in ("journal_mode=WAL", "synchronous=FULL", "busy_timeout=10000"):
            connection.execute("PRAGMA " + text)


def summary(record: dict[str, Any]) -> dict[str, Any]:
    """What a wake says of its pot, for those who are reminded."""
    sleep = record["commands"][-1].split() if record["commands"] else []
    return {
        "needs": record["needs"],
        "lockouts": record["lockouts"],
        "values": record["values"],
        "utc": record["begin"]["utc"],
        "sleep_s": int(sleep[1]) if sleep[:1] == ["sleep"] and sleep[1].isdigit() else 86400,
        "settings": record["settings"],
    }


def append(path: Path, found: list[bytes], known: int) -> int:
    """Append the lines that are not yet in the file; its size then.

    known: its size when it was last written to from here. If it has another one now (a cut, a
    pull, another listener) its lines are looked at first, and a torn last one is closed.
    """
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
    with os.fdopen(fd, "r+b") as file:
        if fcntl is not None:
            fcntl.flock(file, fcntl.LOCK_EX)
        size = file.seek(0, os.SEEK_END)
        if size and size != known:
            file.seek(0)
            have = {text.rstrip(b"\r\n")[-line.TAIL_SIZE :] for text in file}
            found = [data for data in found if data[-line.TAIL_SIZE :] not in have]
            _close_torn(file, size, found)
        if found:
            file.write(b"".join(data + b"\n" for data in found))
            file.flush()
        return file.seek(0, os.SEEK_END)


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
