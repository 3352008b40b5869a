"""Hands for a desk board: what a person can do to the pot on its pins, a line for each.

What belongs here: the list of hands, how a line is read, what a hand does to the rig, what it then
reads or sees, and a file that says what the hands do when a host asks. What does not: physics
(rig/), the board's own switches and what is printed around it (commands/deskboard.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from wakewell.deskboard.board import DeskBoard
from wakewell.deskboard.rig_world import RigWorld
from wakewell.errors import BadFile, BadInput
from wakewell.shipped import HANDS as USUAL
from wakewell.tomlfile import Problem, TomlFile, nearest, read_toml, show, show_key, show_path
from wakewell.units import soil, water

CHARGER_MA = 500.0  # a small USB charger
# Of a dry planter with its plant, beside the water in it; it cancels in every difference.
SHELL_G, DRY_G_ML = 400.0, 0.2  # own assumptions
WET_ML = 50.0  # of tap water into the saucer
FULL_ML = 0.5  # with less room than that the tank counts as full


class Done(NamedTuple):
    """The result of a hand. figure: what it read, for the asker; None where it reads nothing."""

    text: str
    figure: float | None = None


class HandNumber(NamedTuple):
    """A number that a hand takes. percent: it may be a share, written with %."""

    unit: str
    least: float
    most: float
    needed: bool = False
    percent: bool = False

    def allowed(self) -> str:
        """What may be written."""
        share = " or a share such as 25%" if self.percent else ""
        return f"{self.unit} from {self.least:g} to {self.most:g}{share}"


class Order(NamedTuple):
    """A line that was understood. share: the number is a share of a whole, not an amount."""

    row: Hand
    number: float | None
    share: bool = False


@dataclass(frozen=True)
class Hand:
    """One hand: its words, its number, what `help` says, and what it does."""

    words: str
    about: str
    act: Callable[[Hands, Order], Done]
    number: HandNumber | None = None

    @property
    def form(self) -> str:
        """How it is written."""
        if self.number is None:
            return self.words
        unit = self.number.unit
        return f"{self.words} {unit}" if self.number.needed else f"{self.words} [{unit}]"


class Hands:
    """The hands at one desk board. All of it runs on the board's own thread (DeskBoard.do).

    script: question and what is done when a host asks it, as `script` reads it. plays: do that;
    else only say what could be typed. say: called with both.
    """

    def __init__(
        self,
        board: DeskBoard,
        world: RigWorld,
        script: dict[str, Any] | None = None,
        *,
        plays: bool = False,
        say: Callable[[str], None] = print,
    ) -> None:
        self.board, self.world = board, world
        self.script, self.plays, self.say = script or {}, plays, say
        self.carried_ml: float | None = None
        """The water in the tank while it is carried away."""
        self._asked: dict[str, int] = {}
        self._seen_s, self._seen_ml, self._seen_floor_ml = 0.0, 0.0, 0.0
        world.person = self.asked

    def do(self, line: str) -> Done:
        """Do what a line says. Raises BadInput for a line that is not known."""
        order = read(line)
        self.world.settle(self.board.now_us)
        done = order.row.act(self, order)
        self.world.changed()
        return done

    def asked(self, question: str) -> float | None:
        """A host asks its person this question. Returns the figure that the last hand read."""
        self._asked[question] = times = self._asked.get(question, 0) + 1
        listed = self.script.get(question, "")
        if isinstance(listed, str):
            text = listed
        elif times <= len(listed):
            text = listed[times - 1]
        else:
            self.say(
                f"asked {question}, time {times}: the list for it has {len(listed)}; do it here"
            )
            return None
        if not text:
            return None
        if not self.plays:
            self.say(f"asked {question}. By hand here: {text}")
            return None
        figure = None
        for line in text.split(";"):
            done = self.do(line)
            figure = done.figure
            self.say(f"asked {question}. {line.strip()}: {done.text}")
        return figure

    # --- probes ----------------------------------------------------------------------------------

    def put_probe(self, where: str, words: str) -> Done:
        """The soil probe somewhere else."""
        again = "already " if self.world.pot.probe_at == where else ""
        self.world.pot.put_probe(where)
        return Done(f"the soil probe is {again}{words}")

    def probe_pot(self, order: Order) -> Done:
        """The soil probe in the pot, and the pot's soil at so many per cent."""
        done = self.put_probe("pot", "in the pot")
        if order.number is None:
            return Done(f"{done.text}, its soil at {self.soil_text()}")
        levels = self.world.pot.soil.levels
        if not levels.floor <= order.number / 100 <= levels.saturated:
            return Done(
                f"impossible: this soil holds {soil(1000 * levels.floor)} to "
                f"{soil(1000 * levels.saturated)} of its volume in water"
            )
        self.world.pot.bring_soil(order.number / 100)
        return Done(f"{done.text}, its soil at {self.soil_text()}")

    def soil_text(self) -> str:
        """The soil's water."""
        return soil(1000 * self.world.pot.soil.content)

    def pot_soak(self) -> Done:
        """Soaked and drained at once, as after a night."""
        pot = self.world.pot
        pot.bring_soil(pot.soil.levels.capacity)
        pot.empty_saucer()
        return Done(f"soaked until it dripped, and drained as overnight: {self.soil_text()}")

    def pot_dry(self) -> Done:
        """Left to the plant, as for a week, at once."""
        pot = self.world.pot
        if pot.soil.content <= pot.soil.levels.stress:
            return Done(f"already so dry that the plant needs water: {self.soil_text()}")
        pot.bring_soil(pot.soil.levels.stress)
        return Done(f"left until the plant just needs water: {self.soil_text()}")

    def pot_water(self, ml: float) -> Done:
        """A can of water."""
        self.world.pot.hand_water(ml)
        return Done(f"{water(ml)} poured on: {self.soil_text()}")

    def saucer(self, wet: bool) -> Done:
        """The saucer's probe in water, or dry: by what is in the saucer."""
        pot = self.world.pot
        if wet and not pot.saucer_wet():
            pot.soil.saucer_ml = WET_ML
        elif not wet:
            pot.empty_saucer()
        return Done(f"the saucer is {'wet' if wet else 'dry'}")

    # --- tank and hose ---------------------------------------------------------------------------

    def tank_empty(self) -> Done:
        """Down to where the pump draws air."""
        if self.carried_ml is not None:
            self.carried_ml = 0.0
            return Done("the tank is away; what was in it is poured out")
        gone = self.world.pot.empty_tank()
        if gone < FULL_ML:
            return Done("the tank is already empty to where the pump draws air")
        return Done(f"{water(gone)} poured out: the pump draws air now")

    def tank_fill(self, order: Order) -> Done:
        """Pour in, no more than fits."""
        line = self.world.pot.line
        full = line.parts.capacity_ml
        inside = line.tank_ml if self.carried_ml is None else self.carried_ml
        room = full - inside
        if room < FULL_ML:
            return Done(f"the tank is full, {water(full)}: nothing was poured")
        wanted = room if order.number is None else order.number
        if order.share and order.number is not None:
            wanted = order.number / 100 * full
        poured = round(min(wanted, room))
        if self.carried_ml is None:
            self.world.pot.refill(min(poured, room))
        else:
            self.carried_ml += poured
        more = f" of {water(wanted)}: no more fits" if wanted > room + FULL_ML else ""
        return Done(f"{water(poured)} poured in{more}", poured)

    def tank_away(self) -> Done:
        """Carry it away with its water."""
        if self.carried_ml is not None:
            return Done("the tank is already away")
        self.carried_ml = self.world.pot.line.tank_ml
        self.world.pot.take_tank()
        return Done(f"carried away with {water(self.carried_ml)} in it")

    def tank_back(self) -> Done:
        """Bring it back with what is in it."""
        if self.carried_ml is None:
            return Done("the tank is in its place")
        ml, self.carried_ml = self.carried_ml, None
        self.world.pot.refill(ml)
        return Done(f"back in its place with {water(ml)} in it")

    def tank_float(self) -> Done:
        """The usable content at which the float drops."""
        pot = self.world.pot
        if pot.spec.level.kind != "float":
            return Done("this tank has no float switch")
        ml = pot.spec.tank.volume_ml(pot.spec.level.float_mm) - pot.line.parts.intake_ml
        return Done(f"weighed as it was poured out: the float drops at {water(ml)}", round(ml))

    def hose(self, where: str) -> Done:
        """The hose's end somewhere else; a cup is empty when it comes under it."""
        pot, again = self.world.pot, "already "
        if where == "cup":
            pot.cup_ml, again = 0.0, ""
        elif pot.hose_at != where:
            again = ""
        pot.hose_at = where
        words = {
            "cup": "over an empty cup",
            "pot": "in the pot",
            "beside": "off: water falls beside the pot",
        }
        return Done(f"the hose is {again}{words[where]}")

    # --- what a hand reads -----------------------------------------------------------------------

    def weigh_cup(self) -> Done:
        """The cup on the scale."""
        if self.world.pot.hose_at != "cup":
            return Done("there is no cup: hose cup puts one under the hose")
        self.world.pot.soil  # noqa: B018 - books what the pump moved
        ml = round(self.world.pot.cup_ml, 1)
        return Done(f"{ml:g} g, that is {ml:g} ml, in the cup", ml)

    def weigh_pot(self, dry: bool) -> Done:
        """The pot on the scale, its saucer left out."""
        earth = self.world.pot.soil
        grams = round(SHELL_G + DRY_G_ML * earth.volume_ml + (0.0 if dry else earth.water_ml))
        what = "pot, dry substrate and plant weigh" if dry else "the pot weighs"
        return Done(f"{what} {grams} g", grams)

    def meter_cell(self) -> Done:
        """A voltmeter at the cell."""
        mv = round(self.world.pot.cell_mv())
        return Done(f"{mv} mV at the cell", mv)

    def meter_pump(self) -> Done:
        """An ammeter in the pump's lead: what it showed while the pump ran last."""
        if not self.world.runs:
            return Done("the pump has not run yet: nothing to read")
        ma = round(self.world.drew_ma)
        return Done(f"{ma} mA while the pump ran last", ma)

    def meter_sleep(self) -> Done:
        """An ammeter in the cell's lead while the board sleeps."""
        board = self.world.pot.spec.board
        ua = round(board.sleep_ua + board.leak_ua)
        return Done(f"{ua} microamperes while the board sleeps", ua)

    def look(self) -> Done:
        """What anybody would see, since the last look."""
        world, pot = self.world, self.world.pot
        earth = pot.soil
        ran_s = world.pump_us / 1e6 - self._seen_s
        out_ml = pot.counts.pumped_ml + pot.counts.siphoned_ml - self._seen_ml
        spilled = pot.counts.missed_ml + pot.counts.leaked_ml + pot.counts.brim_ml
        spilled += earth.tally.floor_ml
        floor_ml = spilled - self._seen_floor_ml
        self._seen_s += ran_s
        self._seen_ml += out_ml
        self._seen_floor_ml = spilled
        said = [
            "since the last look",
            f"the pump ran {ran_s:.1f} s" if ran_s else "the pump stood still",
        ]
        if out_ml > 0.0:
            stream = ", solid at the end" if world.did == "moving" else ""
            said.append(f"{out_ml:.0f} ml came out of the hose{stream}")
        elif ran_s:
            said.append("nothing came out of the hose")
        said.append(
            f"{floor_ml:.0f} ml fell on the floor" if floor_ml >= 1.0 else "all else is dry"
        )
        return Done(f"{said[0]}: {'; '.join(said[1:])}")

    # --- charger, panel and button ---------------------------------------------------------------

    def charger(self, plugged: bool) -> Done:
        """The charger in or out."""
        again = "already " if (self.world.pot.charger_ma > 0.0) == plugged else ""
        self.world.pot.charger_ma = CHARGER_MA if plugged else 0.0
        return Done(f"the charger is {again}{'plugged in' if plugged else 'out'}")

    def panel(self, share: float | None, words: str) -> Done:
        """Light on the panel, or none."""
        if not self.world.pot.spec.panel.peak_mw:
            return Done("this pot has no panel of known power (peak_mw in pot.toml)")
        self.world.pot.light_panel(share)
        return Done(f"the panel is {words}: {self.world.pot.sun_ma:.0f} mA from its charger")

    def press(self, seconds: float) -> Done:
        """A press that ends by itself."""
        if self.world.pressed:
            return Done("the button is held already: button release lets it go")
        self.board.press_button(seconds)
        return Done(f"pressed for {seconds:g} s")

    def hold(self, down: bool) -> Done:
        """A finger on the button, or off it."""
        if self.world.pressed == down:
            return Done(f"the button is already {'held' if down else 'free'}")
        if down:
            self.board.press_button(None)
        else:
            self.board.release_button()
        return Done("held down, until button release" if down else "let go")


USUAL_PRESS_S, MOST_HOLD_S = 0.2, 30.0
AMOUNT = HandNumber("ML", 1, 100_000, percent=True)

ROWS: tuple[Hand, ...] = (
    Hand("probe air", "the soil probe out of the pot, dry",
        lambda h, o: h.put_probe("air", "in air")),
    Hand("probe water", "the soil probe in a glass of water",
        lambda h, o: h.put_probe("water", "in water")),
    Hand("probe pot", "the probe in the pot; with a number, its soil at that % water by volume",
        lambda h, o: h.probe_pot(o), HandNumber("PERCENT", 0, 100)),
    Hand("pot soak", "soak the pot and let it drain overnight; that night is its soil's alone",
        lambda h, o: h.pot_soak()),
    Hand("pot dry", "leave it until the plant just needs water; that week is its soil's alone",
        lambda h, o: h.pot_dry()),
    Hand("pot water", "water the pot with a can", lambda h, o: h.pot_water(o.number or 0.0),
        HandNumber("ML", 1, 100_000, needed=True)),
    Hand("saucer wet", "water in the saucer", lambda h, o: h.saucer(True)),
    Hand("saucer dry", "pour the saucer out", lambda h, o: h.saucer(False)),
    Hand("tank empty", "pour the tank out until the pump draws air", lambda h, o: h.tank_empty()),
    Hand("tank fill", "fill the tank, or so much of it", lambda h, o: h.tank_fill(o), AMOUNT),
    Hand("tank away", "carry the tank away", lambda h, o: h.tank_away()),
    Hand("tank back", "bring the tank back", lambda h, o: h.tank_back()),
    Hand("tank float", "see at which content the float switch drops", lambda h, o: h.tank_float()),
    Hand("hose cup", "hold the hose over an empty cup", lambda h, o: h.hose("cup")),
    Hand("hose pot", "put the hose into the pot", lambda h, o: h.hose("pot")),
    Hand("hose off", "pull the hose off", lambda h, o: h.hose("beside")),
    Hand("weigh cup", "what is in the cup", lambda h, o: h.weigh_cup()),
    Hand("weigh pot", "what the pot weighs", lambda h, o: h.weigh_pot(False)),
    Hand("weigh dry", "what pot, dry substrate and plant weigh", lambda h, o: h.weigh_pot(True)),
    Hand("meter cell", "the cell's voltage", lambda h, o: h.meter_cell()),
    Hand("meter pump", "the current of the pump when it ran last", lambda h, o: h.meter_pump()),
    Hand("meter sleep", "the current while the board sleeps", lambda h, o: h.meter_sleep()),
    Hand("look", "what happened since the last look: pump, hose, floor", lambda h, o: h.look()),
    Hand("charger in", "plug the charger in", lambda h, o: h.charger(True)),
    Hand("charger out", "pull the charger out", lambda h, o: h.charger(False)),
    Hand("panel lamp", "hold the panel into full sun, or under a lamp as bright",
        lambda h, o: h.panel(1.0, "in full light")),
    Hand("panel cover", "cover the panel", lambda h, o: h.panel(0.0, "covered")),
    Hand("panel clear", "the panel where it stands, nothing on it",
        lambda h, o: h.panel(None, "in its place")),
    Hand("button", "press the button (0.2 s; 2 s: end a lockout; 6 s: the entry page; 10 s: mute)",
        lambda h, o: h.press(USUAL_PRESS_S if o.number is None else o.number),
        HandNumber("SECONDS", 0.05, MOST_HOLD_S)),
    Hand("button hold", "hold the button down", lambda h, o: h.hold(True)),
    Hand("button release", "let the button go", lambda h, o: h.hold(False)),
)  # fmt: skip
BY_WORDS = {row.words: row for row in ROWS}
THINGS = tuple(dict.fromkeys(row.words.split()[0] for row in ROWS))


def read(line: str) -> Order:
    """What a line asks for. Raises BadInput, with what is allowed."""
    words = line.split()
    if not words or words[0] not in THINGS:
        near = nearest(words[0] if words else "", THINGS)
        raise BadInput(f"{show(line.strip())}: there is no such hand; {near}; help lists them")
    forms = [row.form for row in ROWS if row.words.split()[0] == words[0]]
    allowed = f"{show(line.strip())}: allowed {', '.join(forms)}"
    for row in (BY_WORDS.get(" ".join(words[:2])), BY_WORDS.get(words[0])):
        if row is None:
            continue
        rest = words[len(row.words.split()) :]
        if not rest and not (row.number and row.number.needed):
            return Order(row, None)
        if row.number is None or len(rest) != 1:
            break
        text, kind = rest[0], row.number
        share = kind.percent and text.endswith("%")
        least, most = (1.0, 100.0) if share else (kind.least, kind.most)
        try:
            number = float(text.removesuffix("%") if share or kind.unit == "PERCENT" else text)
        except ValueError:
            number = most + 1.0
        if not least <= number <= most:
            raise BadInput(f"{allowed}; {kind.allowed()}")
        return Order(row, number, share)
    raise BadInput(allowed)


def help_text() -> str:
    """The hands, a line each."""
    return "\n".join(f"{row.form:<20} {row.about}" for row in ROWS)


def script(path: Path = USUAL) -> dict[str, Any]:
    """What a file of hands says: for each question the hands, or a list of them, one for each time
    it is asked. Raises BadInput for a question or a hand that there is none."""
    if not path.is_file():
        raise BadInput(f"{show_path(str(path))}: no such file; name a file of hands, or none")
    known = [name for name, *_ in _values(_read(USUAL))]
    file, found = _read(path), {}
    for name, keys, value in _values(file):
        if name not in known:
            text = f"{show_key(*keys)}: commission asks no such thing; {nearest(name, known)}"
            raise BadFile(file.problem(text, *keys))
        lines = value if isinstance(value, list) else [value]
        if not all(isinstance(text, str) for text in lines):
            text = f"{name} = {show(value)}: allowed hands as a text, or a list of texts"
            raise BadFile(file.problem(text, *keys))
        for hand in (hand for text in lines if text for hand in text.split(";")):
            try:
                read(hand)
            except BadInput as why:
                raise BadFile(file.problem(f"{name}: {why}", *keys)) from None
        found[name] = value
    return found


def _read(path: Path) -> TomlFile:
    file = read_toml(path, show_path(str(path)))
    if isinstance(file, Problem):
        raise BadFile(file)
    return file


def _values(file: TomlFile) -> Iterator[tuple[str, tuple[str, ...], Any]]:
    """Question, its place in the file, and what is done. A question may be written soil.air,
    "soil.air" or below [soil].
    """
    for key, value in file.data.items():
        if not isinstance(value, dict):
            yield key, (key,), value
            continue
        for inner, content in value.items():
            yield f"{key}.{inner}", (key, inner), content
