# mypy: ignore-errors
"""What the desk interpreter does between power-on and prompt: put the board's modules in
place, mount the flash, run boot.py and main.py.

Belongs here: the order of a boot. Does not belong here: anything board code could import.
"""

import gc
import sys

import desk_core
import desk_esp32
import desk_flash
import desk_gc
import desk_machine
import desk_network
import desk_select
import desk_sensors
import desk_socket
import desk_time
import layout as L
import micropython


def _execute(name, names):
    try:
        with open(name) as f:
            source = f.read()
    except OSError:
        return
    try:
        code = compile(source, name, "exec")
        source = None
        gc.collect()
        micropython.kbd_intr(3)
        exec(code, names)
    except SystemExit:
        # The port takes it as a soft reset.
        desk_core.die(L.SOFT_RESET)
    except BaseException as error:
        micropython.kbd_intr(-1)
        sys.print_exception(error)


def _run(name, names):
    try:
        _execute(name, names)
        micropython.kbd_intr(-1)
        # A Ctrl-C that came as the file ended is raised at this branch and nowhere later.
        for _ in (0, 0):
            pass
    except KeyboardInterrupt:
        pass


def run(names):
    for name in list(sys.modules):
        if name != "__main__":
            sys.modules.pop(name)
    for prefix in ("", "u"):
        sys.modules[prefix + "machine"] = desk_machine
        sys.modules[prefix + "time"] = desk_time
        sys.modules[prefix + "select"] = desk_select
    sys.modules["gc"] = desk_gc
    sys.modules["esp32"] = desk_esp32
    sys.modules["network"] = desk_network
    for prefix in ("", "u"):
        sys.modules[prefix + "socket"] = desk_socket
    sys.modules["onewire"] = sys.modules["ds18x20"] = desk_sensors
    del sys.argv[:]
    mounted = desk_flash.mount()
    sys.path[:] = ["", ".frozen", "/lib"]
    desk_core.ask(L.READY)
    if mounted:
        _run("boot.py", names)
        if desk_core.S.run_main:
            _run("main.py", names)
    else:
        print("The filesystem on the flash is damaged, nothing is mounted.")
    desk_core.ask(L.DONE)
