"""The command: its figures are there, and what it left out is said."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from assurance import __main__, corners, generated, mutate, mutate_host, note, parts, recorded
from wakewell.interpreters import interpreter
from wakewell.portable import mock


def test_the_figures_as_json() -> None:
    command = [sys.executable, "-m", "assurance", "--json", "--only", "search"]
    done = subprocess.run([*command, "--corner", "unready"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["transitions"] > found["states"] > 10
    assert found["violations"] == 0
    assert found["corners_ended"] == found["corners"] == 1
    assert "corners of the search" in found["left_out"][0]


def heed_interrupts(request: pytest.FixtureRequest) -> None:
    """A shell's job in the background ignores this signal, and so would all that it starts."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    request.addfinalizer(lambda: signal.signal(signal.SIGINT, before))


@pytest.mark.skipif(os.name == "nt", reason="process groups are POSIX")
def test_an_interrupted_search_leaves_no_process(request: pytest.FixtureRequest) -> None:
    command = [sys.executable, "-m", "assurance", "--only", "search"]
    command += ["--corner", "unready", "--corner", "rolling"]
    heed_interrupts(request)
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as process:
        assert process.stdout
        assert process.stdout.readline() == "== search\n"
        assert process.stdout.readline().startswith("unready "), "its workers are there"
        os.killpg(process.pid, signal.SIGINT)
        _, told = process.communicate()
        assert process.returncode == 130
        assert told == "Stopped. What --record kept so far stays: --go-on begins there.\n"
    with pytest.raises(ProcessLookupError):
        os.killpg(process.pid, 0)


def test_a_search_that_was_cut_short_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded, "LAST_RUN", tmp_path / "last_run.json")
    # The smallest corner, and the same once more under another name
    small = next(corner for corner in corners.CORNERS if corner.name == "unready")
    monkeypatch.setattr(corners, "CORNERS", [small, dataclasses.replace(small, name="again")])
    asked = parts.PersonAsked(False, 60.0, 1, tmp_path, ["again"], True, record=True)
    first = parts.search(asked).numbers
    assert recorded.last_run()["search"]["rows"].keys() == {"again"}
    asked.go_on, asked.corners = True, ["again", "unready"]
    began: list[str] = []
    monkeypatch.setattr(parts.PersonAsked, "say", lambda _, line: began.append(line.split()[0]))
    both = parts.search(asked).numbers
    assert began == ["unready"]
    assert both["corners"] == both["corners_ended"] == 2
    assert both["transitions"] > first["transitions"]
    assert recorded.last_run()["search"]["numbers"] == both
    asked.go_on, asked.corners = False, ["again"]
    parts.search(asked)
    assert recorded.last_run()["search"]["rows"].keys() == {"again", "unready"}, "the others stay"
    with monkeypatch.context() as stricter:
        stricter.setattr(parts, "search_id", lambda: "another search")
        assert parts.searched() == {}
    monkeypatch.setattr(parts, "core_id", lambda: "another core")
    assert parts.searched() == {}


def test_mutants_that_survived_are_judged_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded, "LAST_RUN", tmp_path / "last_run.json")
    monkeypatch.setattr(mutate, "explained", dict)
    everyone = mutate.mutants()[:5]
    monkeypatch.setattr(mutate, "mutants", lambda: everyone)
    live = {everyone[1].key, everyone[3].key}
    met: list[str] = []

    def run(todo: list[mutate.Mutant], *_: object) -> Iterator[tuple[mutate.Mutant, str]]:
        for mutant in todo:
            met.append(mutant.key)
            yield mutant, "" if mutant.key in live else "a test"

    monkeypatch.setattr(mutate, "run", run)
    asked = parts.PersonAsked(False, 60.0, 1, tmp_path, None, True)
    first = parts.mutants(asked)
    assert first.numbers == {"mutants": 5, "mutants_killed": 3, "mutants_alike": 0}
    recorded.record("mutants", False, first.numbers, first.left_out, first.more)
    met.clear()
    live.pop()
    asked.go_on = True
    again = parts.mutants(asked)
    assert len(met) == 2
    assert again.numbers == {"mutants": 5, "mutants_killed": 4, "mutants_alike": 0}
    assert set(again.more["survived"]) == live


def test_a_sample_of_the_host_has_mutants_of_every_module_and_stays_the_same() -> None:
    """Each module's share, so that none is left out by chance."""
    everyone = mutate_host.mutants()
    sample = mutate_host.chosen(350, 1)
    assert {mutant.file for mutant in sample} == set(mutate_host.modules())
    assert abs(len(sample) - 350) < len(mutate_host.modules())
    largest = max(mutate_host.modules(), key=lambda name: sum(m.file == name for m in everyone))
    share = sum(m.file == largest for m in everyone) / len(everyone)
    assert abs(sum(m.file == largest for m in sample) - 350 * share) <= 0.5
    assert sample == mutate_host.chosen(350, 1) != mutate_host.chosen(350, 2)


def test_the_hosts_mutants_go_on_where_they_were_cut_short(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded, "LAST_RUN", tmp_path / "last_run.json")
    everyone = [
        *mutate.of_file(mutate_host.HOST, "report/complaints.py")[:5],
        *mutate.of_file(mutate_host.HOST, "pot/chips.py")[:5],
    ]
    live = {everyone[1].key, everyone[3].key, everyone[7].key}
    monkeypatch.setattr(mutate, "explained", lambda: {everyone[3].key: "no difference"})
    monkeypatch.setattr(mutate_host, "mutants", lambda: everyone)
    monkeypatch.setattr(mutate_host, "chosen", lambda *_: list(everyone))
    met: list[str] = []

    def run(todo: list[mutate.Mutant], *_: object) -> Iterator[tuple[mutate.Mutant | None, str]]:
        yield None, "tests/pot/test_chips.py::one"
        for mutant in todo:
            met.append(mutant.key)
            yield mutant, "" if mutant.key in live else "a test"

    monkeypatch.setattr(mutate_host, "run", run)
    asked = parts.PersonAsked(False, 60.0, 1, tmp_path, None, True, record=True)
    asked.lives_s = 0.0
    first = parts.host(asked)
    assert len(met) == 2, "one of each group, however short the time"
    assert first.numbers["host_mutants"] == 2
    assert first.left_out[1:] == [
        "8 of the sample not reached, of pot/chips.py, report/complaints.py",
        "8 of 10 mutants of the host, by the seed",
    ]
    asked.go_on, asked.lives_s = True, 1e9
    numbers = {
        "host_mutants": 10,
        "host_mutants_killed": 7,
        "host_mutants_killed_at_first": 7,
        "host_mutants_explained": 1,
    }
    assert parts.host(asked).numbers == numbers
    met.clear()
    live.clear()
    again = parts.host(asked)
    assert set(met) == {everyone[1].key, everyone[7].key}
    assert again.numbers == numbers | {"host_mutants_killed": 9}
    assert again.left_out == [
        "1 tests of tests/pot/test_chips.py, which fail here on the code as it is",
        "0 of 10 mutants of the host, by the seed",
    ]


def command(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["assure", *words])
    try:
        return __main__.main()
    except SystemExit as left:
        return int(left.code or 0)


def test_a_torn_record_is_told_and_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    torn = tmp_path / "last_run.json"
    torn.write_text('{"search": {"date": ')
    monkeypatch.setattr(recorded, "LAST_RUN", torn)
    assert command(monkeypatch, "--note") == 2
    assert "take it back from git" in capsys.readouterr().err
    assert torn.read_text() == '{"search": {"date": '


def test_what_is_found_needs_a_folder_before_it_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("kept")
    assert command(monkeypatch, "--found", str(tmp_path / "file" / "below")) == 2
    assert "name a folder that can be written" in capsys.readouterr().err


def test_a_mutant_that_survives_without_a_word_is_a_finding(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    numbers = {"mutants": 3, "mutants_killed": 1, "mutants_alike": 1}
    monkeypatch.setitem(__main__.PARTS, "mutants", lambda _: parts.PartFigures(dict(numbers)))
    asked = ("--only", "mutants", "--found", str(tmp_path))
    assert command(monkeypatch, *asked) == 1
    numbers["mutants_killed"] = 2
    assert command(monkeypatch, *asked) == 0


def test_generated_wakes_stay_small_and_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    wakes, sums = generated.small(seed=2, lives=1)
    assert wakes == generated.WAKES
    assert sums > 100 * wakes
    if interpreter.found():
        assert generated.both(seed=2, lives=1) == generated.WAKES
    # On 32 bits a shorter life, with pulses in it: core/test_both_interpreters.py plays ten there
    monkeypatch.setattr(generated, "WAKES", 60)
    if interpreter.found(interpreter.CHIP):
        assert generated.both(seed=2, lives=1, on=interpreter.CHIP) == 60


def test_a_wake_that_differs_there_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """The comparison of a life would find a single other byte, at its wake."""

    def other(_: str, inputs: Iterable[bytes], **__: object) -> Iterator[bytes]:
        head, *wakes = map(json.loads, inputs)
        for number, out in enumerate(mock.play({**head, "wakes": wakes}), 1):
            text = out["line"].decode()
            if number == 13:
                text = text.replace("wake", "walk", 1)
            yield json.dumps({"line": text, "events": out["events"]}).encode()

    monkeypatch.setattr(generated, "WAKES", 20)
    monkeypatch.setattr(interpreter, "stream", other)
    with pytest.raises(generated.Differs, match="seed 2, life 0, wake 13: "):
        generated.both(seed=2, lives=1)


def test_every_line_that_decides_is_mutated() -> None:
    found = mutate.mutants()
    assert len(found) > 1500
    assert len({(one.file, one.number) for one in found}) == len(found)
    assert {one.file for one in found} >= {"wake.py", "rules.py", "plan.py", "run.py", "judge.py"}


SAMPLE = """
from dataclasses import dataclass
from functools import cache

MOST = 10
def sum_of(value):
    return value + 16
SUM = sum_of(0)
DOUBLE = 2 * MOST + SUM
TABLE = {"twice": lambda value: value * 12}

@cache
def kept(value):
    return value + 13

def maker():
    def inside(value):
        return value + 14
    return inside

made = maker()

def as_default(value=MOST):
    return value

@dataclass
class Row:
    size: int = 15
"""
# In a process of its own, a fork for each change: a change is for good
CHANGED = """
import importlib.util, os, sys
from pathlib import Path
from assurance import mutate, mutate_host

folder = Path(sys.argv[1])
def load(name, file):
    spec = importlib.util.spec_from_file_location(name, folder / file)
    sys.modules[name] = module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
sample = load("wakewell.sample", "sample.py")
(folder / "other.py").write_text("from wakewell.sample import DOUBLE, MOST, made, Row")
other = load("other", "other.py")
def all_ways():
    made = sample.TABLE["twice"](1), sample.kept(0), other.made(0), other.Row().size
    return other.MOST, *made, other.DOUBLE, sample.as_default()
print(*all_ways(), flush=True)
sample.kept.cache_clear()
for mutant in mutate.of_file(folder, "sample.py"):
    if mutant.was in ("10", "12", "13", "14", "15", "16"):
        if os.fork() == 0:
            mutate_host.apply(mutant)
            print(*all_ways(), flush=True)
            os._exit(0)
        os.wait()
"""


@pytest.mark.skipif(os.name == "nt", reason="a mutant is a fork")
def test_a_change_of_the_host_reaches_all_who_hold_what_was_changed(tmp_path: Path) -> None:
    (tmp_path / "sample.py").write_text(SAMPLE)
    done = subprocess.run(
        [sys.executable, "-c", CHANGED, str(tmp_path)], capture_output=True, text=True
    )
    assert done.stdout.splitlines() == [
        "10 12 13 14 15 36 10", "11 12 13 14 15 38 11", "10 12 13 14 15 37 10",
        "10 13 13 14 15 36 10", "10 12 14 14 15 36 10", "10 12 13 15 15 36 10",
        "10 12 13 14 16 36 10",
    ], done.stderr  # fmt: skip


# In a process of its own, without a thread: a mutant is a fork of it, and would hang for ever on a
# lock that a thread of this process held at that moment
JUDGED = """
import json
from assurance import mutate, mutate_host

todo = [
    mutant
    for mutant in mutate.of_file(mutate_host.HOST, "report/complaints.py")
    if mutant.was in ("-cause.weight", "w.ran_ms > 0")
]
judged = [(mutant and mutant.key, why) for mutant, why in mutate_host.run(todo, 2)]
print(json.dumps([[mutant.key for mutant in todo], judged]))
"""


@pytest.mark.skipif(os.name == "nt", reason="a mutant is a fork")
def test_host_mutants_are_judged_by_the_tests_that_reach_them() -> None:
    """Each of those that matter is killed by a test, and nothing hangs."""
    done = subprocess.run([sys.executable, "-c", JUDGED], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    todo, judged = json.loads(done.stdout)
    assert {key for key, why in judged if why} == {*todo}
    assert len(judged) == len(todo) > 1


@pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="no processes to be seen")
def test_an_interrupted_run_over_the_host_leaves_no_process(
    tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    command = [sys.executable, "-m", "assurance", "--only", "host", "--quick"]
    command += ["--found", str(tmp_path / "found")]
    mark = {**os.environ, "TMPDIR": str(tmp_path)}
    heed_interrupts(request)
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=mark) as process:
        assert process.stdout
        assert process.stdout.readline() == "== host\n"
        while len(started(tmp_path)) < 3:  # it, its group, and who runs the tests
            assert process.poll() is None
            time.sleep(0.1)  # leave the processor to it
        process.send_signal(signal.SIGINT)
        assert process.wait() == 130
    for _ in range(1000):
        if not started(tmp_path):
            break
        time.sleep(0.1)
    assert started(tmp_path) == []
    assert not list(tmp_path.glob("host-mutants-*"))


def started(mark: Path) -> list[str]:
    """The processes whose temporary files are to lie there."""
    places = Path("/proc").glob("[0-9]*/environ")
    return [p.parent.name for p in places if f"TMPDIR={mark}".encode() in readable(p)]


def readable(path: Path) -> bytes:
    """A file of a process that may be gone or another's."""
    try:
        return path.read_bytes()
    except OSError:
        return b""


def test_what_is_said_to_judge_the_host_is_there() -> None:
    assert len(mutate_host.modules()) == len(set(mutate_host.modules()))
    for group in mutate_host.GROUPS:
        assert all((mutate_host.HOST / name).exists() for name in group.modules)
        assert all((mutate_host.TESTS / name).exists() for name in group.tests)


def test_survivors_explained_are_still_mutants() -> None:
    keys = {one.key for one in [*mutate.mutants(), *mutate_host.mutants()]}
    for key, why in mutate.explained().items():
        assert key in keys, f"{key} is no mutant any more; take it out"
        assert len(why) > 20


def test_the_note_names_what_there_is() -> None:
    for rule, places in note.ENFORCED.items():
        for place in places:
            file, _, name = place.partition(": ")
            text = (note.ROOT / file).read_text()
            assert re.search(rf"^\s*def {name}\(", text, re.MULTILINE), (rule, place)
    assert set(note.ENFORCED) == set(note.NOT_COVERED) == set(note.requirements())
    assert all(note.sequences().values())
    assert note.judged() >= {f"R{number}" for number in (*range(1, 10), 11, 12, 13, 14, 15)}


def test_a_run_of_an_earlier_core_is_called_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded, "LAST_RUN", tmp_path / "last_run.json")
    recorded.record("rig", False, {"rig_lives": 600}, ["R7"], {})
    assert note.figures()[-1].endswith("| rig lives 600 | R7 |")
    monkeypatch.setattr(note, "core_id", lambda: "another core")
    assert note.figures()[-1].endswith("| rig lives 600 | R7; it is an earlier core's run |")


def test_the_note_is_what_the_generator_makes_now() -> None:
    """After a change of tables, sequences or figures: python3 tools/assure.py --note."""
    for path in note.NOTES:
        assert path.read_text(encoding="utf-8") == note.text(), path


def test_the_search_needs_no_module_in_c() -> None:
    """It is run by an interpreter that has none, for it computes for hours."""
    told = "import sys; import assurance.__main__; print('msgspec' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True)
    assert done.stdout == "False\n", done.stderr
