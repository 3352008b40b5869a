"""Faults as data: what is refused, what happens when, and that one seed tells it all."""

import math

import pytest

from wakewell.rig.errors import Impossible
from wakewell.rig.faults import KINDS, Fault, Faults

DAY = 86_400.0


def test_a_window_begins_and_ends() -> None:
    faults = Faults([Fault("hose clogged", 2 * DAY, 5 * DAY, amount=0.7)], seed=1)
    assert faults.reach(0.0) == []
    assert faults.next_s == 2 * DAY
    assert faults.amount("hose clogged") is None
    began = faults.reach(2 * DAY)
    assert [fault.kind for fault in began] == ["hose clogged"]
    assert faults.amount("hose clogged") == 0.7
    assert faults.reach(3 * DAY) == []
    faults.reach(5 * DAY)
    assert faults.amount("hose clogged") is None
    assert faults.next_s == math.inf


def test_of_two_of_one_kind_the_later_counts_in_whatever_order_they_are_told() -> None:
    always, weeks = (
        Fault("hose clogged", amount=0.1),
        Fault("hose clogged", DAY, 3 * DAY, amount=1.0),
    )
    first, second = Fault("clock jump", DAY), Fault("clock jump", 2 * DAY)
    for told in ([always, weeks, first, second], [second, first, weeks, always]):
        faults = Faults(told, seed=1)
        seen, began = [], []
        for day in range(4):
            began += [(day, f.kind) for f in faults.reach(day * DAY)]
            seen.append(faults.amount("hose clogged"))
        assert seen == [0.1, 1.0, 1.0, 0.1]
        assert [day for day, kind in began if kind == "clock jump"] == [1, 2]


def test_usual_amount_stands_in() -> None:
    faults = Faults([Fault("leak")], seed=1)
    faults.reach(0.0)
    assert faults.amount("leak") == KINDS["leak"].usual


def test_chance_follows_the_seed_alone() -> None:
    def happens(seed: int) -> bool:
        return bool(Faults([Fault("hose off", probability=0.3)], seed).happening)

    assert [happens(n) for n in range(50)] == [happens(n) for n in range(50)]
    assert sum(happens(n) for n in range(2_000)) == pytest.approx(600, abs=70)


def test_one_faults_chance_does_not_move_anothers() -> None:
    for seed in range(30):
        alone = Faults([Fault("hose off", probability=0.5)], seed).happening
        both = Faults(
            [Fault("hose off", probability=0.5), Fault("leak", probability=0.5)], seed
        ).happening
        assert [f for f in both if f.kind == "hose off"] == alone


def test_tries_fail_as_often_as_told_and_only_inside_the_window() -> None:
    faults = Faults([Fault("write fails", 0.0, DAY, probability=0.25)], seed=7)
    faults.reach(0.0)
    assert sum(faults.strikes("write fails") for _ in range(4_000)) == pytest.approx(1_000, abs=120)
    assert not faults.strikes("radio down")
    faults.reach(DAY)
    assert not any(faults.strikes("write fails") for _ in range(100))


def test_a_try_of_a_kind_is_the_strike_of_that_kind() -> None:
    fault = Fault("write fails", DAY, 2 * DAY, probability=0.5)
    asked, told = Faults([fault], seed=7), Faults([fault], seed=7)
    write_fails, radio_fails = told.tries("write fails"), told.tries("radio down")
    found = []
    for now in (0.0, DAY, 2 * DAY):
        asked.reach(now)
        told.reach(now)
        found += [write_fails() for _ in range(20)]
        assert found[-20:] == [asked.strikes("write fails") for _ in range(20)]
        assert not radio_fails()
    assert any(found)


@pytest.mark.parametrize(
    ("fault", "key"),
    [
        ({"kind": "gremlins"}, "fault.kind"),
        ({"kind": "leak", "start_s": 10.0, "end_s": 5.0}, "fault.end_s"),
        ({"kind": "leak", "start_s": 10.0, "end_s": 10.0}, "fault.end_s"),
        ({"kind": "leak", "end_s": math.nan}, "fault.end_s"),
        ({"kind": "leak", "start_s": -1.0}, "fault.start_s"),
        ({"kind": "leak", "probability": 1.5}, "fault.probability"),
        ({"kind": "hose clogged", "amount": 1.2}, "fault.amount"),
    ],
)
def test_impossible_faults_are_refused(fault: dict[str, object], key: str) -> None:
    with pytest.raises(Impossible) as refusal:
        Fault(**fault)  # type: ignore[arg-type]
    assert refusal.value.key == key
    assert "allowed is" in str(refusal.value)
