"""A thermometer in the soil. Loaded only where one is fitted."""

import time

import chip

if False:
    from typing import Any


class Temperature:
    """The first DS18X20 on the wire."""

    def __init__(self, pin: int) -> None:
        import ds18x20
        import onewire

        self.bus: "Any" = ds18x20.DS18X20(onewire.OneWire(chip.sense(pin)))

    def read(self) -> "list[int] | None":
        """Sixteenths of a degree Celsius, as the sensor counts."""
        roms = self.bus.scan()
        if not roms:
            return None
        self.bus.convert_temp()
        time.sleep_ms(750)
        return [int(self.bus.read_temp(roms[0]) * 16), 0]
