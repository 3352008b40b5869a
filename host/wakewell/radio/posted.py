"""Where pots post their reports to: a small HTTPS server that feeds `wakewell listen`.

A posted report is handled as every message. The answer waits until that is done, so a board that
got one knows that its lines are kept. With it go the settings asked for, which a broker would have
kept. Anybody may call; only what is sealed with a pot's key is taken. Bounded: callers at once, by
address and in all (room); seconds from the first byte of TLS to the last of a head, of a report, of
a call; bytes of each (request). One thread waits for all of them, so that a slow caller costs
memory and no more.
"""

from __future__ import annotations

import asyncio
import ipaddress
import queue
import re
import socket
import ssl
import string
import threading
from dataclasses import dataclass, field
from email.utils import formatdate
from http import HTTPStatus
from pathlib import Path
from typing import Any

from wakeboard import asked
from wakewell.errors import BadInput
from wakewell.radio import letters, newkey, pieces, request
from wakewell.radio.room import OnTheLine, Room
from wakewell.radio.waiting import Message
from wakewell.tomlfile import show_path

# Of a caller, from when it came or was last answered: a board gives up after twenty seconds
HEAD_S = 10.0  # handshake done and the whole head received
REPORT_S = 20.0  # and the whole report received
CALLER_S = 60.0  # for the whole call
ANSWER_S = 15.0  # until its report is kept
LINGER_S = 1.0  # to take in what a refused one still sends, so that it reads why
TRY_S = 0.05  # between two tries to put a message into a full queue
QUIET = (OSError, EOFError, TimeoutError)  # the caller broke off, was slow, or had no TLS
NONCE = re.compile(rb'"n":"nonce","vs":"([0-9a-f]{16})"')
PATH = re.compile(r"(?:/[^/?#]+)*?/(wakewell/([0-9a-f]{2,64})/report)")
PIECE = re.compile(r"(?:/[^/?#]+)*?/wakewell/([0-9a-f]{2,64})/code/([0-9a-f]{16})/([0-9]{1,3})")


@dataclass
class Waiter:
    """A connected board; its answer once there is one."""

    loop: asyncio.AbstractEventLoop
    done: asyncio.Event = field(default_factory=asyncio.Event)
    answer: bytes = b""

    def dealt_with(self) -> None:
        """Called from the listener's thread."""
        if not self.loop.is_closed():
            self.loop.call_soon_threadsafe(self.done.set)


class Posted:
    """Serves from `start` to `stop`, in a thread. waiting: the listener's queue; folders:
    {board: pot's}."""

    def __init__(
        self,
        port: int,
        certificate: Path,
        key: Path | None,
        waiting: queue.Queue[Message],
        folders: dict[str, Path],
    ) -> None:
        self.waiting, self.folders = waiting, folders
        # By board and nonce: a caller that does not know a report's nonce cannot take its place
        self.waiters: dict[tuple[str, bytes], Waiter] = {}
        self.lock = threading.Lock()
        self.room = Room()
        self.tasks: dict[OnTheLine, asyncio.Task[None]] = {}
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        try:
            self.context.load_cert_chain(certificate, key)
        except (OSError, ssl.SSLError) as error:
            why = error.reason if isinstance(error, ssl.SSLError) else error.strerror
            raise BadInput(
                f"{show_path(str(certificate))}: {why}; --certificate names a PEM file, "
                "--key the one with its key if it is not in the same"
            ) from None
        try:
            both = socket.has_dualstack_ipv6()
            family = socket.AF_INET6 if both else socket.AF_INET
            self.door = socket.create_server(
                ("", port), family=family, backlog=128, dualstack_ipv6=both
            )
        except OSError as error:
            raise BadInput(f"port {port}: {error.strerror}; name another with --post") from None
        self.door.setblocking(False)
        self.loop: asyncio.AbstractEventLoop | None = None
        self.thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Serve."""
        self.loop = asyncio.new_event_loop()
        self.loop.set_exception_handler(_told)
        self.thread.start()

    def stop(self) -> None:
        """No more callers."""
        if self.loop is not None:
            self.loop.call_soon_threadsafe(self.loop.stop)
            self.thread.join()
            self.loop.close()
        self.door.close()

    def post(self, topic: str, payload: bytes) -> bool:
        """Hand the answer to the board that waits for it; False if none does."""
        board = topic.split("/")[1]
        with self.lock:
            for (who, nonce), waiter in self.waiters.items():
                if who == board and nonce in payload:
                    waiter.answer = payload
                    return True
        return False

    async def ask(self, topic: str, board: str, payload: bytes) -> tuple[int, bytes]:
        """(status, body): the answer of the listener to a report."""
        nonce = NONCE.search(payload)
        if nonce is None:
            return 400, b""
        place, waiter = (board, nonce[1]), Waiter(asyncio.get_running_loop())
        with self.lock:
            if place in self.waiters:
                return 503, b""
            self.waiters[place] = waiter
        try:
            async with asyncio.timeout(ANSWER_S):
                await self.put(Message(topic, payload, waiter.dealt_with))
                await waiter.done.wait()
        except TimeoutError:
            return 503, b""
        finally:
            with self.lock:
                del self.waiters[place]
        if not waiter.answer:
            return 400, b""
        folder = self.folders[board]
        rows = [waiter.answer, newest_asked(folder), pieces.posted_manifest(folder)]
        return 200, b"\n".join(rows if rows[-1] else rows[:-1])

    async def put(self, message: Message) -> None:
        while True:
            try:
                self.waiting.put_nowait(message)
            except queue.Full:
                await asyncio.sleep(TRY_S)
                continue
            return

    # --- the thread ----------------------------------------------------------------------------

    def _run(self) -> None:
        assert self.loop is not None
        task = self.loop.create_task(self._serve(self.loop))
        self.loop.run_forever()
        tasks = [task, *self.tasks.values()]
        for each in tasks:
            each.cancel()
        self.loop.run_until_complete(asyncio.wait(tasks))

    async def _serve(self, loop: asyncio.AbstractEventLoop) -> None:
        """Accept callers while there is room."""
        while True:
            try:
                stream, (address, *_) = await loop.sock_accept(self.door)
            except OSError:  # no descriptors left, or it has gone already
                await asyncio.sleep(TRY_S)
                continue
            caller, goes = self.room.admit(household(address), loop.time())
            if goes is not None:
                self.tasks[goes].cancel()
            if caller is None:
                stream.close()
            else:
                self.tasks[caller] = loop.create_task(self._hear(loop, caller, stream))
            await asyncio.sleep(0)  # connected ones get a turn, however many come

    async def _hear(
        self, loop: asyncio.AbstractEventLoop, caller: OnTheLine, stream: socket.socket
    ) -> None:
        """One caller, from its connection to its end or to the end of its time."""
        reader = asyncio.StreamReader(request.MOST_HEAD, loop)
        protocol = asyncio.StreamReaderProtocol(reader, loop=loop)
        transport: asyncio.Transport | None = None
        try:
            async with asyncio.timeout(CALLER_S):
                transport, _ = await loop.connect_accepted_socket(
                    lambda: protocol, stream, ssl=self.context,
                    ssl_handshake_timeout=HEAD_S, ssl_shutdown_timeout=LINGER_S,
                )  # fmt: skip
                writer = asyncio.StreamWriter(transport, protocol, reader, loop)
                while await self._report(caller, reader, writer):
                    caller.since = loop.time()
                writer.close()
                await writer.wait_closed()
        except QUIET:
            pass
        finally:
            if transport is not None:
                transport.abort()
            self.room.leave(caller)
            del self.tasks[caller]

    async def _report(
        self, caller: OnTheLine, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> bool:
        """Take one report and answer. True if the caller may tell another."""
        try:
            async with asyncio.timeout_at(caller.since + HEAD_S):
                head = request.read(await reader.readuntil(request.END))
        except asyncio.LimitOverrunError:
            head = 431
        if isinstance(head, int):
            return await self._answer(reader, writer, head)
        wanted = PIECE.fullmatch(head.target)
        if wanted is not None and wanted[1] in self.folders and not head.length:
            place = self.folders[wanted[1]], wanted[1], wanted[2], int(wanted[3])
            data = pieces.posted_piece(*place)
            return await self._answer(reader, writer, 200 if data else 404, data, head.stays)
        found = PATH.fullmatch(head.target)
        if found is None or found[2] not in self.folders:
            return await self._answer(reader, writer, 404)
        if head.length > letters.MOST:
            return await self._answer(reader, writer, 413)
        if head.waits:
            writer.write(b"HTTP/1.1 100 Continue\r\n\r\n")
        async with asyncio.timeout_at(caller.since + REPORT_S):
            payload = await reader.readexactly(head.length)
        caller.busy = True
        try:
            status, body = await self.ask(found[1], found[2], payload)
        finally:
            caller.busy = False
        return await self._answer(reader, writer, status, body, head.stays)

    async def _answer(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        status: int,
        body: bytes = b"",
        stays: bool = False,
    ) -> bool:
        """Answer; a caller that was not understood is not listened to any longer."""
        stays = stays and status == 200
        rows = [
            f"HTTP/1.1 {status} {HTTPStatus(status).phrase}",
            f"Date: {formatdate(usegmt=True)}",
            "Content-Type: application/json",
            f"Content-Length: {len(body)}",
            *(["Allow: POST"] if status == request.NO_METHOD else []),
            *([] if stays else ["Connection: close"]),
        ]
        writer.write("\r\n".join([*rows, "", ""]).encode() + body)
        await writer.drain()
        if not stays:
            left = letters.MOST
            async with asyncio.timeout(LINGER_S):
                while left > 0 and (more := await reader.read(left)):
                    left -= len(more)
        return stays


def _told(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Errors that a stranger can cause are not printed; a fault of ours is."""
    if not isinstance(context.get("exception"), QUIET):
        loop.default_exception_handler(context)


def household(address: str) -> str:
    """What counts as one address: of IPv6 a network of 64 bits, which is what a home is given."""
    found = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(found, ipaddress.IPv6Address):
        network = ipaddress.ip_network((found, 64), strict=False)
        return str(found.ipv4_mapped or network)
    return str(found)


def newest_asked(folder: Path) -> bytes:
    """The newest message made for this pot, b"" if none was; the board knows its number.

    What was asked before a change of key that is done was sealed with the old one.
    """
    ends = (".json", newkey.ASKED, newkey.DONE)
    made = [
        p for p in (folder / "asked").glob("[0-9]*.json") if p.name.lstrip(string.digits) in ends
    ]
    newest = max(made, key=newkey.number_of, default=None)
    if newest is None or newest.name.endswith(newkey.DONE):
        return b""
    return pieces.on_one_line(newest, asked.MOST)
