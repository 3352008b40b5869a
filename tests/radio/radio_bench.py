"""What a report costs a wake, measured on a desk board: bench.py's figure of the radio."""

from __future__ import annotations

import statistics
import sys
import threading
from pathlib import Path
from typing import Any

import mosquitto
import remote_pots

sys.path.insert(0, str(Path(__file__).parent.parent / "usb"))
from usb_desks import IMAGE_BYTES, copy_pot, silent, world_for

from wakewell.deskboard import DeskBoard
from wakewell.deskboard.inside import layout as L
from wakewell.pot import private
from wakewell.radio import listen
from wakewell.radio.store import ReportStore
from wakewell.usb import flash

ID = b"desk-1"
DAY_S = 86400
MOST_DAYS = 3  # for each wake that is measured: on some days the pot is watered


def radio_awake_ms(bench: Any) -> float:
    """Median time awake of wakes that report over TLS, less that of wakes with the radio's code
    loaded and nobody to report to. Real time, without the time to join the Wi-Fi."""
    here = bench.folder / "radio"
    here.mkdir()
    server = mosquitto.Broker(here / "broker", tls=True)
    server.start()
    folder = copy_pot("basil", here)
    (folder / "ca.pem").write_bytes((server.folder / "ca.pem").read_bytes())
    path = folder / "settings.toml"
    path.write_text("radio_wakes = 1\n" + path.read_text())
    count = bench.pick(9, 3, 1)
    try:
        with DeskBoard(
            here / "flash.img", world_for(folder), image_bytes=IMAGE_BYTES, awake="real",
            unique_id=ID, hang_s=60,
        ) as board:  # fmt: skip
            result = flash.flash_one(folder, board.port, silent, 20)
            if not result.good:
                raise RuntimeError(f"the desk board was not flashed: {result.notes}")
            board.awake = "stepped"
            board.wait_asleep()
            remote_pots.fill_in(folder, server.port, tls=True, **{'ca = ""': 'ca = "ca.pem"'})

            def awake_ms() -> float:
                board.awake = "stepped"
                board.advance(DAY_S)  # by then caches are filled and the log has its first lines
                board.awake = "real"
                took: list[float] = []
                for boots in remote_pots.idle_days(board, count, MOST_DAYS * count):
                    took.append(sum(one.end_us - one.t_us for one in boots) / 1000)
                return statistics.median(took)

            without = awake_ms()
            board.write_files({k[1:]: v for k, v in private.board_files(folder).items()})
            found = listen.folders_of([str(folder)])
            board_id, (_, secret) = next(iter(found.items()))
            store = ReportStore(here / "heard.db", {board_id: folder})
            radio = listen.Radio(secret, folder, [board_id], "bench")
            listener = listen.Listener({board_id: secret.key}, store, radio.post, silent)
            until = threading.Event()
            radio.start()
            thread = threading.Thread(
                target=listen.listen, args=(listener, radio, until, here), daemon=True
            )
            thread.start()
            try:
                told = awake_ms()
            finally:
                until.set()
                thread.join()
                radio.stop()
                store.close()
            if listener.heard < count:
                raise RuntimeError(f"{listener.heard} reports heard of {count} wakes")
    finally:
        server.kill()
    return told - without - L.JOIN_US / 1000
