"""Where pots post their reports to: a small HTTPS server that feeds `wakewell listen`.

What is posted goes the road of every message; the answer waits for its end, so a board that got
one knows that its lines are kept. With it go the settings asked for, which a broker would have
kept. Bounded: callers at once, seconds and bytes of each. Anybody may call; only what is sealed
with a pot's key is taken.
"""

from __future__ import annotations

import contextlib
import queue
import re
import socket
import ssl
import threading
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from wakeboard import asked
from wakewell.logs import BadInput
from wakewell.remote import letters
from wakewell.remote.listen import Message
from wakewell.tomlfile import show_path

MOST_CALLERS = 64
SILENT_S = 10.0  # between two bytes of a caller
CALLER_S = 60.0  # for all that one says
ANSWER_S = 15.0  # until what it said is kept; the board waits twenty seconds
NONCE = re.compile(rb'"n":"nonce","vs":"([0-9a-f]{16})"')
PATH = re.compile(r"(?:/[^/?#]+)*?/(wakewell/([0-9a-f]{2,64})/report)")


@dataclass
class Waiter:
    """A board on the line: its answer once there is one."""

    done: threading.Event = field(default_factory=threading.Event)
    answer: bytes = b""


class Posted(ThreadingHTTPServer):
    """Serves from `start` to `stop`. waiting: the listener's queue; folders: {board: pot's}."""

    daemon_threads = True
    request_queue_size = 32

    def __init__(
        self,
        port: int,
        certificate: Path,
        key: Path | None,
        waiting: queue.Queue[Message],
        folders: dict[str, Path],
    ) -> None:
        self.waiting, self.folders = waiting, folders
        # By board and nonce: whoever does not know a report's nonce cannot take its place
        self.waiters: dict[tuple[str, bytes], Waiter] = {}
        self.lock = threading.Lock()
        self.room = threading.BoundedSemaphore(MOST_CALLERS)
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
            super().__init__(("", port), Handler)
        except OSError as error:
            raise BadInput(f"port {port}: {error.strerror}; name another with --post") from None
        self.thread = threading.Thread(target=self.serve_forever, daemon=True)

    def start(self) -> None:
        """Serve, in a thread."""
        self.thread.start()

    def stop(self) -> None:
        """No more callers."""
        self.shutdown()
        self.server_close()

    def process_request(self, request: Any, client_address: Any) -> None:
        """A thread for each caller, as long as there is room."""
        if not self.room.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """One caller, cut off when its time is up."""

        def cut() -> None:
            with contextlib.suppress(OSError):
                request.shutdown(socket.SHUT_RDWR)

        timer = threading.Timer(CALLER_S, cut)
        timer.daemon = True
        timer.start()
        try:
            super().process_request_thread(request, client_address)
        finally:
            timer.cancel()
            self.room.release()

    def finish_request(self, request: Any, client_address: Any) -> None:
        """TLS in the caller's own thread, so that a slow handshake holds up nobody else."""
        request.settimeout(SILENT_S)
        # The plain socket stays whole: `cut` and the server close it.
        with self.context.wrap_socket(request.dup(), server_side=True) as secure:
            secure.settimeout(SILENT_S)
            super().finish_request(secure, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A caller that broke off, was too slow, or spoke no TLS, is no news."""

    def post(self, topic: str, payload: bytes) -> bool:
        """Hand the answer to the board that waits for it; False if none does."""
        board = topic.split("/")[1]
        with self.lock:
            for (who, nonce), waiter in self.waiters.items():
                if who == board and nonce in payload:
                    waiter.answer = payload
                    return True
        return False

    def ask(self, topic: str, board: str, payload: bytes) -> tuple[int, bytes]:
        """(status, body): the answer of the listener to a report."""
        nonce = NONCE.search(payload)
        if nonce is None:
            return 400, b""
        place, waiter = (board, nonce[1]), Waiter()
        with self.lock:
            if place in self.waiters:
                return 503, b""
            self.waiters[place] = waiter
        try:
            self.waiting.put(Message(topic, payload, waiter.done.set), timeout=ANSWER_S)
            if not waiter.done.wait(ANSWER_S):
                return 503, b""
        except queue.Full:
            return 503, b""
        finally:
            with self.lock:
                del self.waiters[place]
        if not waiter.answer:
            return 400, b""
        return 200, waiter.answer + b"\n" + newest_asked(self.folders[board])


def newest_asked(folder: Path) -> bytes:
    """The newest message made for this pot, b"" if none was; the board knows its number."""
    made = [p for p in (folder / "asked").glob("[0-9]*.json") if p.stem.isdecimal()]
    made.sort(key=lambda p: int(p.stem))
    if not made:
        return b""
    try:
        data = made[-1].read_bytes()
    except OSError:
        return b""
    return data if len(data) <= asked.MOST and b"\n" not in data else b""


class Handler(BaseHTTPRequestHandler):
    """One caller."""

    server: Posted
    protocol_version = "HTTP/1.1"
    server_version, sys_version = "wakewell", ""

    def do_POST(self) -> None:
        """A report."""
        found = PATH.fullmatch(self.path[:300])
        length = self.headers.get("Content-Length", "")
        if found is None or found[2] not in self.server.folders:
            self.tell(404, b"")
        elif not length.isdecimal() or len(length) > 7 or int(length) > letters.MOST:
            self.tell(413, b"")
        else:
            self.tell(*self.server.ask(found[1], found[2], self.rfile.read(int(length))))

    def tell(self, status: int, body: bytes) -> None:
        """Answer; a caller that was not understood is not listened to any longer."""
        self.close_connection = status != 200
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Strangers' words go into no log; what the listener drops it says itself."""
