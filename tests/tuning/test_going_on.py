"""What a twin goes on with at a log's end: the board's memory, and what the tank truly holds."""

from __future__ import annotations

from random import Random
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from wakecore.state import State, from_bytes
from wakecore.table import convert
from wakewell.shipped import CAFE
from wakewell.simulate import trials
from wakewell.tuning import ahead
from wakewell.tuning.evidence import REFILL
from wakewell.tuning.study import Study


def stored(**members: int) -> bytes:
    state = State()
    for name, value in members.items():
        setattr(state, name, value)
    return state.to_bytes()


def test_a_count_of_the_last_answer_is_left_out_and_what_was_learned_stays() -> None:
    found = from_bytes(ahead.carried(stored(silent_doses=1, learned_ul_per_ppt=7000)))
    assert found is not None
    assert (found.silent_doses, found.learned_ul_per_ppt) == (0, 7000)


@pytest.mark.parametrize("count", ["tries", "trial_doses"])
def test_a_press_that_ended_a_lockout_is_remembered_until_it_is_past(count: str) -> None:
    data = stored(unanswered_ul=9000, **{count: 1})
    assert ahead.carried(data) == data


def cold_tank(basil: Study, true_ml: float, celsius: list[float], **last: Any) -> float | None:
    """What a twin of the lemon begins with, by an echo's readings at those temperatures."""
    trial = trials.of_pot(CAFE / "citrus")
    spec, pot = trial.spec, trial.in_force()
    assert pot.calibration.level is not None
    wakes = []
    for n, warm in enumerate(celsius):
        echo_us = spec.level.echo_us(spec.tank.height_mm(true_ml), warm, 0.0, Random(1))
        level_ml = convert(pot.calibration.level.points, echo_us)
        told = {"n": n, "level_ml": level_ml, "level_word": "good", "ran_ms": 0}
        told |= {"temperature_mc": round(1000 * warm), **(last if n + 1 == len(celsius) else {})}
        wakes.append(msgspec.structs.replace(basil.log.wakes[0], **told))
    evidence = SimpleNamespace(log=SimpleNamespace(pot_of=lambda _: pot), left_out={REFILL: [0]})
    found: Any = SimpleNamespace(evidence=evidence, spec=spec)
    return ahead.tank_now(found, wakes)


def test_an_echo_in_the_cold_is_put_right(basil: Study) -> None:
    """Sound goes 331.3 + 0.606 T m/s (from memory), so that at -8 °C a tank looks emptier."""
    assert cold_tank(basil, 5706.0, [20.0]) == pytest.approx(5706.0, abs=20.0)
    assert cold_tank(basil, 5706.0, [4.0, -8.0, -8.5, 2.0, -1.5]) == pytest.approx(5706.0, abs=20.0)


def test_what_a_wake_poured_is_no_longer_in_the_tank(basil: Study) -> None:
    found = cold_tank(basil, 5706.0, [20.0, 20.0], ran_ms=9000, given_ul=300_000, trips=())
    assert found == pytest.approx(5406.0, abs=20.0)
