"""Sequences: the file format, the judgement, cutting from a log, and what the files cover.

The sequences themselves are in `sequences/` and are collected by the plugin. Here: that
they cover every requirement, that they fail when a protection is taken away, and that
they give the same bytes on MicroPython.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

import permitted
from wakecore import rules, run
from wakewell.interpreters import interpreter
from wakewell.portable import mock
from wakewell.sequences import playing, sequence_file

FOLDER = Path(__file__).parent
FILES = sorted(FOLDER.glob("*.toml"))
NAMES = [path.stem for path in FILES]

Write = Callable[..., Path]

SMALL = """title = "A test"
rules = "R4"

[[wake]]
soil_ppt = 300

[[wake.expect]]
rule = "R4"
pump = false
"""


@cache
def loaded(path: Path) -> playing.Sequence:
    """A sequence of FILES, read once for all tests of it."""
    return playing.load(path)


@cache
def outs(path: Path) -> list[dict[str, Any]]:
    """What the core as it is does in it. Nobody changes it."""
    return list(playing.run(loaded(path)))


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write a sequence file and give its path."""

    def put(content: str | bytes) -> Path:
        path = tmp_path / "a.toml"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return put


# What the files cover


@pytest.mark.parametrize("rule", playing.RULES)
def test_three_sequences_for_every_requirement(rule: str) -> None:
    prefix = f"r{int(rule[1:]):02d}_"
    for sort in ("ordinary", "limit", "nasty"):
        assert [n for n in NAMES if n.startswith(f"{prefix}{sort}_")], f"no {sort} one for {rule}"


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_a_sequence_expects_what_its_name_says(path: Path) -> None:
    sequence = loaded(path)
    cited = {e.rule for wake in sequence.wakes for e in wake} | {e.rule for e in sequence.overall}
    assert cited <= set(sequence.rules), "cites a requirement it does not announce"
    assert set(sequence.rules) <= cited, "announces a requirement it does not cite"
    if not path.stem.startswith("together_"):
        assert f"R{int(path.stem[1:3])}" in cited
    else:
        assert len(sequence.rules) > 1


@pytest.mark.parametrize(
    "on", [pytest.param(interpreter.UNIX, marks=pytest.mark.nightly), interpreter.CHIP]
)
def test_micropython_writes_the_same_bytes(on: str) -> None:
    """All of them in one start of the interpreter, which takes longer than they do.

    On 64 bits each night: core/test_both_interpreters.py plays 3,200 wakes there in every check.
    """
    if not interpreter.found(on):
        pytest.skip(interpreter.missing(on))
    everyone = [loaded(path) for path in FILES]
    played = playing.together(everyone, on)
    for path, sequence in zip(FILES, everyone, strict=True):
        here = outs(path)
        there = list(islice(played, len(here)))
        assert [out["line"] for out in here] == [out["line"] for out in there], sequence.path
        assert playing.judge(sequence, there) == []
    assert list(played) == []


# A sequence is worth something only if it fails when its protection is gone


def caught(rule: str) -> bool:
    """Does any sequence that cites the requirement fail now?"""
    for path in FILES:
        sequence = loaded(path)
        if rule in sequence.rules and playing.check(sequence):
            return True
    return False


@pytest.mark.parametrize("gone", [row[0] for row in rules.PERMISSIVES])
def test_no_permissive_can_go_unnoticed(gone: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rules, "judge_permissives", permitted.always(gone))
    assert caught(next(row[1] for row in rules.PERMISSIVES if row[0] == gone))


@pytest.mark.parametrize("gone", [row[0] for row in rules.LOCKOUTS])
def test_no_lockout_can_go_unnoticed(gone: str, monkeypatch: pytest.MonkeyPatch) -> None:
    latch = rules.latch

    def deaf(state: Any, name: str) -> None:
        if name != gone:
            latch(state, name)

    monkeypatch.setattr(rules, "latch", deaf)
    assert caught(next(row[1] for row in rules.LOCKOUTS if row[0] == gone))


# "full" and "fault" have no row: the first is a bound of the array, the second an exception.
@pytest.mark.parametrize("gone", [n for n, *_ in run.TRIPS if n not in ("full", "fault")])
def test_no_trip_can_go_unnoticed(gone: str, monkeypatch: pytest.MonkeyPatch) -> None:
    prepare = run.prepare

    def blind(*args: Any) -> Any:
        made = prepare(*args)
        return run.Run(made.pulse_ms, tuple(row for row in made.rows if row[0] != gone))

    monkeypatch.setattr(run, "prepare", blind)
    assert caught({row[0]: row[1] for row in run.TRIPS}[gone])


# The format


def test_readings_stay_until_they_change(write: Write) -> None:
    path = write(
        SMALL.replace(
            "soil_ppt = 300\n",
            "soil_ppt = { from = 300, to = 200 }\nbattery_mv = 3800\nlevel_ml = 500\nrepeat = 3\n",
        )
        + '[[wake]]\nbattery_mv = { steps = [3700, "absent"] }\nsoil_counts = 1234567\n'
    )
    wakes = playing.load(path).script["wakes"]
    # The bench pot: 2000 counts for one part per thousand from 2000000 down, 500 for a millivolt.
    assert [wake["counts"]["soil"][0] for wake in wakes] == [
        1400000,
        1500000,
        1600000,
        1234567,
        1234567,
    ]
    assert [w["counts"]["battery"] and w["counts"]["battery"][0] for w in wakes] == [
        1900000,
        1900000,
        1900000,
        1850000,
        None,
    ]
    # The tank is filled once and then follows the pump.
    assert [wake.get("level_ml") for wake in wakes] == [500, None, None, None, None]


@pytest.mark.parametrize(
    ("value", "counts"), [(0, 100), (50, 150), (100, 200), (105, 300), (110, 400), (120, 350)]
)
def test_a_value_is_found_in_its_own_stretch_of_the_table(value: int, counts: int) -> None:
    """Straight lines between points, by hand: 1 count a unit, then 20, then 5 back."""
    points = [(100, 0), (200, 100), (400, 110), (350, 120)]
    assert sequence_file.counts_for(points, value) == counts


def test_a_thousand_quiet_wakes_are_one_in_memory(write: Write) -> None:
    wakes = playing.load(write(SMALL.replace("300\n", "300\nrepeat = 1000\n"))).script["wakes"]
    assert len(wakes) == 1000
    assert len({id(wake) for wake in wakes}) == 2  # the first one fills the tank


BAD = [
    ("", 1, "title is missing"),
    ("title = 3\n", 1, "title = 3; allowed: a text"),
    (SMALL.replace('rules = "R4"', 'rules = "R19"'), 2, "rules = "),
    (SMALL.replace('rule = "R4"', 'rule = "R0"'), 8, 'rule = "R0"; allowed: nearest known name'),
    (SMALL.replace("soil_ppt", "soil_ptp"), 5, "nearest known name soil_ppt"),
    (SMALL.replace("300", "501"), 5, "soil_ppt = 501; allowed: 0 to 500"),
    (SMALL.replace("300", "1.5"), 5, "soil_ppt = 1.5; allowed"),
    (SMALL.replace("300", "nan"), 5, "soil_ppt = nan; allowed"),
    (SMALL.replace("300", "true"), 5, "soil_ppt = true; allowed"),
    (SMALL.replace("300", '"gone"'), 5, 'soil_ppt = "gone"; allowed'),
    (SMALL.replace("300", "{ from = 300 }"), 5, "soil_ppt = a table; allowed"),
    (SMALL.replace("300", "{ from = 300, to = 200 }"), 5, "a ramp needs repeat"),
    (SMALL.replace("300", "{ steps = [1, 2] }\nrepeat = 3"), 5, "2 steps for 3 wakes"),
    (SMALL.replace("300", "300\nsoil_counts = 5"), 5, "give one of them"),
    (SMALL.replace("300", "300\nrepeat = 0"), 6, "repeat = 0; allowed"),
    (SMALL.replace("300", "300\nrepeat = 100001"), 6, "repeat = 100001; allowed"),
    (SMALL + "[[wake]]\nrepeat = 100000\n", 11, "repeat = 100000; allowed: 100000 wakes in all"),
    (SMALL.replace("300", "9" * 3000), 5, "a number of over 19 digits"),
    (SMALL.replace("300", "9" * 30000), 1, "a number with too many digits"),
    (SMALL.replace("300", "300\nsoil_ppt = 200"), 6, "not TOML: Cannot overwrite a value"),
    (SMALL.replace("300", "300\ncause = 'alarm'"), 6, 'cause = "alarm"; allowed'),
    (SMALL.replace("300", "300\nrun = { flow = 3 }"), 6, "nearest known name flow_ul_s"),
    (SMALL.replace("300", "300\nretained = { plan = 3 }"), 6, "nearest known name plan_ul"),
    (SMALL.replace("pump = false", "pump = 0"), 9, "pump = 0; allowed: true or false"),
    (SMALL.replace("pump = false", "pumps = false"), 9, "nearest known name pump"),
    (SMALL.replace("pump = false", ""), 7, "R4 is named, but nothing is expected for it"),
    (SMALL.replace("pump = false", 'trips = "dry"'), 9, "trips = "),
    (SMALL.replace("pump = false", "sleep_s = { most = 3, least = 4 }"), 9, "sleep_s = a table"),
    (SMALL.replace("pump = false", "pump = false\nat = 2"), 10, "at = 2; allowed: 1 to 1"),
    (SMALL.partition("[[wake.expect]]")[0], 1, "nothing is expected"),
    (SMALL.partition("[[wake]]")[0], 1, "no [[wake]]"),
    (SMALL.partition("[[wake]]")[0] + "[wake]\n", 4, "wake = a table; allowed: tables"),
    (SMALL + "[settings]\nwake_h = 3\n", 11, "nearest known name wake_s"),
    (SMALL + "[settings]\nwake_s = 3\n", 11, "wake_s = 3; allowed: a whole number from 900"),
    (SMALL + "[calibration]\nsoil = 3\n", 11, "soil = 3; allowed: "),
    (SMALL + "[calibration]\nwilting_ppt = 400\n", 10, "capacity_ppt is not above wilting_ppt"),
    (SMALL.replace("[[wake]]", 'pot = "mine"\n[[wake]]'), 4, 'pot = "mine"; allowed: "bench"'),
    (SMALL + "[pot]\nsettings = 'x'\nlimits = 'x'\ncalibration = 'x'\n", 1, "the board refuses"),
    (SMALL + "[extra]\n", 10, "extra is not a key here"),
]


@pytest.mark.parametrize(("content", "line", "told"), BAD, ids=range(len(BAD)))
def test_an_error_tells_place_key_value_and_what_is_allowed(
    content: str, line: int, told: str, write: Write
) -> None:
    path = write(content)
    with pytest.raises(playing.SequenceError) as caught:
        playing.load(path)
    message = str(caught.value)
    assert message.startswith(f"{path}:{line}: ")
    assert told in message
    assert "\n" not in message
    assert len(message) < 400 + len(str(path))


DEEP = "a" + ".a" * 15000
HOSTILE: dict[str, bytes] = {
    "binary": bytes(range(256)) * 100,
    "not UTF-8": SMALL.encode().replace(b"A test", b"caf\xe9"),
    "UTF-16": SMALL.encode("utf-16"),
    "huge": SMALL.encode() + b"# more\n" * 200000,
    "nested lists": SMALL.encode() + b"x = " + b"[" * 30000,
    "nested lists, a line each": SMALL.encode() + b"x = " + b"[\n" * 200000,
    "nested tables": SMALL.encode() + b"x = " + b"{a=" * 10000,
    "deep key": f"{DEEP} = 1\n".encode() * 30,
    "deep header": f"[{DEEP}]\n".encode() + b"".join(b"k%d=1\n" % i for i in range(90000)),
    "deep quoted header": f'["=".{DEEP}]\n'.encode()
    + b"".join(b"k%d=1\n" % i for i in range(90000)),
    "one long line": SMALL.encode() + b"#" * 50000,
    "cut short": SMALL.encode()[:-20],
    "nul": SMALL.encode().replace(b"300", b"3\x000"),
    "many tables": SMALL.encode() + b"[[wake]]\n" * 110000,
    "huge hexadecimal": SMALL.replace("300", "0x" + "f" * 30000).encode(),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_gets_one_line(name: str, write: Write) -> None:
    path = write(HOSTILE[name])
    before = path.read_bytes()
    with pytest.raises(playing.SequenceError) as caught:
        playing.load(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert message.isascii()
    assert message.isprintable()
    assert len(message) < 400 + len(str(path))
    assert path.read_bytes() == before


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(playing.SequenceError, match="cannot be read"):
            playing.load(path)


def test_windows_line_ends_and_a_byte_order_mark(write: Write) -> None:
    path = write(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert playing.check(playing.load(path)) == []


# The judgement


def failures(path: Path) -> list[playing.Failure]:
    return playing.check(playing.load(path))


def test_a_failure_tells_wake_rule_readings_and_command(write: Write) -> None:
    path = write(SMALL + '[[wake]]\nsoil_ppt = 240\n[[wake.expect]]\nrule = "R4"\npump = false\n')
    (failure,) = failures(path)
    assert (failure.wake, failure.rule, failure.line) == (2, "R4", 12)
    told = str(failure).split("\n")
    assert told[0] == f"{path}:12: wake 2: R4 is not kept"
    assert told[1:3] == ["  expected  pump = false", "  found     pump = true"]
    assert re.search(r"^    wake +cause +slept_s +soil +level_ml +battery_mv", told[4])
    assert re.search(r"^    1 +power +0 +300 +1000 +3900 +none 0", told[5])
    assert re.search(r"^    2 +timer +86400 +240 +1000 +3900 +depletion 2000 +2050 +600", told[6])
    assert told[-1] == f"  replay it:  wakewell replay {path}"


WRONG = [
    ("pump = true", "pump = false"),
    ("sleep_s = { most = 86399 }", "sleep_s = 86400"),
    ("sleep_s = { least = 86401 }", "sleep_s = 86400"),
    ("trips = 'wet'", "trips = []"),
    ("lockouts_has = 'leak'", "lockouts = []"),
    ("blocked_lacks = 'reserve'", "blocked = [level, reserve]"),
    ("needs_lacks = 'see to the level'", "needs = [see to the level]"),
    ("order = ['log', 'off']", "order = [off, rest, read, close, store, log, sleep]"),
    ("order = ['off', 'off']", "order = [off"),
    ("level = 'good'", "level = absent"),
    ("level_ml = 1000", "level_ml = none"),
    ("soil_ppt = 'none'", "soil_ppt = 300"),
    ("kind = 'set'", "kind = none"),
    ("phase = 'soak'", "phase = idle"),
    ("logged = false", "logged = true"),
    ("stores = [true, true]", "stores = [1]"),
]


@pytest.mark.parametrize(("wanted", "found"), WRONG)
def test_each_key_can_fail(wanted: str, found: str, write: Write) -> None:
    path = write(SMALL.replace("300", "300\nlevel_ml = 'absent'").replace("pump = false", wanted))
    (failure,) = failures(path)
    assert failure.found.startswith(found)


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        ("sleep_s = { most = 86399 }", "sleep_s at most 86399"),
        ("sleep_s = { least = 86401 }", "sleep_s at least 86401"),
        ("sleep_s = { least = 1, most = 2 }", "sleep_s 1 to 2"),
        ("sleep_s = 3", "sleep_s = 3"),
    ],
)
def test_a_bound_is_told_as_it_was_given(wanted: str, said: str, write: Write) -> None:
    (failure,) = failures(write(SMALL.replace("pump = false", wanted)))
    assert failure.expected == said


def test_a_total_that_fails_belongs_to_no_wake_and_shows_none(write: Write) -> None:
    path = write(SMALL + '[[total]]\nrule = "R4"\npulses = 3\n')
    (failure,) = failures(path)
    assert (failure.wake, failure.expected, failure.found) == (None, "pulses = 3", "pulses = 0")
    assert str(failure).split("\n")[1:] == [
        "  expected  pulses = 3",
        "  found     pulses = 0",
        f"  replay it:  wakewell replay {path}",
    ]


def test_a_record_that_another_interpreter_writes_otherwise_is_told_once(
    write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    sequence = playing.load(write(SMALL.replace("300\n", "300\nrepeat = 3\n")))
    here = list(playing.run(sequence))

    def played(_: playing.Sequence, on: str = "cpython") -> Any:
        for number, out in enumerate(here):
            yield {**out, "line": b"other"} if on == "other" and number else out

    monkeypatch.setattr(playing, "run", played)
    assert playing.check(sequence, "alike") == []
    (failure,) = playing.check(sequence, "other")
    assert (failure.wake, failure.rule, failure.found) == (2, "R11", "on MicroPython: other")
    assert failure.expected == f"the record as here: {here[1]['line'].decode()}"


def test_never_and_always_and_totals_can_fail(write: Write) -> None:
    path = write(
        SMALL.replace("300", "240\nrepeat = 4").replace("pump = false", "sleep_s = { most = 600 }")
        + '[[never]]\nrule = "R4"\npump = true\nkind = "depletion"\n'
        + '[[always]]\nrule = "R4"\npump = false\n'
        + '[[total]]\nrule = "R4"\npulses = 3\n'
        + '[[total]]\nrule = "R4"\nmost_24h_ml = { most = 99 }\n'
    )
    found = failures(path)
    assert [failure.wake for failure in found] == [1, 1, None, None]
    assert found[0].expected == "pump = false"
    assert found[1].expected == "never pump = true and kind = depletion"
    assert found[2].found == "pulses = 4"


def test_a_wake_without_a_record_meets_no_expectation_about_it(write: Write) -> None:
    path = write(
        SMALL.replace("300", "240\nrun = { reset_at_ms = 300 }").replace(
            "pump = false", "lockouts = []"
        )
    )
    (failure,) = failures(path)
    assert failure.found == "the wake never reached its log"


def test_the_most_water_in_24_hours_is_what_really_flowed(write: Write) -> None:
    # Two pulses of 41 ml ten minutes apart, the third a real day and a second after the second.
    path = write(
        SMALL.replace("300", "240").replace("pump = false", "pump = true")
        + "[[wake]]\n[[wake]]\npassed_s = 86401\nslept_s = 600\n"
        + '[[total]]\nrule = "R4"\nmost_24h_ml = 82\npulses = 3\n'
    )
    assert failures(path) == []


# Cut from a field log


def log_of(path: Path) -> Iterator[dict[str, Any]]:
    """What a log holds of a sequence, with a snapshot before every wake."""
    for out in outs(path):
        yield out["before"]
        if out["record"] is not None:
            yield out["record"]


def cut(path: Path, first: int, last: int, records: Any = None) -> str:
    sequence = loaded(path)
    records = list(log_of(path)) if records is None else records
    snapshot: Mapping[str, Any] = next(r for r in records if r["n"] == first)
    files = {kind: text.encode() for kind, text in sequence.script["pot"].items()}
    return playing.cut(records, snapshot, files, first, last)


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_a_cut_sequence_gives_the_recorded_bytes(path: Path, write: Write) -> None:
    """From a third of the way on, unless a lost state lets the numbers start anew."""
    records = list(log_of(path))
    wakes = [record for record in records if record["kind"] == "wake"]
    if any(record["begin"]["state"] != "good" for record in wakes):
        first = last = 0
        at = next(i for i, record in enumerate(records) if record["kind"] == "wake")
        records = records[: at + 1]
    else:
        first, last = wakes[len(wakes) // 3]["n"], wakes[-1]["n"]
    again = playing.load(write(cut(path, first, last, records)))
    made = list(playing.run(again))
    lines = [o["line"] for o in outs(path) if o["record"] and o["record"]["n"] >= first]
    assert [out["line"] for out in made] == lines[: len(made)]
    assert len(made) == len([r for r in records if r["kind"] == "wake" and r["n"] >= first])
    assert playing.judge(again, made) == []


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_a_wake_cut_alone_gives_its_recorded_bytes(path: Path, write: Write) -> None:
    logged = [out for out in outs(path) if out["record"] is not None]
    for out in logged[:: max(1, len(logged) // 3)]:
        n = out["record"]["n"]
        again = playing.load(write(cut(path, n, n, [out["before"], out["record"]])))
        assert [made["line"] for made in playing.run(again)] == [out["line"]]


@pytest.mark.skipif(not interpreter.found(), reason=interpreter.MISSING)
def test_a_cut_sequence_on_micropython(write: Write) -> None:
    again = playing.load(write(cut(FOLDER / "r09_limit_second_interruption.toml", 1, 6)))
    assert playing.check(again, "micropython") == []


def test_a_cut_sequence_is_a_test(write: Write) -> None:
    text = cut(FOLDER / "r04_ordinary_dry_run.toml", 0, 0)
    assert playing.check(playing.load(write(text))) == []
    changed = text.replace('trips = ["no flow"]', "trips = []")
    (failure,) = playing.check(playing.load(write(changed)))
    assert (failure.rule, failure.found) == ("R4", "trips = [no flow]")


def test_what_cannot_be_cut() -> None:
    path = FOLDER / "r13_ordinary_every_wake_sleeps.toml"
    whole, records = loaded(path), list(log_of(path))
    wakes = [record for record in records if record["kind"] == "wake"]
    snapshot = records[0]
    files = {kind: text.encode() for kind, text in whole.script["pot"].items()}

    def refused(told: str, records: Any, snapshot: Any, files: Any, first: int, last: int) -> None:
        with pytest.raises(playing.SequenceError, match=told):
            playing.cut(records, snapshot, files, first, last)

    refused("wakes 5 to 3", records, snapshot, files, 5, 3)
    refused("wake 31 is not in the log", records, snapshot, files, 0, 40)
    refused("wake 3 is not in the log", wakes[:3] + wakes[4:], snapshot, files, 0, 5)
    refused("the state wake 4 began with is not known", wakes, snapshot, files, 4, 5)
    other = {**wakes[3], "settings": "00000000"}
    refused("the settings changed at wake 3", [*wakes[:3], other], snapshot, files, 0, 3)
    refused("is missing", records, snapshot, {**files, "limits": b""}, 0, 3)


# The mock board


def test_the_mock_has_every_behaviour_checked() -> None:
    from wakewell.sequences.sequence_file import RUN_KEYS

    assert set(RUN_KEYS) == {name for name, _, _ in mock.RUN}
