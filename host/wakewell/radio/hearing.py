"""A listener as a whole, as `wakewell listen` runs it: its parts made, started, stopped.

Here: which parts there are, what a person may want beside hearing the pots, and in which order the
parts begin and end. Not here: what is done with a report (listen), and what each part does.
"""

from __future__ import annotations

import platform
import time
import zlib
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import Any, Protocol

from wakewell import ownfile
from wakewell.errors import BadInput
from wakewell.pot import private
from wakewell.radio import broker, homes, newkey, plain
from wakewell.radio.beats import Beats
from wakewell.radio.listen import DATABASE, Listener, Radio, listen, sign
from wakewell.radio.metrics import Metrics, place_of
from wakewell.radio.posted import Posted
from wakewell.radio.sharing import follow
from wakewell.radio.store import ReportStore, share
from wakewell.radio.waiting import Waiting
from wakewell.tomlfile import show_path

try:
    import fcntl
except ImportError:  # Windows: nothing keeps a second listener off there
    fcntl = None  # type: ignore[assignment]

MOST_SHOWN = 9  # pots that are named one by one


@dataclass(frozen=True)
class Wanted:
    """What a person may want of a listener; the command's help says it of each option.

    database: a file or a URL, None: beside the pots. post: a TCP port. metrics: HOST:PORT.
    """

    database: str | None = None
    own_broker: bool = False
    post: int | None = None
    certificate: Path | None = None
    key: Path | None = None
    page: Path | None = None
    metrics: str | None = None
    publish: bool = False


class Hearing:
    """All parts of one listener. pots: as folders_of found them; say: where it tells what it does.

    What is open is closed when it stops, and when a part cannot be made or started.
    """

    def __init__(
        self,
        pots: dict[str, tuple[Path, private.Private]],
        wanted: Wanted,
        say: Callable[[str], None],
    ) -> None:
        """Makes the parts; nothing is heard yet. Raises BadInput."""
        folder, self.secret = next(iter(pots.values()))
        self.base = folder.resolve().parent
        self.folders = {board: folder for board, (folder, _) in pots.items()}
        self.wanted, self.say = wanted, say
        names = {board: folder.resolve().name for board, folder in self.folders.items()}
        self.shown = few_of(names.values())  # the pots' names in a sentence
        self.places = [secret.broker["host"] for _, secret in pots.values()]
        with ExitStack() as opened:
            place = self._open_database(opened)
            self.radio = by_broker(pots, self.database, place)
            self.posted = by_post(pots, self.radio, wanted.post, wanted.certificate, wanted.key)
            if self.posted is not None:
                opened.callback(self.posted.stop)
            self.signs = Beats(self.store, name_of(self.database, place))
            if self.store.note:
                say(self.store.note)
            keys = {board: secret.key for board, (_, secret) in pots.items()}
            told = names if len(names) <= MOST_SHOWN else {}
            self.listener = Listener(keys, self.store, self.post, say, told)
            self.listener.next_keys = newkey.waiting(self.folders.items())
            self._add_what_shows(opened)
            self.opened = opened.pop_all()

    def _open_database(self, opened: ExitStack) -> int:
        """The database, for this listener alone or shared with others. Returns its place."""
        database = str(self.wanted.database or self.base / DATABASE)
        if "://" not in database:
            database = str(Path(database).absolute())
        self.database = database
        if (lock := alone(database)) is not None:
            opened.callback(lock.close)
        marks = {board: homes.marks(folder) for board, folder in self.folders.items()}
        self.store = ReportStore(database, self.folders, marks)
        opened.callback(self.store.close)
        self.sharing = share(self.store)
        if self.sharing is None:
            return 0
        opened.callback(self.sharing.stop)
        return self.sharing.place

    def _add_what_shows(self, opened: ExitStack) -> None:
        """Pages, plain numbers at the broker, OpenMetrics: those of them that are wanted."""
        if self.wanted.page is not None:
            from wakewell.radio.shown import Shown

            self.listener.shown = Shown(self.folders, self.wanted.page, self.say)
        if self.wanted.publish:
            self.listener.publish, count = plain.publisher(self.radio)
            self.say(
                f"--publish: plain numbers of {count} of these pots go to the broker, on "
                "wakewell/BOARD/plain; they are not sealed: show them, and act on nothing by them"
            )
        self.metrics: Metrics | None = None
        if self.wanted.metrics is not None:
            self.metrics = Metrics(self.listener, *place_of(self.wanted.metrics))
            opened.callback(self.metrics.stop)
            if not self.metrics.own:
                who = f"anyone who can reach {self.wanted.metrics}"
                self.say(f"--metrics: {who} can read these pots' numbers")

    def start(self) -> None:
        """From here on what boards tell is heard. Raises BadInput."""
        with self.opened as opened:
            if self.wanted.own_broker:
                from wakewell.radio.own_broker import OwnBroker

                begin(OwnBroker(self.secret), opened)
            if self.sharing is not None and isinstance(self.radio, Radio):
                self.radio.hear(self.sharing.mine)
                if not self.sharing.alone():
                    count = len(self.radio.mine)
                    self.say(f"shares these pots with other listeners; hears {count} of them now")
            begin(self.radio, opened)
            opened.callback(self._leave_to_others)
            if self.posted is not None:
                self.posted.start()
                self.places.append(f"port {self.wanted.post}")
            if self.listener.shown is not None:
                begin(self.listener.shown, opened)
            if self.metrics is not None:
                self.metrics.start()
            if self.listener.publish is not None:
                for board, last in self.store.pots(self.folders).items():
                    self.listener.publish(board, last)
            self.opened = opened.pop_all()

    @property
    def at(self) -> str:
        """Where it hears them: brokers and a port."""
        return " and ".join(dict.fromkeys(place for place in self.places if place))

    def listen(self, until: Event) -> None:
        """Hear the pots until told to stop. Raises BadInput."""
        listen(self.listener, self.radio, until, self.base, self._turn)

    def _turn(self) -> None:
        """What has to be looked at from time to time."""
        sign(self.listener, self.radio, self.signs.beat)
        self.listener.clear_late(time.time())
        if self.sharing is not None and isinstance(self.radio, Radio):
            follow(self.sharing, self.radio.hear, self.listener.renew)

    def _leave_to_others(self) -> None:
        """Others hear these pots from now on, so the broker need not keep anything for us."""
        if self.sharing is not None and isinstance(self.radio, Radio) and not self.sharing.alone():
            self.radio.hear([])

    def post(self, topic: str, payload: bytes) -> None:
        """Send an answer: to a board that waits for it on the line, else by the broker."""
        if self.posted is None or not self.posted.post(topic, payload):
            self.radio.post(topic, payload)

    def stop(self) -> None:
        """Hear nothing more: the parts end in the opposite order, what they began is finished."""
        self.opened.close()


class ListenerPart(Protocol):
    """What runs beside the listener."""

    def start(self) -> None: ...

    def stop(self) -> None: ...


def begin(part: ListenerPart, opened: ExitStack) -> None:
    """Start it, and stop it when the others stop."""
    part.start()
    opened.callback(part.stop)


def few_of(names: Iterable[str]) -> str:
    """These names in a sentence; of many, the first and how many more there are."""
    every = list(names)
    more = len(every) - MOST_SHOWN
    return ", ".join(every[:MOST_SHOWN]) + (f" and {more} more" if more > 0 else "")


def alone(where: str) -> Any:
    """Keeps a second listener off an SQLite file while what it returns is kept. Raises BadInput.

    Two of them would take the broker's connection from each other without end.
    """
    if fcntl is None or "://" in where:
        return None
    file = None
    try:
        file = ownfile.opened(Path(where + ".lock"))
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        if file is not None:
            file.close()
        text = "another wakewell listen uses it; stop that one, or give --database FILE"
        raise BadInput(f"{show_path(where)}: {text}") from None
    except OSError as error:
        why = error.strerror
        raise BadInput(f"{show_path(where)}: no database can be kept there: {why}") from None
    return file


def by_broker(
    found: dict[str, tuple[Path, private.Private]], where: str, place: int = 0
) -> Waiting:
    """The connection to the broker of those pots that have one. Raises BadInput.

    where: the database, so that the broker keeps apart two that listen for two databases. place:
    of several that share one.
    """
    boards = sorted(board for board, (_, s) in found.items() if not s.post["host"])
    if not boards:
        return Waiting()
    if len({broker.place(found[b][1], found[b][0]) for b in boards}) > 1:
        raise BadInput("these pots name different brokers; run one listener for each broker")
    folder, secret = found[boards[0]]
    end = f" {place}" if place else ""
    name = f"wakewell-{zlib.crc32(f'{platform.node()}{where}{end}'.encode()):08x}"
    return Radio(secret, folder, boards, name)


def name_of(where: str, place: int) -> str:
    """What a listener that keeps its database there is called."""
    return f"{platform.node()[:40]} {zlib.crc32(where.encode()):08x} {place}"


def by_post(
    found: dict[str, tuple[Path, private.Private]],
    radio: Waiting,
    port: int | None,
    certificate: Path | None,
    key: Path | None,
) -> Posted | None:
    """The server for those pots that post; None without a port. Raises BadInput."""
    posts = {board: folder for board, (folder, s) in found.items() if s.post["host"]}
    if port is None:
        if posts:
            folder = show_path(str(next(iter(posts.values()))))
            raise BadInput(f"{folder}: it posts its reports; give --post PORT --certificate PEM")
        return None
    if certificate is None or not 1 <= port <= 65535:
        raise BadInput(f"--post {port}: allowed 1 to 65535, together with --certificate PEM")
    return Posted(port, certificate, key, radio.waiting, posts)
