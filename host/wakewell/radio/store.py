"""What was heard, kept: SQLite (WAL) or PostgreSQL through SQLAlchemy, and the pots' log files.

Belongs here: exactly once by board and wake, safe against a power cut at any moment: what
is acknowledged is in the database and on the disk. Which home a line belongs to is told by its
row (homes); the log files are made from the database by letters' places (files), whatever the
order in which they came. Not here: the network.
"""

from __future__ import annotations

import os
from binascii import crc32
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy.dialects import postgresql, sqlite

from wakewell import ownfile
from wakewell.errors import BadInput
from wakewell.log import logs, record
from wakewell.log.record import Wake
from wakewell.radio import files, homes, letters, migrate, readings
from wakewell.radio.sharing import Sharing, signed
from wakewell.radio.tables import DROPPED, LINES, POTS, SENT, sa
from wakewell.tomlfile import show_path

__all__ = ["LINES", "POTS", "SENT", "ReportStore", "keep_in_force", "sa", "summary", "why_of"]

# After a start, so many lines are looked for in the files, and those heard in this time
MADE_GOOD = 10_000
MADE_GOOD_S = 3600

NAMES = ("board", "kind", "n", "crc", "file", "heard_at", "data", "at", "home")
KNOWN = "SELECT board, report, n, CAST(told AS TEXT) FROM pots WHERE board IN (%s)"
LAST = sa.select(LINES.c.id, LINES.c.heard_at).order_by(LINES.c.id.desc()).limit(1)
# In POTS.told, of the newest wake: the CRC of its line, its `utc`. No word of a report has a space.
NEWEST, SAID_AT = "newest wake", "said at"
DAY_S = 86400
BOARD_LOCK = 0x57616B66  # of PostgreSQL's advisory locks: one who keeps reports of a board
BOARD_LOCKS = "SELECT pg_advisory_xact_lock(%s, key) FROM unnest(%s::int[]) AS key"
Row = tuple[str, str, int, str, int, int, bytes, int, str]  # NAMES
BY_FILE = itemgetter(*map(NAMES.index, ("board", "home", "file")))
PLACED = itemgetter(*map(NAMES.index, ("at", "data")))


@dataclass(frozen=True)
class LastHeard:
    """What was last heard of a board: when, the numbers of its newest report and wake.

    told: what that report answered and what that wake says (`summary`). name: of its pot's folder.
    """

    heard_at: int
    report: int
    n: int
    told: dict[str, Any]
    name: str = ""

    @property
    def told_at(self) -> int:
        """When the pot said so, seconds since 1970: a report may have waited for days at a
        broker. By the board's clock where it is trusted, and never later than heard."""
        day, second, trusted = self.told.get(SAID_AT, (0, 0, 0))
        return min(self.heard_at, letters.unix_s(day, second)) if trusted else self.heard_at


class ReportStore:
    """The database. where: a file for SQLite, or an SQLAlchemy URL.

    folders: {board: the pot's folder} whose log files are kept up. ours: {board: marks of the
    keys that its pot has there}; a board that is not in it: see homes.Homes.
    note: what was done to a database of an older form, in words.
    """

    def __init__(
        self,
        where: str | Path,
        folders: dict[str, Path] | None = None,
        ours: dict[str, frozenset[str]] | None = None,
    ) -> None:
        text = str(where)
        try:
            url = sa.make_url(text if "://" in text else f"sqlite:///{text}")
            # Values by place, for every driver
            style = "qmark" if url.get_backend_name() == "sqlite" else "format"
            if style == "qmark" and url.database and url.database != ":memory:":
                # SQLite gives what it writes beside it, -wal and -shm, the same rights.
                for path in (Path(url.database), *map(Path, beside(url.database))):
                    if path.exists() or path == Path(url.database):
                        ownfile.keep(path)
            self.engine = sa.create_engine(url, paramstyle=style)
            self._many_writers = self.engine.dialect.name == "postgresql"
            sa.event.listen(self.engine, "connect", _pragmas)
            self._mark = "?" if style == "qmark" else "%s"
            self._read = readings.adding(self._mark)
            self.note = migrate.to_todays_form(self.engine)
            if self.note or folders:
                readings.fill(self.engine, self._read)
        except BadInput as error:
            raise BadInput(f"{show_path(self_made(text))}: {error}") from None
        except (sa.exc.SQLAlchemyError, ImportError, OSError) as error:
            why = getattr(error, "strerror", None) or why_of(error)
            place = self_made(text)
            raise BadInput(f"{place}: no database can be kept there: {why}") from None
        insert = postgresql.insert if self._many_writers else sqlite.insert
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
        self._newest = str(LAST.compile(self.engine, compile_kwargs={"literal_binds": True}))
        self.folders, self.ours = folders or {}, ours or {}
        self.names: dict[str, str] = {}  # of the boards' folders
        # {(board, mark of its key): the last file written for them, how it was left}
        self.ends: dict[tuple[str, str], tuple[int, files.End]] = {}
        self.shared = False  # others keep reports of these pots too
        self.caught_up = False
        self.exported = 0
        self.at_hand: tuple[int, list[Row]] | None = None  # all that came after `exported`
        self._start()

    def _start(self) -> None:
        """From which line on the log files may lack some."""
        with self.engine.connect() as c:
            newest = c.execute(LAST).first()
            if newest is not None:
                # Later than the newest: the clock was set back since.
                recent = LINES.c.heard_at.between(newest.heard_at - MADE_GOOD_S, newest.heard_at)
                before = LAST.where(~recent & (LINES.c.id <= newest.id - MADE_GOOD))
                self.exported = c.scalar(before) or 0

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def take(self, reports: Iterable[letters.BoardReport], now_s: int) -> int:
        """Keep these reports, all or none; how many lines were new.

        When this returns they are on the disk. Raises sqlalchemy.exc.SQLAlchemyError.
        """
        reports = list(reports)
        rows: list[Row] = []
        wakes: list[readings.Row] = []
        for report in reports:
            board, home = report.board, report.home
            for each in report.lines:
                n, crc, data = each.n, each.crc, each.data
                rows.append((board, each.kind, n, crc, each.file, now_s, data, each.at, home))
                if each.kind == "wake":
                    wakes.append(readings.row_of(board, n, crc, now_s, data))
        new = top = 0
        with self.engine.begin() as c:
            self._alone_with(c, {report.board for report in reports})
            if rows:
                new = c.exec_driver_sql(self._add, rows).rowcount
                top = c.exec_driver_sql(self._newest).scalar() or 0
            if new and wakes:
                c.exec_driver_sql(self._read, list(map(readings.parameters, wakes)))
            self._see(c, reports, now_s)
        if self.shared and self.caught_up:
            # Each listener lays what it has heard itself.
            self.at_hand = (top or self.exported, rows)
        elif rows:
            # Exactly these rows came after what is exported.
            whole = new == len(rows) and top - new == self.exported
            self.at_hand = (top, rows) if whole else None
        return new

    def _alone_with(self, c: Any, boards: Collection[str]) -> None:
        """Until the transaction ends no other listener keeps reports of these boards.

        In one order for all, so that no two wait for each other. SQLite has one writer anyway.
        """
        if self._many_writers and boards:
            keys = sorted({signed(crc32(board.encode())) for board in boards})
            c.exec_driver_sql(BOARD_LOCKS, (BOARD_LOCK, keys))

    def _see(self, c: Any, reports: list[letters.BoardReport], now_s: int) -> None:
        """What the newest report of each board says of it. An old one, sent again or come late,
        says nothing."""
        boards = tuple({report.board for report in reports})
        marks = ", ".join([self._mark] * len(boards))
        known = c.exec_driver_sql(KNOWN % marks, boards) if boards else ()
        seen = {board: (number, n, msgspec.json.decode(text)) for board, number, n, text in known}
        changed = set()
        for report in reports:
            number, n, told = seen.get(report.board, (-1, -1, {}))
            wake = next((each for each in reversed(report.lines) if letters.tells(each)), None)
            said = record.heard_wake(wake.data) if wake is not None else None
            utc = said.begin.utc if said is not None else None
            if not is_newer(report.n > number, wake is not None and wake.n > n, utc, told):
                continue
            # A word that this report does not say is not true any more
            told = {key: told[key] for key in (NEWEST, SAID_AT) if key in told}
            told |= {k: v for k, v in report.words.items() if isinstance(v, (int, str))}
            if wake is not None:
                n = wake.n
                told |= {NEWEST: wake.crc, SAID_AT: utc or (0, 0, 0)}
            seen[report.board] = (report.n, n, told)
            changed.add(report.board)
        rows = []
        for board in sorted(changed):
            number, n, told = seen[board]
            told_text = msgspec.json.encode(told).decode()
            rows.append((board, now_s, number, n, told_text, self._name(board)))
        if rows:
            c.exec_driver_sql(self._tell, rows)

    def _name(self, board: str) -> str:
        """The name of its pot's folder, "" where that is not known."""
        if board not in self.names:
            folder = self.folders.get(board)
            name = os.path.basename(os.path.abspath(folder)) if folder is not None else ""
            self.names[board] = logs.printable(name)
        return self.names[board]

    def pots(self, boards: Collection[str] | None = None) -> dict[str, LastHeard]:
        """{board: what was last heard of it}. boards: only of these."""
        chosen = sa.select(POTS)
        if boards is not None:
            chosen = chosen.where(POTS.c.board.in_(boards))
        newest = (LINES.c.board == POTS.c.board) & (LINES.c.kind == "wake")
        newest &= LINES.c.n == POTS.c.n
        wakes = sa.select(LINES.c.board, LINES.c.crc, LINES.c.data).join(POTS, newest)
        with self.engine.connect() as c:
            said: dict[str, dict[str, Any]] = {}
            pots = {row.board: row for row in c.execute(chosen)}
            if boards is not None:
                wakes = wakes.where(LINES.c.board.in_(boards))
            for row in c.execute(wakes.order_by(LINES.c.id)):
                if row.board not in pots:
                    continue  # heard for the first time in this moment
                # A number may come twice: after a write that failed, or a life of the board.
                if pots[row.board].told.get(NEWEST, row.crc) == row.crc:
                    said[row.board] = summary(row.data) or {}
            return {
                board: LastHeard(
                    row.heard_at, row.report, row.n, row.told | said.get(board, {}), row.name
                )
                for board, row in pots.items()
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
        """Every line of a board, in the order of its log: by file and place."""
        chosen = sa.select(LINES.c.file, LINES.c.at, LINES.c.data).where(LINES.c.board == board)
        with self.engine.connect() as c:
            return [data for _, data in in_log_order(c.execute(chosen.order_by(LINES.c.id)))]

    def newest(self, board: str, most: int) -> tuple[str, int, list[tuple[int, bytes]]]:
        """(mark of the home, when heard, [(number of its file, line)]) of the home that a board was
        last heard in: its newest lines, in the order of its log."""
        of_board = LINES.c.board == board
        last = sa.select(LINES.c.home, LINES.c.heard_at).where(of_board)
        with self.engine.connect() as c:
            found = c.execute(last.order_by(LINES.c.id.desc()).limit(1)).first()
            if found is None:
                return "", 0, []
            chosen = sa.select(LINES.c.file, LINES.c.at, LINES.c.data)
            chosen = chosen.where(of_board & (LINES.c.home == found.home))
            rows = c.execute(chosen.order_by(LINES.c.id.desc()).limit(most)).all()
        return found.home, found.heard_at, in_log_order(reversed(rows))

    def export(self) -> None:
        """Lay lines that are not yet there into the log files. Raises OSError."""
        at_hand, self.at_hand = self.at_hand, None
        found: dict[str, homes.Homes] = {}
        try:
            if at_hand is None:
                self._lay_later(found)
                self.caught_up = True
                return
            for (board, home, file), rows in groupby(at_hand[1], BY_FILE):
                last, end = self.ends.get((board, home), (-1, None))
                end = files.append(sorted(map(PLACED, rows)), end) if end and last == file else None
                if end is not None:
                    self.ends[board, home] = file, end
                elif folder := self._logs_of(found, board, home, at_hand[1][0][5]):
                    self._lay(found, board, home, file, folder)
            self.exported = at_hand[0]
        except OSError:
            self.ends.clear()  # lines written before the error must be found when all comes again
            raise

    def _logs_of(
        self, found: dict[str, homes.Homes], board: str, home: str, heard_at: int
    ) -> str | None:
        """The folder of the log a line belongs to. found: homes that were read before."""
        if board not in self.folders:
            return None
        if board not in found:
            found[board] = homes.read(self.folders[board], self.ours.get(board))
        return found[board].logs_of(home, heard_at)

    def _lay_later(self, found: dict[str, homes.Homes]) -> None:
        """Lay every file of which a line came after what is exported."""
        fresh = sa.select(LINES.c.board, LINES.c.file, LINES.c.home, sa.func.max(LINES.c.heard_at))
        fresh = fresh.where(LINES.c.id > self.exported)
        with self.engine.connect() as c:
            top = c.scalar(sa.select(sa.func.max(LINES.c.id))) or 0
            fresh = fresh.where(LINES.c.id <= top)
            rows = c.execute(fresh.group_by(LINES.c.board, LINES.c.file, LINES.c.home)).all()
        places = {
            (board, file, self._logs_of(found, board, home, heard_at)): home
            for board, file, home, heard_at in rows
        }
        for (board, file, folder), home in places.items():
            if folder is not None:
                self._lay(found, board, home, file, folder)
        self.exported = top

    def _lay(
        self, found: dict[str, homes.Homes], board: str, home: str, file: int, folder: str
    ) -> None:
        """Make that log file whole: every line of it that was heard, in its place."""
        chosen = sa.select(LINES.c.at, LINES.c.data, LINES.c.home, LINES.c.heard_at)
        chosen = chosen.where((LINES.c.board == board) & (LINES.c.file == file))
        with self.engine.connect() as c:
            placed = [
                (row.at, bytes(row.data))
                for row in c.execute(chosen.order_by(LINES.c.id))
                if self._logs_of(found, board, row.home, row.heard_at) == folder
            ]
        end = files.lay(f"{folder}/{file:08d}.jsonl", files.in_order(placed))
        self.ends[board, home] = (file, end)


def share(store: ReportStore) -> Sharing | None:
    """A place among those that hear the store's pots, None for SQLite. Raises BadInput."""
    if store.engine.dialect.name != "postgresql":
        return None
    try:
        made = Sharing(store.engine, store.folders)
    except sa.exc.SQLAlchemyError as error:
        raise BadInput(f"database: {why_of(error)}; try again") from None
    store.shared = True
    return made


def in_log_order(rows: Iterable[Any]) -> list[tuple[int, bytes]]:
    """(number of its file, line) in the order of the log, by file and place. rows: file, at and
    data of lines in the order heard."""
    placed: dict[int, list[files.Placed]] = {}
    for row in rows:
        placed.setdefault(row.file, []).append((row.at, bytes(row.data)))
    return [(file, data) for file in sorted(placed) for _, data in files.in_order(placed[file])]


def why_of(error: Exception) -> str:
    """What a database or the disk says of an error, the first line of it."""
    return str(getattr(error, "orig", None) or error).splitlines()[0]


def beside(database: str) -> tuple[str, str]:
    """The two files that SQLite keeps beside its own."""
    return f"{database}-wal", f"{database}-shm"


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


def is_newer(
    report: bool, wake: bool, utc: tuple[int, int, int] | None, told: dict[str, Any]
) -> bool:
    """Does a report tell of later than what was told? report, wake: its number, and that of its
    last wake, is higher; utc: when that wake was.

    Any number may begin anew: the reports' where their count was lost, the wakes' with the
    board's state, both where a board was erased. Where both clocks are trusted they tell.
    """
    was = told.get(SAID_AT)
    if utc is None or was is None or not (utc[2] and was[2]):
        return report or wake
    return (report and wake) or utc[:2] > tuple(was[:2])


def summary(data: bytes) -> dict[str, Any] | None:
    """What a wake says of its pot, for those who are reminded; None if it is no whole wake."""
    wake = record.read(data).found
    if not isinstance(wake, Wake):
        return None
    return {
        "needs": wake.needs,
        "lockouts": wake.lockouts,
        "settings": wake.settings,
        "values": msgspec.to_builtins(wake.values),
        "day_ml": wake.water.day_ml,
        "charge_uah": wake.charge_uah,
        "utc": list(wake.begin.utc),
        "sleep_s": DAY_S if wake.sleep is None else wake.sleep.seconds,
    }


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
            ownfile.to_disk(file, data)
        beside.replace(path)
    return True
