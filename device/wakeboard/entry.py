"""The entry page: a pot joins a new router without a cable.

The button, held for six seconds at a wake, opens a Wi-Fi of the board's own once the wake's
watering and log are done. A person joins it with the code on the pot's card and types that code
once more. Then the person can enter the name and password of the home's Wi-Fi, and nothing else.
They are stored when the board has joined that Wi-Fi. The old ones are kept until then. Every wait,
size and count has a bound; the page ends in a report and sleep (R13).
"""

import gc
import time
from binascii import crc32, unhexlify

from wakeboard import radio, sealed
from wakeboard.files import read_bytes, replace
from wakecore import line

if False:
    from typing import Any, Callable

MOST_MS = 270000  # the page and all that is tried from it; with the report below the lease
QUIET_MS = 120000  # closed if nobody has come by then
TURN_MS = 20
CALLER_MS = 5000  # from a caller's first byte to the last of the answer
MOST_CALLERS = 4  # connections at a time; browsers open some that they never use
MOST_REQUEST = 2048  # bytes
MOST_WRONG = 5  # wrong codes; then the page closes
MOST_TRIES = 3  # networks
LEAST_CODE = 8  # characters, as WPA2 wants them

# The HTML around every answer. It loads nothing from a network.
SHELL = """<!doctype html><html lang=%s><meta charset=utf-8>
<meta name=viewport content="width=device-width"><meta name=color-scheme content="light dark">
<title>Wakewell</title>
<style>body{font:18px/1.5 serif;max-width:30em;margin:1em}
input,button{font:inherit;width:100%%;min-height:44px;box-sizing:border-box}</style>
<main><h1>%s</h1><p role=status>%s"""
FORM = """<form method=post action=/><p><label>%s
<input name=name maxlength=32 required autocomplete=off autocapitalize=none></label>
<p><label>%s
<input name=password maxlength=63 autocomplete=off autocapitalize=none spellcheck=false></label>
<p><label>%s
<input name=code required autocomplete=off autocapitalize=none spellcheck=false></label>
<p><button>%s</button></form>"""
# The texts of the page. A flash stores them in the owner's language beside the secrets.
TEXTS = {
    "lang": "en",
    "title": "A new Wi-Fi for this pot",
    "name": "Name of the Wi-Fi",
    "password": "Its password (leave it empty if it has none)",
    "code": "Code on the pot's card",
    "join": "Connect",
    "start": "The pump is off. This page closes by itself after a few minutes.",
    "not_joined": "The pot could not join that Wi-Fi. Check its name and password and try again.",
    "wrong": "That is not the code on the card. Check it and enter everything once more.",
    "closed": "The code was wrong too often, so this page is closed. Hold the pot's button for six "
    "seconds to open it again.",
    "trying": "The pot now tries that Wi-Fi, and this page closes. If the pot's own Wi-Fi is there "
    "again in a minute, it could not join: then come back to this page.",
    "not_read": "The pot could not read that. Enter it here once more.",
    "sizes": "The name of a Wi-Fi has 1 to 32 characters. Its password has 8 to 63, or there is "
    "none.",
}
OWN_TEXTS = "/entry.json"
MOST_TEXTS = 4096  # bytes
HEAD = (
    "HTTP/1.1 %s",
    "Content-Type: text/html; charset=utf-8",
    "Content-Length: %d",
    "Cache-Control: no-store",
    "Content-Security-Policy: default-src 'none'; style-src 'unsafe-inline'",
    "Connection: close",
    "",
    "",
)


def texts(root: str) -> "dict[str, Any]":
    """The page's texts in the owner's language; in English where one is missing."""
    data = read_bytes(root + OWN_TEXTS, MOST_TEXTS)
    record, _ = line.decode((data or b"").rstrip(b"\r\n"))
    found = dict(TEXTS)
    if record is not None and record.get("kind") == "entry" and record.get("version") == 1:
        for name in TEXTS:
            if type(record.get(name)) is str:
                found[name] = record[name]
    return found


def form(body: bytes) -> dict[str, bytes]:
    """{name: bytes} of application/x-www-form-urlencoded. ValueError for what is not that."""
    found = {}
    for pair in body.replace(b"+", b" ").split(b"&"):
        name, _, value = pair.partition(b"=")
        parts = value.split(b"%")
        text = parts[0]
        for part in parts[1:]:
            text += unhexlify(part[:2]) + part[2:]
        found[name.decode()] = text
    return found


def plain(data: bytes, least: int, most: int) -> str:
    """Text of so many bytes, none of them a control character. ValueError for anything else."""
    if not least <= len(data) <= most or [b for b in data if b < 32 or b == 127]:
        raise ValueError
    return data.decode()


def size_of(head: bytes) -> int:
    """What Content-Length says, 0 if nothing does, -1 if it is no length for us."""
    for row in head.split(b"\r\n")[1:]:
        name, _, value = row.partition(b":")
        if name.strip().lower() == b"content-length":
            value = value.strip()
            good = value.isdigit() and len(value) < 5 and int(value) <= MOST_REQUEST
            return int(value) if good else -1
    return 0


class Page:
    """What is asked and answered. `entered`: (name, password) once somebody gave them."""

    def __init__(self, code: str, texts: "dict[str, Any]" = TEXTS) -> None:
        self.code, self.texts = code.encode(), texts
        self.note = "start"  # the text that says how things stand
        self.entered: tuple[str, str] | None = None
        self.wrong = 0

    def closed(self) -> bool:
        """Is the page finished?"""
        return self.entered is not None or self.wrong >= MOST_WRONG

    def response(self, status: str, note: str) -> bytes:
        """The bytes of an answer: that text, and the form while there is something to enter."""
        say = self.texts
        text = SHELL % (say["lang"], say["title"], say[note])
        if not self.closed():
            text += FORM % (say["name"], say["password"], say["code"], say["join"])
        body = text.encode()
        return ("\r\n".join(HEAD) % (status, len(body))).encode() + body

    def answer(self, data: "bytearray") -> "bytes | None":
        """The answer to the bytes of a request, None if more of them are to come."""
        at = data.find(b"\r\n\r\n")
        if at < 0:
            return self.response("413 Too long", "not_read") if len(data) > MOST_REQUEST else None
        head = bytes(data[:at])
        size = size_of(head)
        words = head.split(b"\r\n")[0].split(b" ")
        if size < 0 or at + 4 + size > MOST_REQUEST:
            return self.response("413 Too long", "not_read")
        if len(words) != 3 or not words[2].startswith(b"HTTP/1."):
            return self.response("400 Bad Request", "not_read")
        if words[1] != b"/":  # a phone that looks for the internet, most often
            return self.response("404 Not Found", self.note)
        if words[0] == b"GET":
            return self.response("200 OK", self.note)
        if words[0] != b"POST":
            return self.response("405 Not Allowed", "not_read")
        if len(data) < at + 4 + size:
            return None
        return self.response(*self.take(bytes(data[at + 4 : at + 4 + size])))

    def take(self, body: bytes) -> tuple[str, str]:
        """(status, text) of the answer to a completed form."""
        if self.closed():
            return "403 Closed", self.note
        try:
            found = form(body)
            code = found.get("code", b"").strip()
        except ValueError:
            return "400 Bad Request", "not_read"
        if not sealed.same(code, self.code):
            self.wrong += 1
            if self.closed():
                self.note = "closed"
                return "403 Closed", self.note
            return "403 Wrong", "wrong"
        try:
            name = plain(found.get("name", b""), 1, 32)
            password = plain(found.get("password", b""), 0, 63)
            if 0 < len(password) < 8:
                raise ValueError
        except ValueError:
            return "400 Bad Request", "sizes"
        self.entered, self.note = (name, password), "trying"
        return "200 OK", self.note


class Caller:
    """One connection: what was received, what is still to be sent, how many turns are left."""

    def __init__(self, stream: "Any") -> None:
        self.stream = stream
        self.data = bytearray()
        self.out: bytes | None = None
        self.left = CALLER_MS // TURN_MS

    def turn(self, page: "Page") -> bool:
        """Do a small part of the work. False when the connection is finished."""
        self.left -= 1
        try:
            if self.out is None:
                data = self.stream.read(MOST_REQUEST + 1 - len(self.data))
                if data is None:
                    return self.left > 0
                if not data:
                    return False
                self.data.extend(data)
                self.out = page.answer(self.data)
            if self.out is not None:
                self.out = self.out[self.stream.write(self.out[:512]) or 0 :]
        except OSError:
            return False
        return self.left > 0 and self.out != b""


class Doors:
    """The access point and its listening socket, open between `open` and `close`."""

    def __init__(self, private: "dict[str, Any]") -> None:
        self.private = private
        self.wlan: "Any" = None
        self.listener: "Any" = None
        self.callers: list[Caller] = []
        self.visited = False

    def open(self) -> None:
        """Protected by the code, so that nobody nearby can listen. OSError or ValueError if this
        chip cannot do that; then there is no page.
        """
        import socket

        import network

        self.wlan = network.WLAN(network.AP_IF)
        # Configured first: switched on earlier, it would be an open network for a moment.
        self.wlan.config(
            ssid=self.private["entry_name"],
            key=self.private["entry_code"],
            security=network.WLAN.SEC_WPA2,
            max_clients=2,
        )
        self.wlan.active(True)
        found = socket.getaddrinfo("0.0.0.0", self.private["entry_port"], 0, socket.SOCK_STREAM)[0]
        self.listener = socket.socket(found[0], socket.SOCK_STREAM)
        self.listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.listener.bind(found[-1])
        self.listener.listen(MOST_CALLERS)
        self.listener.setblocking(False)

    def turn(self, page: "Page") -> None:
        """Accept a connection and give each one its turn. If there are too many, the oldest is
        closed, so that idle ones keep nobody out.
        """
        try:
            stream = self.listener.accept()[0]
            stream.setblocking(False)
            self.visited = True
            self.callers.append(Caller(stream))
            if len(self.callers) > MOST_CALLERS:
                self.callers.pop(0).stream.close()
        except OSError:
            pass  # nobody there
        kept = []
        for caller in self.callers:
            if caller.turn(page):
                kept.append(caller)
            else:
                caller.stream.close()
        self.callers = kept

    def close(self) -> None:
        """Close all connections and switch the radio off."""
        for caller in self.callers:
            caller.stream.close()
        self.callers = []
        if self.listener is not None:
            self.listener.close()
            self.listener = None
        if self.wlan is not None:
            radio.off(self.wlan)


class PageClock:
    """The page's time: by the clock, and by a count in case the clock stands still."""

    def __init__(self, feed: "Callable[[], Any]") -> None:
        self.feed, self.began, self.turns = feed, time.ticks_ms(), 0

    def up(self, most_ms: int) -> bool:
        """Is so much time used up? Feeds the watchdog."""
        self.feed()
        late = time.ticks_diff(time.ticks_ms(), self.began) > most_ms
        return late or self.turns * TURN_MS > most_ms

    def pause(self) -> None:
        """One turn's wait."""
        self.turns += 1
        time.sleep_ms(TURN_MS)


def serve(doors: "Doors", page: "Page", clock: "PageClock") -> None:
    """Serve until somebody entered a Wi-Fi, or the tries or the time are used up."""
    try:
        doors.open()
        while not page.closed() and not clock.up(MOST_MS if doors.visited else QUIET_MS):
            doors.turn(page)
            clock.pause()
        for _ in range(CALLER_MS // TURN_MS):  # the last answer is on its way
            if not doors.callers or clock.up(MOST_MS):
                break
            doors.turn(page)
            clock.pause()
    finally:
        doors.close()


def mark(private: "dict[str, Any]") -> str:
    """A mark of a Wi-Fi's name and password: flash sees by it which ones the entry replaced."""
    text = private["wifi_name"] + "\0" + private["wifi_password"]
    return "%08x" % crc32(text.encode())


def keep(root: str, private: "dict[str, Any]") -> bool:
    """The secrets with their new Wi-Fi, by one rename. True if they hold."""
    return replace(root + radio.PRIVATE, line.encode(sorted(private), private))


def open_page(board: "Any", feed: "Callable[[], Any]") -> None:
    """Run the entry page to its end. feed: feeds the watchdog. Wi-Fi is off afterwards."""
    root = board.store_.root
    private = radio.secrets(root)
    if private is None or len(private.get("entry_code", "")) < LEAST_CODE:
        print("wakewell: entry page: no code for it in private.json")
        return
    page = Page(private["entry_code"], texts(root))
    doors, clock = Doors(private), PageClock(feed)
    for _ in range(MOST_TRIES):
        print("wakewell: entry page: open")
        try:
            serve(doors, page, clock)
        except (OSError, ValueError, MemoryError, RuntimeError) as error:
            print("wakewell: entry page: %r" % error)
            return
        if page.entered is None or clock.up(MOST_MS - radio.JOIN_MS):
            break
        gc.collect()
        other = dict(private)
        other["wifi_name"], other["wifi_password"] = page.entered
        other["wifi_was"] = private.get("wifi_was") or mark(private)
        wlan = radio.join(other)
        clock.turns += radio.JOIN_MS // TURN_MS
        if wlan is not None:
            radio.leave(wlan)
            print("wakewell: entry page: %s" % ("joined" if keep(root, other) else "not stored"))
            return
        page.entered, page.note = None, "not_joined"
    print("wakewell: entry page: closed")
