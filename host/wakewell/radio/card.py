"""The card that stays with a pot: what its owner has to know, on one printed side.

Its page holds the code of the pot's entry page: it is its owner's alone, and git ignores it.
"""

from __future__ import annotations

from pathlib import Path

from wakewell import extras, kept, language
from wakewell.errors import BadInput
from wakewell.language import say, term
from wakewell.pot import description, private
from wakewell.pot.private import Private
from wakewell.report import pages

ADDRESS = "192.168.4.1"  # of an ESP32's own access point (MicroPython, quick reference)
FILE = "private-card.html"
NOTES = (
    term(
        "It is open for about four minutes. The pump is off during that time, and nothing else can "
        "be changed there. If it does not open, the battery is too low: charge it first."
    ),
    term(
        "Anyone holding this card and the pot can send it to another Wi-Fi: keep the card at home."
    ),
)


def rows_of(found: description.PotFolder) -> list[str]:
    """What the owner does, a sentence or two each."""
    assert found.about is not None
    rows = [say("Fill the tank: it holds {ml} ml.", ml=found.about.tank.volume_ml)]
    if "light" in found.parts:
        rows.append(say("Press the button: the light shows it is working."))
    return [
        *rows,
        say(
            "If it has stopped watering: find and mend the cause, then hold the button for two "
            "seconds."
        ),
        say(
            "Charge the battery away from the water, as its data sheet says. Never open or short "
            "the cell."
        ),
        say("Keep mains chargers off and away while you fill the tank."),
    ]


def card(found: description.PotFolder) -> list[str]:
    """The card in plain lines, without any secret."""
    assert found.about is not None
    with language.speaking(found.about.language):
        helps = [f"{say('Help:')} {found.about.help}"] if found.about.help else []
        return [f"{found.about.name} ({found.about.plant})", *rows_of(found), *helps]


def page(found: description.PotFolder, secret: Private) -> str:
    """The card as a page to print; with the way to a new Wi-Fi where the pot has a code for it.

    Raises BadInput without the packages that make it.
    """
    assert found.about is not None
    with language.speaking(found.about.language):
        return _page(found, secret)


def _page(found: description.PotFolder, secret: Private) -> str:
    wifi, qr = None, ""
    if secret.entry["name"] and secret.entry["code"]:
        port = secret.entry["port"]
        at = f"http://{ADDRESS}{'' if port == 80 else f':{port}'}"
        wifi = {"name": secret.entry["name"], "code": secret.entry["code"]}
        wifi |= {"address": at, "notes": [say(note) for note in NOTES]}
        qr = pages.templates().filters["safe"](square(wifi["name"], wifi["code"]))
    return pages.render("card.html", about=found.about, rows=rows_of(found), wifi=wifi, qr=qr)


def square(name: str, code: str) -> str:
    """A QR code (ISO/IEC 18004) by which a phone joins that Wi-Fi, as inline SVG."""
    try:
        from segno import helpers
    except ImportError:
        text = "the card needs the package segno; install it with: "
        raise BadInput(text + extras.install("remote")) from None
    made = helpers.make_wifi(ssid=name, password=code, security="WPA")
    drawn: str = made.svg_inline(scale=5, border=2, dark="#000", light="#fff")
    return drawn


def write(found: description.PotFolder, secret: Private) -> Path:
    """Write the card's page into the pot's folder, for its owner's eyes alone."""
    made = page(found, secret)
    private.ignore(found.path, FILE)
    path = found.path / FILE
    kept.store(path, made.encode(), own=True)
    return path
