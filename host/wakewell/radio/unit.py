"""Runs for years: a systemd user unit for a command, and the signs of life that it waits for.

A user unit needs no rights beyond those of whoever installs it. What each line of it keeps off is
told in RUNNING.md.
"""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Sequence

# Only what needs no namespace: a user's own systemd may not be allowed any, and the unit would not
# start at all. No W^X either: what draws the pages' pictures compiles as it runs.
HARDENED = """\
UMask=0077
NoNewPrivileges=yes
LockPersonality=yes
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM
TasksMax=128
"""
UNIT = """\
[Unit]
Description=Wakewell: {about}
# Try again without end: the network or the broker may come up later
StartLimitIntervalSec=0

[Service]
{kind}
WorkingDirectory={folder}
ExecStart={command}
Restart=always
RestartSec=30
TimeoutStopSec=60
{hardened}
[Install]
WantedBy=default.target
"""
# Restarted if it gives no sign of life for so long; to begin it may take as long as a broker does
WATCHED = "Type=notify\nNotifyAccess=main\nWatchdogSec=10min\nTimeoutStartSec=5min"
UNWATCHED = "Type=exec"


def unit(words: Sequence[str], about: str, watched: bool = False) -> str:
    """The unit that runs `wakewell` with these words in this folder.

    words: without what asks for the unit. watched: it gives signs of life (`alive`).
    """
    command = [sys.executable, "-m", "wakewell", *words]
    return UNIT.format(
        about=about,
        kind=WATCHED if watched else UNWATCHED,
        folder=os.getcwd().replace("%", "%%"),
        command=" ".join(map(quoted, command)),
        hardened=HARDENED,
    )


def quoted(word: str) -> str:
    """A word of a command line as systemd reads it (systemd.service, systemd.syntax)."""
    text = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    text = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    plain = text and text == word and not set(text) & set(" ';#")
    return text if plain else f'"{text}"'


def alive(state: str = "WATCHDOG=1") -> None:
    """A sign of life for the systemd that waits for it, if one does (sd_notify)."""
    where = os.environ.get("NOTIFY_SOCKET", "")
    if where[:1] not in ("/", "@"):
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        try:
            s.sendto(state.encode(), where.replace("@", "\0", 1) if where[0] == "@" else where)
        except OSError:
            return  # it restarts what it does not hear of


STARTED = "READY=1"
