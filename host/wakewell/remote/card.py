"""The card that stays with a pot: what its owner has to know, on a quarter of a page.

It holds the code of the pot's entry page, so it is printed and never written into a file.
"""

from __future__ import annotations

from wakewell import pots, words
from wakewell.remote.private import Private

ADDRESS = "192.168.4.1"  # of an ESP32's own access point (MicroPython, quick reference)


def card(found: pots.PotFolder, secret: Private | None = None) -> list[str]:
    """The card's lines; secret: with the way to a new Wi-Fi, where the pot has a code for it."""
    assert found.about is not None
    rows = [
        f"{found.about.name} ({found.about.plant})",
        f"Fill the tank: it holds {found.about.tank.volume_ml} ml.",
        "A press of the button shows that it lives.",
        f"When it has stopped: see to the cause, then {words.HOLD}.",
        "Charge the battery away from the water, as its maker's sheet says; keep mains chargers",
        "off and away while you fill. Never open or short the cell.",
    ]
    if secret is not None and secret.entry["name"] and secret.entry["code"]:
        port = secret.entry["port"]
        rows += [
            "",
            "A new Wi-Fi at home? Hold the button until its light, after blinking, stays on (six",
            "seconds; without a light count to eight), then let go. Within two minutes join",
            f"  Wi-Fi    {secret.entry['name']}",
            f"  code     {secret.entry['code']}",
            f"  and open http://{ADDRESS}{'' if port == 80 else f':{port}'}",
            "There give the name and password of your Wi-Fi, and the code once more. It is open",
            "for some four minutes, the pump is off meanwhile, and nothing else can be changed",
            "there. If it does not open, the battery is too low: charge it first. Who has this",
            "card and can press the button can send the pot to another Wi-Fi: keep it at home.",
        ]
    return rows
