"""Runs the pump for a bounded time and measures its current meanwhile.

Whatever happens here, the watchdog bites soon after the bound. After the run it has the time of
the lease.
"""

import time

import chip
import loader


def main(whole_ms: int, whole: int, rest_ms: int) -> "tuple[int, int, int, int]":
    """`whole` pulses of whole_ms and one of rest_ms, 0: none. (how long it ran in milliseconds,
    median and spread of the current sense in counts, pulses counted; zeros where none is fitted).
    """
    from wakeboard import parts
    from wakeboard.board import Board

    board = Board(loader.read("/code/in-force"), 0)
    fitted = parts.fit(board.wiring)
    current = fitted.get("current")
    counting = [part for part in fitted.values() if hasattr(part, "begin")]
    found = loader.pump()
    if found is None:
        raise OSError("the pump's file cannot be read")
    drawn = []
    board.sensors(True)
    chip.watch(whole * whole_ms + rest_ms + 3000)
    pulser = chip.Pulser(found[0], found[1])
    pulser.arm(whole_ms, rest_ms)
    for part in counting:
        part.begin()
    start = time.ticks_ms()
    try:
        for _ in range(whole):
            pulser.pulse(True)
            if current:
                drawn.append(current.now())
        if rest_ms:
            pulser.pulse(False)
        pulser.wait()
    finally:
        pulser.stop()
        loader.pump_off()
        ran_ms = time.ticks_diff(time.ticks_ms(), start)
        loader.lease()
        counted = sum([part.now() for part in counting])
        board.sensors(False)
    drawn = sorted(drawn[2:])  # the first ones are taken while the pump starts
    if not drawn:
        return ran_ms, 0, 0, counted
    return ran_ms, drawn[len(drawn) // 2], drawn[-1] - drawn[0], counted
