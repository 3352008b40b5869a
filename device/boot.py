"""Runs at every start and every soft reset, before anything else: pump off, lease armed."""

import gc

# Collected often, the heap stays as small as what is in use, and the rest is the radio's. First
# of all: what is imported lies between no garbage.
gc.threshold(4096)

import micropython  # noqa: E402

# A host's interrupt that came now would leave the board at its prompt without a lease (R13).
micropython.kbd_intr(-1)
try:
    import loader

    loader.pump_off()
    loader.lease()
finally:
    micropython.kbd_intr(3)
