"""A board that lies: whatever it answers, nothing is written outside the pot's folder, nothing is
read without end, and what it says reaches no terminal as it came."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mpremote.transport import TransportError, TransportExecError

import makelog
from wakecore.state import State
from wakewell import terminal
from wakewell.errors import BadInput
from wakewell.usb import flash, inspect, link, programs, pull

SAYS = repr((b"mallory!", "micropython", (1, 27, 0), 6, 1 << 20, 4096, "board with ESP32"))
Answer = Callable[[str], Any]


class Port:
    """The serial port of a board that answers at once."""

    def allow(self) -> None: ...

    def flush(self) -> None: ...


class Cable:
    """What mpremote would bring from a board that answers as it is told to."""

    def __init__(self, answer: Answer) -> None:
        self.answer, self.serial, self.asked = answer, Port(), 0

    def exec(self, code: str) -> bytes:
        self.asked += 1
        if self.asked > 3000:
            raise TransportError("asked without end")
        if code == programs.question("identify"):
            return SAYS.encode()
        found = self.answer(code)
        if isinstance(found, Exception):
            raise found
        return found if isinstance(found, bytes) else str(found).encode(errors="replace")

    def exec_raw_no_follow(self, code: str) -> None: ...

    def close(self) -> None: ...


def is_one_line(text: str) -> bool:
    """Can it stand on one line of a terminal, nothing in it that moves the cursor?"""
    return text == terminal.plain(text)


def board(answer: Answer) -> link.Link:
    return link.Link("/dev/ttyX", Cable(answer))  # type: ignore[arg-type]


def refuses(words: str = "OSError: [Errno 2] ENOENT") -> TransportExecError:
    return TransportExecError(b"", f"Traceback:\n{words}")


LOG = b"".join(data + b"\n" for data in makelog.log_lines(makelog.play(makelog.wakes(3))))


def files(log: dict[str, bytes], listing: str | None = None) -> Answer:
    """A board that has these log files, and lists them, or what it likes."""
    held = {f"/pot/log/{name}": data for name, data in log.items()}
    held["/pot/state.0"] = State().to_bytes()
    opened = [b"", 0]

    def answer(code: str) -> Any:
        named = re.findall(r"'(/pot[^']*|/code[^']*|/[a-z.]*)'", code)
        data = held.get(named[0]) if named else None
        if code == programs.call("list_log"):
            rows = [f"{len(data)} {name}" for name, data in log.items()]
            return "\n".join(rows) if listing is None else listing
        if "b2a_base64" in code and data is not None:
            return base64.encodebytes(data)
        if "stat(" in code:
            return -2 if data is None else len(data)
        if code.startswith("f=open") and data is not None:
            opened[:] = [data, 0]
            return ""
        if "f.read(" in code:
            size = int(re.findall(r"read\((\d+)\)", code)[0])
            at: int = opened[1]  # type: ignore[assignment]
            opened[1] = at + size
            return repr(opened[0][at : at + size])  # type: ignore[index]
        return ""

    return answer


def take(folder: Path, answer: Answer) -> pull.Pulled:
    pulled = pull.Pulled("pot")
    pull.pull_log(board(answer), folder / "logs", pulled)
    return pulled


HOSTILE_NAMES = [
    "../../a1.jsonl",
    "/tmp/aaaaa.jsonl",
    "../aaaaaa.jsonl",
    "0000001.jsonl",
    "000000001.jsonl",
    "00000001.jsonl\0",
    "00000001.jsonL",
    "0000000\u0661.jsonl",
    "0000000a.jsonl",
    "00000001.jsonl/../../x",
    "\x1b[2J\u202e.jsonl",
    "con.jsonl",
    "",
]


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_only_eight_digits_are_a_name(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "home" / "pot"
    folder.mkdir(parents=True)
    pulled = take(folder, files({"00000001.jsonl": LOG}, f"{len(LOG)} 00000001.jsonl\n9 {name}"))
    there = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert there == {"home/pot/logs/00000001.jsonl"}
    assert (folder / "logs" / "00000001.jsonl").read_bytes() == LOG
    assert all(is_one_line(note) for note in pulled.notes)
    assert pulled.notes


@pytest.mark.parametrize(
    "size", ["-1", "1e9", "99999999999999999999", str(1 << 40), "0x10", "9" * 5000]
)
def test_sizes_are_bounded(tmp_path: Path, size: str) -> None:
    pulled = take(tmp_path, files({}, f"{size} 00000001.jsonl"))
    assert not list(tmp_path.rglob("*.jsonl"))
    assert pulled.notes or pulled.left


def test_a_file_that_is_too_large_is_left_and_the_others_come(tmp_path: Path) -> None:
    rows = f"{pull.MOST_BYTES + 1} 00000001.jsonl\n{len(LOG)} 00000002.jsonl"
    pulled = take(tmp_path, files({"00000002.jsonl": LOG}, rows))
    assert [p.name for p in tmp_path.rglob("*.jsonl")] == ["00000002.jsonl"]
    assert pulled.left == [
        f"00000001.jsonl has {pull.MOST_BYTES + 1} bytes, allowed {pull.MOST_BYTES}"
    ]


def test_more_files_than_any_board_keeps(tmp_path: Path) -> None:
    rows = "\n".join(f"1 {number:08d}.jsonl" for number in range(pull.MOST_FILES + 1))
    with pytest.raises(link.BoardLost, match="log files, allowed"):
        take(tmp_path, files({}, rows))


def test_more_bytes_than_it_said(tmp_path: Path) -> None:
    with pytest.raises(link.BoardLost, match="did not arrive complete; nothing of it was stored"):
        take(tmp_path, files({"00000001.jsonl": LOG}, "5 00000001.jsonl"))
    assert not list(tmp_path.rglob("*.jsonl"))


NOISE = "\x1b]0;owned\x07\u202egnp\x9b2J"


@pytest.mark.parametrize(
    "found",
    [
        refuses(f"ValueError: {NOISE}"),
        TransportError(NOISE),
        NOISE,
        f"'{NOISE}'",
        "x" * 100_000,
        "-" * 10_000 + "1",
        "(" * 10_000,
        "not " * 3000 + "1",
        b"\xff\xfe",
    ],
)
def test_what_a_board_says_is_one_plain_line(found: Any) -> None:
    for ask in (
        lambda there: there.eval("1", int),
        lambda there: there.ask("list_pot", kind=list[str]),
        lambda there: there.read("/boots"),
        pull.listed,
    ):
        text = told(ask, board(lambda code: "" if code == programs.call("keep_awake") else found))
        assert is_one_line(text)
        assert len(text) < 500


def told(do: Callable[[link.Link], Any], there: link.Link) -> str:
    """What a person is told of it, if anything: nothing else may be raised."""
    try:
        do(there)
    except BadInput as error:
        return str(error)
    return ""


@pytest.mark.parametrize(
    "says",
    [
        "None",
        "1",
        "(1000000000, 'micropython', (1, 27), 6, 1, 1, '')",
        repr((b"", "micropython", (1, 27, 0), 6, 1, 1, "")),
        repr((b"x" * 64, "micropython", (1, 27, 0), 6, 1, 1, "")),
        repr((b"x", "m" * 200, (1, 27, 0), 6, 1, 1, "")),
        repr((b"x", "micropython", "1.27", 6, 1, 1, "")),
        repr((b"x", "micropython", (1, 27), 6, 1 << 60, 1, "")),
        repr((b"x", "micropython", (1, 27), True, 1, 1, "")),
    ],
)
def test_who_a_board_says_it_is(monkeypatch: pytest.MonkeyPatch, says: str) -> None:
    monkeypatch.setitem(globals(), "SAYS", says)
    with pytest.raises(link.BoardLost, match="garbled answer"):
        board(lambda _: "")


@pytest.mark.parametrize("piece", ["b''", "b'x'", "b'" + "x" * 2000 + "'", "'text'", "7", "[1]"])
def test_a_file_in_pieces_of_another_size_is_not_read_for_ever(piece: str) -> None:
    there = board(lambda code: 1 << 17 if "stat(" in code else piece)
    with pytest.raises(link.BoardLost):
        there.read("/boots")
    assert there.transport.asked < 10  # type: ignore[attr-defined]


@pytest.mark.parametrize("size", [-1, 1 << 30, True, "x", None, 1.5])
def test_a_file_of_no_size(size: Any) -> None:
    with pytest.raises(link.BoardLost):
        board(lambda code: repr(size) if "stat(" in code else "b''").read("/boots")


def test_an_answer_that_drips_ends() -> None:
    """By the whole time of an answer, not by the silence between two of its bytes."""

    class Drip:
        in_waiting = 1

        def read(self, size: int) -> bytes:
            return b"x" * min(size, 1)

    kept = link.PatientPort(Drip())
    kept._until = 0.0  # over
    with pytest.raises(TransportError, match="no end of its answer"):
        kept.until(b"\x04", 1e9, None)
    with pytest.raises(TransportError, match="no end of its answer"):
        kept.read(10)


def test_the_last_wake_is_one_that_has_the_form_of_a_wake(tmp_path: Path) -> None:
    """What follows from it (the mark on the board, its sleep) is computed with."""
    last = [data for data in LOG.splitlines() if b'"kind":"wake"' in data][-1]
    begin = json.loads(last)["begin"]
    for members in ({"n": "x"}, {"n": 1 << 40}, {"begin": begin | {"utc": [1 << 29, 0, 1]}}):
        data = LOG + makelog.changed(last, **members) + b"\n"
        found = pull.last_record(data)
        assert found is not None
        assert found.n == 2
        (tmp_path / "00000001.jsonl").write_bytes(data)
        assert pull.newest_moment(tmp_path) is not None


# Anything in place of any answer
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=20) | st.binary(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.tuples(inner, inner)
        | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=8,
)
ANSWERS = (
    VALUES.map(repr)
    | st.text(max_size=60)
    | st.binary(max_size=60)
    | st.from_regex(r"(\d{1,6} \d{8}\.jsonl\n){1,3}", fullmatch=True)
    | st.builds(refuses, st.text(max_size=30))
    | st.builds(TransportError, st.text(max_size=30))
)


TASKS = ("pull", "inspect", "flash", "sums")


@settings(
    max_examples=300,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.lists(ANSWERS, min_size=1, max_size=12), st.sampled_from(TASKS))
def test_any_answers_end_in_one_line(tmp_path: Path, said: list[Any], task: str) -> None:
    folder = tmp_path / "home" / "pot"
    folder.mkdir(parents=True, exist_ok=True)
    before = {p for p in tmp_path.rglob("*") if folder not in (p, *p.parents)}
    at = iter(range(10**9))

    def work(there: link.Link) -> None:
        if task == "pull":
            pull.keep_in_force(there, folder)
            pulled = pull.Pulled("pot")
            pull.mark(there, pull.pull_log(there, folder / "logs", pulled))
            pull.leave(there, folder / "logs", pulled)
        elif task == "inspect":
            assert all(is_one_line(row) for row in inspect.screen(inspect.look(there), folder))
        elif task == "flash":
            flash.test(there, "v", flash.FlashResult("p", "pot", there.identity, "v"), [])
        else:
            flash.tidy(there, flash.sums(there), {"v"})

    awake = programs.call("keep_awake")
    there = board(lambda code: "" if code == awake else said[next(at) % len(said)])
    assert is_one_line(told(work, there))
    after = {p for p in tmp_path.rglob("*") if folder not in (p, *p.parents)}
    assert after == before
