"""The end of the cable: a pseudo-terminal that a host opens like a board on USB.

Belongs here: the terminal, who has it open, bytes on their way, the cable cut.
Does not belong here: what the bytes mean.
"""

from __future__ import annotations

import os
import select
import sys
from pathlib import Path
from typing import Literal

from wakewell.deskboard.interpreter import DeskBoardError

if sys.platform != "win32":  # why_not() must still be able to say why it cannot run there
    import termios
    import tty

Direction = Literal["in", "out", "any"]
"""Seen from the board: in is host to board."""

# Bytes kept for a host that does not read. More are lost, as behind a real bridge.
MOST_UNREAD_BYTES = 1 << 20


class HostPort:
    """`path` is what to open, "" while the cable is out; `link` a symbolic link to it that
    keeps its name.

    mpremote reads `/dev/pts/*` without a time limit, so it hangs where the board is silent;
    through the link it uses its time-outs, at the price of slower copies.
    """

    def __init__(self) -> None:
        self.link = Path()
        self.path = ""
        self.present = False
        self._master = -1
        self._unsent = bytearray()
        self._cut_left: int | None = None
        self._cut_direction: Direction = "any"

    def fileno(self) -> int:
        return self._master

    def plug_in(self) -> None:
        """Connect the cable, if it is not. Raises DeskBoardError where the link would have
        to replace something else."""
        if self._master >= 0:
            return
        if os.path.lexists(self.link) and not self._links_to_terminal():
            raise DeskBoardError(f"{self.link}: is there already; name another link or remove it")
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        os.close(slave)  # while we hold it open, no hang-up shows that no host is there
        os.set_blocking(self._master, False)
        self.present = False
        new = self.link.with_name(self.link.name + ".new")
        new.symlink_to(self.path)
        new.replace(self.link)

    def unplug(self) -> None:
        """Pull the cable: to the host the port is gone."""
        self.present = False
        self._unsent.clear()
        self._cut_left = None
        if self._master >= 0:
            if os.path.lexists(self.link) and self._links_to_terminal() == self.path:
                self.link.unlink()
            # Closed last, because the host notices at once.
            master, self._master, self.path = self._master, -1, ""
            os.close(master)

    def _links_to_terminal(self) -> str:
        """The pseudo-terminal that the link names, "" if it is anything else."""
        target = os.readlink(self.link) if self.link.is_symlink() else ""
        return target if target.startswith("/dev/pts/") else ""

    def cut_at(self, count: int, direction: Direction) -> None:
        self._cut_left, self._cut_direction = count, direction

    def look(self) -> bool:
        """See whether a host has the port open. True if that changed."""
        was = self.present
        self.present = False
        if self._master >= 0:
            poller = select.poll()
            poller.register(self._master, 0)
            self.present = not any(event & select.POLLHUP for _, event in poller.poll(0))
        if was and not self.present:
            self._unsent.clear()
        return was != self.present

    def asked_for_reset(self) -> bool:
        """True once after a host set 1200 baud, which on many boards means "reset": there are
        no modem lines on a pseudo-terminal."""
        if self._master < 0:
            return False
        settings = termios.tcgetattr(self._master)
        if settings[5] != termios.B1200:
            return False
        settings[4] = settings[5] = termios.B115200
        termios.tcsetattr(self._master, termios.TCSANOW, settings)
        return True

    def read(self) -> bytes:
        """What the host sent; b"" if nothing."""
        if self._master < 0:
            return b""
        try:
            data = os.read(self._master, self._most(4096, "in"))
        except OSError:
            return b""  # nothing there, or no host
        self._passed(len(data), "in")
        return data

    def write(self, data: bytes) -> None:
        """Send to the host as soon as it takes it; without a host the bytes are lost."""
        if self.present and len(self._unsent) < MOST_UNREAD_BYTES:
            self._unsent += data
        self.flush()

    @property
    def plugged(self) -> bool:
        return self._master >= 0

    @property
    def unsent(self) -> bool:
        return bool(self._unsent)

    def flush(self) -> None:
        while self._unsent and self._master >= 0:
            try:
                done = os.write(self._master, self._unsent[: self._most(65536, "out")])
            except OSError:
                return
            del self._unsent[:done]
            self._passed(done, "out")

    def _most(self, size: int, direction: Direction) -> int:
        if self._cut_left is None or self._cut_direction not in (direction, "any"):
            return size
        return min(size, self._cut_left)

    def _passed(self, count: int, direction: Direction) -> None:
        if self._cut_left is not None and self._cut_direction in (direction, "any"):
            self._cut_left -= count
            if self._cut_left <= 0:
                self.unplug()
