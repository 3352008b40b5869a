"""The card that stays with a pot: what its owner has to know, on one printed side.

Its page holds the code of the pot's entry page: it is its owner's alone, and git ignores it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path

from wakewell import extras, kept, language
from wakewell.errors import BadInput
from wakewell.language import number, say, term
from wakewell.log import times
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
        "Anyone who has this card and the pot can connect it to another Wi-Fi: keep the card at "
        "home."
    ),
)


# How its owner has no reminders for a week, where it sends any
MUTE = term(
    "No reminders for a week: hold the button for ten seconds. Its light blinks, stays on, then "
    "goes out: let go. Without a light count to twelve. The one who built it gets the reminders in "
    "your place."
)


@dataclass(frozen=True)
class Handed:
    """A pot that was handed over. level_ml, battery_mv: as it read them last, None: it did not."""

    on: date
    level_ml: int | None = None
    battery_mv: int | None = None


def litres(ml: int) -> str:
    """What a tank holds, as its page tells it."""
    return say("{litres} litres", litres=number(ml / 1000, 1))


def steps_of(found: description.PotFolder, wifi: bool, handed: Handed) -> list[str]:
    """The way into a new home, step by step."""
    assert found.about is not None
    day = language.date(datetime.combine(handed.on, time()), times.WITHOUT_WEEKDAY)
    was = []
    if handed.level_ml is not None:
        was.append(say("{amount} in its tank", amount=litres(handed.level_ml)))
    if handed.battery_mv is not None:
        was.append(say("{volts} V in its battery", volts=number(handed.battery_mv / 1000, 2)))
    left = say("It was handed over on {date}.", date=day)
    if was:
        left = say("It was handed over on {date} with {what}.", date=day, what=", ".join(was))
    helps = found.about.help or say("the one who built it")
    rows = [
        left,
        say(
            "Put it where the plant has light, with the tank as low or as high as it stood before."
        ),
        say("Fill the tank, charge the battery, and water the plant once by hand."),
    ]
    if "light" in found.parts:
        rows.append(
            say("Press the button. One long light: all is well. Short ones: it needs something.")
        )
    if wifi:
        rows.append(
            say(
                "Give it your Wi-Fi, as below. It then tells {who} how it is: soil, tank, battery, "
                "what it gave, and when somebody pressed its button or filled its tank. Without "
                "Wi-Fi it waters all the same.",
                who=helps,
            )
        )
        rows.append(say("Tell {who} where reminders may reach you, and when not.", who=helps))
    else:
        rows.append(
            say(
                "It has no Wi-Fi, and tells nobody anything. It waters all the same. Look at the "
                "plant and its tank once a week. For reminders, ask {who}.",
                who=helps,
            )
        )
    rows.append(say("From now on it waters by itself. Nothing of its former home is left in it."))
    return rows


def rows_of(found: description.PotFolder) -> list[str]:
    """What the owner does, a sentence or two each."""
    assert found.about is not None
    rows = [say("Fill the tank: it holds {amount}.", amount=litres(found.about.tank.volume_ml))]
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


def page(found: description.PotFolder, secret: Private | None, handed: Handed | None = None) -> str:
    """The card as a page to print; with the way to a new Wi-Fi where the pot has a code for it.

    secret: None where it has none. handed: with the way into its new home. Raises BadInput without
    the packages that make it.
    """
    assert found.about is not None
    with language.speaking(found.about.language):
        return _page(found, secret, handed)


def _page(found: description.PotFolder, secret: Private | None, handed: Handed | None) -> str:
    wifi, qr = None, ""
    if secret is not None and secret.entry["name"] and secret.entry["code"]:
        port = secret.entry["port"]
        at = f"http://{ADDRESS}{'' if port == 80 else f':{port}'}"
        wifi = {"name": secret.entry["name"], "code": secret.entry["code"]}
        wifi |= {"address": at, "notes": [say(note) for note in NOTES]}
        qr = pages.templates().filters["safe"](square(wifi["name"], wifi["code"]))
    rows = rows_of(found) + ([say(MUTE)] if secret is not None and secret.ways() else [])
    steps = [] if handed is None else steps_of(found, wifi is not None, handed)
    return pages.render("card.html", about=found.about, rows=rows, steps=steps, wifi=wifi, qr=qr)


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


def write(
    found: description.PotFolder, secret: Private | None, handed: Handed | None = None
) -> Path:
    """Write the card's page into the pot's folder, for its owner's eyes alone; see `page`."""
    made = page(found, secret, handed)
    private.ignore(found.path, FILE)
    path = found.path / FILE
    kept.store(path, made.encode(), own=True)
    return path
