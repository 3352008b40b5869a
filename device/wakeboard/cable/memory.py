"""What is left of the memory with the Wi-Fi up."""

import gc

import network

import chip


def main() -> "list[int]":
    """Bytes of the interpreter's heap, free and in use; of the system's memory, free and in one
    piece."""
    gc.collect()
    wlan = network.WLAN(network.STA_IF)
    wlan.active(True)
    found = [gc.mem_free(), gc.mem_alloc()] + chip.heap()
    wlan.active(False)
    return found
