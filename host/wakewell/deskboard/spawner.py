"""The process that starts interpreters: imports MicroPython once, then forks one per boot.

Belongs here: fork, kill, reap, in a process of one thread, where fork is safe.
Does not belong here: what the interpreter says or what is wired to it.

Run by the desk board as a file, with one end of a socket and the board's temporary folder as
its arguments. When the other end closes it kills its child, removes the folder and goes, so
nothing outlives a test that crashed.
"""

from __future__ import annotations

import ctypes
import importlib
import json
import mmap
import os
import shutil
import signal
import socket
import sys
from collections.abc import Callable

PR_SET_PDEATHSIG = 1  # linux/prctl.h


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
    """Make SIGUSR2 a Ctrl-C.

    MicroPython's own handler of SIGINT jumps out of whatever it interrupts, be it the memory
    manager, littlefs or another thread. The function that other ports call only leaves a note
    that is read at the next branch, as on the chip.
    """
    libc = ctypes.CDLL(None)
    libc.signal.argtypes = [ctypes.c_int, ctypes.c_void_p]
    libc.signal.restype = ctypes.c_void_p
    function = ctypes.cast(library.mp_sched_keyboard_interrupt, ctypes.c_void_p)
    libc.signal(signal.SIGUSR2, function)
    signal.siginterrupt(signal.SIGUSR2, True)  # so that a read that waits returns for it


def main() -> None:
    control = socket.socket(fileno=int(sys.argv[1]))
    _, fds, _, _ = socket.recv_fds(control, 16, 1)
    # The mapping, and with it its address, is inherited by every child.
    shared = mmap.mmap(fds[0], 0)
    os.close(fds[0])
    address = ctypes.addressof(ctypes.c_char.from_buffer(shared))
    try:
        run_main = importlib.import_module("micropython_unix").run_main
        _soft_interrupt(ctypes.CDLL(importlib.import_module("micropython_run").__file__))
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
        argv = ["micropython", *options, start, folder, str(address), str(events), str(image)]
        pid = os.fork()
        if pid == 0:
            _child(run_main, argv, console, control.fileno())
        for fd in fds:
            os.close(fd)
        control.send(str(pid).encode())


main()
