"""The core's words in plain ones: what it is, what causes it, what to do about it.

What belongs here: one entry for every need, lockout, trip, permissive, probe word, dose,
wake cause and phase of the core, for pages, messages and the command line alike. What
does not: when one of them applies (wakecore decides), and how a page looks.

`plain` is the end of a sentence about the pot, `cause` what usually lies behind it, `do`
what to do next; an empty `do` means nothing. The causes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from wakecore import rules
from wakecore.run import TRIPS

# Parts of a record that a board leaves out where its memory is short (wakeboard.short)
LEFT_OUT = {
    "samples": "the samples of the pulse",
    "decisions": "what it decided",
    "readings": "what it read",
    "end": "its end: the wake broke off",
}

OWNER, MAKER, NOBODY = "owner", "maker", "nobody"


@dataclass(frozen=True)
class Word:
    """One word of the core for a person. who: whom `do` speaks to."""

    plain: str
    cause: str = ""
    do: str = ""
    who: str = NOBODY


HOLD = "hold the button for two seconds"

NEEDS = {
    "fill the tank": Word(
        "the tank is getting empty",
        "the plant has drunk it",
        "Fill the tank up to its mark.",
        OWNER,
    ),
    "charge the battery": Word(
        "the battery is getting low",
        "it has been months since it was charged",
        "Take the battery to its charger, away from the water, and put it back when it is full.",
        OWNER,
    ),
    "see to the battery": Word(
        "the battery cannot be read, so the pump stays off",
        "a loose wire or plug between battery and board",
        "Check the battery's plug and contacts. Until then water by hand.",
        OWNER,
    ),
    "unplug the charger": Word(
        "the battery can only be judged once its charger is off",
        "the charger is still on, or its sense does not answer",
        "Unplug the charger.",
        OWNER,
    ),
    "confirm the charge": Word(
        "the battery reads full again, and the pot wants to be told that it was charged",
        "this pot cannot see its charger",
        f"Unplug the charger, then {HOLD}.",
        OWNER,
    ),
    "see to the soil probe": Word(
        "the soil probe cannot be believed, so it does not decide about water",
        "pulled out, a loose plug, a broken wire, or soil near freezing",
        "Push the soil probe fully into the soil near the roots and check its plug. "
        "Until then water the plant by hand.",
        OWNER,
    ),
    "see to the thermometer": Word(
        "the soil thermometer cannot be believed, and without it frost cannot be told",
        "a loose plug or a broken wire",
        "Check the plug of the soil thermometer. Until then water by hand.",
        OWNER,
    ),
    "see to the level": Word(
        "the tank's level cannot be read, so the pump stays off",
        "a loose plug, a broken wire, or dirt on the gauge",
        "Check the plug of the level gauge and wipe the gauge. Until then water by hand.",
        OWNER,
    ),
    "free the button": Word(
        "the button is stuck, so it is not listened to",
        "something leans on it, or it is damp",
        "Free the button and let it dry.",
        OWNER,
    ),
    "empty the saucer": Word(
        "there is water in the saucer, so the pump stays off",
        "more water came than the soil can hold, from the hose or by hand",
        "Empty and dry the saucer and the probe in it.",
        OWNER,
    ),
    "see to the saucer probe": Word(
        "the saucer probe does not answer, so the pump stays off",
        "a loose plug or a broken wire",
        "Check the plug of the saucer probe. Until then water by hand.",
        OWNER,
    ),
    "clear a lockout": Word(
        "the pot has stopped watering until somebody has looked at it",
        "see below what it stopped for",
        f"See to the cause below, then {HOLD}.",
        OWNER,
    ),
    "see to the pot": Word(
        "the pot has stopped watering until its maker has seen to it",
        "see below what it stopped for",
        "Call the maker. Until then water by hand.",
        OWNER,
    ),
    "commission the pot": Word(
        "the pot is not yet in service, so it does not water by itself",
        "its bench checks or its soil points are still to be done",
        "Finish putting the pot into service. Until then water by hand.",
        MAKER,
    ),
    "see why it stays dry": Word(
        "the soil has been dry for several wakes and something keeps the pot from watering",
        "see under the last wakes what kept it back",
        "Water by hand, then see to what kept it back.",
        MAKER,
    ),
    "water by hand": Word(
        "the plant is thirsty and the pot cannot give it enough",
        "something keeps the pot from watering, or the plant needs more than it may give",
        "Feel the soil, and water the plant by hand if it is dry.",
        OWNER,
    ),
    "see to the hose": Word(
        "the last watering did not reach the soil",
        "the hose lies beside the pot, has come off, or is clogged",
        "Check that the hose lies on the soil and that its end is clear.",
        OWNER,
    ),
    "see why the tank empties": Word(
        "the tank lost water that was not pumped",
        "a leak, a hose that siphons, a switch that is stuck on, or a tank that was carried away",
        "Look for water on the floor. Lift the end of the hose above the tank, and do not fill "
        "the tank before the cause is found.",
        OWNER,
    ),
}

LOCKOUTS = {
    "battery low": Word(
        "it has stopped watering to spare the battery",
        "the cell is empty, old or cold, or its contacts are bad",
        "Charge the battery, away from the water. Watering starts again by itself; "
        f"where the pot cannot see its charger, unplug it and {HOLD}.",
        OWNER,
    ),
    "dry run": Word(
        "it has stopped watering because the pump ran and no water was seen to leave the tank",
        "an empty tank, a clogged strainer, a kinked or loose hose, or a stuck level gauge",
        "Fill the tank, clean the strainer and straighten the hose. A filled tank ends it; "
        f"if the tank was full, {HOLD}.",
        OWNER,
    ),
    "leak": Word(
        "it has stopped watering because the tank lost water that the pump did not move",
        "a cracked tank, a loose fitting, a hose that came off, or a hose end that siphons below "
        "the water line",
        "Look for water around the pot and lift the hose end above the tank's water line. "
        "Then call the maker, who ends it with the cable.",
        OWNER,
    ),
    "no response": Word(
        "it has stopped watering because the soil did not get wetter after it was watered",
        "the soil probe is out of the soil, the hose is off, or the water runs straight through",
        "Check that the hose ends in the pot and the soil probe sits among the roots. Water the "
        f"pot slowly by hand, until the probe shows it. Then {HOLD}: it gives one small dose. "
        "After two such doses without an answer no press helps: call the maker, who ends it with "
        "the cable.",
        OWNER,
    ),
    "interrupted": Word(
        "it has stopped watering because it lost power while pumping, more than once",
        "a weak battery, a bad contact, or a pump that draws too much",
        f"Charge the battery, away from the water, check its contacts, then {HOLD}.",
        OWNER,
    ),
    "saucer wet": Word(
        "it has stopped watering because the saucer is wet",
        "more water came than the soil can hold, or the hose missed the pot",
        f"Empty and dry the saucer, see where the hose ends, then {HOLD}.",
        OWNER,
    ),
    "state lost": Word(
        "it has stopped watering because it lost its memory of what it had given",
        "power went while both copies were damaged, or the storage is worn",
        f"Look whether the soil is wet already; if it is not, {HOLD}. "
        "If it happens again, call the maker.",
        OWNER,
    ),
    "files damaged": Word(
        "it has stopped watering because its settings could not be read",
        "worn storage, or an update that was cut short",
        "Call the maker, who writes the settings anew with the cable. Until then water by hand.",
        OWNER,
    ),
}

# The same in few words, for a sentence that says it is over.
STOPPED_FOR = {
    "battery low": "a low battery",
    "dry run": "runs that showed no water",
    "leak": "a leak",
    "no response": "soil that did not get wetter",
    "interrupted": "power lost while pumping",
    "saucer wet": "a wet saucer",
    "state lost": "a lost memory",
    "files damaged": "settings that could not be read",
}

TRIPS_WORDS = {
    "full": Word("the run lasted longer than there is room to record", "a slow clock", "", MAKER),
    "fault": Word(
        "a part failed while the pump ran",
        "a loose plug, or too little memory",
        "Check the plugs; if it comes back, send the log to the maker.",
        MAKER,
    ),
    "day": Word("the water allowed in 24 hours was used up within the run", "a fast pump", ""),
    "reserve": Word(
        "the tank fell to its reserve",
        "the plant has drunk it",
        "Fill the tank up to its mark.",
        OWNER,
    ),
    "no flow": Word(
        "the pump ran and the level did not fall",
        "a clogged strainer, a kinked or loose hose, air in the pump, or a stuck level gauge",
        "Clean the strainer and straighten the hose.",
        OWNER,
    ),
    "no load": Word(
        "the pump drew too little current, as it does without water",
        "no water at the pump's inlet, or its wire is off",
        "See that the pump sits under water and its plug is in.",
        OWNER,
    ),
    "fast fall": Word(
        "the level fell faster than this pump can pump",
        "a hose that came off, a siphon, or a gauge that jumps",
        "Look for water around the pot and see that the hose is on.",
        OWNER,
    ),
    "level lost": Word(
        "the level gauge stopped answering while the pump ran",
        "a loose plug or a broken wire",
        "Check the plug of the level gauge.",
        OWNER,
    ),
    "sag": Word(
        "the battery gave way under the pump",
        "an empty, old or cold cell, a bad contact, or a pump that is stuck",
        "Charge the battery, away from the water; if it is full, check contacts and pump.",
        OWNER,
    ),
    "battery lost": Word(
        "the battery could not be read while the pump ran",
        "a loose wire at the divider",
        "Check the battery's plug.",
        MAKER,
    ),
    "wet": Word(
        "the saucer got wet while the pump ran",
        "more water than the soil can hold, or the hose missed the pot",
        "Empty the saucer and see where the hose ends.",
        OWNER,
    ),
    "saucer lost": Word(
        "the saucer probe stopped answering while the pump ran",
        "a loose plug or a broken wire",
        "Check the plug of the saucer probe.",
        OWNER,
    ),
}

# Of a permissive, `plain` says what was wrong when it did not hold.
PERMISSIVES = {
    "pin": Word("the pump's pin is not known", "its small file cannot be read", "", MAKER),
    "boots": Word("it had started three times without finishing a wake", "", "", MAKER),
    "files": Word("its settings could not be read", "", "", MAKER),
    "match": Word("settings, limits and calibration do not fit one another", "", "", MAKER),
    "commissioned": Word("the pot is not yet in service", "", "", MAKER),
    "lockouts": Word("a lockout was in force", "", "", OWNER),
    "battery": Word("the battery was too low or not to be read", "", "", OWNER),
    "level": Word("the tank's level could not be believed", "", "", OWNER),
    "reserve": Word("the tank was down to its reserve", "", "", OWNER),
    "steady": Word("the level was in doubt, and a second look had to settle it", "", "", OWNER),
    "soil": Word("the soil probe could not be believed", "", "", OWNER),
    "moving": Word("the soil reading stood still, as a dead probe's does", "", "", OWNER),
    "settled": Word("the last dose was still settling"),
    "saucer": Word("the saucer was wet or not to be read", "", "", OWNER),
    "day": Word("the water allowed in 24 hours was used up"),
    "answer": Word("the soil has not answered the water that was given", "", "", OWNER),
}

# What the same permissive says when it held.
HELD = {
    "pin": "the pump's pin is known",
    "boots": "it starts properly",
    "files": "its settings are readable",
    "match": "settings, limits and calibration fit one another",
    "commissioned": "the pot is in service",
    "lockouts": "no lockout is in force",
    "battery": "the battery is good for a run",
    "level": "the tank's level is believed",
    "reserve": "there is water above the reserve",
    "steady": "the level is steady",
    "soil": "the soil probe is believed",
    "moving": "the soil reading moves",
    "settled": "the last dose has settled",
    "saucer": "the saucer is dry, or there is no probe in it",
    "day": "water is left in the 24-hour allowance",
    "answer": "the soil answers its doses",
}

PROBE_WORDS = {
    "good": Word("believed"),
    "unfitted": Word("not fitted"),
    "absent": Word("it did not answer", "a loose plug or a broken wire", "Check its plug.", OWNER),
    "railed": Word(
        "it reads the end of its scale", "a cut wire or a short circuit", "Check its wire.", OWNER
    ),
    "flicker": Word(
        "its readings jump about within one wake",
        "a loose plug, damp in the plug, or noise on the wire",
        "Dry and press home its plug.",
        OWNER,
    ),
    "span": Word(
        "it reads outside what it was calibrated for",
        "out of the soil, in a puddle, or aged",
        "See that it sits where it was calibrated; if it does, calibrate it anew.",
        OWNER,
    ),
    "cold": Word("the soil is near freezing, where it reads nonsense", "frost", "", NOBODY),
    "frozen": Word(
        "it has read the very same for too many wakes",
        "a dead probe or converter",
        "Pull it out and push it back: if the reading does not move, replace it.",
        OWNER,
    ),
    "jump": Word(
        "the soil seems drier at once than any plant can drink",
        "the probe was pulled out or moved",
        "Push the soil probe fully into the soil near the roots.",
        OWNER,
    ),
}

KINDS = {
    "none": Word("no water was asked for"),
    "depletion": Word("the soil was dry: fill it up"),
    "set": Word("the soil was dry: give the set dose"),
    "upkeep": Word("the small agreed dose while the soil probe is not believed"),
    "manual": Word("asked for at the button"),
}

CAUSES = {
    "timer": Word("woke by its timer"),
    "button": Word("woken by its button"),
    "power": Word("power came on", "the battery was changed or its contact is loose"),
    "reset": Word("was reset", "a cable, or its reset button"),
    "watchdog": Word("was reset by its watchdog", "its program hung"),
    "brownout": Word("was reset because its voltage gave way", "a weak battery or a bad contact"),
}

PHASES = {
    "idle": Word("nothing under way"),
    "soak": Word("between two pulses of a dose"),
    "first look": Word("looking for a leak, a minute after the last pulse"),
    "second look": Word("looking for a leak, ten minutes after the last pulse"),
}

PROBES = {
    "soil": "soil probe",
    "level": "level gauge",
    "battery": "battery reading",
    "temperature": "soil thermometer",
    "current": "pump current",
    "saucer": "saucer probe",
    "charger": "charger sense",
}

RULES = (
    {row[0]: row[1] for row in rules.PERMISSIVES}
    | {row[0]: row[1] for row in rules.LOCKOUTS}
    | {row[0]: row[2] for row in rules.NEEDS}
    | {row[0]: row[1] for row in TRIPS}
)


def of(table: dict[str, Word], name: str) -> Word:
    """The entry of that name; a name of a newer core speaks for itself."""
    return table.get(name) or Word(name)
