"""A real Mosquitto on the loopback for the tests of this folder, with TLS and passwords."""

from __future__ import annotations

import shutil
import socket
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

from lacking import lacking
from waiting import until

REASON = lacking("mosquitto")
USER, WORD = "café", "grünes Blatt"


def program(name: str = "mosquitto") -> str | None:
    """Debian puts the broker where a user's path does not look."""
    return shutil.which(name, path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port: int = s.getsockname()[1]
        return port


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


def certificates(folder: Path, host: str = "localhost") -> None:
    """ca.pem, and server.pem with server.key signed by it for that host."""
    ec = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    openssl(
        folder, "req", "-x509", *ec, "-keyout", "ca.key", "-out", "ca.pem", "-days", "3650",
        "-subj", "/CN=test ca",
    )  # fmt: skip
    openssl(
        folder, "req", *ec, "-keyout", "server.key", "-out", "server.csr", "-subj", f"/CN={host}"
    )
    (folder / "ext").write_text(f"subjectAltName=DNS:{host}\n")
    openssl(
        folder, "x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
        "-CAcreateserial", "-out", "server.pem", "-days", "3650", "-extfile", "ext",
    )  # fmt: skip


@dataclass
class Broker:
    """One Mosquitto. tls: with certificates; else plain. Messages survive a kill."""

    folder: Path
    tls: bool = False
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        self.folder.mkdir(exist_ok=True)
        self.folder.chmod(0o777)
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
            certificates(self.folder)
            names = (("cafile", "ca.pem"), ("certfile", "server.pem"), ("keyfile", "server.key"))
            rows += [f"{name} {self.folder}/{file}" for name, file in names]
        (self.folder / "conf").write_text("\n".join(rows) + "\n")

    def start(self) -> None:
        """Start it and wait until it listens."""
        found = program()
        assert found is not None
        self.process = subprocess.Popen(
            [found, "-c", str(self.folder / "conf")],
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
