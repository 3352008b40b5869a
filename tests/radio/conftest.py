"""A broker, a café pot with its secrets, and a desk board whose radio reaches both."""

from __future__ import annotations

import functools
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import mosquitto
import postgres
import pytest
from remote_pots import BOARD, fill_in

from once import made_once

sys.path.insert(0, str(Path(__file__).parent.parent / "log"))
sys.path.insert(0, str(Path(__file__).parent.parent / "usb"))

from usb_desks import flashed_board

from wakewell.shipped import CAFE


@pytest.fixture
def server(tmp_path: Path) -> Iterator[mosquitto.Broker]:
    made = mosquitto.Broker(tmp_path / "broker")
    made.start()
    yield made
    made.kill()


@pytest.fixture
def pot(tmp_path: Path, server: mosquitto.Broker) -> Path:
    """A café pot without logs, whose board is known."""
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    (folder / "board.toml").write_text(f'id = "{BOARD}"\n')
    fill_in(folder, server.port)
    return folder


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[postgres.Server]:
    """A server that runs; skipped where there is none."""
    postgres.needed()
    with tempfile.TemporaryDirectory(prefix="wakewell-pg-") as folder:
        made = postgres.Server(Path(folder))
        made.start()
        yield made
        made.kill()


@pytest.fixture
def empty_postgres(postgres_server: postgres.Server) -> str:
    """The URL of an empty database."""
    return postgres_server.empty()


@pytest.fixture(scope="session")
def flashed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """basil's folder with radio_wakes = 1 and a flash that finished one wake."""
    make = functools.partial(flashed_board, settings="radio_wakes = 1\n")
    return made_once(tmp_path_factory, "flashed-with-radio", make)
