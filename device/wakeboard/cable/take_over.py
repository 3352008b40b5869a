"""Sets another pot's files aside, in a folder that nothing reads."""

import os

import machine


def main() -> str:
    """The folder; "" if there was nothing to set aside. RTC memory goes too: it would bring that
    pot's state back."""
    aside = ""
    names = os.listdir("/")
    if "pot" in names:
        aside = next("/pot-%d" % n for n in range(1, 100) if "pot-%d" % n not in names)
        os.rename("/pot", aside)
    machine.RTC().memory(b"")
    return aside
