"""The board on the simulated pot: storage as in files, readings as calibrated, charge counted."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lacking import NO_LIBRARY
from wakeboard.store import SLOTS, PotFiles
from wakecore.state import State, from_bytes
from wakecore.table import convert
from wakewell import shipped
from wakewell.rig.faults import Fault
from wakewell.rig.fitted import beyond, turned
from wakewell.rig.pot import DAY_S, RigPot
from wakewell.simulate import trials
from wakewell.simulate.one_run import run_trial
from wakewell.simulate.rig_board import RigBoard, Slots

pytest.importorskip("fluids", reason=NO_LIBRARY)

CAFE_POTS = ("basil", "citrus", "fern", "mint", "strawberry", "tomato")


def torn(store: Any, data: bytes) -> bool:
    """A save that the power cuts in the middle."""
    Path(store.path(SLOTS[store.next_slot])).write_bytes(data[: len(data) // 2])
    return False


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    acts=st.lists(st.tuples(st.sampled_from(["save", "tear", "load", "boot"])), max_size=25),
)
def test_slots_in_memory_are_the_store_in_files(
    acts: list[tuple[str]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The same saves, torn writes, warm and cold starts give the same state and status."""
    store: Any = PotFiles
    files = store(str(tmp_path_factory.mktemp("pot")))
    files.save_state(State().to_bytes())
    tears = False
    memory = Slots(lambda: tears)
    hint, seq = b"", 0
    for (act,) in [*acts, ("load",), ("boot",)]:
        if act in ("save", "tear"):
            tears = act == "tear"
            seq += 1
            state: Any = State()
            state.seq = state.wakes = seq
            hint = state.to_bytes()
            saved = torn(files, hint) if tears else files.save_state(hint)
            assert memory.save(hint) == saved
        else:
            hint = b"" if act == "boot" else hint
            there, here = files.load_state(hint), memory.load(hint)
            assert (there[0].numbers(), there[1]) == (here[0].numbers(), here[1])


@pytest.mark.parametrize("name", CAFE_POTS)
def test_a_fitted_pot_reads_what_is_there(name: str) -> None:
    """Every probe's median, through the pot's own tables, within its stated tolerance."""
    trial = trials.load(shipped.TRIALS / f"{name}.toml")
    pot, core_pot = RigPot(trial.spec, 1), trial.in_force()
    board, cal = RigBoard(pot, core_pot, samples=9), core_pot.calibration
    pot.state = "awake"
    pot.refill()
    pot.line.leak(0.4 * trial.spec.tank.capacity_ml)
    read, rest = board.read(), board.rest()
    assert rest is not None
    assert convert(cal.battery.points, rest[0]) == pytest.approx(pot.cell_mv(), abs=15)
    for name_, reading in read.items():
        assert reading is not None
        assert reading[1] <= getattr(cal, name_).spread
    soil, level = read["soil"], read["level"]
    assert soil is not None
    assert level is not None
    assert convert(cal.soil.points, soil[0]) == pytest.approx(1000 * pot.soil.probe_content, abs=12)
    seen_ml = convert(cal.level.points, level[0])
    if cal.float_only:
        assert seen_ml == 500
    else:
        # An echo is calibrated at 20 °C; the air of the hour is not.
        assert seen_ml == pytest.approx(pot.line.tank_ml, abs=max(15, 2 * cal.tolerance_ml))


def test_tables_turn_round_and_go_on_past_their_ends() -> None:
    points = turned([(100, 50), (300, 10), (400, 0)])
    assert points == ((0.0, 400.0), (10.0, 300.0), (50.0, 100.0))
    assert [beyond(points, x) for x in (-10, 0, 5, 30, 60)] == [500.0, 400.0, 350.0, 200.0, 50.0]


def test_the_substrate_is_scaled_to_what_the_calibration_says() -> None:
    """Drained, the probe reads the calibrated capacity; at 1,500 kPa the calibrated wilting."""
    for name in CAFE_POTS:
        trial = trials.load(shipped.TRIALS / f"{name}.toml")
        cal, spec = trial.in_force().calibration, trial.spec
        drained = spec.substrate.content(spec.vessel.probe_at_cm)
        assert 1000 * drained == pytest.approx(cal.capacity_ppt, abs=1)
        assert 1000 * spec.substrate.content(15_000.0) == pytest.approx(cal.wilting_ppt, abs=1)


def test_the_pump_gives_the_calibrated_flow() -> None:
    """From a half-full tank at 3.9 V, as into the cup on the bench."""
    for name in CAFE_POTS:
        trial = trials.load(shipped.TRIALS / f"{name}.toml")
        line = RigPot(trial.spec).line
        flow = line.parts.flow_ml_s(0.5 * line.parts.capacity_ml, 3900.0)
        assert 1000 * flow == pytest.approx(trial.in_force().calibration.flow_ul_s, rel=0.02)


def test_charge_is_counted_by_state_and_sums_up(tmp_path: Path) -> None:
    """Asleep, awake, radio, pump and leak each by their own current and time."""
    path = tmp_path / "basil.toml"
    asked = "\n[settings]\nradio_wakes = 1\n"
    path.write_text((shipped.TRIALS / path.name).read_text(encoding="utf-8") + asked)
    result = run_trial(trials.load(path))
    counts, spec, seen = result.pot.counts, result.trial.spec, result.verdicts
    hours = 24.0 * result.days
    assert counts.asleep_mah == pytest.approx(0.001 * spec.board.sleep_ua * hours, rel=0.01)
    assert counts.leak_mah == pytest.approx(0.001 * spec.board.leak_ua * hours, rel=0.001)
    least_awake_s = result.trial.habits.awake_s * seen.wakes
    assert counts.awake_mah >= spec.board.awake_ma * least_awake_s / 3600.0
    daily = counts.radio_mah / (spec.board.radio_ma * result.trial.habits.radio_s / 3600.0)
    assert math.isclose(daily, round(daily))
    assert 120 <= round(daily) <= 122 + seen.doses
    assert run_trial(trials.load(shipped.TRIALS / path.name)).pot.counts.radio_mah == 0.0
    taken = counts.asleep_mah + counts.awake_mah + counts.radio_mah + counts.pump_mah
    taken += counts.leak_mah + counts.faded_mah
    begun = spec.charge * spec.cell.capacity_mah
    assert begun - result.pot.battery.charge_mah == pytest.approx(taken, abs=1e-6)


def test_no_wake_is_cut_short_and_the_run_ends_on_time() -> None:
    trial = trials.load(shipped.TRIALS / "mint.toml")
    result = run_trial(trial)
    assert result.pot.t_s == pytest.approx(trial.days * DAY_S)
    assert result.board.wakes == result.verdicts.wakes


def test_a_state_kept_as_an_object_is_its_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every boot gets the state that its bytes hold, torn slots and resets included."""
    trial = trials.load(shipped.TRIALS / "basil.toml")
    failing = (
        Fault("write fails", 0.0, 60 * DAY_S, 0.1),
        Fault("program hangs", 0.0, 60 * DAY_S, 0.1),
    )
    trial = replace(trial, days=60.0, spec=replace(trial.spec, faults=failing))
    kept = run_trial(trial, log=True).log
    monkeypatch.setattr(Slots, "state_of", lambda _slots, data: from_bytes(data))
    unpacked = run_trial(trial, log=True).log
    assert kept is not None
    assert unpacked is not None
    assert kept.lines == unpacked.lines
