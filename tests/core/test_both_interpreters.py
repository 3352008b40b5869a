"""The core on a real MicroPython: the same bytes, and no memory taken while the pump runs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import core_micropython
import core_pots
import core_scripts
import pytest

from wakewell.interpreters import interpreter
from wakewell.portable.mock import play

WAKES = 80  # in a script


def there(scripts: list[dict[str, Any]], on: str) -> Iterator[dict[str, Any]]:
    """What the mock board's player says on MicroPython, wake by wake, in one start of it."""
    rows = [row for one in scripts for row in ({**one, "wakes": WAKES}, *one["wakes"])]
    lines = [json.dumps(row).encode() for row in rows]
    for data in interpreter.stream("wakewell.portable.run_script", lines, on=on):
        yield json.loads(data)


# A wake on 32 bits costs ten of those on 64; the whole proofs play 100,000 wakes on either
@pytest.mark.parametrize(
    ("on", "seeds"), [(interpreter.UNIX, range(40)), (interpreter.CHIP, range(10))]
)
def test_wakes_of_every_kind_give_the_same_bytes(on: str, seeds: range) -> None:
    """Some thousand wakes: log lines, snapshots and what was asked of the board, byte for byte."""
    if not interpreter.found(on):
        pytest.skip(interpreter.missing(on))
    scripts = [core_scripts.script(seed, WAKES) for seed in seeds]
    over_there = there(scripts, on)
    wakes = runs = 0
    for seed, script in zip(seeds, scripts, strict=True):
        for n, out in enumerate(play(script)):
            out["line"] = out["line"].decode()
            del out["record"]
            assert json.loads(json.dumps(out)) == next(over_there), f"seed {seed}, wake {n}"
            wakes += 1
            runs += "on" in out["events"]
    assert list(over_there) == []
    assert wakes == WAKES * len(seeds)
    assert runs > 2 * len(seeds)


LONGEST_RUN = """
import gc, json, sys
from array import array
from wakeboard.driver import drive
from wakewell.portable.mock import load_pot
from wakecore.run import PLACES
from wakecore.state import State

class Board:
    count = 0
    def begin(self):
        return {"cause": "timer", "slept_s": 0, "vouched": 1, "boots": 0, "pin": 1,
                "button_ms": 0, "utc": [0, 0, 0], "host": [], "state": "good",
                "settings": "good", "limits": "good", "calibration": "good"}
    def off(self):
        pass
    def rest(self):
        return [2000000, 50]
    def read(self):
        level = [2400000 - 300 * self.count, 50]
        return {"soil": [2200000, 50], "level": level, "saucer": [2400000, 50]}
    def store(self, data):
        return True
    def arm(self, run):
        self.run = run
        self.count = 0
        self.free = array("i", [0] * 210)
    def start(self):
        pass
    def sample(self, run):
        self.free[self.count] = gc.mem_free()
        self.count += 1
        now = run.now
        now[0] = 150 * self.count
        now[PLACES["level"]] = 2400000 - 300 * self.count
        now[PLACES["battery"]] = 1950000
        now[PLACES["current"]] = 700000
        now[PLACES["saucer"]] = 2400000
    def stop(self):
        self.after = gc.mem_free()
        return 150 * self.count
    def close(self):
        return 2000
    def log(self, record):
        self.record = record
    def sleep(self, sleep_s, button):
        pass

gc.disable()
with open(sys.argv[1]) as file:
    pot = load_pot(json.loads(file.read()))
board = Board()
drive(board, State(), pot, board.begin())
free = board.free[:board.count]
print(json.dumps([board.count, max(free) - min(free), free[0] - board.after,
                  board.run.trip, board.run.ran_ms, board.record["trips"]]))
"""


@core_micropython.needs_micropython
def test_the_longest_run_takes_no_memory(tmp_path: Path) -> None:
    """Thirty seconds of samples with the heap locked; free memory stands still throughout."""
    lines = core_pots.lines(
        {"pulse_ml": 60, "dose_ml": 60, "settle_s": 600},
        {"pulse_ms": 30000, "flow_max_ul_s": 2000, "day_ml": 500, "dry_ms": 10000},
        {"flow_ul_s": 2000, "ul_per_ppt": 0, "tolerance_ml": 4, "dry_ma": 60}
        | {"saucer": core_pots.SAUCER, "current": core_pots.CURRENT},
    )
    stored = tmp_path / "pot.json"
    stored.write_text(json.dumps({kind: data.decode() for kind, data in lines.items()}))
    said = json.loads(core_micropython.run(tmp_path, LONGEST_RUN, str(stored)))
    assert said == [200, 0, 0, None, 30000, []]


@core_micropython.needs_micropython
def test_the_heap_is_locked_while_it_runs(tmp_path: Path) -> None:
    """The test above would see an allocation: one in a sample is a fault, and the pump stops."""
    greedy = LONGEST_RUN.replace("= 700000", "= 700000 + len([self.count])")
    assert greedy != LONGEST_RUN
    lines = core_pots.lines({}, {}, {"ul_per_ppt": 0})
    stored = tmp_path / "pot.json"
    stored.write_text(json.dumps({kind: data.decode() for kind, data in lines.items()}))
    said = json.loads(core_micropython.run(tmp_path, greedy, str(stored)))
    assert said[3:] == ["fault", 150, ["fault"]]
