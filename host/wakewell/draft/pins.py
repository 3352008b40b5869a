"""Which pin of the chip each part gets.

What belongs here: choosing pins that serve without a doubt, and refusing those that do not. What
does not: what a pin can do (pot/chips.py), how parts fit one another (pot/agree.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from wakewell.errors import BadInput
from wakewell.pot import chips
from wakewell.pot.chips import Chip
from wakewell.pot.description import Part
from wakewell.pot.parts import PARTS, kinds_of
from wakewell.tomlfile import nearest, show

ALWAYS = ("pump", "power", "soil", "level", "battery", "button")
LOWER_OHM = 220_000  # so that the divider draws some ten microamperes
E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)  # IEC 60063
HEADROOM = 0.95  # of what the converter reads, at the highest voltage

Asked = Mapping[tuple[str, str], int]  # (part, use) to pin


def kind_of(part: str, level: str) -> str:
    """The kind of that part: the first that it has, but for the level."""
    return level if part == "level" else (kinds_of(part) or ("",))[0]


def uses(parts: Iterable[str], level: str) -> dict[tuple[str, str], str]:
    """{(part, name of its pin): what the pin is for}."""
    return {
        (part, pin): use
        for part in parts
        for pin, use in PARTS[part, kind_of(part, level)].pins.items()
    }


def upper_ohm(chip: Chip, highest_mv: int) -> int:
    """The least resistor of the E12 row that keeps such a battery in the converter's reach."""
    most_mv = HEADROOM * chip.most_mv
    rows = (base * 10**power for power in (3, 4, 5, 6) for base in E12)
    return next(ohm for ohm in rows if highest_mv * LOWER_OHM <= most_mv * (ohm + LOWER_OHM))


def _asked(chip: Chip, wanted: Mapping[tuple[str, str], str], asked: Asked) -> None:
    """BadInput for a pin that was asked for and cannot be."""
    taken: dict[int, str] = {}
    for key, pin in asked.items():
        name = ".".join(key)
        free = chips.fitting(chip, wanted[key], frozenset(asked.values()))
        advice = f"allowed {', '.join(map(str, free)) or 'none that is free'}; name another"
        why = chips.refused(chip, wanted[key], pin)
        if pin in taken:
            why = f"{taken[pin]} is on this pin already"
        if why:
            raise BadInput(
                f"--pin {name}={pin}: {why} ({wanted[key]} on the {chip.name}); {advice}"
            )
        taken[pin] = name


def _pulled(part: str) -> bool:
    """Does it need the chip's own resistor?"""
    return part in ("button", "charger", "level")


def chosen(
    chip: Chip, parts: Iterable[str], level: str, asked: Asked
) -> dict[tuple[str, str], int]:
    """A pin for every part, those asked for first. Raises BadInput where there are too few."""
    wanted = uses(parts, level)
    _asked(chip, wanted, asked)
    found = dict(asked)
    worth = {
        pin: sum(pin in chips.fitting(chip, use) for use in (chips.ANALOG, chips.WAKE, chips.PUMP))
        for pin in chip.pins
    }
    may = {
        key: [
            pin
            for pin in chips.fitting(chip, use)
            if not (_pulled(key[0]) and use != chips.ANALOG and pin in chip.input_only)
        ]
        for key, use in wanted.items()
        if key not in asked
    }
    # Whoever has the fewest to choose from goes first, and takes what others need least
    for key in sorted(may, key=lambda key: len(may[key])):
        free = [pin for pin in may[key] if pin not in found.values()]
        if not free:
            name = key[0] if len(PARTS[key[0], kind_of(key[0], level)].pins) == 1 else ".".join(key)
            text = f"{name}: the {chip.name} has no pin left for it ({wanted[key]}); leave a "
            raise BadInput(text + "probe out (--probes), or choose another chip (--chip esp32)")
        found[key] = min(free, key=lambda pin: (worth[pin], pin))
    return {key: found[key] for key in wanted}


def parts_of(
    chip: Chip, found: Mapping[tuple[str, str], int], level: str, highest_mv: int
) -> dict[str, Part]:
    """The parts on these pins, as wiring.toml would give them."""
    made: dict[str, Part] = {}
    for name in dict.fromkeys(part for part, _ in found):
        what = PARTS[name, kind_of(name, level)]
        pins = {pin: found[name, pin] for pin in what.pins}
        words = {word: allowed[0] for word, allowed in what.words.items()}
        if "pull" in words and chip.input_only & set(pins.values()):
            words["pull"] = "none"
        numbers = {}
        if name == "battery":
            numbers = {"upper_ohm": upper_ohm(chip, highest_mv), "lower_ohm": LOWER_OHM}
        made[name] = Part(name, kind_of(name, level), pins, what.pins, words, numbers)
    return made


def read(texts: Iterable[str], parts: Iterable[str], level: str) -> dict[tuple[str, str], int]:
    """`soil=32` and `level.trigger=18` as they were asked for. Raises BadInput."""
    wanted, found = uses(parts, level), {}
    for text in texts:
        name, _, number = text.partition("=")
        part, _, pin = name.partition(".")
        key = (part, pin or "pin")
        if key not in wanted:
            names = [".".join(k) if k[1] != "pin" else k[0] for k in wanted]
            raise BadInput(f"--pin {show(text)}: not a part of this pot; {nearest(name, names)}")
        if not number.isdecimal() or len(number) > 3:
            raise BadInput(
                f"--pin {show(text)}: allowed a part and a pin's number, such as soil=32"
            )
        if key in found:
            raise BadInput(f"--pin {show(text)}: {name} was given a pin already; leave one out")
        found[key] = int(number)
    return found
