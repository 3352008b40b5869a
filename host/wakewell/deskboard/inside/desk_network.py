# mypy: ignore-errors
"""The `network` module of the desk board, as the ESP32 port has it (MicroPython,
ports/esp32/network_wlan.c and network_common.c).

Behind it is the PC's own network, through the interpreter's sockets. Joining takes its time. The
network called "absent" cannot be joined, and one called "odd" raises a code that the port does not
know. An access point of its own exists in name only: anyone who reaches the PC reaches what it
serves. If one is open, even for a moment, the console says so.
"""

import desk_core as _core
import layout as _L

STA_IF, AP_IF = 0, 1
STAT_IDLE, STAT_CONNECTING, STAT_GOT_IP, STAT_NO_AP_FOUND = 1000, 1001, 1010, 201
ABSENT, ODD = "absent", "odd"
OPEN = "desk board: an open access point is on the air"


class WLAN:
    IF_STA, IF_AP = STA_IF, AP_IF
    SEC_OPEN, SEC_WPA2 = 0, 3

    def __init__(self, interface=STA_IF):
        if interface not in (STA_IF, AP_IF):
            raise ValueError("invalid WLAN interface identifier")
        self._own = interface == AP_IF
        self._on = False
        self._name = None
        self._key, self._security = "", 0
        self._due = _L.NEVER_US  # when it is joined

    def active(self, on=None):
        if on is not None:
            _core.tick(100000 if bool(on) != self._on else _core.CALL_US)
            self._on = bool(on)
            if not self._on:
                self._due = _L.NEVER_US
            self._told()
        return self._on

    def _told(self):
        if self._own and self._on and not (self._key and self._security):
            print(OPEN)

    def connect(self, name=None, key=None, *, bssid=None):
        if not self._on or self._own:
            raise OSError("Wifi Not Started")
        if name == ODD:
            raise RuntimeError("Wifi Unknown Error 0x3102")
        self._name = name
        self._due = _core.tick() + _L.JOIN_US if name and name != ABSENT else _L.NEVER_US

    def disconnect(self):
        if not self._on:
            raise OSError("Wifi Not Started")
        self._due = _L.NEVER_US
        if self._name == ODD:
            raise RuntimeError("Wifi Unknown Error 0x3102")

    def isconnected(self):
        return _core.tick() >= self._due

    def config(self, *names, **values):
        if names == ("channel",):
            return 6 if self.isconnected() else 1
        own = {"ssid", "key", "security", "max_clients"} if self._own else {"pm"}
        if names or set(values) - own - {"channel"}:
            raise ValueError("unknown config param")
        if "channel" in values and not self._on:
            _core.die(_L.PANIC)  # MicroPython, issue 11491; and a station looks everywhere
        key = values.get("key", self._key)
        if 0 < len(key) < 8:
            raise OSError("Wifi Invalid Password")
        self._key, self._security = key, values.get("security", self._security)
        self._told()
        return None

    def status(self, what=None):
        if self.isconnected():
            return STAT_GOT_IP
        if self._name == ABSENT:
            return STAT_NO_AP_FOUND
        return STAT_CONNECTING if self._name else STAT_IDLE

    def ifconfig(self):
        return ("127.0.0.1", "255.0.0.0", "127.0.0.1", "127.0.0.1")
