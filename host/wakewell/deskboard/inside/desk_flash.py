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


class _Index:
    def __getitem__(self, index):
        return index


# Reads by system calls would take half of a boot's time. A slice of the mapped file needs none, but
# it allocates. So one view is moved to the place of the read by writing its own fields
# (MicroPython, py/objarray.h: type, kind, length, items).
_WHOLE = _Index()[:]
_view = memoryview(uctypes.bytearray_at(_mapped, _BLOCK))
_fields = uctypes.struct(
    id(_view), {"length": uctypes.UINT64 | 16, "items": uctypes.UINT64 | 24}, uctypes.NATIVE
)


def _moved(block, buf, offset):
    _fields.items = _mapped + block * _BLOCK + offset
    _fields.length = len(buf)
    buf[_WHOLE] = _view


def _read(block, buf, offset):
    _image.seek(block * _BLOCK + offset)
    _image.readinto(buf)


def _reader():
    """How blocks are read: by the view, where this interpreter lays one out so."""
    if (_fields.length, _fields.items) != (_BLOCK, _mapped):
        return _read
    one, other = bytearray(32), bytearray(32)
    _read(1, one, 64)
    _moved(1, other, 64)
    return _moved if one == other else _read


_READ = _reader()


class _Flash:
    def readblocks(self, block, buf, offset=0):
        _READ(block, buf, offset)
        _S.flash_reads += 1

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
        flash.readblocks(0, first)
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
