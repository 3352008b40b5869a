# mypy: ignore-errors
"""The `onewire` and `ds18x20` modules of the desk interpreter (names as in micropython-lib).

Belongs here: what a driver of DS18X20 temperature sensors calls.
Does not belong here: the bits on the wire, which the desk board does not have.
"""

import desk_core as _core
import desk_machine as _machine
import layout as _L

# Conversion time at 12 bits, and what the scratchpad holds at power-up (Maxim Integrated,
# DS18B20 data sheet, 19-7487).
_CONVERT_US = 750000
_POWER_UP_MDEG = 85000


class OneWireError(Exception):
    pass


class OneWire:
    def __init__(self, pin):
        self.pin = pin
        self._id = _machine.number_of(pin)

    def sensors(self):
        _core.tick(20000)
        return _core.sensors(self._id)

    def reset(self, required=False):
        found = bool(self.sensors())
        if required and not found:
            raise OneWireError
        return found

    def scan(self):
        return [bytearray(rom) for rom, _ in self.sensors()]


class DS18X20:
    def __init__(self, onewire):
        self.ow = onewire
        self._ready_us = None

    def scan(self):
        return [rom for rom in self.ow.scan() if rom[0] in (0x10, 0x22, 0x28)]

    def convert_temp(self):
        self.ow.reset(True)
        self._ready_us = _core.tick() + _CONVERT_US

    def read_temp(self, rom):
        """Temperature in degrees Celsius. Raises as the driver does on a bad checksum."""
        for known, mdeg in self.ow.sensors():
            if known == bytes(rom):
                if mdeg == _L.NO_TEMPERATURE:
                    raise Exception("CRC error")
                if self._ready_us is None or _core.tick(0) < self._ready_us:
                    mdeg = _POWER_UP_MDEG
                return mdeg / 1000
        raise OneWireError
