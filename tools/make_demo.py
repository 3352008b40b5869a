"""The field logs that ship, made by the simulator: run again whenever the core has changed.

    python3 tools/make_demo.py

For each trial that ships, the log its pot would have left goes to the folder of its name: one
packed file in logs/, and in logs/in-force/ the settings, limits and calibration behind it. The
sequences of the tests, played by the mock board one after another, make one log more: the cases.
Needs the rig's extra. What was there before is replaced.
"""

from __future__ import annotations

import gzip
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "host"), str(ROOT / "device")]

from wakeboard.store import STATE_RECORD  # noqa: E402
from wakecore import line  # noqa: E402
from wakewell import shipped as places  # noqa: E402
from wakewell.core import core_id  # noqa: E402
from wakewell.log import fieldlog  # noqa: E402
from wakewell.log.logs import IN_FORCE  # noqa: E402
from wakewell.log.record import wake_of  # noqa: E402
from wakewell.portable import mock  # noqa: E402
from wakewell.replay.verdicts import Verdicts  # noqa: E402
from wakewell.sequences import playing  # noqa: E402
from wakewell.simulate import one_run, trials  # noqa: E402

SEQUENCES = ROOT / "tests" / "sequences"
FIRST_DAY = 9100  # of the cases' clock
APART_DAYS = 10  # between two cases, so that water of one case does not count in the next


def main() -> int:
    """Make all of them; 1 if a run broke a requirement or stopped early."""
    code = 0
    shipped = [(path, places.CAFE) for path in sorted(places.TRIALS.glob("*.toml"))]
    shipped += [(path, places.TROUBLE) for path in sorted(places.TROUBLE.glob("*.toml"))]
    for path, pots in shipped:
        began = time.perf_counter()
        trial = trials.load(path)
        result = one_run.run_trial(trial, log=True)
        folder = emptied(pots / path.stem / "logs")
        one_run.write_log(result, folder, packed=True)
        code |= not result.good
        size = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
        print(
            f"{path.stem}: {result.verdicts.wakes} wakes, {size // 1024} KiB, "
            f"{'good' if result.good else 'NOT good'}, {time.perf_counter() - began:.1f} s"
        )
    make_cases(emptied(places.TROUBLE / "cases" / "logs"))
    return code


def emptied(folder: Path) -> Path:
    """That folder without the logs that lay in it."""
    for old in folder.rglob("*.json*"):
        old.unlink()
    (folder / IN_FORCE).mkdir(parents=True, exist_ok=True)
    return folder


def make_cases(folder: Path) -> None:
    """One log of every sequence whose records can be a log: a snapshot before each wake."""
    lines: list[bytes] = []
    n, day = 0, FIRST_DAY
    for path in sorted(SEQUENCES.glob("*.toml")):
        script = playing.load(path).script
        script["wakes"] = [dict(wake) for wake in script["wakes"]]  # those that repeat are one
        day = dated(script["wakes"], n, day) + APART_DAYS
        seen, mine, good = Verdicts(), [], True
        life = fieldlog.Life((0, 0), n=n - 1)
        pot = mock.load_pot(script["pot"], core_id())
        for out in mock.play({**script, "core": core_id()}):
            record = out["record"]
            if record:
                mine += [line.encode(STATE_RECORD, out["before"]), out["line"]]
                wake = wake_of(record)
                seen.see(wake, pot)
                good = good and (wake.n > life.n or life.again(wake))
                life.take(wake, (0, 0))
        # A requirement may be broken on purpose, by water that no record tells of.
        broken = [verdict.rule for verdict in seen.verdicts() if not verdict.held]
        if broken or not good:
            print(f"cases: without {path.stem}: {', '.join(broken) or 'numbers that repeat'}")
            continue
        lines += mine
        n = life.n + 2
        for text in script["pot"].values():
            data = text.encode()
            (folder / IN_FORCE / f"{line.identity(data)}.json").write_bytes(data + b"\n")
    text = b"".join(data + b"\n" for data in lines)
    (folder / "00000001.jsonl.gz").write_bytes(gzip.compress(text, mtime=0))
    print(f"cases: {len(lines) // 2} wakes")


def dated(wakes: list[dict[str, Any]], n: int, day: int) -> int:
    """Let a sequence begin at that wake number and day; the last day of it."""
    wakes[0]["retained"] = {**wakes[0].get("retained", {}), "wakes": n}
    first = wakes[0].get("utc", [0])[0]
    for wake in wakes:
        its_day, second, trusted = wake.get("utc", [first, 0, 1])
        wake["utc"] = [its_day - first + day, second, trusted]
    return max(day, *(int(wake["utc"][0]) for wake in wakes))


if __name__ == "__main__":
    sys.exit(main())
