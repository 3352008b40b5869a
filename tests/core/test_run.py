"""One pulse beside a plain reading of its watch list, row by row at every sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from wakecore import run

if TYPE_CHECKING:
    from wakecore.typed import Watch

ROWS = st.tuples(
    st.sampled_from(
        (run.PLACES["level"], run.PLACES["battery"], run.PLACES["current"], run.PLACES["saucer"])
    ),
    st.sampled_from((1, -1)),
    st.integers(-30, 30),
    st.sampled_from((0, 150, 300, 600, 5000)),
    st.integers(1, 3),
)
COUNTS = st.integers(-40, 40) | st.just(run.UNREAD)
SAMPLES = st.lists(st.tuples(st.sampled_from((0, 150, 150, 150)), *[COUNTS] * 4), max_size=20)
LOST = ("lost", run.PLACES["level"], 1, run.UNREAD - 1, 0, 2)


def plainly(rows: list[Watch], samples: list[tuple[int, ...]], pulse_ms: int) -> list[object]:
    """What each sample comes to, up to the one that ends the pulse, and the row that ended it."""
    came: list[object] = []
    running = dict.fromkeys(range(len(rows)), 0)
    for count, (ms, *counts) in enumerate(samples, 1):
        for at, (trip, channel, sign, limit, after_ms, wanted) in enumerate(rows):
            hit = sign * counts[channel - 1] > limit and ms >= after_ms
            running[at] = running[at] + 1 if hit else 0
            if running[at] == wanted:
                return [*came, run.STOP, trip]
        if ms >= pulse_ms:
            return [*came, run.DONE, None]
        if count == pulse_ms // run.SAMPLE_MS + 2:
            return [*came, run.STOP, "full"]
        came.append(run.KEEP)
    return [*came, None]


@given(st.lists(ROWS, max_size=8), SAMPLES, st.sampled_from((450, 1200, 2250)))
def test_a_pulse_ends_where_its_rows_say(
    picked: list[tuple[int, int, int, int, int]],
    taken: list[tuple[int, ...]],
    pulse_ms: int,
) -> None:
    rows: list[Watch] = [LOST, *((f"row {n}", *row) for n, row in enumerate(picked))]
    ms, samples = 0, []
    for passed_ms, *counts in taken:
        ms += passed_ms
        samples.append((ms, *counts))
    made = run.Run(pulse_ms, tuple(rows))
    came: list[object] = []
    for sample in samples:
        made.now[:] = sample
        came.append(made.step())
        if came[-1] != run.KEEP:
            break
    assert [*came, made.trip] == plainly(rows, samples, pulse_ms)
    made.end(ms)
    record = made.record()
    assert record["ms"] == [sample[0] for sample in samples[: len(came)]]
    level = run.PLACES["level"]
    assert record["level"] == [sample[level] for sample in samples[: len(came)]]
