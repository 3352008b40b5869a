"""wakeboard: everything between wakecore and the world.

    driver   carries the core's commands out and brings values back; the same on chip,
             mock and replay
    store    the files: state slots, a pot's three files, the ring of log files

What needs a chip (pins, converters, radio) is in files of its own, loaded only there.
"""
