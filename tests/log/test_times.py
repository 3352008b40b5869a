"""Times put together from counted sleep and clocks that may be wrong."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from wakewell.errors import BadInput
from wakewell.log.times import DAY_S, Calendar, Tick, cut_short, span_text, tick, timeline

START_S = 1_770_000_000


def ticks(*utc_s: int | None) -> list[Tick]:
    """Daily wakes with these clocks; the first is a cold start."""
    return [Tick(DAY_S if i else None, u) for i, u in enumerate(utc_s)]


def days(*numbers: float) -> list[int]:
    """Times of those days."""
    return [int(START_S + n * DAY_S) for n in numbers]


def test_a_good_clock_is_followed() -> None:
    times, dated, jumps = timeline(ticks(*days(0, 1, 2, 3)))
    assert (times, dated, jumps) == ([float(t) for t in days(0, 1, 2, 3)], True, 0)


def test_one_wild_clock_moves_nothing() -> None:
    times, _, jumps = timeline(ticks(*days(0, 1, 9000, 3, 4)))
    assert times == [float(t) for t in days(0, 1, 2, 3, 4)]
    assert jumps == 2  # there and back


def test_a_clock_set_late_dates_what_came_before() -> None:
    times, dated, _ = timeline(ticks(None, None, *days(2, 3)))
    assert dated
    assert times == [float(t) for t in days(0, 1, 2, 3)]


def test_a_power_cut_is_as_long_as_the_clock_says() -> None:
    rows = [*ticks(*days(0, 1)), Tick(None, days(30)[0]), Tick(DAY_S, days(31)[0])]
    assert timeline(rows)[0] == [float(t) for t in days(0, 1, 30, 31)]


def test_time_never_goes_back() -> None:
    rows = [*ticks(*days(10, 11)), Tick(None, days(0)[0]), Tick(DAY_S, days(1)[0])]
    times, _, _ = timeline(rows)
    assert times == sorted(times)
    assert len(set(times)) == len(times)


def test_a_clock_set_back_between_visits_shortens_nothing() -> None:
    """Three times twelve counted days, each begun by a cold start that was told the same date."""
    rows: list[Tick] = []
    for _ in range(3):
        rows += [Tick(None, days(0)[0]), *ticks(*days(*range(12)))[1:]]
    times, _, jumps = timeline(rows)
    assert times[-1] - times[0] == 33 * DAY_S + 2 * 1.0
    assert jumps == 2


@pytest.mark.parametrize(
    ("cause", "slept_s", "counts"),
    [("timer", DAY_S, True), ("timer", 65, False), ("button", 65, True), ("timer", None, False)],
)
def test_a_sleep_that_a_visit_set_anew_says_nothing_of_the_time(
    cause: str, slept_s: int | None, counts: bool
) -> None:
    assert (tick(cause, slept_s, (DAY_S, 2000), None).elapsed_s is not None) == counts


def test_without_a_clock_days_are_counted() -> None:
    times, dated, _ = timeline(ticks(None, None, None))
    assert not dated
    assert times == [0.0, DAY_S, 2 * DAY_S]
    calendar = Calendar("Europe/Brussels", dated)
    assert calendar.date(2 * DAY_S) == "day 3"
    assert "never knew the date" in calendar.name


def test_undated_records_before_a_power_cut_end_before_it() -> None:
    rows = [Tick(None, None), Tick(DAY_S, None), Tick(None, days(30)[0])]
    times, _, _ = timeline(rows)
    assert times == sorted(times)
    assert times[2] == days(30)[0]
    assert times[1] - times[0] == DAY_S


def test_local_time_and_its_summer_hour() -> None:
    calendar = Calendar("Europe/Brussels")
    # Europe/Brussels, 2026: summer time begins on 29 March at 01:00 UTC (IANA time zones)
    assert calendar.moment(1774746000 - 3600) == "Sun 29 March 2026, 01:00"
    assert calendar.moment(1774746000) == "Sun 29 March 2026, 03:00"
    assert calendar.wall_s(1774746000) - calendar.wall_s(1774746000 - 3600) == 7200


def test_a_wrong_zone_is_told() -> None:
    for zone in ("Mars/Olympus", "../../etc/passwd", "\0"):
        with pytest.raises(BadInput, match="not a time zone"):
            Calendar(zone)


def test_lengths_in_words() -> None:
    assert [span_text(s) for s in (30, 3000, 7200, 3 * DAY_S)] == [
        "1 minute",
        "50 minutes",
        "2 hours",
        "3 days",
    ]


def test_a_sleep_is_cut_short_below_nine_tenths_of_it() -> None:
    assert not cut_short("timer", 90, 100)
    assert cut_short("timer", 89, 100)
    assert cut_short("timer", 82, 100)
    assert not cut_short("button", 1, 100)


def test_undated_records_end_a_minute_before_the_first_dated_run() -> None:
    ticks = [Tick(None, None), Tick(100.0, None), Tick(None, 10**9), Tick(50.0, None)]
    times, dated, jumps = timeline(ticks)
    assert times == [10**9 - 160, 10**9 - 60, 10**9, 10**9 + 50]
    assert (dated, jumps) == (True, 0)


def test_a_clock_may_drift_by_a_tenth_of_what_passed_since_it_was_last_told() -> None:
    """Two hours off after 10,000 s are a jump, however long the run was before; after a day not."""

    def jumps(gap_s: float) -> int:
        told = 10**9 + 10**6
        return timeline(
            [Tick(None, 10**9), Tick(10.0**6, told), Tick(gap_s, told + int(gap_s) + 7200)]
        )[2]

    assert jumps(10_000.0) == 1
    assert jumps(86_400.0) == 0


def test_a_span_of_dates_says_its_year_once() -> None:
    calendar = Calendar("UTC")
    early = datetime(2026, 6, 12, tzinfo=UTC).timestamp()
    assert calendar.between(early, early + 30 * DAY_S) == ("12 June", "12 July 2026")
    assert calendar.between(early, early + 300 * DAY_S) == ("12 June 2026", "8 April 2027")
    assert Calendar("UTC", dated=False).between(0.0, 3 * DAY_S) == ("day 1", "day 4")


def test_a_run_without_a_date_follows_a_minute_after_the_last() -> None:
    found = timeline([Tick(None, None), Tick(100.0, None), Tick(None, None), Tick(7.0, None)])
    assert found == ([0.0, 100.0, 160.0, 167.0], False, 0)


def test_what_a_record_says_of_time() -> None:
    assert tick("timer", 100, (90, 2000), 7) == Tick(92.0, 7), "no more than was commanded"
    assert tick("timer", 90, (100, 2000), None) == Tick(92.0, None)
    assert tick("timer", None, (100, 2000), 7) == Tick(None, 7)
    assert tick("timer", 100, None, 7) == Tick(None, 7)
    assert tick("timer", 10, (100, 2000), 7) == Tick(None, 7)
    assert tick("button", 10, (100, 2000), 7) == Tick(12.0, 7)


def test_what_the_times_are_called() -> None:
    assert Calendar("Europe/Brussels").name == "local time, Europe/Brussels"
    assert Calendar().name == "local time of this computer"
    assert Calendar(dated=False).wall_s(7.0) == 7.0
    assert Calendar("Europe/Brussels").wall_s(7.0) == 3607.0
    assert Calendar(dated=False).name.startswith("days since the first wake on record")
    at = datetime(2026, 6, 12, 6, 7, 8, tzinfo=UTC).timestamp()
    assert Calendar("UTC").moment(at) == "Fri 12 June 2026, 06:07"
    assert Calendar("Europe/Brussels").moment(at) == "Fri 12 June 2026, 08:07"


def test_a_zone_that_is_none_is_shown_cut_short() -> None:
    with pytest.raises(BadInput, match=rf"--timezone '{'x' * 40}': not a time zone"):
        Calendar("x" * 41)
