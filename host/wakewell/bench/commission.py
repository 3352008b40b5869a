"""A pot's first start, step by step, at the bench and then in the pot.

What belongs here: the steps, their questions, and when each may be taken. What does not: what is
run on the board (bench_board.py), what is made of the points (calibrate.py), the book
(bench_book.py).

It can be stopped at any question and taken up again: what is measured is in the book at once.
The pump never runs without a word typed for that very run, nor longer than is said.
"""

from __future__ import annotations

import statistics
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import tomlkit

from wakecore.table import convert
from wakewell.bench import calibrate, wiring_list
from wakewell.bench.bench_board import BenchBoard
from wakewell.errors import BadInput
from wakewell.kept import replace
from wakewell.pot import agree, chips, description, pot_folder
from wakewell.pot.bench_book import STAGES, Book, LedTo
from wakewell.pot.stage import calibration_mark, follow, marks, wiring_mark
from wakewell.terminal import Bad, tell
from wakewell.tomlfile import show
from wakewell.units import soil, volts, water

DRAWING = "wiring.svg"
RUN_WORD, GO_ON = "run", "ok"
HAND = "hand"  # in a file of answers: the figure that a desk board's hand reads
SHORT_MS, FLOW_MS = 1000, 4000
WET_MS, DRY_MS = 3000, 1500  # the pump's current; dry is short, for it runs on water's bearing
DRY_PPT = 800  # a current in air above this part of that in water tells no dry run. Own assumption
FLOW_RUNS, MOST_FLOW_RUNS = 3, 6
SCATTER_PPT = 50  # more than this between runs: run again. Common practice, no source
STAND = timedelta(hours=20)
METER_MA_PPT = 20  # of its current range, the same
METER_PPT = 5  # standard uncertainty of a cheap multimeter; own assumption
GROWN_G = 100  # of the plant, for an example
WEIGHED_PPT = 15  # standard uncertainty of soil water by weight; own assumption
# DS18B20: a sixteenth of a degree a count (Maxim data sheet, table 1)
DS18B20 = [(-320, -20_000), (960, 60_000)]


class StoppedByPerson(Exception):
    """The person stopped, or the file of answers has no more."""


class Failed(Exception):
    """A step found something that a person must correct."""


def read_answers(path: Path) -> dict[str, list[Any]]:
    """The file of answers: a value, or a list of them, for each question's key."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror}") from None
    except ValueError as error:
        raise BadInput(f"{path}: not TOML: {error}") from None
    found: dict[str, list[Any]] = {}
    for key, value in data.items():
        rows = value if isinstance(value, dict) else {"": value}
        for inner, content in rows.items():
            name = f"{key}.{inner}" if inner else key
            found[name] = list(content) if isinstance(content, list) else [content]
    return found


@dataclass
class Answers:
    """Where answers come from: a file (scripted), or the person at the terminal."""

    scripted: dict[str, list[Any]] | None = None
    say: Callable[[str], None] = tell
    asked: list[str] = field(default_factory=list)
    tell: Callable[[str], float | None] = lambda key: None
    """Told each question as it is asked first; the figure that a desk board's hand then reads."""
    _hand: str = ""

    def ask(self, key: str, question: str) -> str:
        """The stripped answer. Stopped at the end of the input or where the file has none."""
        self.asked.append(key)
        if self._hand:
            question = f"{question} [the desk board's hand: {self._hand}; Enter takes it]"
        if self.scripted is not None:
            left = self.scripted.get(key)
            if not left:
                raise StoppedByPerson(f"no answer for {key} in the file")
            answer = str(left.pop(0)).strip()
            self.say(f"{question} [{key}] {answer}")
            if answer == HAND and not self._hand:
                raise StoppedByPerson(
                    f"{key} = {HAND}: only a desk board's hand shows a figure; write it"
                )
            return self._hand if answer == HAND else answer
        try:
            return input(f"{question} ").strip() or self._hand
        except EOFError:
            raise StoppedByPerson("end of input") from None

    def told(self, key: str) -> None:
        """This is asked next."""
        figure = self.tell(key)
        self._hand = "" if figure is None else f"{figure:.10g}"

    def word(self, key: str, question: str, allowed: tuple[str, ...]) -> str:
        """One of a few words; "stop" stops. Where all is asked is to go on, Enter does.

        A pump's run has a word of its own, which is typed.
        """
        words_ = ["Enter for ok" if allowed == (GO_ON,) else ", ".join(allowed), "stop"]
        self.told(key)
        self._hand = ""  # it reads a number
        for _ in range(5):
            answer = self.ask(key, f"{question} ({', '.join(words_)})")
            if answer == "stop":
                raise StoppedByPerson("as you said")
            if not answer and allowed == (GO_ON,):
                return GO_ON
            if answer in allowed:
                return answer
            self.say(f"  {show(answer)}: allowed {', '.join(words_)}")
        raise StoppedByPerson("that answer cannot be used")

    def number(self, key: str, question: str, least: float, most: float) -> float | None:
        """A number in a range; None for "skip"."""
        self.told(key)
        for _ in range(5):
            answer = self.ask(key, f"{question} ({least:g} to {most:g}, skip, stop)")
            if answer == "stop":
                raise StoppedByPerson("as you said")
            if answer == "skip":
                return None
            try:
                value = float(answer.replace(",", "."))
            except ValueError:
                value = most + 1
            if least <= value <= most:
                return value
            self.say(f"  {show(answer)}: allowed {least:g} to {most:g}, skip, stop")
        raise StoppedByPerson("that answer cannot be used")


@dataclass
class Session:
    """One sitting: pot, book, board, answers."""

    folder: Path
    pot: description.PotFolder
    book: Book
    bench: BenchBoard
    answers: Answers
    board: str
    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    step: str = ""

    def say(self, text: str) -> None:
        """One line for the person."""
        self.answers.say(text)

    def confirm(self, key: str, question: str, trouble: str) -> None:
        """A yes, or Failed with what to do."""
        if self.answers.word(key, question, ("yes", "no")) == "no":
            raise Failed(trouble)

    def live(self, name: str) -> list[int]:
        """A probe's reading now; Failed if it does not answer."""
        reading = self.bench.read().get(name)
        if reading is None:
            raise Failed(f"{name} does not answer: check its wires, then run this again")
        return reading

    def point(self, probe: str, value: float, u: float, kind: str = "") -> list[int]:
        """Read a probe and enter the point in the book."""
        reading = self.live(probe)
        self.enter(probe, reading[0], value, u, reading[1], kind)
        at = calibrate.told(value, probe)
        said = f"  {probe}: {reading[0]} counts, spread {reading[1]}, at {at}"
        if (table := self.pot.calibration.get(probe)) is not None:
            says = calibrate.told(convert(table["points"], reading[0]), probe)
            said += f"; as found, its table says {says}"
        self.say(said)
        return reading

    def enter(
        self, probe: str, counts: int, value: float, u: float, spread: int, kind: str = ""
    ) -> None:
        """A point into the book."""
        self.book.add(
            "point", step=self.step, probe=probe, counts=counts, value=value, u=u, spread=spread,
            kind=kind,
        )  # fmt: skip

    def finding(
        self, step: str, as_found: str, as_left: str = "", note: str = "", **values: Any
    ) -> None:
        """Enter what was found and left, in words; values: numbers that a later step needs."""
        self.book.add("finding", step=step, as_found=as_found, as_left=as_left, note=note, **values)

    def findings(self, step: str) -> list[str]:
        """What was found or left at that step, each time it was taken, in words."""
        names = (step, f"{step} begun", "calibration" if step in STAGES else step)
        rows = [row for row in self.book.rows("finding") if row.get("step") in names]
        texts = [(row.get("as_found"), row.get("as_left"), row.get("date")) for row in rows]
        return [
            f"{left if step in STAGES else both(found, left)} ({day})" for found, left, day in texts
        ]

    def found(self, step: str, **kinds: type) -> dict[str, Any]:
        """The newest finding of that step that has these values, of these kinds; {} if none."""
        for row in reversed(self.book.rows("finding")):
            if row.get("step") == step and all(
                isinstance(row.get(name), kind) for name, kind in kinds.items()
            ):
                return dict(row)
        return {}

    def run_pump(self, key: str, ms: int, where: str) -> None:
        """Run the pump once, after a word for this very run."""
        ms = min(ms, self.pot.limits["pulse_ms"])
        question = f"The pump will run for {ms / 1000:g} s, no longer. {where} Type {RUN_WORD}"
        self.answers.word(key, question, (RUN_WORD,))
        ran_ms = self.bench.run_pump(ms)
        self.say(f"  ran {ran_ms} ms")


# --- at the bench ------------------------------------------------------------------------------


def wiring(s: Session) -> None:
    from wakewell.bench import circuit  # its library may load a plotting library: a second

    for text in wiring_list.text(s.pot):
        s.say(text)
    path = s.folder / DRAWING
    path.write_text(circuit.svg(s.pot), encoding="utf-8")
    s.say(f"  drawn in {path}")
    s.confirm("wiring.checked", "Is everything joined as listed?", "join it, then run this again")
    s.finding("wiring", "joined as listed")


def pull_down(s: Session) -> None:
    s.say("Hose end into a bucket. The pump's supply on. Its pin now floats: nothing may move.")
    s.bench.float_pump()
    moved = s.answers.word("pulldown.moved", "Did the pump move, or hum?", ("yes", "no"))
    s.bench.pump_off()
    if moved == "yes":
        s.finding("pull-down", "the pump moved although its pin floats")
        raise Failed(
            "no resistor holds the switch off: fit 10 kilohm from its input to ground (R1)"
        )
    s.finding("pull-down", "the pump stays off while its pin floats")


def battery(s: Session) -> None:
    s.say("Charger off, a panel covered. Measure at the cell's own terminals.")
    reading = s.live("battery")
    mv = s.answers.number("battery.meter_mv", "The multimeter says, in mV", 1000, 30000)
    if mv is None:
        raise StoppedByPerson("without a battery reading there is no low-battery lockout (R5)")
    part = s.pot.parts["battery"].numbers
    expected = part["lower_ohm"] / (part["upper_ohm"] + part["lower_ohm"])
    ratio = reading[0] / 1000.0 / mv
    if abs(ratio / expected - 1.0) > 0.05:
        raise Failed(
            f"the divider gives {ratio:.3f} of the cell, wiring.toml says {expected:.3f}: check "
            "which resistor has another value, correct it, then run this again"
        )
    assert s.pot.about is not None
    cell = s.pot.about.battery
    kind, cells = (cell.chemistry, cell.cells) if cell else (description.CHEMISTRIES[0], 1)
    full_mv = agree.FULL_MV[kind] * cells * ratio
    most_mv = chips.CHIPS[s.pot.about.chip].most_mv
    if full_mv > most_mv:
        raise Failed(
            f"a full cell puts {full_mv:.0f} mV on the pin, which reads correctly up to {most_mv} "
            "mV: use a larger upper resistor"
        )
    s.say(f"  divider {ratio:.4f}, {100 * (1 - full_mv / most_mv):.0f} % headroom at a full cell")
    s.point("battery", mv, mv * METER_PPT / 1000)
    # A divider is proportional, so a second point follows from the first, with more uncertainty.
    low = round(reading[0] * 0.7)
    s.enter("battery", low, round(mv * 0.7), mv * 0.01, reading[1], "ratio")
    s.finding("battery", f"{reading[0]} counts at {volts(mv, fine=True)}, ratio {ratio:.4f}")


def sensors(s: Session) -> None:
    readings = s.bench.read()
    dead = [name for name, reading in readings.items() if reading is None]
    if dead:
        raise Failed(f"{', '.join(dead)}: no answer; check the wires, then run this again")
    for name, reading in sorted(readings.items()):
        assert reading is not None
        s.say(f"  {name}: {reading[0]} counts, spread {reading[1]}")
    s.finding("sensors", f"{', '.join(sorted(readings))} answer")
    parts = s.pot.parts
    if "soil" in parts and parts["soil"].kind == "weight":
        scale(s, "soil")
    elif "soil" in parts:
        s.answers.word("soil.air", "Soil probe clean, dry, in the air.", ("ok",))
        air = s.point("soil", 0, 20, calibrate.BENCH)
        s.answers.word("soil.water", "In a glass of water, to its mark.", ("ok",))
        water = s.point("soil", 1000, 100, calibrate.BENCH)
        if abs(air[0] - water[0]) < 10 * max(air[1], water[1], 1):
            raise Failed(
                "the soil probe reads nearly the same in air and in water: replace it or check its "
                "supply"
            )
    if "temperature" in parts:
        celsius = s.live("temperature")[0] / 16
        if not -10 <= celsius <= 50:
            raise Failed(f"the thermometer says {celsius:.1f} °C: check its wires and its resistor")
        for counts, value in DS18B20:
            s.enter("temperature", counts, value, 300, 4, "sheet")
    if "saucer" in parts:
        s.answers.word("saucer.dry", "Saucer probe dry.", ("ok",))
        s.point("saucer", 0, 50)
        s.answers.word("saucer.wet", "Saucer probe in tap water.", ("ok",))
        s.point("saucer", 1000, 50)
    if "weight" in parts:
        scale(s, "weight")
    if "flowmeter" in parts and s.live("flowmeter")[0]:
        raise Failed("the flow meter counts with the pump off: check its wire, and for a siphon")
    if "charger" in parts:
        charge_sense(s)


def charge_sense(s: Session) -> None:
    """Charging and not: by the charger's plug, or by light on the panel, which no switch ends."""
    assert s.pot.about is not None
    if s.pot.about.panel is None:
        s.say("Connect the charger away from water, hands dry.")
        s.answers.word("charger.on", "It charges now.", ("ok",))
        on = s.point("charger", 1, 0)
        s.answers.word("charger.off", "Charger off again.", ("ok",))
        off = s.point("charger", 0, 0)
    else:
        s.answers.word("panel.lit", "The panel in the sun or under a bright lamp.", ("ok",))
        on = s.point("charger", 1, 0)
        s.answers.word("panel.covered", "The panel covered, so that no light reaches it.", ("ok",))
        off = s.point("charger", 0, 0)
        s.answers.word("panel.clear", "The cover off, the panel in its place.", ("ok",))
    if on[0] == off[0]:
        raise Failed("the charge sense does not change: check the charger's status line")


def scale(s: Session, probe: str) -> None:
    """A load cell from its tare and a known mass; the table from what is dry and the volume."""
    s.answers.word(f"{probe}.tare", "Nothing on the scale.", ("ok",))
    tare = s.live(probe)
    grams = s.answers.number(f"{probe}.mass_g", "A known mass on it: how many g", 100, 50000)
    if grams is None:
        raise StoppedByPerson("come back with a known mass, such as a weighed bottle of water")
    loaded = s.live(probe)
    if abs(loaded[0] - tare[0]) < 20 * max(tare[1], loaded[1], 1):
        raise Failed(f"{grams:g} g hardly move the scale: check the load cell's four wires")
    counts_g = (loaded[0] - tare[0]) / grams
    dry_g = s.answers.number(f"{probe}.dry_g", "Pot, dry substrate and plant weigh, g", 10, 5e5)
    if dry_g is None:
        raise StoppedByPerson("come back with that weight: without it the scale shows no water")
    assert s.pot.about is not None
    volume = s.pot.about.planter.volume_ml  # ml of water, and so g, for 1000 ppt
    spread = max(tare[1], loaded[1])
    for ppt in (0, 1000):
        counts = round(tare[0] + counts_g * (dry_g + volume * ppt / 1000))
        s.enter(probe, counts, ppt, WEIGHED_PPT, spread, calibrate.BENCH)
    grown = 1000 * GROWN_G / volume
    s.say(
        f"  {counts_g:.4g} counts a gram; {GROWN_G} g of growth will read as {soil(grown)} of water"
    )
    s.finding(
        f"scale of {probe}", f"{tare[0]} counts empty, {counts_g:.4g} a gram", f"dry {dry_g:g} g"
    )


def level(s: Session) -> None:
    part = s.pot.parts["level"]
    assert s.pot.about is not None
    full = s.pot.about.tank.volume_ml
    if part.kind == "float":
        s.answers.word("level.up", "Float lifted as by a full tank.", ("ok",))
        switch_ml = s.answers.number("level.switch_ml", "Content at which it drops, ml", 1, full)
        if switch_ml is None:
            switch_ml = full // 8
            s.say(f"  assuming {switch_ml} ml; the reserve is only that accurate")
        s.point("level", switch_ml, 0)
        s.answers.word("level.down", "Float down.", ("ok",))
        s.point("level", 0, 0)
        s.finding("level", f"the float drops at {switch_ml:g} ml")
        return
    s.say("Tank in its place, empty.")
    s.answers.word("level.empty", "Empty to where the pump draws air.", ("ok",))
    s.point("level", 0, 5)
    content, added = 0.0, 0
    while added < 8:
        more = s.answers.number(
            "level.added_ml", "Weighed water poured in, ml; skip when full", 1, full
        )
        if more is None:
            break
        content, added = content + more, added + 1
        if content > 1.05 * full:
            raise Failed(f"{content:g} ml is more than the tank's {full} ml in pot.toml: which?")
        s.point("level", round(content), 5 + 0.005 * content)
        if content >= 0.97 * full:
            break
    s.finding("level", f"empty to {content:g} ml in {added + 1} points")
    if added < 2:
        s.say("  fewer than three points: the table is a straight line, and less accurate")


def direction(s: Session) -> None:
    s.say("Water in the tank, hose end held in a bucket.")
    s.run_pump("direction.run", SHORT_MS, "Pump under water?")
    turned = s.answers.word(
        "direction.water", "Water or bubbles came out of the hose end, not into the tank?",
        ("yes", "no"),
    )  # fmt: skip
    if turned == "no":
        s.finding("direction", "the pump turned the wrong way, or did not turn")
        raise Failed("swap the pump's two wires, or free it, then run this again")
    s.finding("direction", "right")


def leak_look(s: Session) -> None:
    for key, what in (
        ("leak.joints", "All joints of the hose and the tank dry after that run?"),
        ("leak.end", "Hose end fixed above the full tank's water, or with a siphon break?"),
    ):
        s.confirm(key, what, "a leak or a siphon wets your floor: mend it, then run this again")
    s.finding("leak look", "joints dry, hose end safe")


def prime(s: Session) -> None:
    for runs in range(1, 6):
        s.run_pump("prime.run", 3000, "Hose end in the bucket.")
        if s.answers.word("prime.solid", "A solid stream, no air?", ("yes", "no")) == "yes":
            s.finding("prime", f"a solid stream in run {runs}")
            return
    raise Failed(
        "still air in the water after five runs: look for a kink, a loose joint, or a pump above "
        "the water"
    )


def flow(s: Session) -> None:
    s.say("Hose end where it will be in use, over a cup on a scale set to zero.")
    rates = [1e6 * r["ml"] / r["ran_ms"] for r in s.book.rows("flow") if "void" not in r]
    for _ in range(MOST_FLOW_RUNS):
        if len(rates) >= FLOW_RUNS and scatter_ppt(rates) <= SCATTER_PPT:
            break
        s.run_pump("flow.run", FLOW_MS, "Cup empty and under the hose?")
        ml = s.answers.number("flow.ml", "In the cup, g or ml", 1, 5000)
        if ml is None:
            continue
        pulses = {"pulses": s.bench.counted} if s.bench.counted else {}
        s.book.add("flow", step=s.step, ran_ms=s.bench.ran_ms, ml=ml, **pulses)
        rates.append(1e6 * ml / s.bench.ran_ms)
    if len(rates) < 2:
        raise Failed("at least two runs are needed: one does not show the scatter")
    word = f"{statistics.mean(rates) / 1000:.2f} ml/s, scatter {scatter_ppt(rates) / 10:.1f} %"
    s.say(f"  {word}")
    s.finding("flow", word)
    if scatter_ppt(rates) > SCATTER_PPT:
        raise Failed(f"{word}: more than 5 %: air in the hose, or a weak cell? Then run this again")


def scatter_ppt(rates: list[float]) -> float:
    """Standard deviation over mean."""
    return 1000 * statistics.stdev(rates) / statistics.mean(rates) if len(rates) > 1 else 1000.0


def pump_current(s: Session) -> None:
    s.say("A meter in the pump's lead, in a range for its current; read it while the pump runs.")
    ma = []
    for key, where, ms in (
        ("water", "Pump under water, hose end in the bucket?", WET_MS),
        (
            "air",
            "Pump lifted out, hose empty: it runs dry only this once; longer would damage it.",
            DRY_MS,
        ),
    ):
        s.run_pump("current.run", ms, where)
        counts, spread = s.bench.drew
        seen = s.answers.number(f"current.{key}_ma", "The meter said, in mA", 1, 20000)
        if seen is None:
            s.say("  skipped: the current is not used to recognise a dry run (R4)")
            s.book.void(s.step)
            return
        ma.append(seen)
        s.enter("current", counts, round(seen), seen * METER_MA_PPT / 1000, spread)
    if ma[1] * 1000 > ma[0] * DRY_PPT:
        raise Failed(
            f"{ma[1]:g} mA in air, {ma[0]:g} mA in water: too similar to recognise a dry run; try "
            "with all the hose in place, or leave current out of wiring.toml"
        )
    set_value(s, "calibration", "dry_ma", round((ma[0] + ma[1]) / 2))
    s.finding("pump current", f"{ma[0]:g} mA in water, {ma[1]:g} mA in air")


def button(s: Session) -> None:
    s.answers.word("button.ready", "Press the button now and hold it.", ("ok",))
    if not s.bench.button():
        raise Failed("the button is not recognised: check its wires, and pull in wiring.toml")
    s.answers.word("button.released", "Let it go.", ("ok",))
    if s.bench.button():
        raise Failed(
            "the button stays pressed: a stuck button wakes the board again and again until it is "
            "ignored"
        )
    s.finding("button", "recognised, and free again")


def sleep_current(s: Session) -> None:
    s.say(
        "A meter in the cell's lead, board asleep. Begin in the largest range: at the start it "
        "draws mA."
    )
    ua = s.answers.number("sleep.ua", "It draws, in microamperes", 1, 100000)
    if ua is None:
        return
    s.finding("sleep current", f"{ua:g} microamperes")
    set_value(s, "calibration", "sleep_ua", round(ua))
    if ua > 1000:
        s.say(
            "  so much comes from a development board's USB bridge and light: the cell lasts "
            "weeks, not a year"
        )


def provisional(s: Session) -> None:
    finish_tables(s, 1)
    s.say("Provisional: it reads and reports, and gives upkeep doses only if settings.toml allows")
    s.say(f"them. Flash it: wakewell flash {s.folder}")


# --- over the first weeks ------------------------------------------------------------------------


def stand(s: Session) -> None:
    if s.pot.parts["level"].kind == "float":  # it shows no amounts
        dry = s.answers.word(
            "stand.dry",
            "Has the full tank stood for a day, and all below it is dry?",
            ("yes", "no"),
        )
        if dry == "no":
            raise Failed("leave it full above something that shows drops; mend any leak")
        s.finding("leak stand", "dry below a full tank after a day, by eye")
        return
    began = s.found("leak stand begun", counts=int, at=datetime)
    counts = s.live("level")[0]
    if not began or began["at"].tzinfo is None:
        s.finding("leak stand begun", f"{counts} counts", counts=counts, at=s.now())
        raise StoppedByPerson("leave the tank for a day without using the pump; come back tomorrow")
    since = s.now() - began["at"]
    if since < STAND:
        raise StoppedByPerson(
            f"the tank has been left for {since.total_seconds() / 3600:.0f} h; 20 are needed"
        )
    table = s.pot.calibration["level"]["points"]
    lost_ml = convert(table, began["counts"]) - convert(table, counts)
    days = max(1.0, since.total_seconds() / 86400)
    allowed_ml = s.pot.calibration["tolerance_ml"] + days * s.pot.settings["leak_ml_day"]
    s.finding("leak stand", f"{lost_ml} ml in {days:.1f} days", f"allowed {allowed_ml:.0f} ml")
    if lost_ml > allowed_ml:
        raise Failed(
            f"the tank lost {water(lost_ml)} in {days:.1f} days: find the leak, then "
            "let it stand again"
        )
    s.say(f"  {water(lost_ml)} in {days:.1f} days, allowed {water(allowed_ml)}")


def soil_capacity(s: Session) -> None:
    s.say(f"  soil probe now: {s.live('soil')[0]} counts")
    s.say("Soak the pot until it drips, let it drain overnight without a saucer, weigh it whole.")
    grams = s.answers.number("soil.soaked_g", "It weighs, in g", 10, 500000)
    if grams is None:
        raise StoppedByPerson("come back when it has drained")
    dry = s.answers.number("soil.dry_g", "Pot, dry substrate and plant weigh, if known, g", 1, 5e5)
    assert s.pot.about is not None
    volume = s.pot.about.planter.volume_ml
    # An error that both weighings share cancels in a depletion, so only their separate errors count
    # in the fit.
    ppt, word = float(s.pot.calibration["capacity_ppt"]), "capacity_ppt unchanged, not measured"
    if dry is not None:
        ppt, word = 1000 * (grams - dry) / volume, "weighed"
        if not 100 <= ppt <= 900:
            raise Failed(
                f"{soil(ppt)} of water is impossible: weigh again, or see volume_ml (pot.toml)"
            )
    s.point("soil", round(ppt), WEIGHED_PPT, calibrate.CAPACITY)
    s.finding("soil capacity", f"{grams:g} g", soil(ppt), word, grams=grams)


def soil_refill(s: Session) -> None:
    s.say(f"  soil probe now: {s.live('soil')[0]} counts")
    s.say("When the plant just needs water, before it wilts: weigh the pot again in the same way.")
    grams = s.answers.number("soil.refill_g", "It weighs, in g", 10, 500000)
    if grams is None:
        raise StoppedByPerson("come back when it needs water")
    soaked = s.found("soil capacity", grams=int) or s.found("soil capacity", grams=float)
    if not soaked:
        raise Failed(
            "the bench book holds no weight of the soaked pot (grams): take that step again, with "
            "--again 'soil capacity'"
        )
    was_g = soaked["grams"]
    capacity = next(p.value for p in s.book.points("soil") if p.kind == calibrate.CAPACITY)
    assert s.pot.about is not None
    fell_ppt = 1000 * (was_g - grams) / s.pot.about.planter.volume_ml
    if not 20 <= fell_ppt < capacity:
        raise Failed(f"a fall of {soil(fell_ppt)} from {soil(capacity)} is impossible: weigh again")
    s.point("soil", round(capacity - fell_ppt), WEIGHED_PPT, calibrate.REFILL)
    s.finding("soil refill", f"{grams:g} g", soil(capacity - fell_ppt))


def commissioned(s: Session) -> None:
    finish_tables(s, 2)
    s.say("Commissioned. Flash it, commit its folder, and look at the first doses.")
    s.say(f"  wakewell flash {s.folder}")


def finish_tables(s: Session, stage: int) -> None:
    """Fit, write, set the stage; as found and as left into the book."""
    found = {key: s.pot.calibration.get(key) for key in ("stage", "flow_ul_s", "capacity_ppt")}
    made = calibrate.calibrate(s.folder, s.book)
    if made.refused:
        raise Failed(made.refused[0])
    made.change("calibration", "stage", stage)
    if (soil := s.pot.parts.get("soil")) is not None:
        made.change("calibration", "weighed", int(soil.kind == "weight"))
    made.change("calibration", "float_only", int(s.pot.parts["level"].kind == "float"))
    if stage == 1 and "upkeep_ml" in s.pot.settings and not s.pot.settings["upkeep_ml"]:
        s.say("  settings.toml allows no upkeep dose: water by hand until then")
    for text in [*made.lines, *calibrate.write(made)]:
        s.say(f"  {text}")
    s.pot = pot_folder.load(s.folder)
    s.book.lead_to(marks(s.pot, s.board))
    left = {key: s.pot.calibration.get(key) for key in found}
    s.finding("calibration", words(found), words(left))
    if (outlook := agree.outlook(s.pot)) is not None:
        s.say(f"  a dose: {water(outlook.dose_ml)} in {outlook.pulses} pulses")


def both(found: Any, left: Any) -> str:
    """What was found and left, as far as there is both."""
    return "; ".join(str(text) for text in (found, left) if text)


def words(values: dict[str, Any]) -> str:
    """Values in a line."""
    return ", ".join(f"{key} = {value}" for key, value in values.items())


def set_value(s: Session, kind: str, key: str, value: Any) -> None:
    """One value of a file of the pot, a copy of the old file kept."""
    path = s.folder / f"{kind}.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    document[key] = value
    replace(path, tomlkit.dumps(document))
    before, s.pot = s.pot, pot_folder.load(s.folder)
    follow(s.book, before, s.pot)


def own_book(s: Session) -> None:
    """The bench book is one of this very board, or a new one is begun. Stopped if neither."""
    board = s.book.led_to().board
    if not s.book.begun or board == s.board:
        pass
    elif not board:
        same = s.answers.word(
            "book.board",
            "This bench book does not say to which board it belongs. Does it belong to this one, "
            f"{s.board}?",
            ("yes", "no"),
        )
        if same == "no":
            s.book.anew()
    else:
        s.say(f"This bench book is of board {board}, and this is board {s.board}: what was")
        s.say("measured with another board is not valid for this one.")
        anew = s.answers.word(
            "book.anew", "Start a new book? The old one stays in kept/", ("yes", "no")
        )
        if anew == "no":
            raise StoppedByPerson("nothing was changed")
        s.book.anew()
    if s.book.led_to().board != s.board:
        s.book.lead_to(LedTo(board=s.board))


def due_again(s: Session) -> list[str]:
    """Steps that are done but no longer valid: what they led to was changed since."""
    led = s.book.led_to()
    last = [step for step in STAGES if s.book.done(step)][-1:]
    if led.stage and led.wiring != wiring_mark(s.pot):
        return ["wiring", "pull-down", *last]
    return last if led.calibration != calibration_mark(s.pot) else []


class BenchStep(NamedTuple):
    """One step. part: what it needs. long: how long it takes (common practice, no source). why:
    what it is for. care: the danger, told before the person does anything.
    """

    name: str
    part: str
    title: str
    act: Callable[[Session], None]
    long: str
    why: str
    care: str = ""


BY_PANEL = {
    "wiring": agree.PANEL_CARE,
    "sensors": agree.PANEL_CARE,
    "sleep current": "The panel covered: its charger's current would be in the reading.",
}
WATER_CARE = "Everything mains-powered out of reach of a spill, the board dry and away from water."
STEPS: tuple[BenchStep, ...] = (
    BenchStep(
        "wiring", "", "Wiring", wiring, "20 minutes",
        "a wire on a wrong pin can run the pump or damage the chip",
        "Charger unplugged, cell taken out. Never bridge a lithium cell's terminals.",
    ),
    BenchStep(
        "pull-down", "pump", "The resistor that keeps the pump off", pull_down, "2 minutes",
        "while the chip starts, only a resistor keeps the pump off (R1)",
        "If it is missing the pump runs at once: hose end into a bucket before power comes on.",
    ),
    BenchStep(
        "battery", "battery", "Battery against a multimeter", battery, "5 minutes",
        "the pot must know when its cell is too low for the pump (R5)",
        "A slip of the meter's tips shorts the cell, and a shorted lithium cell burns.",
    ),
    BenchStep(
        "sensors", "", "Every sensor answers", sensors, "15 minutes",
        "a dead or swapped sensor is found here, and not by a plant (R6)",
        "Keep the probe's electronics above the water. A mains charger only with dry hands.",
    ),
    BenchStep(
        "level", "level", "Tank level", level, "10 minutes",
        "counts of the gauge become millilitres: dry running and leaks are judged by them (R4, R8)",
        WATER_CARE,
    ),
    BenchStep(
        "direction", "pump", "Direction of the pump", direction, "2 minutes",
        "a pump that turns backwards blows air into the tank and waters nothing",
        WATER_CARE,
    ),
    BenchStep(
        "leak look", "pump", "Check for leaks", leak_look, "12 minutes",
        "what drips now drips for months with nobody there (R8)",
        "Wipe up at once what drips near mains.",
    ),
    BenchStep(
        "prime", "pump", "The hose primed", prime, "2 minutes",
        "air in the hose would be measured as water",
        WATER_CARE,
    ),
    BenchStep(
        "flow", "pump", "Flow, measured with a cup", flow, "10 minutes",
        "seconds of the pump become millilitres: the day's limit counts by them (R2, R3)",
        WATER_CARE,
    ),
    BenchStep(
        "pump current", "current", "Current of the pump", pump_current, "5 minutes",
        "what it draws in water and in air tells a dry run (R4)",
        "Dry running wears the pump: once, and no longer than is said.",
    ),
    BenchStep(
        "button", "button", "The button", button, "1 minute",
        "it is the owner's only way to end a lockout (R12)",
    ),
    BenchStep(
        "sleep current", "", "Current asleep", sleep_current, "5 minutes",
        "asleep is where a year of battery goes",
        "A meter in its current range is a short: never across the cell, only in its lead.",
    ),
    BenchStep(
        "provisional", "", "Provisional", provisional, "1 minute",
        "the tables of the bench are made; without soil points it does not water by itself (R14)",
    ),
    BenchStep(
        "leak stand", "level", "The tank is left for a day", stand, "a day, most of it waiting",
        "a slow leak or a siphon shows only in a day (R8)",
        "Stand it where a full tank's water would do no harm.",
    ),
    BenchStep(
        "soil capacity", "soil", "Soaked and drained", soil_capacity, "a day, most of it waiting",
        "how much the soil holds: where a dose ends",
        "A soaked pot drips for hours: over a tub, its electronics out of the wet.",
    ),
    BenchStep(
        "soil refill", "soil", "When it needs water", soil_refill,
        "a week or two, most of it waiting",
        "how dry it may get: where a dose begins",
    ),
    BenchStep(
        "commissioned", "", "Commissioned", commissioned, "1 minute",
        "the tables are made with the soil's own points; from then on it waters by itself (R14)",
        "Stay in reach for the first doses.",
    ),
)  # fmt: skip


def carry_on(s: Session, again: list[str]) -> int:
    """Every step that is not done. 0 all done, 1 a step failed or was left for later."""
    try:
        own_book(s)
    except StoppedByPerson as why:
        s.say(f"Stopped: {why}. Run the same command to go on.")
        return 1
    again = [*again, *due_again(s)]
    steps = [row for row in STEPS if not row[1] or row[1] in s.pot.parts]
    for number, step in enumerate(steps, 1):
        done, place = s.book.done(step.name), f"Step {number} of {len(steps)}"
        if done and step.name not in again:
            s.say(f"{place}, {step.title}: done {done}")
            continue
        s.say(f"{place}, {step.title}: about {step.long}")
        s.say(f"  what for: {step.why}")
        sunned = s.pot.about is not None and s.pot.about.panel is not None
        for care in (step.care, BY_PANEL.get(step.name, "") if sunned else ""):
            if care:
                s.say(f"  care: {care}")
        before = s.findings(step.name)
        s.say(f"  as found: {before[-1] if before else 'never taken before'}")
        s.step = name = step.name
        if name != "flow" or name in again:  # runs of a broken-off flow step still count
            s.book.void(name)
        try:
            step.act(s)
        except StoppedByPerson as why:
            s.say(f"Stopped at {name!r}: {why}. Run the same command to go on.")
            return 1
        except Failed as why:
            s.finding(name, f"failed: {why}")
            s.say(Bad(f"FAILED at {name!r}: {why}"))
            return 1
        s.book.finish(name)
        left = s.findings(step.name)[len(before) :]
        s.say(f"  as left: {left[-1] if left else 'done'}")
    return 0


if __name__ == "__main__":
    sys.exit("run wakewell commission")
