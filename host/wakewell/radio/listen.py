"""Hears what pots tell by radio, verifies, keeps, answers.

A message goes: queue (bounded; a full one holds the broker back) -> tag and form -> the database,
many messages in one transaction -> the pots' log files -> the answer to the board -> the broker is
told that it is done. If it is killed anywhere in between, the message comes again and is kept once.
Here: this way and its bounds. Not here: what a report is (letters), how it is kept (store).
"""

from __future__ import annotations

import queue
import shutil
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from wakeboard import heard
from wakewell.errors import BadInput
from wakewell.log.logs import printable
from wakewell.pot import private
from wakewell.pot.board_file import board_id
from wakewell.radio import broker, homes, letters, newkey, pieces, unit
from wakewell.radio.waiting import Message, Waiting
from wakewell.tomlfile import show_path

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
MINUTE_S, DAY_S = 60, 86400
LEAST_FREE = 32 << 20  # with fewer free bytes on the disk than this, no message is taken
DATABASE = "heard.db"
SETTLE_S = 60.0  # for the broker to say that it sends what comes; it may come later too
MOST_TOPICS = 500  # of one message to the broker
LATER_S = 5.0  # after the disk or the database refused


class SendAnswer(Protocol):
    """Sends an answer to a board."""

    def __call__(self, topic: str, payload: bytes) -> None: ...


@dataclass
class Listener:
    """Everything but the network. keys: {board: its pot's key}; store: radio.store.ReportStore."""

    keys: dict[str, bytes]
    store: Any
    post: SendAnswer
    say: Any = print
    names: dict[str, str] = field(default_factory=dict)  # of boards to be told of when first heard
    said: dict[str, float] = field(default_factory=dict)
    new: int = 0
    heard: int = 0
    bad: int = 0
    told: float = 0.0  # when it last told its progress
    cleared: float = 0.0  # when it last looked for versions that nobody took in time
    next_keys: dict[str, bytes] = field(
        default_factory=dict
    )  # agreed on, heard under by nobody yet
    shown: Any = None  # a radio.shown.Shown that is told which boards were heard, if there is one
    publish: Any = None  # given a board and what was last heard of it, if that is wanted

    def deal(self, messages: list[Message], now: float) -> None:
        """Verify, keep, answer. Raises SQLAlchemyError or OSError, and then nothing was answered;
        called again with the same messages it does the rest."""
        reports, sealing, dropped = [], [], []
        for message in messages:
            report, why = self.read(message)
            if report is None:
                dropped.append((message.topic, why))
            else:
                reports.append(report)
                sealing.append(self.key_for(report))
                for why in report.damaged:
                    dropped.append((f"log of {report.board}", f"line damaged on the board: {why}"))
        self.new += self.store.take(reports, int(now))
        self.keep_files(reports)
        if self.shown is not None and reports:
            self.shown.changed({report.board for report in reports})
        for place, why in dropped:
            self.drop(place, why, now)
        utc = datetime.fromtimestamp(now, UTC) - EPOCH
        for report, key in zip(reports, sealing, strict=True):
            self.heard += 1
            name = self.names.pop(report.board, None)
            if name is not None:
                self.told = now
                self.say(f"{printable(name)}: heard, {len(report.lines)} lines of its log")
            ids = "".join(letters.id_of(data) for data in report.in_force)
            answer = heard.acknowledge(
                key, report.board, report.n, report.nonce,
                report.file, report.offset, ids, (utc.days, utc.seconds), letters.mac,
            )  # fmt: skip
            self.post(broker.TOPIC.format(board=report.board, what="heard"), bytes(answer))
            self.clear(report.board, report.words.get("sent"), report.words.get("sent_is"), now)
        if reports:
            if self.publish is not None:
                boards = {report.board for report in reports}
                for board, last in self.store.pots(boards).items():
                    self.publish(board, last)
            self.tell(now)

    def clear(self, board: str, n: object, state: object, now: float) -> None:
        """Take a version that a board fetches no more from the broker and out of its folder. n,
        state: what the board told of it; None: nothing now."""
        folder = self.store.folders.get(board)
        if folder is None or not pieces.is_over(folder, n, state, datetime.fromtimestamp(now, UTC)):
            return
        try:
            for name in pieces.forget(folder):
                self.post(broker.TOPIC.format(board=board, what=name), b"")
        except OSError as error:
            self.say(f"waiting: {show_path(str(error.filename))}: {error.strerror}")

    def clear_late(self, now: float) -> None:
        """The same for what no board took in its time, once a day."""
        if now - self.cleared >= DAY_S:
            self.cleared = now
            for board in self.store.folders:
                self.clear(board, None, None, now)

    def tell(self, now: float) -> None:
        """A line that shows that it lives, one a minute while reports come."""
        if now - self.told >= MINUTE_S:
            self.told = now
            what = f"{self.heard} reports heard, {self.new} new lines kept, {self.bad} dropped"
            self.say(f"so far: {what}")

    def read(self, message: Message) -> tuple[letters.BoardReport | None, str]:
        """The report in a message, or None and why it is not from one of our pots."""
        words = message.topic.split("/")
        if len(words) != 3 or words[2] != "report":
            return None, "not a report's topic"
        key = self.keys.get(words[1])
        if key is None:
            return None, "a board that belongs to none of these pots"
        report, why = letters.read(message.payload, key, words[1])
        if report is None and words[1] in self.next_keys:
            report, why = letters.read(message.payload, self.next_keys[words[1]], words[1])
        return report, why

    def key_for(self, report: letters.BoardReport) -> bytes:
        """The key to answer a report with: the new one for a board that tells its half of one.

        The first report under that key puts it in force here too.
        """
        board, folder = report.board, self.store.folders.get(report.board)
        n, share = report.words.pop("share_n", None), report.words.pop("share", None)
        key = self.next_keys.get(board)
        if folder is None or (share is None and key is None):
            return self.keys[board]
        try:
            if share is not None:
                key = newkey.agree(folder, n, share)
                if key is not None:
                    self.next_keys[board] = key
                    return key
            elif key is not None and report.home == homes.mark_of(key):
                if board in self.store.ours:
                    self.store.ours[board] |= {report.home}
                newkey.settle(folder, key)
                self.keys[board] = self.next_keys.pop(board)
                # What lies there was sealed with the old one
                for what in ("asked", "code", *pieces.forget(folder)):
                    self.post(broker.TOPIC.format(board=board, what=what), b"")
                self.say(f"{printable(folder.name)}: its new key is in force")
        except BadInput as error:  # both keys stay good, and its next report tries again
            self.say(f"waiting: {error}")
            return key or self.keys[board]
        return self.keys[board]

    def renew(self, board: str) -> None:
        """Another listener has heard that board until now: it may have another key since."""
        folder = self.store.folders[board]
        try:
            self.keys[board] = private.read(folder).key
            self.store.ours[board] = homes.marks(folder)
            self.next_keys.pop(board, None)
            self.next_keys |= newkey.waiting([(board, folder)])
        except BadInput as error:
            self.say(f"waiting: {error}")

    def keep_files(self, reports: list[letters.BoardReport]) -> None:
        """The files in force and the log files."""
        from wakewell.radio.store import keep_in_force

        for report in reports:
            folder = self.store.folders.get(report.board)
            for data in report.in_force:
                if folder is not None and not keep_in_force(folder, data):
                    self.drop(
                        f"log of {report.board}", "a file in force in an unknown form", time.time()
                    )
        self.store.export()

    def drop(self, topic: str, why: str, now: float) -> None:
        """Count a dropped message. Print a line, at most one a minute for the same reason."""
        self.bad += 1
        self.store.drop(why)
        if now - self.said.get(why, -MINUTE_S) >= MINUTE_S:
            if len(self.said) > 1000:
                self.said.clear()
            self.said[why] = now
            self.say(f"dropped a message on {printable(topic, 80)}: {printable(why)}")


class Radio(Waiting):
    """The connection to the broker: fills the queue, sends answers, tells it what is done."""

    def __init__(self, secret: private.Private, folder: Path, boards: list[str], name: str) -> None:
        super().__init__()
        self.secret, self.folder, self.boards = secret, folder, boards
        self.mine = list(boards)  # those that it hears
        self.stopped, self.settled = threading.Event(), threading.Event()
        self.client = broker.client(secret, name, keep=True, manual=True)
        self.client.on_connect = self._connected
        self.client.on_subscribe = lambda *_: self.settled.set()
        self.client.on_message = self._message

    def start(self) -> None:
        """Connect and listen: what is told from here on is heard. Raises BadInput."""
        broker.connect(self.client, self.secret, self.folder)
        self.client.loop_start()
        self.settled.wait(SETTLE_S)

    def stop(self) -> None:
        """Disconnect; what was not dealt with comes again next time."""
        self.stopped.set()
        self.client.disconnect()
        self.client.loop_stop()

    def _connected(self, client: Any, _: Any, __: Any, reason: Any, ___: Any) -> None:
        self.refused = str(reason) if reason.is_failure else ""
        if self.refused:
            self.settled.set()
        else:
            self._subscribe(self.mine, set(self.boards) - set(self.mine))

    def _subscribe(self, boards: Collection[str], others: Collection[str]) -> None:
        """Hear these boards, and the others no more, which an earlier life may have asked for."""
        named = broker.TOPIC.format(board="{}", what="report").format
        what = [(named(board), 1) for board in boards]
        for at in range(0, len(what), MOST_TOPICS):
            self.client.subscribe(what[at : at + MOST_TOPICS])
        gone = [named(board) for board in others]
        for at in range(0, len(gone), MOST_TOPICS):
            self.client.unsubscribe(gone[at : at + MOST_TOPICS])

    def hear(self, boards: Collection[str]) -> None:
        """Hear these of its boards from now on, and no others."""
        before, self.mine = set(self.mine), [b for b in self.boards if b in boards]
        self._subscribe(set(self.mine) - before, before - set(self.mine))

    def _message(self, client: Any, _: Any, message: Any) -> None:
        made = Message(
            message.topic,
            bytes(message.payload[: letters.MOST + 1]),
            lambda: client.ack(message.mid, message.qos),
        )
        while not self.stopped.is_set():
            try:
                self.waiting.put(made, timeout=0.5)
            except queue.Full:
                continue
            return

    def show(self, topic: str, payload: bytes) -> None:
        """Leave a message at the broker for whoever looks later."""
        self.client.publish(topic, payload, qos=1, retain=True)

    def hears(self) -> bool:
        """Is it connected?"""
        return bool(self.client.is_connected())

    def post(self, topic: str, payload: bytes) -> None:
        """Leave an answer with the broker; a lost one makes the board tell again."""
        # An empty one takes away what is retained there (MQTT 3.1.1, section 3.3.1.3)
        self.client.publish(topic, payload, qos=1, retain=not payload)


def listen(
    listener: Listener,
    radio: Waiting,
    until: threading.Event,
    free_in: Path,
    turn: Callable[[], None] = lambda: None,
) -> None:
    """Listen until told to stop. A full disk or a database that refuses is waited for.

    turn: called again and again, some times a second.
    """
    while not until.is_set():
        turn()
        unit.alive()
        if radio.refused:
            raise BadInput(f"broker: {radio.refused}; see broker.user and broker.password")
        messages = radio.batch(0.5)
        while messages and not until.is_set():
            why = deal(listener, messages, free_in)
            if not why:
                for message in messages:
                    message.done()
                break
            listener.say(f"waiting: {why}")
            unit.alive()
            until.wait(LATER_S)


def sign(listener: Listener, radio: Waiting, beat: Callable[[float], None]) -> None:
    """A sign of life (Beats.beat), as long as a report would be heard. A database that refuses it
    is told of, and waited for."""
    if not radio.hears():
        return
    from sqlalchemy.exc import SQLAlchemyError

    from wakewell.radio.store import why_of

    try:
        beat(time.time())
    except SQLAlchemyError as error:
        listener.say(f"waiting: no sign of life could be left: {why_of(error)}")


def deal(listener: Listener, messages: list[Message], free_in: Path) -> str:
    """Deal with the messages; "" if done, else why not now."""
    from sqlalchemy.exc import SQLAlchemyError

    from wakewell.radio.store import why_of

    free = shutil.disk_usage(free_in).free
    if free < LEAST_FREE:
        return f"{free >> 20} MiB free on the disk, needed {LEAST_FREE >> 20}; make room"
    try:
        listener.deal(messages, time.time())
    except SQLAlchemyError as error:
        return f"database: {why_of(error)}"
    except OSError as error:
        return f"log file: {error.filename}: {error.strerror}; make room, or check its permissions"
    return ""


def folders_of(names: list[str]) -> dict[str, tuple[Path, private.Private]]:
    """{board: (pot's folder, its secrets)}. Raises BadInput."""
    found: dict[str, tuple[Path, private.Private]] = {}
    for name in names:
        folder = Path(name)
        board = board_id(folder) if folder.is_dir() else None
        if board is None:
            shown = show_path(name)
            raise BadInput(
                f"{shown}: not the folder of a pot with a known board; flash it once by cable"
            )
        if board in found:
            raise BadInput(
                f"{show_path(name)}: the same board as {found[board][0]}; name one of them"
            )
        found[board] = (folder, private.read(folder))
    return found
