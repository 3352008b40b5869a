# mypy: ignore-errors
"""The `network` module of the desk board: a Wi-Fi that is joined at once, or not there.

Behind it is the PC's own network, through the interpreter's sockets. The one network that
cannot be joined is called "absent". An access point of its own is one in name only: whoever
reaches the PC reaches what it serves.
"""

STA_IF, AP_IF = 0, 1
ABSENT = "absent"


class WLAN:
    IF_STA, IF_AP = STA_IF, AP_IF
    SEC_OPEN, SEC_WPA2 = 0, 3

    def __init__(self, interface=STA_IF):
        self._own = interface == AP_IF
        self._on = self._joined = False

    def active(self, on=None):
        if on is not None:
            self._on = bool(on)
            self._joined = self._joined and self._on
        return self._on

    def connect(self, name, key=None, *, bssid=None):
        if not self._on or self._own:
            raise OSError("Wifi Not Started")
        self._joined = bool(name) and name != ABSENT

    def disconnect(self):
        self._joined = False

    def isconnected(self):
        return self._joined

    def config(self, *names, **values):
        if names == ("channel",):
            return 6 if self._joined else 0
        own = {"ssid", "key", "security", "max_clients"} if self._own else {"pm"}
        if names or set(values) - own - {"channel"}:
            raise ValueError("unknown config param")
        return None

    def status(self, what=None):
        return 1010 if self._joined else 1000

    def ifconfig(self):
        return ("127.0.0.1", "255.0.0.0", "127.0.0.1", "127.0.0.1")
