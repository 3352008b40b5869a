"""A desk board in a terminal that is ended from outside: nothing of it stays behind."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from lacking import NO_LIBRARY
from wakewell.pot import pot_folder, stage

pytest.importorskip("fluids", reason=NO_LIBRARY)


@pytest.mark.parametrize("ended", [signal.SIGTERM, signal.SIGHUP])
def test_no_port_and_no_folder_stay(ended: signal.Signals, tmp_path: Path) -> None:
    link = tmp_path / "tty"
    process = subprocess.Popen(
        [sys.executable, "-m", "wakewell", "deskboard", "--link", str(link)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        said = "".join(process.stdout.readline() for _ in range(8))
        folder = Path(said.split("wakewell flash ")[1].split(" --port")[0])
        assert folder.is_dir()
        # Its own pot is commissioned on it: what its calibration says is so, by the rig.
        board = said.split("Desk board ")[1].split(" ")[0]
        assert stage.standing(pot_folder.load(folder), board).stage == 2
        process.send_signal(ended)
        assert process.wait() == 0
    finally:
        process.kill()
    assert not link.is_symlink()
    assert not folder.parent.exists()
