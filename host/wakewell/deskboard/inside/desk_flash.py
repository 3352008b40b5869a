# mypy: ignore-errors
"""The flash of the desk board: erase blocks in a file, counted, with a power-cut switch.

Belongs here: the block device and how it is mounted at `/`.
Does not belong here: what is in the files.

Nothing here allocates or branches: on the chip the block device is C, which works with the heap
locked and in which neither Ctrl-C nor a timer's callback can run. MicroPython looks for both at
branches only.
"""

import os
import sys

import desk_core as _core
import layout as _L
import micropython
import uctypes
import vfs

_image = open(int(sys.argv[4]), "r+b")  # noqa: SIM115
_mapped = int(sys.argv[5])  # address of the same file in memory
_S = _core.S
_BLOCK = _S.block_bytes
_blank = bytearray(b"\xff" * _BLOCK)

# Typical times of a serial flash: a 4 KiB erase 45 ms, a 256-byte page 0.7 ms, from memory,
# unconfirmed.
_ERASE_US = 45000
_PAGE_US = 700


def _write(offset, buf, cost_us):
    _image.seek(offset)
    _image.write(buf)
    _core.owed_us += cost_us


def _cut(offset, buf, _cost_us):
    """The power goes, with half of it done or nothing."""
    _image.seek(offset)
    _image.write(buf, len(buf) // 2 * _S.cut_half)
    _core.die(_L.CUT)


_head = bytearray(_L.NOTE_BYTES)
_note = uctypes.struct(
    uctypes.addressof(_head), {"offset": uctypes.UINT32 | 0, "bytes": uctypes.UINT32 | 4}
)


def _write_and_note(offset, buf, cost_us):
    _note.offset = offset
    _note.bytes = len(buf)
    _notes.write(_head)
    _notes.write(buf)
    _write(offset, buf, cost_us)


_notes = open(os.getenv("HOME") + "/" + _L.NOTES, "ab") if _S.noting else None  # noqa: SIM115
_WRITE_OR_CUT = (_write_and_note if _S.noting else _write, _cut)


def _change(offset, buf, cost_us):
    left = _S.cut_left
    _S.cut_left = left - (left > 0)
    _WRITE_OR_CUT[left == 1](offset, buf, cost_us)


def _nothing(_):
    return 0


def _block_count(_):
    return _S.block_count


def _block_bytes(_):
    return _BLOCK


def _erase(block):
    _change(block * _BLOCK, _blank, _ERASE_US)
    _S.flash_erases += 1
    return 0


# By the number of the operation (docs/library/vfs.rst): 3 sync, 4 count, 5 size, 6 erase.
_IOCTL = (_nothing, _nothing, _nothing, _nothing, _block_count, _block_bytes, _erase)


_READS = uctypes.addressof(_core.MEM) + _L.FLASH_READS


class _Flash:
    # A wake has tens of thousands of reads, so this is machine code: for each of them neither a
    # system call nor a look for a name. ptr8 and ptr32 are words of it.
    @micropython.viper
    def readblocks(self, block: int, buf, offset: int):
        count = ptr32(int(_READS))  # noqa: F821
        count[0] = count[0] + 1
        place = int(_mapped) + block * int(_BLOCK) + offset
        length = int(len(buf))  # noqa: RUF046 - to a number of the machine
        words = length >> 2
        old, new = ptr32(place), ptr32(buf)  # noqa: F821
        for i in range(words):
            new[i] = old[i]
        old_bytes, new_bytes = ptr8(place), ptr8(buf)  # noqa: F821
        for i in range(words << 2, length):
            new_bytes[i] = old_bytes[i]

    def writeblocks(self, block, buf, offset=0):
        _change(block * _BLOCK + offset, buf, _PAGE_US * ((len(buf) + 255) // 256))
        _S.flash_writes += 1

    def ioctl(self, op, arg):
        return _IOCTL[op](arg)


def mount():
    """Mount the flash at `/`. A blank one is formatted first, as the port does at first boot.
    Returns False if what is there is neither blank nor a filesystem."""
    flash = _Flash()
    vfs.umount("/")
    new = False
    try:
        system = vfs.VfsLfs2(flash, readsize=32, progsize=32)
    except OSError:
        first = bytearray(_BLOCK)
        flash.readblocks(0, first, 0)
        if first != _blank:
            return False
        vfs.VfsLfs2.mkfs(flash, readsize=32, progsize=32)
        system = vfs.VfsLfs2(flash, readsize=32, progsize=32)
        new = True
    vfs.mount(system, "/")
    if new:
        with open("boot.py", "w") as f:
            f.write("# Runs at every start, before main.py.\n")
    return True
