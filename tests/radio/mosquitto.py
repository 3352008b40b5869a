"""A broker on the loopback for the tests of this folder, with TLS and passwords: Mosquitto, or
amqtt where there is none. Tests that need Mosquitto itself are skipped then.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme

from lacking import lacking
from waiting import until

USER, WORD = "café", "grünes Blatt"


def program(name: str = "mosquitto") -> str | None:
    """Debian puts the broker into a folder that is not on a user's path."""
    return shutil.which(name, path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")


def needed() -> None:
    """Skip a test that needs Mosquitto itself."""
    if program() is None:
        pytest.skip(lacking("mosquitto"))


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port: int = s.getsockname()[1]
        return port


def certificates(folder: Path, host: str = "localhost") -> None:
    """ca.pem, and server.pem with server.key signed by it for that host, for ten years from now."""
    now = datetime.now(UTC)
    authority = trustme.CA()
    days = timedelta(days=1), timedelta(days=3650)
    server = authority.issue_cert(host, not_before=now - days[0], not_after=now + days[1])
    authority.cert_pem.write_to_path(folder / "ca.pem")
    server.cert_chain_pems[0].write_to_path(folder / "server.pem")
    server.private_key_pem.write_to_path(folder / "server.key")


@dataclass
class Broker:
    """One broker. tls: with certificates; else plain. mosquitto: the program, None: amqtt.

    Only Mosquitto's messages survive a kill.
    """

    folder: Path
    tls: bool = False
    mosquitto: str | None = field(default_factory=program)
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        self.folder.mkdir(exist_ok=True)
        self.folder.chmod(0o777)
        if self.tls:
            certificates(self.folder)
        if self.mosquitto is None:
            return
        word = program("mosquitto_passwd")
        assert word is not None
        subprocess.run([word, "-c", "-b", "words", USER, WORD], cwd=self.folder, check=True)
        rows = [
            f"listener {self.port} 127.0.0.1", "allow_anonymous false",
            f"password_file {self.folder}/words", "persistence true",
            f"persistence_location {self.folder}/", "autosave_interval 1",
            "autosave_on_changes true", "message_size_limit 70000", "user root",
            "max_queued_messages 0",
        ]  # fmt: skip
        if self.tls:
            names = (("cafile", "ca.pem"), ("certfile", "server.pem"), ("keyfile", "server.key"))
            rows += [f"{name} {self.folder}/{file}" for name, file in names]
        (self.folder / "conf").write_text("\n".join(rows) + "\n")

    def start(self) -> None:
        """Start it and wait until it listens."""
        command = [str(self.mosquitto), "-c", str(self.folder / "conf")]
        if self.mosquitto is None:
            small = str(Path(__file__).with_name("small_broker.py"))
            keys = [str(self.folder / name) for name in ("server.pem", "server.key")]
            command = [sys.executable, small, str(self.port), USER, WORD, *(keys * self.tls)]
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.DEVNULL, stderr=(self.folder / "err").open("ab"),
        )  # fmt: skip
        until(self._listens, (self.folder / "err").read_text)

    def _listens(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.folder / "err").read_text()
        try:
            socket.create_connection(("127.0.0.1", self.port)).close()
        except OSError:
            return False
        return True

    def kill(self) -> None:
        """As a power cut would."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None
