"""Reminders: one a day for a pot, to the right person, at a decent hour, none lost."""

from __future__ import annotations

import argparse
import itertools
import json
import random
import re
import shutil
from binascii import crc32
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import pytest
from freezegun import freeze_time

import grown
from wakeboard import senml
from wakecore import fields, line, rules
from wakewell import cli, words
from wakewell.commands import remind as remind_command
from wakewell.errors import BadInput
from wakewell.log import logs
from wakewell.log.record import Wake, as_plain
from wakewell.pot import private
from wakewell.radio import causes, letters, remind
from wakewell.radio.store import ReportStore
from wakewell.report import expected
from wakewell.shipped import CAFE

BOARD = "0242ac110002"
KEY = bytes(32)
HOUR_S, DAY_S = 3600, 86400
SETTINGS = {"wake_s": DAY_S, "radio_wakes": 1, "reserve_ml": 80}
Sent = list[tuple[float, tuple[str, ...], str, str]]


def person(zone: str = "UTC", start: str = "21:00", end: str = "08:00") -> private.Person:
    return private.Person(("json://owner",), zone, start, end)


def pot(folder: Path, **people: private.Person) -> remind.PotToRemind:
    found = people or {"owner": person(), "maker": private.Person(("json://maker",))}
    return remind.PotToRemind(BOARD, "Basil", folder, found, SETTINGS, 1500)


def tell(store: ReportStore, n: int, now: float, **told: Any) -> None:
    """A report with such a wake in it, as the store keeps it."""
    from wakewell.radio.store import POTS

    values = {"heard_at": int(now), "report": n, "n": n, "told": told}
    with store.engine.begin() as c:
        c.execute(POTS.delete().where(POTS.c.board == BOARD))
        c.execute(POTS.insert().values(board=BOARD, **values))


class Post:
    """Takes messages. fails: how many it refuses next."""

    def __init__(self) -> None:
        self.sent: Sent = []
        self.now = 0.0
        self.fails = 0

    def __call__(self, addresses: list[str], title: str, text: str) -> bool:
        if self.fails:
            self.fails -= 1
            return False
        self.sent.append((self.now, tuple(addresses), title, text))
        return True


NOON = datetime(2026, 5, 4, 12, tzinfo=UTC).timestamp()


def rounds(
    store: ReportStore,
    where: remind.PotToRemind,
    post: Post,
    start: float,
    end: float,
    every_s: float = HOUR_S,
) -> None:
    """A round so often."""
    now = start
    while now < end:
        post.now = now
        remind.go_round(store, [where], post, now)
        now += every_s


def test_once_a_day_until_it_is_resolved(tmp_path: Path) -> None:
    store, post, where = ReportStore(tmp_path / "db"), Post(), pot(tmp_path)
    tell(store, 1, NOON, needs=["fill the tank"], lockouts=[], values={"level_ml": 260})
    for day in range(2):
        tell(store, 1 + day, NOON + day * DAY_S, needs=["fill the tank"], values={"level_ml": 260})
        rounds(store, where, post, NOON + day * DAY_S, NOON + (day + 1) * DAY_S, 900)
    assert [when for when, *_ in post.sent] == [NOON, NOON + DAY_S]
    _, addresses, title, text = post.sent[0]
    assert addresses == ("json://owner",)
    assert title.startswith("Basil: the tank is getting empty")
    assert "Fill the tank up to its mark" in text
    assert "room for 1200 ml" in text
    tell(store, 3, NOON + 2 * DAY_S, needs=[], lockouts=[], values={})
    rounds(store, where, post, NOON + 2 * DAY_S, NOON + 3 * DAY_S, 900)
    assert len(post.sent) == 2


def test_it_comes_back_within_the_day_and_is_not_told_twice(tmp_path: Path) -> None:
    store, post, where = ReportStore(tmp_path / "db"), Post(), pot(tmp_path)
    for hour in range(20):
        needs = ["fill the tank"] if hour % 2 == 0 else []
        tell(store, hour, NOON + hour * 1800, needs=needs, values={})
        rounds(store, where, post, NOON + hour * 1800, NOON + hour * 1800 + 1)
    assert len(post.sent) == 1


@pytest.mark.parametrize(
    ("told", "owner", "maker"),
    [
        ({"needs": ["fill the tank"]}, ["need fill the tank"], []),
        ({"needs": ["clear a lockout"], "lockouts": ["dry run"]}, ["lockout dry run"], []),
        ({"needs": ["see to the pot"], "lockouts": ["leak"]}, [], ["lockout leak"]),
        ({"needs": ["commission the pot"]}, [], ["need commission the pot"]),
        ({"needs": ["a need of a newer core"]}, ["need a need of a newer core"], []),
        ({"needs": [], "vain": 3}, [], ["reports in vain"]),
        ({"needs": [], "vain": 0}, [], []),
    ],
)
def test_the_right_person(told: dict[str, Any], owner: list[str], maker: list[str]) -> None:
    found = causes.of(told, int(NOON), SETTINGS, NOON)
    assert [c.key for c in found if c.who == "owner"] == owner
    assert [c.key for c in found if c.who == "maker"] == maker


def test_reports_in_vain_are_told_with_the_first_that_came_through_and_not_after_the_next(
    tmp_path: Path,
) -> None:
    """Its answer to what was asked is a report of the same boot, and says it again."""
    store, post, where = ReportStore(tmp_path / "db"), Post(), pot(tmp_path)

    def said(n: int, day: int, **words: Any) -> None:
        start = NOON + day * DAY_S
        report = letters.BoardReport(
            BOARD, n, "00112233", {"wakes": n, "asked": 0, "refused": 0} | words
        )
        store.take([report], int(start))
        rounds(store, where, post, start, start + DAY_S)

    said(1, 0)
    assert post.sent == []
    said(5, 1, vain=3)
    said(6, 1, vain=3)
    ((_, addresses, _, text),) = post.sent
    assert addresses == ("json://maker",)
    assert "after 3 attempts that failed" in text
    said(7, 2)
    said(8, 3)
    assert len(post.sent) == 1


def test_a_pot_that_is_silent_cannot_say_so(tmp_path: Path) -> None:
    store, post, where = ReportStore(tmp_path / "db"), Post(), pot(tmp_path)
    tell(store, 1, NOON, needs=[], lockouts=[], values={})
    rounds(store, where, post, NOON, NOON + 5 * DAY_S + 12 * HOUR_S, 900)
    first = post.sent[0]
    # Two wakes and six hours; that is in the evening, before the quiet time.
    assert first[0] == NOON + 2 * DAY_S + 6 * HOUR_S + 900
    assert first[2] == "Basil: not heard since Monday 4 May; it was expected daily"
    to_maker = [when for when, who, *_ in post.sent if who == ("json://maker",)]
    assert to_maker[0] == first[0] + 3 * DAY_S  # its owner did not come round to it


def test_a_pot_that_was_never_heard_of(tmp_path: Path) -> None:
    """A wrong Wi-Fi password at its new home: nobody else would notice. Restarts count on."""
    post, where = Post(), pot(tmp_path)
    for day in range(4):
        start = NOON + day * DAY_S
        rounds(ReportStore(tmp_path / "db"), where, post, start, start + DAY_S, 900)
    when, who, title, text = post.sent[0]
    assert (when, who) == (NOON + 2 * DAY_S + 6 * HOUR_S + 900, ("json://maker",))
    assert title.startswith("Basil: no report has ever arrived from it")
    assert "private.toml" in text
    assert len(post.sent) == 2
    store = ReportStore(tmp_path / "db")
    tell(store, 1, NOON + 4 * DAY_S, needs=[], values={})
    rounds(store, where, post, NOON + 4 * DAY_S, NOON + 6 * DAY_S)
    assert len(post.sent) == 2


def test_a_pot_asked_to_be_silent_is_no_cause(tmp_path: Path) -> None:
    store, post = ReportStore(tmp_path / "db"), Post()
    where = replace(pot(tmp_path), settings=SETTINGS | {"radio_wakes": 0})
    rounds(store, where, post, NOON, NOON + 9 * DAY_S)
    tell(store, 1, NOON, needs=[], values={})
    rounds(store, where, post, NOON + 9 * DAY_S, NOON + 18 * DAY_S)
    assert post.sent == []


def test_a_new_cause_waits_for_the_next_days_message(tmp_path: Path) -> None:
    """Whatever is wrong with a pot, a person hears of it once a day."""
    store, post = ReportStore(tmp_path / "db"), Post()
    where = pot(tmp_path, owner=person(start="00:00", end="00:00"))
    needs = ["fill the tank", "charge the battery", "see to the soil probe"]
    for hour in range(30):
        tell(store, hour, NOON + hour * HOUR_S, needs=needs[: 1 + hour // 6], values={})
        rounds(store, where, post, NOON + hour * HOUR_S, NOON + (hour + 1) * HOUR_S)
    assert [when for when, *_ in post.sent] == [NOON, NOON + DAY_S]
    assert all(words.NEEDS[name].do in post.sent[1][3] for name in needs)


def test_who_is_owner_and_maker_is_told_once(tmp_path: Path) -> None:
    store, post = ReportStore(tmp_path / "db"), Post()
    where = pot(tmp_path, owner=person(), maker=person())
    tell(store, 1, NOON, needs=["fill the tank"], lockouts=["leak"], values={})
    rounds(store, where, post, NOON, NOON + 8 * HOUR_S)
    assert len(post.sent) == 1
    assert words.LOCKOUTS["leak"].do in post.sent[0][3]


def test_a_message_says_what_was_last_heard(tmp_path: Path) -> None:
    store, post = ReportStore(tmp_path / "db"), Post()
    where = replace(pot(tmp_path), help="Ann, +32 2 555 01 23")
    values = {"soil_ppt": 231, "level_ml": 260, "battery_mv": 3490}
    tell(store, 1, NOON, needs=["charge the battery"], values=values)
    rounds(store, where, post, NOON, NOON + 1)
    last = "Last heard on Monday 4 May, 12:00: soil 23.1 % by volume; tank 260 ml; battery 3.49 V."
    assert last in post.sent[0][3]
    assert "Help: Ann, +32 2 555 01 23." in post.sent[0][3]
    rounds(store, where, post, NOON + 2 * DAY_S + 7 * HOUR_S, NOON + 3 * DAY_S)
    _, _, title, text = post.sent[1]
    assert title == "Basil: not heard since Monday 4 May, 3.49 V then; it was expected daily"
    assert last in text
    assert words.NEEDS["charge the battery"].do not in text, "silence has overtaken it"


def test_upkeep_is_told_with_its_schedule(tmp_path: Path) -> None:
    store, post = ReportStore(tmp_path / "db"), Post()
    where = replace(pot(tmp_path), settings=SETTINGS | {"upkeep_ml": 50, "upkeep_days": 4})
    tell(store, 1, NOON, needs=["see to the soil probe"], values={"level_ml": 400})
    rounds(store, where, post, NOON, NOON + 1)
    # 400 - 80 are six doses, for 24 days from Monday 4 May
    wanted = "Meanwhile the pot gives 50 ml every 4 days, and the tank is enough for that until "
    assert wanted + "Thursday 28 May." in post.sent[0][3]


def test_the_days_left_and_the_water_by_hand_are_of_the_pots_own_log(tmp_path: Path) -> None:
    place = grown.make(tmp_path, grown.Garden(days=100, clog=85, drain=0.004))
    newest = None
    for read, _ in logs.read_file(place / "00000001.jsonl", logs.Skips()):
        newest = read.found if isinstance(read.found, Wake) else newest
    assert newest is not None
    day, second, _ = newest.begin.utc
    now = float(grown.EPOCH_S + day * DAY_S + second)
    store, post, where = (
        ReportStore(tmp_path / "db"),
        Post(),
        pot(tmp_path, owner=person("UTC", "00:00", "00:00")),
    )
    told = {name: as_plain(newest)[name] for name in ("needs", "lockouts", "values")}
    tell(store, newest.n, now, **told)
    rounds(store, where, post, now, now + 1)
    text = post.sent[0][3]
    assert text.startswith("Water it by hand now, about ")
    assert re.search(r"battery \d\.\d\d V, enough for at least \d+ days\.", text)
    tell(store, newest.n + 1, now + DAY_S, **told)  # the log is behind what was heard
    rounds(store, where, post, now + DAY_S, now + DAY_S + 1)
    assert not post.sent[1][3].startswith("Water it")


@pytest.mark.parametrize(
    ("wake_s", "radio_wakes", "needed", "said"),
    [
        (DAY_S, 1, False, "daily"),
        (DAY_S, 3, False, "every 3 days"),
        (DAY_S, 3, True, "daily"),
        (6 * HOUR_S, 1, False, "every 6 hours"),
        (HOUR_S, 1, False, "hourly"),
        (6 * HOUR_S, 40, False, "every 10 days"),
    ],
)
def test_how_often_a_pot_is_expected(
    wake_s: int, radio_wakes: int, needed: bool, said: str
) -> None:
    assert expected.often({"wake_s": wake_s, "radio_wakes": radio_wakes}, needed) == said


@pytest.mark.parametrize("who", ["owner", "maker"])
def test_where_one_person_is_both(tmp_path: Path, who: str) -> None:
    """Only one of the two is named: that one hears everything, each cause once a day."""
    store, post = ReportStore(tmp_path / "db"), Post()
    where = pot(tmp_path, **{who: person(start="00:00", end="00:00")})
    for day in range(5):
        told = {"needs": ["charge the battery"], "lockouts": ["leak"], "values": {}}
        tell(store, day + 1, NOON + day * DAY_S, **told)
        rounds(store, where, post, NOON + day * DAY_S, NOON + (day + 1) * DAY_S)
    times = [when for when, *_ in post.sent]
    assert times == [NOON + day * DAY_S for day in range(5)]
    leak = words.LOCKOUTS["leak"].do
    assert all("Take the battery" in text and leak in text for *_, text in post.sent)


@pytest.mark.parametrize(
    "told",
    [
        {"needs": ["fill the tank"], "lockouts": ["leak"]},
        {"needs": ["fill the tank", "see why the tank empties"], "lockouts": []},
    ],
)
def test_nobody_is_asked_to_fill_a_tank_that_leaks(told: dict[str, list[str]]) -> None:
    """The plant did not use that water: the leak is told, and filling would feed it."""
    found = causes.of({**told, "values": {}}, NOON, {"radio_wakes": 0, "wake_s": DAY_S}, NOON)
    assert [cause.key for cause in found] == [
        *(f"lockout {name}" for name in told["lockouts"]),
        *(f"need {name}" for name in told["needs"][1:]),
    ]
    assert not any("the plant has used the water" in cause.is_ for cause in found)


def test_the_maker_is_told_that_the_owner_is_silent(tmp_path: Path) -> None:
    store, post, where = ReportStore(tmp_path / "db"), Post(), pot(tmp_path)
    for day in range(5):
        tell(store, day, NOON + day * DAY_S, needs=["fill the tank"], values={})
        rounds(store, where, post, NOON + day * DAY_S, NOON + (day + 1) * DAY_S)
    maker = [(when, text) for when, who, _, text in post.sent if who == ("json://maker",)]
    assert maker[0][0] == NOON + 3 * DAY_S
    assert "its owner was told" in maker[0][1]


@pytest.mark.parametrize(
    ("zone", "start", "end", "at", "is_quiet"),
    [
        ("UTC", "21:00", "08:00", "2026-05-04T20:59:59", False),
        ("UTC", "21:00", "08:00", "2026-05-04T21:00:00", True),
        ("UTC", "21:00", "08:00", "2026-05-04T07:59:59", True),
        ("UTC", "21:00", "08:00", "2026-05-04T08:00:00", False),
        ("UTC", "13:00", "15:00", "2026-05-04T14:00:00", True),
        ("UTC", "13:00", "13:00", "2026-05-04T13:00:00", False),
        # Brussels, last Sundays of March and October 2026: 01:00 UTC (EU directive 2000/84/EC)
        ("Europe/Brussels", "21:00", "08:00", "2026-03-28T06:59:59", True),
        ("Europe/Brussels", "21:00", "08:00", "2026-03-28T07:00:00", False),
        ("Europe/Brussels", "21:00", "08:00", "2026-03-29T05:59:59", True),
        ("Europe/Brussels", "21:00", "08:00", "2026-03-29T06:00:00", False),
        ("Europe/Brussels", "21:00", "08:00", "2026-10-25T06:59:59", True),
        ("Europe/Brussels", "21:00", "08:00", "2026-10-25T07:00:00", False),
    ],
)
def test_quiet_by_the_clock_on_the_wall(
    zone: str, start: str, end: str, at: str, is_quiet: bool
) -> None:
    now = datetime.fromisoformat(at).replace(tzinfo=UTC).timestamp()
    assert remind.quiet(person(zone, start, end), now) is is_quiet


@pytest.mark.parametrize(
    ("zone", "month", "day"),
    [("Europe/Brussels", 3, 22), ("America/New_York", 10, 24), ("Australia/Lord_Howe", 10, 1)],
)
def test_never_two_in_a_day_and_none_lost(tmp_path: Path, zone: str, month: int, day: int) -> None:
    """Weeks across a change of local time, with restarts, failing posts and several runners."""
    pick = random.Random(zone)
    where = pot(tmp_path, owner=person(zone))
    start = datetime(2026, month, day, pick.randrange(24), tzinfo=UTC)
    begins = start.timestamp()
    ends = datetime.fromtimestamp(begins + 12 * DAY_S, UTC)
    assert len({one.astimezone(ZoneInfo(zone)).utcoffset() for one in (start, ends)}) == 2
    post, store = Post(), ReportStore(tmp_path / "db")
    now, n = begins, 0
    last_good = begins
    while now < begins + 12 * DAY_S:
        if pick.random() < 0.05:
            store.close()
            store = ReportStore(tmp_path / "db")
        if now - last_good >= DAY_S or n == 0:
            n, last_good = n + 1, now
            tell(store, n, now, needs=["fill the tank", "charge the battery"], values={})
        post.now = now
        post.fails = pick.random() < 0.2
        remind.go_round(store, [where], post, now)
        if pick.random() < 0.1:
            other = ReportStore(tmp_path / "db")  # somebody runs the command by hand as well
            remind.go_round(other, [where], post, now)
            other.close()
        now += pick.choice([900, 3600, 7200])
    times = [when for when, *_ in post.sent]
    for before, after in itertools.pairwise(times):
        assert after - before >= DAY_S
        assert after - before <= DAY_S + 11 * HOUR_S + 8 * 3600, "a day was left out"
    assert times[0] - begins <= 11 * HOUR_S + 8 * 3600
    local = [datetime.fromtimestamp(t, ZoneInfo(zone)).hour for t in times]
    assert all(8 <= hour < 21 for hour in local)


def test_a_clock_set_back_hides_no_reminder(tmp_path: Path) -> None:
    store, post, where = ReportStore(tmp_path / "db"), Post(), pot(tmp_path)
    tell(store, 1, NOON, needs=["fill the tank"], values={})
    rounds(store, where, post, NOON + 400 * DAY_S, NOON + 400 * DAY_S + 1)  # off by a year
    tell(store, 2, NOON, needs=["fill the tank"], values={})
    rounds(store, where, post, NOON, NOON + DAY_S + HOUR_S)
    assert [when for when, *_ in post.sent][-1] == NOON + DAY_S


def test_cut_off_between_deciding_and_sending(tmp_path: Path) -> None:
    """The message may have left: not again within the day, and again after it."""
    store, where = ReportStore(tmp_path / "db"), pot(tmp_path)
    tell(store, 1, NOON, needs=["fill the tank"], values={})

    def cut(*_: Any) -> bool:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        remind.go_round(store, [where], cut, NOON)
    post = Post()
    tell(store, 2, NOON + DAY_S, needs=["fill the tank"], values={})
    rounds(ReportStore(tmp_path / "db"), where, post, NOON, NOON + DAY_S + 1000)
    assert [when for when, *_ in post.sent] == [NOON + DAY_S]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", made)
    (made / "board.toml").write_text(f'id = "{BOARD}"\n')
    path = private.make(made)
    path.write_text(path.read_text() + '[owner]\napprise = ["nosuch://SECRET@host"]\n')
    return made


@freeze_time("2026-05-04 12:00:00")
def test_the_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["remind", str(folder)]) == 2
    assert "no such database" in capsys.readouterr().err
    for every, said in (("0", "--every"), ("nan", "such as 10s or 15m"), ("1e300", "--every")):
        assert cli.main(["remind", str(folder), "--every", every]) == 2
        assert said in capsys.readouterr().err
    store = ReportStore(folder.parent / "heard.db")
    tell(store, 1, NOON - 60, needs=["charge the battery"], lockouts=["leak"], values={})
    file = folder.parent / "tasks.ics"
    assert cli.main(["remind", str(folder), "--dry-run", "--calendar", str(file)]) == 0
    assert "battery is getting low" in capsys.readouterr().out
    tasks = list(icalendar.Calendar.from_ical(file.read_bytes()).walk("VTODO"))
    assert len(tasks) == 2
    assert {str(t["status"]) for t in tasks} == {"NEEDS-ACTION"}
    assert cli.main(["remind", str(folder)]) == 1  # an address that cannot be
    shown = capsys.readouterr()
    assert "SECRET" not in shown.out + shown.err
    assert "could not be sent" in shown.err


@freeze_time("2026-05-04 12:00:00")
@pytest.mark.parametrize(
    ("needs", "every", "said"),
    [([], None, True), ([], 15.0, False), (["fill the tank"], None, False)],
)
def test_that_nothing_holds_is_said_once_and_not_by_one_that_goes_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], needs: list[str], every: float | None,
    said: bool,
) -> None:  # fmt: skip
    store = ReportStore(tmp_path / "db")
    tell(store, 1, NOON - 60, needs=needs, lockouts=[], values={})
    args = argparse.Namespace(dry_run=True, every=every, calendar=None, json=False)
    assert not remind_command.once(store, [pot(tmp_path)], args)
    assert ("nobody needs a reminder" in capsys.readouterr().out) == said


def test_before_which_day(folder: Path) -> None:
    """Water given over the log's last two weeks against what is left above the reserve."""
    where = pot(folder)
    newest = None
    from wakewell.log import logs

    for path in sorted((folder / "logs").glob("*.jsonl*")):
        for read, _ in logs.read_file(path, logs.Skips()):
            newest = read.found if isinstance(read.found, Wake) else newest
    assert newest is not None
    day, second, _ = newest.begin.utc
    now = (datetime(2000, 1, 1, tzinfo=UTC) + timedelta(days=day, seconds=second)).timestamp()
    soon = remind.last_day(where, 300, now, person())
    late = remind.last_day(where, 1200, now, person())
    today = datetime.fromtimestamp(now, UTC)
    days = [datetime.strptime(f"{text} {today.year}", "%A %d %B %Y") for text in (soon, late)]
    assert today.date() <= days[0].date() < days[1].date()


def test_through_apprise_to_a_real_server(tmp_path: Path) -> None:
    """Apprise's JSON form against a server of the standard library's."""
    import http.server
    import json
    import threading

    got: list[dict[str, Any]] = []

    class Taker(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: Any) -> None: ...

    server = http.server.HTTPServer(("127.0.0.1", 0), Taker)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        port = server.server_address[1]
        assert remind.by_apprise([f"json://127.0.0.1:{port}/"], "Basil", "Fill it.")
        assert got[0]["title"] == "Basil"
        assert got[0]["message"] == "Fill it."
        assert not remind.by_apprise(["json://127.0.0.1:1/"], "Basil", "Fill it.")
        assert remind.by_apprise(
            ["json://127.0.0.1:1/", f"json://127.0.0.1:{port}/"], "Basil", "Fill it."
        )
        assert not remind.by_apprise([], "Basil", "Fill it.")
    finally:
        server.shutdown()
        server.server_close()


def test_what_a_report_says_is_what_is_looked_at(tmp_path: Path) -> None:
    """From a board's sealed report to the store's row, and no further with an old one."""
    store = ReportStore(tmp_path / "db")
    body = senml.head(BOARD, 5, "00112233", {"asked": 4, "answer": "in force", "wakes": 9})
    report, why = letters.read(senml.close(body, KEY), KEY, BOARD)
    assert report is not None, why
    store.take([report], 1000)
    old, _ = letters.read(
        senml.close(senml.head(BOARD, 4, "00112233", {"answer": "older"}), KEY), KEY, BOARD
    )
    assert old is not None
    store.take([old], 5000)
    row = store.pots()[BOARD]
    assert (row.heard_at, row.report, row.told["answer"]) == (1000, 5, "in force")


def test_the_settings_a_pot_obeys_are_those_its_newest_wake_names(tmp_path: Path) -> None:
    """What was asked for by radio is in force before the folder says so."""
    where = pot(tmp_path)
    record = {"kind": "settings", "version": fields.VERSION, "limits_id": "0" * 8}
    record |= {name: default for name, _, _, default in fields.SETTINGS}
    record["radio_wakes"] = asked = where.settings["radio_wakes"] + 3
    data = line.encode(list(record), record)
    kept = tmp_path / "logs" / logs.IN_FORCE
    kept.mkdir(parents=True)
    (kept / f"{line.identity(data)}.json").write_bytes(data)
    found = remind.settings_of(where, {"settings": line.identity(data)})
    assert found["radio_wakes"] == asked
    assert found.keys() >= where.settings.keys()
    assert remind.settings_of(where, {"settings": "0" * 8}) == where.settings
    assert remind.settings_of(where, {}) == where.settings


# Until when the tank lasts


def used(folder: Path, *wakes: tuple[float, int], trusted: int = 1) -> remind.PotToRemind:
    """A pot whose log says: so many days before NOON so many ml were given."""
    made = next(o["record"] for o in grown.grow(grown.Garden(days=30)) if "run" in o["record"])
    log = folder / "logs"
    log.mkdir(exist_ok=True)
    with (log / "00000001.jsonl").open("wb") as file:
        for n, (days, ml) in enumerate(sorted(wakes, reverse=True)):
            at = int(NOON - days * DAY_S) - grown.EPOCH_S
            made["n"], made["water"]["given_ul"] = n, 1000 * ml
            made["begin"]["utc"] = [at // DAY_S, at % DAY_S, trusted]
            body = json.dumps(made, separators=(",", ":")).encode()[:-1]
            file.write(body + b',"crc":"%08x"}\n' % crc32(body))
    return pot(folder)


def until(where: remind.PotToRemind, level_ml: int, zone: str = "UTC") -> str:
    return remind.last_day(where, level_ml, NOON, person(zone))


def test_the_day_the_tank_reaches_its_reserve(tmp_path: Path) -> None:
    """40 ml a day over ten days; 280 ml above the reserve of 80 last seven days from Monday."""
    where = used(tmp_path, (10, 0), (7, 200), (0, 200))
    assert until(where, 360) == "Monday 11 May"
    assert until(where, 319) == "Saturday 9 May", "five whole days"
    assert until(where, 320) == "Sunday 10 May"
    assert until(where, 80) == until(where, 0) == "Monday 4 May", "it is there now"
    assert until(where, 9_000_000) == "Friday 3 July", "no farther than sixty days"
    assert until(where, 360, "Pacific/Kiritimati") == "Tuesday 12 May", "their own calendar"


def test_only_the_last_two_weeks_count(tmp_path: Path) -> None:
    where = used(tmp_path, (15, 5000), (10, 0), (7, 200), (0, 200))
    assert until(where, 360) == "Monday 11 May"


@pytest.mark.parametrize(
    "wakes",
    [[], [(1.9, 100), (0, 100)], [(10, 0), (0, 0)], [(3, 100)]],
    ids=["no wake", "less than two days", "no water", "one wake"],
)
def test_no_day_is_told_where_none_is_known(tmp_path: Path, wakes: list[tuple[float, int]]) -> None:
    assert until(used(tmp_path, *wakes), 500) == ""
    assert until(pot(tmp_path / "nothing"), 500) == ""


def test_a_clock_that_is_not_trusted_says_no_day(tmp_path: Path) -> None:
    assert until(used(tmp_path, (10, 100), (0, 100), trusted=0), 500) == ""


def test_two_days_are_enough_to_say_a_day(tmp_path: Path) -> None:
    assert until(used(tmp_path, (2, 40), (0, 40)), 480) == "Thursday 14 May"


def test_the_message_names_room_and_day(tmp_path: Path) -> None:
    store, post, where = (
        ReportStore(tmp_path / "db"),
        Post(),
        used(tmp_path, (10, 0), (7, 200), (0, 200)),
    )
    tell(store, 1, NOON, needs=["fill the tank"], lockouts=[], values={"level_ml": 360})
    rounds(store, where, post, NOON, NOON + 1)
    assert "There is room for 1100 ml; do it before Monday 11 May." in post.sent[0][3]


def test_one_pots_claim_is_not_anothers(tmp_path: Path) -> None:
    """Two pots with the same cause: each is told, and each once a day."""
    store = ReportStore(tmp_path / "db")
    cause = causes.Cause("need fill the tank", words.OWNER, "is", "do")
    for board in ("a", "b"):
        remind.book(store, board, [cause], NOON)
    assert remind.claim(store, "a", cause.key, int(NOON))
    assert not remind.claim(store, "a", cause.key, int(NOON) + 1)
    assert remind.claim(store, "b", cause.key, int(NOON) + 1)
    assert remind.claim(store, "a", cause.key, int(NOON) + DAY_S)


@pytest.mark.parametrize(
    ("name", "who"),
    [(name, words.MAKER if way == rules.CABLE else words.OWNER) for name, _, way in rules.LOCKOUTS],
)
def test_a_lockout_that_only_the_cable_ends_is_the_makers(name: str, who: str) -> None:
    told = {"needs": [], "lockouts": [name]}
    assert [(c.key, c.who) for c in causes.of(told, 0, SETTINGS, 1)] == [(f"lockout {name}", who)]


# Several people, and reminders muted at the pot


def test_each_of_several_people_is_told_their_own(tmp_path: Path) -> None:
    def reached(name: str) -> private.Person:
        return private.Person((f"json://{name}",), "UTC", "23:00", "01:00")

    where = pot(tmp_path, **{name: reached(name) for name in ("owner", "maker", "anna", "jo")})
    where.told = {"anna": ("fill the tank", "silent"), "jo": ("maker",)}
    store, post = ReportStore(tmp_path / "db"), Post()
    tell(
        store,
        1,
        NOON,
        needs=["fill the tank", "free the button"],
        lockouts=["files damaged"],
        values={},
    )
    remind.go_round(store, [where], post, NOON)
    told = {addresses[0]: text for _, addresses, _, text in post.sent}
    assert set(told) == {f"json://{name}" for name in where.people}
    sides = {
        name: ("Fill the tank" in text, "settings could not be read" in text)
        for name, text in told.items()
    }
    assert sides["json://anna"] == sides["json://owner"] == (True, False)
    assert sides["json://maker"] == sides["json://jo"] == (False, True)
    assert "button" in told["json://owner"]
    assert "button" not in told["json://anna"]
    remind.go_round(store, [where], post, NOON + HOUR_S)
    assert len(post.sent) == 4
    where.people.pop("owner")
    tell(store, 2, NOON + 2 * DAY_S, needs=["free the button"], lockouts=[], values={})
    remind.go_round(store, [where], post, NOON + 2 * DAY_S)
    assert post.sent[4][1] == ("json://maker",), "with no owner the maker hears of it"
    assert len(post.sent) == 5


PEOPLE = """
[owner]
apprise = ["json://owner"]
[people.anna]
apprise = ["json://anna"]
"""


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ("anna = ['fill the tank']", ""),
        ("anna = ['fil the tank']", "nearest known name fill the tank"),
        ("anna = 'fill the tank'", "allowed a list such as"),
        ("anna = []", "allowed a list such as"),
        ("anna = [[1]]", "nothing that people are told of"),
        ("owner = ['maker']", "not owner or maker"),
        ("jo = ['maker']", "what anna is told, the other how"),
        ("", "what anna is told, the other how"),
    ],
)
def test_who_is_told_of_what_stands_in_the_pots_files(tmp_path: Path, said: str, why: str) -> None:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    (folder / "board.toml").write_text(f'id = "{BOARD}"\n')
    with (folder / "pot.toml").open("a") as file:
        file.write(f"\n[people]\n{said}\n")
    path = private.make(folder)
    path.write_text(path.read_text() + PEOPLE)
    if why:
        with pytest.raises(BadInput, match=re.escape(why)):
            remind.load([str(folder)])
        return
    (found,) = remind.load([str(folder)])
    assert found.told == {"anna": ("fill the tank",)}
    assert set(found.people) == {"owner", "anna"}
    assert "json://anna" in private.read(folder).words(), "an address is a secret"


def muted(store: ReportStore, n: int, at: float, heard: float | None = None) -> None:
    """A wake whose button was held that long, as the store keeps it."""
    path = next((CAFE / "basil" / "logs").glob("*.jsonl*"))
    with logs.open_log(path) as file:
        record, _ = line.decode(next(each for each in file if b'"wake"' in each[:20]).rstrip())
    assert record is not None
    day, second = divmod(int(at) - 946684800, DAY_S)
    record["n"] = n
    record["begin"] |= {"host": ["mute"], "cause": "button", "utc": [day, second, 1]}
    data = line.encode(list(record), record)
    made = letters.LogLine("wake", n, f"{crc32(data[: -line.TAIL_SIZE]):08x}", 1, n * 4000, data)
    store.take([letters.BoardReport(BOARD, n, "0" * 16, {}, [made])], int(heard or at))


def test_reminders_are_muted_at_the_pot_and_the_maker_sees_it(tmp_path: Path) -> None:
    store, post, where = ReportStore(tmp_path / "db"), Post(), pot(tmp_path)
    muted(store, 1, NOON - HOUR_S)
    tell(store, 1, NOON, needs=[], lockouts=[], values={})
    rounds(store, where, post, NOON, NOON + 2 * DAY_S)
    assert [to for _, to, _, _ in post.sent] == [("json://maker",)], "once, and to nobody else"
    assert "were muted with its button until Monday 11 May" in post.sent[0][3]
    done = remind.go_round(store, [where], None, NOON + 2 * DAY_S)
    assert [cause.key for _, cause, _ in done.open] == [causes.MUTED]
    for day in range(2, 9):
        tell(store, day, NOON + day * DAY_S, needs=["fill the tank"], values={})
        rounds(store, where, post, NOON + day * DAY_S, NOON + (day + 1) * DAY_S)
    owner = [when for when, to, _, _ in post.sent if to == ("json://owner",)]
    assert owner[0] == NOON + 7 * DAY_S - HOUR_S, "a week after the press it begins again"
    maker = [(when, text) for when, to, _, text in post.sent[1:] if to == ("json://maker",)]
    assert maker[0][0] == NOON + 2 * DAY_S, "meanwhile the maker is told in the owner's place"
    assert "Fill the tank" in maker[0][1]


@pytest.mark.parametrize("what", ["old", "late", "clock back"])
def test_a_press_that_came_late_or_from_another_time_mutes_nothing_for_long(
    tmp_path: Path, what: str
) -> None:
    store, where = ReportStore(tmp_path / "db"), pot(tmp_path)
    pressed, heard = {
        "old": (NOON - 8 * DAY_S, NOON - 8 * DAY_S),
        "late": (NOON - 8 * DAY_S, NOON - HOUR_S),  # it waited at the broker
        "clock back": (NOON + 90 * DAY_S, NOON + 90 * DAY_S),  # this computer's, since then
    }[what]
    muted(store, 1, pressed, heard)
    assert remind.muted_at(store, where.board, NOON) is None
