"""A board that follows a script: readings, faults and its own counted time.

It has no opinion about watering. `play` runs a script through driver and core, wake by
wake, with the state going through its stored bytes between wakes, as on a chip.

A script is plain data (it crosses to MicroPython as JSON):

    {"pot": {"settings": LINE, "limits": LINE, "calibration": LINE},
     "core": "...",
     "wakes": [{"cause": "timer", "counts": {"soil": [1200000, 40], ...}, ...}, ...]}

and one wake may say, everything optional but `counts`:

    cause, slept_s, vouched, boots, pin, button_ms, host, utc, state, settings, limits,
    calibration, radio, radio_ms    as in a record's `begin`
    counts            {probe: [counts, spread] or None}
    after             the same, read again after a pulse
    level_ml          the tank is filled or emptied to this before the wake
    level_spread      the scatter of its reading
    lost_ml           water that left the tank since the last wake with the pump off
    passed_s          what really passed since the last wake, by the clock on the wall
    stores            [1, 0, ...] results of the storage writes, 1 when used up
    run               what happens while the pump runs: see RUN
    awake_ms          how long the wake took
    retained          {name: number} the state it begins with, instead of the stored one
"""

from wakeboard.driver import drive
from wakeboard.store import snapshot
from wakecore import fields, line
from wakecore.run import CHANNELS, MOST_SAMPLES, MS, OVERRUN_MS, PLACES, SAMPLE_MS, UNREAD
from wakecore.state import State, from_bytes
from wakecore.table import convert, counts_at
from wakecore.wake import RECORD

if False:
    from typing import Any, Iterator

    from wakecore.fields import Pot, Probe
    from wakecore.run import Run
    from wakecore.typed import Reading, Readings

# While the pump runs: (name, default, meaning)
RUN = (
    ("flow_ul_s", None, "what the pump moves; None: the calibrated usual flow"),
    ("sag_mv", 200, "how far the battery sags"),
    ("current_ma", 300, "what the pump draws"),
    ("stuck_level", 0, "1: the level reading does not move"),
    ("wet_at_ms", None, "the saucer gets wet"),
    ("saucer_lost_at_ms", None, "the saucer probe stops answering"),
    ("sag_at_ms", None, "from here the battery reads `sag_to_mv`"),
    ("sag_to_mv", 2500, ""),
    ("level_lost_at_ms", None, "the level probe stops answering"),
    ("battery_lost_at_ms", None, "the battery reading stops answering"),
    ("reset_at_ms", None, "the chip resets (brown-out) in the pulse"),
    ("hang_at_ms", None, "the program hangs: pulse not renewed, watchdog bites"),
    ("fault_at_ms", None, "a part raises an error"),
    ("memory_at_ms", None, "no memory is left"),
    ("clock_stops_at_ms", None, "the millisecond count stands still"),
    ("metered_ppt", 1000, "share of the water that the flow meter counts; 0: it is stuck"),
    ("flowmeter_lost_at_ms", None, "the flow meter stops answering"),
    ("samples", None, "{channel: counts of every sample}, played as they are"),
    ("ran_ms", None, "with samples: how long the board says the pump ran"),
)
HARD_DEADLINE_MS = 50  # what the board allows beyond the pulse before its own deadline


class Reset(BaseException):
    """The chip resets: nothing after this line of the program runs."""


# How a pulse can end by itself
ENDINGS = ("reset_at_ms", "hang_at_ms", "fault_at_ms", "memory_at_ms")


def ending(name: str) -> "BaseException":
    """What is raised; made before the pulse, as its samples are."""
    if name == "fault_at_ms":
        return OSError(5)
    return MemoryError() if name == "memory_at_ms" else Reset()


class MockBoard:
    """Plays one wake of a script after another. Keeps what really happened to the water."""

    def __init__(self, pot: "Pot", state: "State") -> None:
        self.pot = pot
        self.slots = [state.to_bytes(), b""]
        self.level_ml: int | None = None
        self.slept_s = 0
        self.next_cause = "power"
        self.records: list[Any] = []
        self.wake: dict[str, Any] = {}
        self.pumping = self.reported = False
        self.pumped_ul = 0
        self.events: list[str] = []

    # Before a wake

    def prepare(self, wake: "dict[str, Any]") -> None:
        """Set up the next wake."""
        self.wake = wake
        self.stores = list(wake.get("stores", ()))
        self.behaviour = {name: wake.get("run", {}).get(name, default) for name, default, _ in RUN}
        counts = wake["counts"]
        level = counts.get("level")
        if "level_ml" in wake:
            self.level_ml = wake["level_ml"]
        elif level is not None and self.level_ml is None:
            self.level_ml = 0
        if self.level_ml is not None:
            self.level_ml = max(0, self.level_ml - wake.get("lost_ml", 0))
        self.events = []
        self.ran_ms = 0
        self.after = None

    def begin(self) -> "dict[str, Any]":
        """What the script says, else what a chip would say after the last sleep."""
        cause = self.wake.get("cause", self.next_cause)
        timed = cause in ("timer", "button")
        begin = {
            "cause": cause,
            "slept_s": self.slept_s if timed else 0,
            "vouched": 1 if timed else 0,
            "boots": 0,
            "pin": 1,
            "button_ms": 300 if cause == "button" else 0,
            "utc": [0, 0, 0],
            "host": [],
            "state": "good",
            "settings": "good",
            "limits": "good",
            "calibration": "good",
            "radio": "heard" if self.reported else "none",
            "radio_ms": 0,
        }
        self.reported = False
        for name in begin:
            if name in self.wake:
                begin[name] = self.wake[name]
        return begin

    # What the driver asks of a board

    def off(self) -> None:
        """Pump off."""
        self.pumping = False
        self.events.append("off")

    def rest(self) -> "Reading | None":
        """The battery at rest."""
        self.events.append("rest")
        reading: Reading | None = self.wake["counts"].get("battery")
        return reading

    def read(self) -> "Readings":
        """Every probe but the battery; the level follows the tank."""
        self.events.append("read")
        found = dict(self.after or self.wake["counts"])
        found.pop("battery", None)
        if "level" not in found and self.level_ml is not None:
            assert self.pot.calibration.level is not None
            points = self.pot.calibration.level.points
            spread = self.wake.get("level_spread", 0)
            found["level"] = [counts_at(points, self.level_ml), spread]
        return found

    def store(self, data: bytes) -> bool:
        """Into the slot whose turn it is, unless the script says that it fails."""
        good = self.stores.pop(0) if self.stores else 1
        self.events.append("store" if good else "store failed")
        if good:
            self.slots = [data, self.slots[0]]
        return good == 1

    def arm(self, run: "Run") -> None:
        """Work out the whole pulse: while it runs the heap is locked, on MicroPython."""
        cal, did = self.pot.calibration, self.behaviour
        flow = did["flow_ul_s"]
        self.flow_ul_s = cal.flow_ul_s if flow is None else flow
        self.rest_mv = fields_value(cal.battery, self.wake["counts"]["battery"])
        self.at = 0
        self.rows = self.given(did["samples"]) if did["samples"] else self.foreseen(run.pulse_ms)

    def given(self, samples: "dict[str, list[int]]") -> "list[Any]":
        """(time really run, ending, samples) of the samples given; past the last one, a fault."""
        none = [0] * len(samples["ms"])
        columns = [samples.get(name, none) for name in CHANNELS]
        rows: list[Any] = []
        for at in range(len(none)):
            now = [column[at] for column in columns]
            rows.append((now[MS], None, now))
        if len(rows) < MOST_SAMPLES:
            rows.append((rows[-1][0] if rows else 0, ending("fault_at_ms"), None))
        return rows

    def foreseen(self, pulse_ms: int) -> "list[Any]":
        """(time really run, ending or None, samples) of every sample until the pulse is over."""
        did = self.behaviour
        rows: list[Any] = []
        deadline_ms = pulse_ms + HARD_DEADLINE_MS
        for count in range(1, MOST_SAMPLES + 2):
            ran_ms = min(count * SAMPLE_MS, deadline_ms)
            now = self.samples_at(ran_ms)
            for name in ENDINGS:
                at_ms = did[name]
                if past(at_ms, ran_ms):
                    if name == "reset_at_ms":
                        self.next_cause, ran_ms = "brownout", at_ms
                    elif name == "hang_at_ms":
                        self.next_cause = "watchdog"
                        ran_ms = min(at_ms + OVERRUN_MS, deadline_ms)
                    rows.append((ran_ms, ending(name), now))
                    return rows
            rows.append((ran_ms, None, now))
            if now[MS] >= pulse_ms:
                break
        return rows

    def start(self) -> None:
        """Pump on."""
        self.pumping = True
        self.after = self.wake.get("after")

    def sample(self, run: "Run") -> None:
        """The next sample, or what ends the pulse. Allocates nothing."""
        ran_ms, raised, samples = self.rows[min(self.at, len(self.rows) - 1)]
        self.at += 1
        self.ran_ms = ran_ms
        if raised is not None:
            raise raised
        for channel in range(len(CHANNELS)):
            run.now[channel] = samples[channel]

    def samples_at(self, ran_ms: int) -> list[int]:
        """Every channel's counts when the pump has run that long."""
        did, cal, now = self.behaviour, self.pot.calibration, [0] * len(CHANNELS)
        assert cal.battery is not None
        now[MS] = did["clock_stops_at_ms"] if past(did["clock_stops_at_ms"], ran_ms) else ran_ms
        now[PLACES["level"]] = self.level_counts(ran_ms)
        mv = did["sag_to_mv"] if past(did["sag_at_ms"], ran_ms) else self.rest_mv - did["sag_mv"]
        lost = past(did["battery_lost_at_ms"], ran_ms)
        now[PLACES["battery"]] = UNREAD if lost else counts_at(cal.battery.points, mv)
        if cal.current is not None:
            now[PLACES["current"]] = counts_at(cal.current.points, did["current_ma"])
        if cal.saucer is not None:
            wet = past(did["wet_at_ms"], ran_ms)
            lost = past(did["saucer_lost_at_ms"], ran_ms)
            now[PLACES["saucer"]] = (
                UNREAD if lost else counts_at(cal.saucer.points, 1000 if wet else 0)
            )
        if cal.flowmeter is not None:
            lost = past(did["flowmeter_lost_at_ms"], ran_ms)
            ul = ran_ms * self.flow_ul_s // 1000 * did["metered_ppt"] // 1000
            now[PLACES["flowmeter"]] = UNREAD if lost else counts_at(cal.flowmeter.points, ul)
        return now

    def level_counts(self, ran_ms: int) -> int:
        """The level while the pump runs."""
        did, level = self.behaviour, self.pot.calibration.level
        if past(did["level_lost_at_ms"], ran_ms):
            return UNREAD
        if "level" in self.wake["counts"]:
            reading = self.wake["counts"]["level"]
            return int(reading[0]) if reading else UNREAD
        gone_ml = 0 if did["stuck_level"] else ran_ms * self.flow_ul_s // 1000000
        assert level is not None
        return counts_at(level.points, max(0, (self.level_ml or 0) - gone_ml))

    def stop(self) -> int:
        """Pump off; book what it moved."""
        if self.pumping:
            self.pumping = False
            self.events += ["on", "off"]
            if self.behaviour["ran_ms"] is not None:
                self.ran_ms = self.behaviour["ran_ms"]
            moved_ul = self.ran_ms * self.flow_ul_s // 1000
            self.pumped_ul += moved_ul
            if self.level_ml is not None and not self.behaviour["stuck_level"]:
                self.level_ml = max(0, self.level_ml - moved_ul // 1000)
        return self.ran_ms

    def close(self) -> int:
        """A wake takes two seconds and the pump's time."""
        self.events.append("close")
        awake_ms: int = self.wake.get("awake_ms", 2000 + self.ran_ms)
        return awake_ms

    def log(self, record: "Any") -> None:
        """Kept in memory."""
        self.events.append("log")
        self.records.append(record)

    def report(self, n: int) -> None:
        """Heard, unless the next wake's script says otherwise."""
        self.reported = True
        self.events.append("report")

    def sleep(self, sleep_s: int, button: int) -> None:
        """The scripted time passes at the next wake."""
        self.slept_s = sleep_s
        self.next_cause = "timer"
        self.events.append("sleep")


def past(at_ms: "int | None", now_ms: int) -> bool:
    """Has that moment of the script come?"""
    return at_ms is not None and now_ms >= at_ms


def fields_value(probe: "Probe | None", reading: "Reading | None") -> int:
    """Millivolts of a reading, 0 where there is none."""
    return convert(probe.points, reading[0]) if reading and probe is not None else 0


class FileRefused(ValueError):
    """The core refuses one of a pot's three files. kind: which one."""

    def __init__(self, kind: str, why: str) -> None:
        ValueError.__init__(self, kind + ": " + why)
        self.kind = kind


def load_pot(lines: "dict[str, str]", core: str = "") -> "fields.Pot":
    """The Pot of three encoded lines (text). Raises FileRefused if the core refuses one."""
    found = []
    for kind in ("settings", "limits", "calibration"):
        data = lines[kind].encode()
        record, why = line.decode(data)
        values = None
        if record is not None:
            values, why = fields.load(kind, record, line.identity(data))
        if values is None:
            raise FileRefused(kind, why)
        found.append(values)
    return fields.Pot(found[0], found[1], found[2], core)


def pot_in_force(pot: "Pot", wake: "dict[str, Any]") -> "fields.Pot":
    """The pot, with the defaults in place of each file that the script says is lost."""
    values = []
    for kind in ("settings", "limits", "calibration"):
        lost = wake.get(kind) == "default"
        values.append(fields.Values(kind) if lost else getattr(pot, kind))
    return fields.Pot(values[0], values[1], values[2], pot.core)


def remembered(board: "MockBoard", wake: "dict[str, Any]") -> "State":
    """The state a wake begins with: from the slots, or what the script says became of it."""
    status = wake.get("state")
    if "retained" in wake or status == "lost":
        state = State()
        for name, value in wake.get("retained", {}).items():
            setattr(state, name, list(value) if type(value) is list else value)
        state.to_bytes()
        return state
    stored = from_bytes(board.slots[1 if status == "previous" and board.slots[1] else 0])
    assert stored is not None, "a slot of a script is whole"
    return stored


def play(script: "dict[str, Any]") -> "Iterator[dict[str, Any]]":
    """Run a script. Yields, for each wake, a dict:

    record      what the core put into the log, or None where the wake did not get that far
    line        the same as the bytes of a log line, b"" where there is none
    before      the snapshot of the state it began with
    events      off, rest, read, store, on ... reset, sleep: what was asked of the board, in order
    pumped_ul   water the pump really moved in this wake
    ran_ms      time the pump really ran in this wake
    passed_s    time that really passed before it
    level_ml    what the tank really holds now, None where the script never says
    """
    pot = load_pot(script["pot"], script.get("core", ""))
    board = MockBoard(pot, State())
    for wake in script["wakes"]:
        board.prepare(wake)
        state = remembered(board, wake)
        before = snapshot(state, 0)
        begin = board.begin()
        had, pumped_ul = len(board.records), board.pumped_ul
        try:
            drive(board, state, pot_in_force(pot, wake), begin)
        except Reset:
            board.events.append("reset")
        record = board.records.pop() if len(board.records) > had else None
        yield {
            "record": record,
            "line": line.encode(RECORD, record) if record else b"",
            "before": before,
            "events": board.events,
            "pumped_ul": board.pumped_ul - pumped_ul,
            "ran_ms": board.ran_ms,
            "passed_s": wake.get("passed_s", begin["slept_s"]),
            "level_ml": board.level_ml,
        }
