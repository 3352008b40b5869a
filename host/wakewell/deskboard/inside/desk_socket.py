# mypy: ignore-errors
"""The `socket` module of the desk board: the PC's, with the look-up of names that a chip has.

Belongs here: how long a look-up waits. Does not belong here: anything else about sockets.
"""

import socket as _pc

import desk_core as _core

for _name in dir(_pc):
    if _name[:2] != "__":
        globals()[_name] = getattr(_pc, _name)

# lwIP asks a name server again and again, each time waiting longer, and cannot be told to stop
# (ESP-IDF, lwip/src/core/dns.c); a name of the home's own waits MDNS_QUERY_TIMEOUT_MS
# (MicroPython, ports/esp32/modsocket.c). Order of magnitude of the first: no source.
LOOK_UP_US = 14000000
LOCAL_US = 5000000


def getaddrinfo(host, port, family=0, kind=0, proto=0, flags=0):
    """As the port's: nobody answers about names here, but for this very board's own."""
    if host != "localhost" and not host.replace(".", "").isdigit():
        _core.sleep_us(LOCAL_US if host.endswith(".local") else LOOK_UP_US)
        raise OSError(-2)
    return _pc.getaddrinfo(host, port, family, kind, proto, flags)
