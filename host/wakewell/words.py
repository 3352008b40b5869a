"""The core's words in plain ones: what it is, what causes it, what to do about it.

What belongs here: one entry for every need, lockout, trip, permissive, probe word, dose,
wake cause and phase of the core, for pages, messages and the command line alike. What
does not: when one of them applies (wakecore decides), and how a page looks.

`plain` is the end of a sentence about the pot, `cause` what usually lies behind it, `mend`
what to do next, `do` the same and whether to water by hand meanwhile; empty, it means nothing.
The causes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from wakecore import rules
from wakecore.run import TRIPS
from wakewell.language import say, term

OWNER, MAKER, NOBODY = "owner", "maker", "nobody"
UNTIL = term("Until then water by hand.")


@dataclass(frozen=True)
class Word:
    """One word of the core for a person, in English. who: whom `do` speaks to; dry: the pot gives
    no water before it is done."""

    plain_: str
    cause_: str = ""
    mend_: str = ""
    who: str = NOBODY
    dry: bool = False

    @property
    def plain(self) -> str:
        """What it is, in the language in force."""
        return say(self.plain_)

    @property
    def cause(self) -> str:
        """What usually lies behind it, in the language in force."""
        return say(self.cause_)

    @property
    def mend(self) -> str:
        """What to do about it, in the language in force, for where watering is spoken of beside."""
        return say(self.mend_)

    @property
    def do(self) -> str:
        """What to do about it, for a text that says nothing else of watering."""
        return f"{self.mend} {say(UNTIL)}" if self.dry else self.mend


class Said(dict[str, str]):
    """English texts by name; each is read in the language in force."""

    def __getitem__(self, name: str) -> str:
        return say(super().__getitem__(name))

    def get(self, name: str, default: Any = None) -> Any:
        """The text of that name in the language in force, else the default."""
        text = super().get(name)
        return default if text is None else say(text)


# Parts of a record that a board leaves out where its memory is short (wakeboard.short)
LEFT_OUT = Said(
    {
        "samples": "the samples of the pulse",
        "decisions": "what it decided",
        "readings": "what it read",
        "end": "its end: the wake was interrupted",
    }
)

NEEDS = {
    "fill the tank": Word(
        "the tank is getting empty",
        "the plant has used the water",
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
        "Check the battery's plug and contacts.",
        OWNER,
        dry=True,
    ),
    "unplug the charger": Word(
        "the battery can only be measured while its charger is off",
        "the charger is still plugged in, or the pot cannot see that it is off",
        "Unplug the charger.",
        OWNER,
    ),
    "confirm the charge": Word(
        "the battery is full again, and the pot waits for you to confirm that it was charged",
        "this pot cannot see its charger",
        "Unplug the charger, then hold the button for two seconds.",
        OWNER,
    ),
    "see to the soil probe": Word(
        "the soil probe gives implausible readings, so it is ignored",
        "pulled out, a loose plug, a broken wire, soil near freezing or standing in water, or a "
        "little water by hand day after day",
        "Push the soil probe fully into the soil near the roots and check its plug.",
        OWNER,
        dry=True,
    ),
    "see to the thermometer": Word(
        "the soil thermometer gives implausible readings, or says frost while the soil dries as if"
        " it were warm",
        "a loose plug, a broken wire, or a broken thermometer",
        "Check the plug of the soil thermometer. If the soil is not near freezing, it must be"
        " replaced.",
        OWNER,
        dry=True,
    ),
    "see to the level": Word(
        "the tank's level cannot be read, so the pump stays off",
        "a loose plug, a broken wire, dirt on the gauge, or a tank filled above its mark",
        "Check the plug of the level gauge and wipe the gauge.",
        OWNER,
        dry=True,
    ),
    "free the button": Word(
        "the button is stuck, so it is ignored",
        "something presses on it, or it is damp",
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
        "Check the plug of the saucer probe.",
        OWNER,
        dry=True,
    ),
    "clear a lockout": Word(
        "the pot has stopped watering until somebody has looked at it",
        "the stop itself says why",
        "Find and mend the cause, then hold the button for two seconds.",
        OWNER,
    ),
    "see to the pot": Word(
        "the pot has stopped watering until its maker has looked at it",
        "the stop itself says why",
        "Call the maker.",
        OWNER,
        dry=True,
    ),
    "commission the pot": Word(
        "the pot is not yet in service, so it does not water by itself",
        "its bench checks or its soil measurements are not finished",
        "Finish putting the pot into service.",
        MAKER,
        dry=True,
    ),
    "see why it stays dry": Word(
        "the soil has been dry for several wakes and something keeps the pot from watering",
        "each of its wakes says why it gave no water",
        "Water by hand, then find out why it is not being watered.",
        MAKER,
    ),
    "water by hand": Word(
        "the plant is thirsty and the pot cannot give it enough",
        "something keeps the pot from watering, or the plant needs more than the pot may give",
        "Feel the soil, and water the plant by hand if it is dry.",
        OWNER,
    ),
    "see to the hose": Word(
        "the last watering did not reach the soil",
        "the hose lies beside the pot, has come off, or is clogged",
        "Check that the hose lies on the soil and that its end is not clogged.",
        OWNER,
    ),
    "see why the tank empties": Word(
        "the tank lost water that was not pumped",
        "a leak, a hose that siphons, a pump switch that is stuck on, or a tank that was taken "
        "away",
        "Look for water on the floor. Lift the end of the hose above the tank, and do not fill "
        "the tank until the cause is found.",
        OWNER,
    ),
}

LOCKOUTS = {
    "battery low": Word(
        "it has stopped watering to protect the battery",
        "the cell is empty, old or cold, or its contacts are bad",
        "Charge the battery, away from the water. Watering starts again by itself; "
        "where the pot cannot see its charger, unplug it and hold the button for two seconds.",
        OWNER,
    ),
    "dry run": Word(
        "it has stopped watering because the pump ran and the tank did not get emptier",
        "an empty tank, a clogged strainer, a kinked or loose hose, or a stuck level gauge",
        "Fill the tank, clean the strainer and straighten the hose. Filling the tank ends the "
        "stop; if the tank was full already, hold the button for two seconds.",
        OWNER,
    ),
    "leak": Word(
        "it has stopped watering because the tank lost water that was not pumped",
        "a cracked tank, a loose fitting, a hose that came off, or a hose end below the water "
        "line, which siphons",
        "Look for water around the pot and lift the end of the hose above the water in the tank. "
        "Do not fill the tank until the cause is found. Then call the maker, who can end the stop "
        "with the cable.",
        OWNER,
    ),
    "no response": Word(
        "it has stopped watering because the soil did not get wetter after it was watered",
        "the soil probe is out of the soil, the hose is off, or the water runs straight through",
        "Check that the hose ends in the pot and the soil probe sits among the roots. Water "
        "slowly by hand until the soil around the probe is wet. Then hold the button for two "
        "seconds: the pot gives one small dose. If two such doses do not make the soil wetter, the "
        "button no longer helps: call the maker, who can end the stop with the cable.",
        OWNER,
    ),
    "interrupted": Word(
        "it has stopped watering because it lost power while pumping, more than once",
        "a weak battery, a bad contact, or a pump that draws too much",
        "Charge the battery, away from the water, check its contacts, then hold the button for two "
        "seconds.",
        OWNER,
    ),
    "saucer wet": Word(
        "it has stopped watering because the saucer is wet",
        "more water came than the soil can hold, or the hose missed the pot",
        "Empty and dry the saucer, check where the hose ends, then hold the button for two "
        "seconds.",
        OWNER,
    ),
    "state lost": Word(
        "it has stopped watering because it no longer knows how much water it has given",
        "the power failed while both copies were damaged, or the storage is worn out",
        "Check whether the soil is wet already; if it is not, hold the button for two seconds. "
        "If it happens again, call the maker.",
        OWNER,
    ),
    "files damaged": Word(
        "it has stopped watering because its settings could not be read",
        "worn storage, or an update that was cut short",
        "Call the maker, who can write the settings again with the cable.",
        OWNER,
        dry=True,
    ),
}

# The same in few words, for a sentence that says it is over.
STOPPED_FOR = Said(
    {
        "battery low": "a low battery",
        "dry run": "pump runs without water",
        "leak": "a leak",
        "no response": "soil that did not get wetter",
        "interrupted": "power lost while pumping",
        "saucer wet": "a wet saucer",
        "state lost": "lost records of its watering",
        "files damaged": "settings that could not be read",
    }
)

# Permissives that say of a lockout what it says itself
SAME_AS_STOPPED = {
    "battery low": ("battery",),
    "files damaged": ("files",),
    "no response": ("answer",),
    "saucer wet": ("saucer",),
}

TRIPS_WORDS = {
    "full": Word("the run was longer than the record has room for", "a slow clock", "", MAKER),
    "fault": Word(
        "a part failed while the pump ran",
        "a loose plug, or too little memory",
        "Check the plugs; if it happens again, send the log to the maker.",
        MAKER,
    ),
    "day": Word("the 24-hour limit was reached during the run", "a fast pump", ""),
    "reserve": Word(
        "the tank fell to its reserve",
        "the plant has used the water",
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
        "Check that the pump is under water and plugged in.",
        OWNER,
    ),
    "fast fall": Word(
        "the level fell faster than this pump can pump",
        "a hose that came off, a siphon, or a gauge that jumps",
        "Look for water around the pot and check that the hose is attached.",
        OWNER,
    ),
    "level lost": Word(
        "the level gauge stopped answering while the pump ran",
        "a loose plug or a broken wire",
        "Check the plug of the level gauge.",
        OWNER,
    ),
    "sag": Word(
        "the battery voltage dropped too far while the pump ran",
        "an empty, old or cold cell, a bad contact, or a pump that is stuck",
        "Charge the battery, away from the water; if it is full, check its contacts and the pump.",
        OWNER,
    ),
    "battery lost": Word(
        "the battery could not be read while the pump ran",
        "a loose wire between battery and board",
        "Check the battery's plug.",
        MAKER,
    ),
    "wet": Word(
        "the saucer got wet while the pump ran",
        "more water than the soil can hold, or the hose missed the pot",
        "Empty the saucer and check where the hose ends.",
        OWNER,
    ),
    "no count": Word(
        "the flow meter counted too little water while the pump ran",
        "no water at the pump's inlet, a blocked hose, or a meter whose wheel is stuck",
        "Check that the pump is under water, the hose is free and the flow meter is plugged in.",
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
    "pin": Word("the pump's pin is unknown", "the file that names it cannot be read", "", MAKER),
    "boots": Word("it had started three times without finishing a wake", "", "", MAKER),
    "files": Word("its settings could not be read", "", "", MAKER),
    "match": Word("settings, limits and calibration do not match", "", "", MAKER),
    "commissioned": Word("the pot is not yet in service", "", "", MAKER),
    "lockouts": Word("it had stopped for safety", "", "", OWNER),
    "battery": Word("the battery was too low, or could not be read", "", "", OWNER),
    "level": Word("the reading of the tank's level was implausible", "", "", OWNER),
    "reserve": Word("the tank was down to its reserve", "", "", OWNER),
    "steady": Word("the level was unclear, so it had to be measured again", "", "", OWNER),
    "soil": Word("the reading of the soil probe was implausible", "", "", OWNER),
    "moving": Word("the soil reading did not change, like that of a dead probe", "", "", OWNER),
    "settled": Word("the last dose was still soaking in"),
    "saucer": Word("the saucer was wet, or its probe could not be read", "", "", OWNER),
    "day": Word("the 24-hour water limit was reached"),
    "answer": Word("the soil did not get wetter after it was watered", "", "", OWNER),
}

# What the same permissive says when it held.
HELD = Said(
    {
        "pin": "the pump's pin is known",
        "boots": "it starts properly",
        "files": "its settings are readable",
        "match": "settings, limits and calibration match",
        "commissioned": "the pot is in service",
        "lockouts": "it has not stopped for safety",
        "battery": "the battery is strong enough for a run",
        "level": "the reading of the tank's level is plausible",
        "reserve": "the tank holds more than its reserve",
        "steady": "the level is steady",
        "soil": "the reading of the soil probe is plausible",
        "moving": "the soil reading changes",
        "settled": "the last dose has soaked in",
        "saucer": "the saucer is dry, or there is no probe in it",
        "day": "the 24-hour water limit is not reached",
        "answer": "the soil gets wetter when it is watered",
    }
)

PROBE_WORDS = {
    "good": Word("plausible"),
    "unfitted": Word("not fitted, or not calibrated yet"),
    "absent": Word("it did not answer", "a loose plug or a broken wire", "Check its plug.", OWNER),
    "railed": Word(
        "its reading is at the end of its scale",
        "a cut wire or a short circuit",
        "Check its wire.",
        OWNER,
    ),
    "flicker": Word(
        "its readings vary widely within one wake",
        "a loose plug, damp in the plug, or noise on the wire",
        "Dry its plug and push it in firmly.",
        OWNER,
    ),
    "span": Word(
        "its reading is outside the calibrated range",
        "out of the soil, in a puddle, or aged",
        "Check that it is where it was calibrated; if it is, calibrate it again.",
        OWNER,
    ),
    "cold": Word(
        "the soil is near freezing, and its readings are wrong then",
        "frost",
        "Wait until the soil is warmer, or move the pot to a warmer place.",
        OWNER,
    ),
    "frozen": Word(
        "its reading has been exactly the same for too many wakes",
        "a dead probe or converter",
        "Pull it out and push it back in: if the reading does not change, replace it.",
        OWNER,
    ),
    "jump": Word(
        "the soil seems to have dried faster than any plant can drink",
        "the probe was pulled out or moved",
        "Push the soil probe fully into the soil near the roots.",
        OWNER,
    ),
}

KINDS = {
    "none": Word("no water was needed"),
    "depletion": Word("the soil was dry, so it was filled up"),
    "set": Word("the soil was dry, so the set dose was given"),
    "upkeep": Word("the small agreed dose while the soil probe is ignored"),
    "manual": Word("asked for at the button"),
}

CAUSES = {
    "timer": Word("woke by its timer"),
    "button": Word("woken by its button"),
    "power": Word("was switched on", "the battery was changed, or its contact is loose"),
    "reset": Word("was reset", "a cable, or its reset button"),
    "watchdog": Word("was reset by its watchdog", "its program stopped responding"),
    "brownout": Word(
        "was reset because its voltage dropped too far", "a weak battery or a bad contact"
    ),
}

PHASES = {
    "idle": Word("nothing in progress"),
    "soak": Word("between two pulses of a dose"),
    "first look": Word("looking for a leak, a minute after the last pulse"),
    "second look": Word("looking for a leak, ten minutes after the last pulse"),
}

RULES = (
    {row[0]: row[1] for row in rules.PERMISSIVES}
    | {row[0]: row[1] for row in rules.LOCKOUTS}
    | {row[0]: row[2] for row in rules.NEEDS}
    | {row[0]: row[1] for row in TRIPS}
)


# What a need asks somebody to do, in few words
TASKS = Said(
    {
        "see to the battery": "check the battery",
        "confirm the charge": "confirm that it was charged",
        "see to the soil probe": "check the soil probe",
        "see to the thermometer": "check the soil thermometer",
        "see to the level": "check the level gauge",
        "see to the saucer probe": "check the saucer probe",
        "clear a lockout": "find the cause of a lockout and end it",
        "see to the pot": "call the maker",
        "see why it stays dry": "find out why it is not being watered",
        "see to the hose": "check the hose",
        "see why the tank empties": "find out where the tank's water goes",
        "fill the tank": "fill the tank",
        "charge the battery": "charge the battery",
        "unplug the charger": "unplug the charger",
        "free the button": "free the button",
        "empty the saucer": "empty the saucer",
        "commission the pot": "put the pot into service",
        "water by hand": "water by hand",
    }
)


def task(need: str) -> str:
    """What somebody was asked to do, by the name of the need."""
    text: str = TASKS.get(need, need)
    return text


def of(table: dict[str, Word], name: str) -> Word:
    """The entry of that name; a name of a newer core speaks for itself."""
    return table.get(name) or Word(name)
