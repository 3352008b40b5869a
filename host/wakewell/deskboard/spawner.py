"""The process that starts interpreters: imports MicroPython once, then forks one per boot.

Belongs here: fork, kill, reap, in a process of one thread, where fork is safe.
Does not belong here: what the interpreter says or what is wired to it.

Run by the desk board as a file, with one end of a socket, the board's temporary folder and the
folder of MicroPython's package as its arguments. When the other end closes, it kills its child,
removes the folder and ends. So nothing is left after a test that crashed.
"""

from __future__ import annotations

import ctypes
import importlib
import json
import mmap
import os
import runpy
import shutil
import signal
import socket
import struct
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

PR_SET_PDEATHSIG = 1  # linux/prctl.h
PT_DYNAMIC, DT_PLTRELSZ, DT_STRTAB, DT_SYMTAB, DT_JMPREL = 2, 2, 5, 6, 23  # elf.h
TABLES = (DT_STRTAB, DT_SYMTAB, DT_JMPREL)
SINCE_1970_S = 946_684_800  # of 2000-01-01, from where the chip counts


def _child(run_main: Callable[[list[str]], int], argv: list[str], console: int, gone: int) -> None:
    """Become the interpreter. Never returns."""
    code = 127
    try:
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
        os.close(gone)
        os.setsid()
        # A socket and no terminal: MicroPython flushes the terminal's input whenever it goes
        # to and from its prompt, and a byte lost there hangs the host.
        for fd in range(3):
            os.dup2(console, fd)
        os.close(console)
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        code = run_main(argv)
    finally:
        os._exit(code & 0xFF)


def _soft_interrupt(library: ctypes.CDLL) -> None:
    """Make SIGUSR1 and SIGUSR2 a Ctrl-C.

    MicroPython's own handler of SIGINT jumps out of whatever it interrupts, be it the memory
    manager, littlefs or another thread. The function that other ports call only sets a flag that is
    read at the next branch, as on the chip.

    SIGUSR2 breaks off a wait, SIGUSR1 does not. The memory manager waits for the other threads to
    show their pointers, and takes a wait that was broken off for their answer (ports/unix,
    mpthreadport.c): then two threads change the heap's tables at a time, and objects vanish.
    """
    libc = ctypes.CDLL(None)
    libc.signal.argtypes = [ctypes.c_int, ctypes.c_void_p]
    libc.signal.restype = ctypes.c_void_p
    function = ctypes.cast(library.mp_sched_keyboard_interrupt, ctypes.c_void_p)
    for number, breaks_off in ((signal.SIGUSR1, False), (signal.SIGUSR2, True)):
        libc.signal(number, function)
        signal.siginterrupt(number, breaks_off)


def _own_time(library: ctypes.CDLL, shared: mmap.mmap) -> Any:
    """Make time(), by which TLS judges the dates of certificates, the chip's own clock: on a chip
    it begins at 2000 with the power (MicroPython, ports/esp32/main.c, platform_mbedtls_time).

    The call goes through a table of the library, as every call into another one does (System V
    ABI, procedure linkage table); its entry is replaced. Keep what is returned.
    """
    name = os.path.realpath(library._name)
    rows = Path("/proc/self/maps").read_text().splitlines()
    base = min(int(row.split("-")[0], 16) for row in rows if row.endswith(name))

    def at(place: int, form: str) -> tuple[int, ...]:
        return struct.unpack(form, ctypes.string_at(base + place, struct.calcsize(form)))

    headers, size, count = at(32, "<Q")[0], *at(54, "<HH")
    found = (at(headers + n * size, "<IIQQQQQ") for n in range(count))
    start, length = next((row[3], row[6]) for row in found if row[0] == PT_DYNAMIC)
    rows_of = (at(start + 16 * n, "<QQ") for n in range(length // 16))
    tags = {row[0]: row[1] for row in rows_of}
    tables = {tag: tags[tag] - base if tags[tag] > base else tags[tag] for tag in TABLES}
    for n in range(tags[DT_PLTRELSZ] // 24):
        place, info = at(tables[DT_JMPREL] + 24 * n, "<QQ")
        named = tables[DT_STRTAB] + at(tables[DT_SYMTAB] + 24 * (info >> 32), "<I")[0]
        if ctypes.string_at(base + named) == b"time":
            break
    else:
        raise AttributeError("its call of time() is not where it should be")
    layout = runpy.run_path(str(Path(__file__).with_name("inside") / "layout.py"))

    def own_time(out: Any) -> int:
        places = (layout["NOW_US"], layout["RTC_BASE_US"])
        now_us = sum(struct.unpack_from("<q", shared, place)[0] for place in places)
        now = now_us // 1_000_000 + SINCE_1970_S
        if out:
            out[0] = now
        return int(now)

    told = ctypes.CFUNCTYPE(ctypes.c_long, ctypes.POINTER(ctypes.c_long))(own_time)
    page = mmap.PAGESIZE
    whole = ctypes.c_void_p((base + place) // page * page)
    ctypes.CDLL(None).mprotect(whole, ctypes.c_size_t(page), mmap.PROT_READ | mmap.PROT_WRITE)
    entry = ctypes.c_void_p.from_address(base + place)
    entry.value = ctypes.cast(told, ctypes.c_void_p).value
    return told


def main() -> None:
    control = socket.socket(fileno=int(sys.argv[1]))
    _, fds, _, _ = socket.recv_fds(control, 16, 1)
    # The mapping, and with it its address, is inherited by every child.
    shared = mmap.mmap(fds[0], 0)
    os.close(fds[0])
    address = ctypes.addressof(ctypes.c_char.from_buffer(shared))
    sys.path.append(sys.argv[3])
    try:
        run_main = importlib.import_module("micropython_unix").run_main
        library = ctypes.CDLL(importlib.import_module("micropython_run").__file__)
        _soft_interrupt(library)
        _kept = _own_time(library, shared)
    except (ImportError, AttributeError) as error:
        control.send(f"no interpreter: {error}".encode())
        return
    control.send(b"ready")
    pid = 0
    while True:
        message, fds, _, _ = socket.recv_fds(control, 4096, 3)
        over = message in (b"", b"quit")
        if over or message == b"kill":
            status = 0
            if pid:
                os.kill(pid, signal.SIGKILL)
                _, status = os.waitpid(pid, 0)
                pid = 0
            if over:
                shutil.rmtree(sys.argv[2], ignore_errors=True)
                return
            control.send(str(status).encode())
            continue
        # Options for the interpreter, start file, its folder; console, event line and flash
        # come as descriptors.
        options, start, folder = json.loads(message)
        console, events, image = fds
        flash = mmap.mmap(image, 0)  # the child's, which inherits it
        places = address, events, image, ctypes.addressof(ctypes.c_char.from_buffer(flash))
        argv = ["micropython", *options, start, folder, *map(str, places)]
        pid = os.fork()
        if pid == 0:
            _child(run_main, argv, console, control.fileno())
        for fd in fds:
            os.close(fd)
        control.send(str(pid).encode())


main()
