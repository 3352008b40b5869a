"""An image is looked at before a chip is erased; a chip without a program is known at once."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from usb_images import BOOT_AT, IDS, described, part, whole

from wakewell.errors import BadInput
from wakewell.extras import install
from wakewell.pot import chips
from wakewell.usb import image
from wakewell.usb.link import connect


@pytest.mark.parametrize("chip", chips.PORTED)
def test_a_whole_image_says_what_it_is(chip: str, tmp_path: Path) -> None:
    path = tmp_path / "image.bin"
    path.write_bytes(whole(chip))
    found = image.look(path, chip)
    assert (found.chip, found.at, found.size) == (chip, BOOT_AT.get(chip, 0), path.stat().st_size)
    assert f"MicroPython v1.28.0 for the {chip}, {found.size} bytes" in found.lines()[0]
    assert found.sha256 in found.lines()[1]
    assert image.where_from(chip).startswith("https://micropython.org/download/ESP32_GENERIC")


@pytest.mark.parametrize("chip", chips.PORTED)
def test_esptool_reads_such_a_program_in_the_same_way(chip: str, tmp_path: Path) -> None:
    """esptool's own reader, where the extra of that name is installed."""
    pytest.importorskip("esptool", reason=f"only writing a chip needs it: {install('esptool')}")
    from esptool.bin_image import LoadFirmwareImage

    made = part(IDS[chip], described())
    path = tmp_path / "app.bin"
    path.write_bytes(made)
    found = LoadFirmwareImage(chip.replace("-", ""), str(path))
    assert found.checksum == found.calculate_checksum()
    assert found.stored_digest == found.calc_digest
    assert image.end_of(made, 0, "it") == len(made)


S3 = whole("esp32-s3")
APP = part(IDS["esp32-s3"], described())


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "begins with nothing"),
        (b"\xff" * 4096, "begins with 0xff, allowed 0xe9"),
        (b"UF2\n" + bytes(600), "another kind of chip (UF2)"),
        (b"PK\x03\x04" + bytes(600), "a ZIP archive"),
        (whole("esp32-c3"), "is for the esp32-c3, pot.toml says esp32-s3"),
        (part(99, b"boot"), "is for the chip number 99"),
        (APP, "an update, not a whole image"),
        (whole("esp32-s3", table=False), "an update, not a whole image"),
        (S3[:-40], "its program: the file ends in the middle"),
        (S3[:0x9000], "its program: begins with nothing"),
        (S3[:-1] + bytes([S3[-1] ^ 1]), "its program: does not match its SHA-256"),
        (S3[:40] + b"!" + S3[41:], "its boot program: does not match its SHA-256"),
        (
            whole("esp32-s3", app=part(9, described(name=b"blink"))),
            "its program is not micropython",
        ),
        (whole("esp32-s3", app=part(9, b"tiny")), "its program is not micropython"),
        (
            whole("esp32-s3", app=part(9, described(version=b"v1.26.1"))),
            "MicroPython v1.26.1, allowed 1.27 or newer",
        ),
        (
            whole("esp32-s3", app=part(9, described(version=b"v1.9.4-623-g34af10d2e"))),
            "MicroPython v1.9.4-623-g34af10d2e, allowed 1.27 or newer",
        ),
        (bytes([0xE9, 200]) + bytes(64), "200 segments, allowed 1 to 16"),
    ],
)
def test_what_is_no_image_for_this_chip(data: bytes, why: str, tmp_path: Path) -> None:
    path = tmp_path / "image.bin"
    path.write_bytes(data)
    with pytest.raises(BadInput) as caught:
        image.look(path, "esp32-s3")
    text = str(caught.value)
    assert why in text
    assert "ESP32_GENERIC_S3" in text
    assert "Nothing was erased" in text


@pytest.mark.parametrize(
    "version", [b"v1.27.0", b"v1.28.0-preview.12.g0123456", b"v2.0.0", b"0123456-dirty"]
)
def test_a_version_that_may_do_is_shown_and_taken(version: bytes, tmp_path: Path) -> None:
    """Somebody's own build may name none: the board itself is asked after it was written."""
    path = tmp_path / "image.bin"
    path.write_bytes(whole("esp32", app=part(0, described(version=version))))
    assert image.look(path, "esp32").version == version.decode()


def test_no_file_at_all(tmp_path: Path) -> None:
    for path in (tmp_path / "none.bin", tmp_path):
        with pytest.raises(BadInput, match="Nothing was erased"):
            image.look(path, "esp32")


class Rom:
    """A chip whose own first program says the same again and again."""

    def __init__(self, says: bytes) -> None:
        self.master, slave = os.openpty()
        os.set_blocking(self.master, False)
        self.port = os.ttyname(slave)
        self.slave, self.says = slave, says
        self.over = threading.Event()
        self.thread = threading.Thread(target=self.run, daemon=True)
        self.thread.start()

    def run(self) -> None:
        while not self.over.wait(0.05):
            try:
                os.write(self.master, self.says)
            except BlockingIOError:
                continue

    def close(self) -> None:
        self.over.set()
        self.thread.join()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def rom(request: pytest.FixtureRequest) -> Iterator[Rom]:
    made = Rom(request.param)
    yield made
    made.close()


@pytest.mark.parametrize(
    ("rom", "why"),
    [
        # ESP-IDF Programming Guide, "Fatal Errors" and forum posts: what an erased flash makes the
        # ROM say (from memory); esptool's documentation, "Boot Mode Selection": the second.
        (b"rst:0x10 (RTCWDT_RTC_RESET)\r\ninvalid header: 0xffffffff\r\n", "this chip is blank"),
        (b"rst:0x7\r\nInvalid header 0xffffffff\r\n", "--interpreter FILE"),
        # An older ESP32 after erase_flash: espressif/esp-idf, issue 113
        (b"flash read err, 1000\r\nets_main.c 371 \r\nets Jun  8 2016\r\n", "--interpreter FILE"),
        (b"boot:0x3 (DOWNLOAD_BOOT)\r\nwaiting for download\r\n", "its boot button was held"),
    ],
    indirect=["rom"],
)
def test_a_chip_without_a_program_is_known_at_once(rom: Rom, why: str) -> None:
    """Not after two minutes of "asleep or busy": nothing is said meanwhile."""
    said: list[str] = []
    with pytest.raises(BadInput, match=why), connect(rom.port, said.append):
        pass
    assert not said
