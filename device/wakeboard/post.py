"""The other way to the host: reports by HTTPS POST (RFC 9112), on one connection, bounded.

What is posted to URL/wakewell/BOARD/report is the very pack that a broker would get; the
answer's body is one to three lines: the sealed answer to it, settings asked for, and the manifest
of a version that was sent. A piece of that version is asked for by a post of nothing to its place.
The host's answer must say its length; anything else waits for another wake.
"""

from wakeboard.mqtt import MOST, Gone, Mqtt

if False:
    from typing import Any, Iterable

MOST_HEAD = 1024  # bytes of the answer's head


class Post(Mqtt):
    """Has the same methods as the connection to a broker. `got` is called with the answers to
    `publish`.
    """

    def __init__(
        self, stream: "Any", poll: "Any", most_ms: int, got: "Any", host: str, path: str
    ) -> None:
        Mqtt.__init__(self, stream, poll, most_ms, got)
        self.host, self.path = host, path
        self.seen: list[bytes] = []

    def publish(self, topic: str, pieces: "Iterable[bytes]") -> None:
        """Post it; the answer's lines go to `got`. Gone if it was not taken."""
        self.ask(topic, "application/senml+json", pieces)
        lines = self.read(self.size()).split(b"\n")
        for name, each in zip(("heard", "asked", "code"), lines):
            if each and each not in self.seen:
                self.got(topic[: topic.rfind("/") + 1].encode() + name.encode(), each)
        # They come with each answer: a repeated one is not a new message
        self.seen = lines[1:] or self.seen

    def ask(self, topic: str, kind: str, pieces: "Iterable[bytes]" = ()) -> None:
        """Send a request."""
        rows = (
            "POST %s/%s HTTP/1.1" % (self.path, topic),
            "Host: " + self.host,
            "Content-Type: " + kind,
            "Content-Length: %d" % sum([len(p) for p in pieces]),
            "",
            "",
        )
        self.write("\r\n".join(rows).encode())
        for piece in pieces:
            self.write(piece)

    def want(self, topic: str) -> None:
        """What is kept there goes to `got`. Gone if nothing is."""
        self.ask(topic, "application/octet-stream")
        self.got(topic.encode(), self.read(self.size()))

    def size(self) -> int:
        """Length of the answer's body, its head read."""
        head = b""
        while not head.endswith(b"\r\n\r\n"):
            if len(head) >= MOST_HEAD:
                raise Gone(71)
            head += self.read(1)
        rows = head.split(b"\r\n")
        if not rows[0].startswith(b"HTTP/1.1 200"):
            raise Gone(13)
        for row in rows[1:]:
            name, _, value = row.partition(b":")
            value = value.strip()
            if name.lower() == b"content-length" and value.isdigit():
                if len(value) < 6 and int(value) <= MOST:
                    return int(value)
                self.too_long()
                break
        raise Gone(71)

    def next(self) -> None:
        """Nothing to read: all comes with the answer to a post."""
        raise Gone(110)

    def close(self) -> None:
        """HTTP needs no goodbye."""
        self.stream.close()
