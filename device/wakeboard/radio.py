"""A report by radio, the last thing of a wake: everything else is done and stored (R13).

Wi-Fi, then the broker (or the server that reports are posted to), then the log that was not
yet acknowledged, oldest first, in bounded batches; the answer moves the mark and sets the
clock's offset; settings asked for are judged and, if taken, in force at the next wake.
Whatever goes wrong ends in a printed line and a board that sleeps. Nothing here decides about
water.
"""

import gc
import io
import os
import time
from binascii import hexlify, unhexlify

from wakeboard import clock, heard, mqtt, sealed, senml
from wakeboard.files import KINDS, SENT, exists, read_bytes
from wakecore import line

if False:
    from typing import Any, Iterator

    from wakeboard.store import PotFiles

PRIVATE = "/private.json"
CA = "/ca.der"
JOIN_MS = 12000  # to join the Wi-Fi
TALK_MS = 20000  # for all that is said to the broker
CALL_S = 6  # to reach the broker
BATCH = 6144  # bytes of log in one message; a longer line goes alone
MOST_BATCHES = 8  # in one wake
MOST_IDS = 24
LOST = "message counter lost; reset it by cable"
CLOSE = 4  # the interpreter's number for closing a stream
# What the Wi-Fi of the ESP32 port raises, codes it does not know among them
# (MicroPython, ports/esp32/network_common.c).
WIFI_FAULTS = (OSError, RuntimeError, ValueError)


def secrets(root: str) -> "dict[str, Any] | None":
    """The pot's secrets, or None."""
    data = read_bytes(root + PRIVATE, 4096)
    if data is None:
        return None
    record, _ = line.decode(data.rstrip(b"\r\n"))
    if record is None or record.get("kind") != "private" or record.get("version") != 1:
        return None
    return record


def join(private: "dict[str, Any]") -> "Any":
    """The Wi-Fi, joined, or None. No channel is asked for: as a station the chip looks on each
    of them all the same (MicroPython, ports/esp32/network_wlan.c, connect)."""
    import network

    wlan = None
    try:
        wlan = network.WLAN(network.STA_IF)
        wlan.active(True)
        wlan.connect(private["wifi_name"], private["wifi_password"])
        for _ in range(JOIN_MS // 100):
            if wlan.isconnected():
                return wlan
            time.sleep_ms(100)
    except WIFI_FAULTS as error:
        print("wakewell: radio: %r" % error)
    leave(wlan)
    return None


def leave(wlan: "Any") -> None:
    """Out of the Wi-Fi, radio off."""
    if wlan is not None:
        try:
            wlan.disconnect()
        except WIFI_FAULTS as error:
            print("wakewell: radio: %r" % error)
        off(wlan)


def off(wlan: "Any") -> None:
    """Radio off, if it obeys: deep sleep ends it in any case."""
    try:
        wlan.active(False)
    except WIFI_FAULTS as error:
        print("wakewell: radio: %r" % error)


def call(host: str, port: int, ca: "bytes | None", tls: int, server: str) -> "tuple[Any, Any]":
    """(stream, poll): to the host, which does not block any more, and its wait for data.

    server: of names, as the Wi-Fi told it.
    """
    import select
    import socket

    from wakeboard import names

    found = names.find(host, port, socket.SOCK_STREAM, server)
    stream = socket.socket(found[0], socket.SOCK_STREAM)
    poll = select.poll()
    poll.register(stream, select.POLLIN)
    try:
        stream.settimeout(CALL_S)
        stream.connect(found[-1])
        stream.setblocking(False)
        if tls:
            stream = secured(stream, host, ca)
    except Exception:
        stream.close()
        raise
    return stream, poll.poll


def secured(stream: "Any", host: str, ca: "bytes | None") -> "Any":
    """TLS over that stream. Without a certificate to check the broker by, nothing is sent to it.

    The first write does the handshake, inside the time limit of the talk. Otherwise a slow
    handshake would last until the watchdog bites, and the next wake would report at once (R13).
    """
    import ssl

    if ca is None:
        raise OSError("no certificate to know the broker by")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED  # type: ignore[attr-defined]  # the stubs lack it
    context.load_verify_locations(cadata=ca)
    below = Below(stream)
    return context.wrap_socket(below, server_hostname=host, do_handshake_on_connect=False)


class Below(io.IOBase):
    """What TLS reads from. One call of TLS keeps reading while the peer sends something other than
    data (warnings without end, from anybody). So the time limit of the talk has to hold here too.

    An error goes to TLS as a negative number: no exception may pass through it.
    """

    def __init__(self, stream: "Any") -> None:
        self.stream = stream
        self.began, self.reads = time.ticks_ms(), mqtt.MOST_READS

    def readinto(self, data: "bytearray") -> int:
        self.reads -= 1
        if self.reads < 0 or time.ticks_diff(time.ticks_ms(), self.began) > TALK_MS:
            return -110
        try:
            size: int = self.stream.readinto(data)
            return size
        except OSError as error:
            return -(error.errno or 5)

    def write(self, data: bytes) -> int:
        try:
            size: int = self.stream.write(data)
            return size
        except OSError as error:
            return -(error.errno or 5)

    def ioctl(self, request: int, arg: int) -> int:
        if request == CLOSE:
            self.stream.close()
            return 0
        return -22


class Talk:
    """One conversation with the host, over a broker."""

    def __init__(self, board: "Any", private: "dict[str, Any]", n: int) -> None:
        self.board, self.n = board, n
        self.store = board.store_
        self.root = self.store.root
        self.private = private
        self.key = unhexlify(private["key"])
        self.next_key: "dict[str, Any] | None" = None
        if exists(self.root + "/key.json"):
            self.find_next_key()
        self.id = board.identity()
        self.topic = "wakewell/" + self.id + "/"
        self.memory = heard.load(self.root)
        self.nonce = ""
        self.answer: dict[str, Any] | None = None
        self.asked: bytes | None = None
        self.code: bytes | None = None  # the manifest of a version that was sent
        self.piece: bytes | None = None
        self.timed = self.rekeyed = False

    def find_next_key(self) -> None:
        """The new key that waits for its first message, if one does."""
        from wakeboard import newkey

        self.next_key = newkey.load(self.root, self.private)

    def answered(self, data: bytes) -> "tuple[dict[str, Any] | None, str]":
        """(answer, "") if it is the host's to this report, under the key in force or under the one
        that waits: its first message puts that one in force."""
        report = self.id, self.memory.reports, self.nonce
        found, why = heard.acknowledged(data, self.key, *report)
        if found is None and self.next_key is not None:
            other = unhexlify(self.next_key["key"])
            found, _ = heard.acknowledged(data, other, *report)
            if found is not None:
                self.rekey(other)
        return found, why

    def rekey(self, key: bytes) -> None:
        """From here on this key is the only one; if it cannot be stored both stay good."""
        from wakeboard import asked, newkey

        was = self.asked and asked.opened(self.asked, self.key, self.id, self.memory.asked)
        if self.next_key is not None and newkey.adopt(self.root, self.private, self.next_key):
            self.key, self.next_key, self.rekeyed = key, None, True
            if was and was[1:] == (None, ""):
                self.asked = None  # what asked for it was sealed with the old one
            print("wakewell: radio: another key")

    def received(self, place: bytes, data: "bytes | None") -> None:
        """A message came. An answer is judged at once; settings asked for are judged later.

        data: None if the message was too long to hold.
        """
        if data is None:
            self.refuse("longer than %d bytes" % mqtt.MOST)
            return
        topic = place.decode()
        if topic == self.topic + "heard":
            found, why = self.answered(data)
            if found is None:
                self.refuse(why)
            else:
                self.answer = found
        elif topic == self.topic + "asked" and data:
            self.asked = data if self.asked is None else self.newer(self.asked, data)
        elif topic == self.topic + "code" and data:
            if self.code is None:
                self.code = data
            elif data != self.code:
                from wakeboard import fetch

                self.code = fetch.better(self.code, data, self)
        elif topic.startswith(self.topic + "code/"):
            self.piece = data

    def newer(self, kept: "Any", data: bytes) -> "bytes | None":
        """Keep the one to judge of two messages that ask for settings: the authentic one with the
        higher number. The other is counted if it is refused.
        """
        why = LOST
        if self.memory.lost:
            data = kept
        else:
            from wakeboard import asked, ordered  # with the memory they take, where it is needed

            last_n = self.memory.asked
            data, why = ordered.newer(asked.opened, kept, data, self.key, self.id, last_n)
        if why:
            self.refuse(why)
        return data

    def refuse(self, why: str) -> None:
        """Count a refused message and print why: a stranger gets no other answer."""
        self.memory.refused = min(self.memory.refused + 1, heard.MOST)
        print("wakewell: radio: refused: " + why)

    def next_batch(self) -> "Any":
        """As `batch`, with less where memory is short; a line too long for it is passed over,
        and comes by cable."""
        try:
            return self.batch(BATCH)
        except MemoryError:
            gc.collect()
        try:
            return self.batch(1)
        except MemoryError:
            gc.collect()
        memory = self.memory
        for number, at, data in lines_after(self.store, memory.file, memory.offset):
            memory.file, memory.offset = number, at + len(data) + 1
            break
        print("wakewell: radio: a line of the log is too long to send")
        return self.batch(1)

    def batch(self, most: int) -> "Any":
        """(message, file, offset, ids, size, more): what is told next, where the log goes on, and
        whether there is more of it.

        The message comes in pieces. most: bytes of log; a longer line goes alone.
        """
        memory = self.memory
        self.nonce = hexlify(os.urandom(8)).decode()
        words: "dict[str, Any]" = {
            "wakes": self.n,
            "asked": memory.asked,
            "refused": memory.refused,
        }
        words["answer"] = LOST if memory.lost else memory.answer
        words["code"] = self.board.version
        if exists(SENT):
            from wakeboard import sent

            words.update(sent.Sent().words())
        if self.board.vain:
            words["vain"] = self.board.vain  # reports before this one that nobody heard
        if self.next_key is not None:
            words["share"], words["share_n"] = self.next_key["share"], self.next_key["n"]
        pieces = [senml.head(self.id, memory.reports, self.nonce, words)]
        ids = ""
        for kind in KINDS:
            data = (read_bytes(self.root + "/" + kind + ".json") or b"").rstrip(b"\r\n")
            if line.body_of(data)[0] is not None:
                ids += line.identity(data)
                if line.identity(data) not in memory.ids:
                    pieces.append(senml.in_force(data))
        size, more = 0, False
        file, offset = memory.file, memory.offset
        for number, at, data in lines_after(self.store, file, offset):
            if size and size + len(data) > most:
                more = True
                break
            pieces.append(senml.readings(senml.summary(data)))
            pieces.extend(senml.log_pieces(number, at, data))
            size += len(data)
            file, offset = number, at + len(data) + 1
        pieces.append(sealed.tag(pieces, self.key, sealed.PACK))
        return pieces, file, offset, ids, size, more

    def tell(self, link: "Any") -> None:
        """Everything not yet acknowledged, a batch at a time, while it is heard."""
        memory = self.memory
        for _ in range(MOST_BATCHES):
            message, file, offset, ids, size, more = self.next_batch()
            self.answer = None
            link.publish(self.topic + "report", message)
            while self.answer is None:
                link.next()
            if (self.answer["file"], self.answer["offset"]) != (file, offset) and size:
                return
            memory.file, memory.offset, memory.ids = file, offset, ids
            day, second = self.answer["utc"]
            self.board.set_utc(day, second)
            self.timed = True
            if not more:
                return

    def settle(self, link: "Any") -> bool:
        """Judge what was asked; True if there is an answer to tell."""
        memory, data, self.asked = self.memory, self.asked, None
        if data is None:
            return False
        if memory.lost:
            self.refuse(LOST)
            memory.save()
            return False
        from wakeboard import asked, ordered
        from wakeboard.store import PotFiles

        store = PotFiles(self.root)
        pot, _ = store.load_pot()
        utc = ordered.utc_for(self.board)
        n, found, why = asked.judge(data, self.key, self.id, memory.asked, pot, utc, self.n)
        done = "in force"
        if found is None and not why:
            return False  # judged before
        if type(found) is dict:
            from wakeboard import newkey

            done, why = newkey.MADE, newkey.take(self.root, self.private, found)
            self.find_next_key()
        elif isinstance(found, bytes) and not store.install("settings", found):
            why = "it could not be stored"
        if found is None:
            self.refuse(why)
        if n:
            memory.asked = n
            memory.answer = ("refused: " + why)[:200] if why else done
            memory.reports = min(memory.reports + 1, heard.MOST)  # the one that tells it
        memory.save()
        return n > 0

    def count(self) -> bool:
        """The number of a further report. True if it is kept: none may be used twice."""
        self.memory.reports = min(self.memory.reports + 1, heard.MOST)
        return self.memory.save()

    def fetch(self, link: "Any") -> bool:
        """What of a version that was sent can be had now; True if there is news of it. It comes
        last: a report that a host heard is heard, whatever happens here."""
        data, self.code = self.code, None
        if data is None and not exists(SENT):
            return False
        from wakeboard import fetch

        return fetch.fetch(self, link, data)


def lines_after(store: "PotFiles", file: int, offset: int) -> "Iterator[tuple[int, int, bytes]]":
    """(file, offset, bytes without end) of every whole line from that place of the log on."""
    for number in store.log_files():
        if number < file:
            continue
        try:
            with open(store.log_path(number), "rb") as log:
                at = offset if number == file else 0
                log.seek(at)
                while True:
                    data = log.readline()
                    if not data.endswith(b"\n"):
                        break  # torn: closed by the next wake, and told then
                    yield number, at, data[:-1]
                    at += len(data)
        except OSError:
            continue


def posting(private: "dict[str, Any]", root: str, talk: "Talk", server: str) -> "Any":
    """A link to the server that reports are posted to, None if private.json names none."""
    host = private.get("post_host")
    if not host:
        return None
    from wakeboard import post

    ca = read_bytes(root + CA, 4096)
    stream, poll = call(host, private["post_port"], ca, True, server)
    return post.Post(stream, poll, TALK_MS, talk.received, host, private["post_path"])


def brokered(private: "dict[str, Any]", root: str, talk: "Talk", server: str) -> "Any":
    """A link to the broker, its two topics subscribed to."""
    ca = read_bytes(root + CA, 4096)
    tls = private["broker_tls"]
    stream, poll = call(private["broker_host"], private["broker_port"], ca, tls, server)
    link = mqtt.Mqtt(stream, poll, TALK_MS, talk.received)
    try:
        link.connect("wakewell-" + talk.id, private["broker_user"], private["broker_password"])
        link.subscribe(talk.topic + "heard")
        link.subscribe(talk.topic + "asked")
        link.subscribe(talk.topic + "code")
    except Exception:
        link.close()
        talk.memory.save()  # what was refused until then stays counted
        raise
    return link


def report(board: "Any", n: int) -> bool:
    """The whole of it. True if a host heard it. Never raises because of the network; Wi-Fi is off
    at its end.
    """
    root = board.store_.root
    private = secrets(root)
    if private is None or not (private.get("broker_host") or private.get("post_host")):
        print("wakewell: radio: no private.json, or no broker in it")
        return False
    wlan = link = talk = None
    asked_time, server = False, ""
    try:
        talk = Talk(board, private, n)
        wlan = join(private)
        if wlan is None:
            print("wakewell: radio: no Wi-Fi")
            return False
        if not talk.count():
            print("wakewell: radio: its memory cannot be written")
            return False
        server = wlan.ifconfig()[3]
        if board.trust != 1 and private.get("ntp_host"):  # neither host nor cable has told the time
            asked_time = True
            ask_time(board, private, server)
        clock.for_certificates(board)
        link = posting(private, root, talk, server) or brokered(private, root, talk, server)
        try:
            talk.tell(link)
        finally:
            talk.memory.save()
            told = talk.settle(link)
        if talk.timed:
            board.proved()
            if talk.fetch(link) and not told:
                told = talk.count()
        if told or (talk.rekeyed and talk.count()):  # the first report under it shows it
            try:
                link.publish(talk.topic + "report", talk.batch(1)[0])
            finally:
                talk.settle(link)  # what was asked meanwhile; the next report tells it
    except (OSError, ValueError, MemoryError, RuntimeError) as error:
        print("wakewell: radio: %r" % error)
    finally:
        if link is not None:
            link.close()
        if wlan is not None and talk is not None:
            if not talk.timed and not asked_time and private.get("ntp_host"):
                ask_time(board, private, server)
            leave(wlan)
    return talk is not None and talk.timed


def ask_time(board: "Any", private: "dict[str, Any]", server: str) -> None:
    """The clock's offset from a clock server, where no host told the time."""
    from wakeboard import ntp

    utc = ntp.ask(private["ntp_host"], private["ntp_port"], server)
    if utc is not None:
        if ntp.plausible(utc, board.utc()[:2] + [board.trust]):
            board.set_utc(utc[0], utc[1], 2)
        else:
            print("wakewell: clock server: more than a day off, ignored")
