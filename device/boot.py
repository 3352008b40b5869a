"""Runs at every start and every soft reset, before anything else: pump off, lease armed."""

import micropython

# A host's interrupt that came now would leave the board at its prompt without a lease (R13).
micropython.kbd_intr(-1)
try:
    import loader

    loader.pump_off()
    loader.lease()
finally:
    micropython.kbd_intr(3)
