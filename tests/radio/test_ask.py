"""`wakewell ask` on a copy of a café pot: it makes what a board takes, or says why not."""

from __future__ import annotations

import json
import shutil
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import mosquitto
import pytest
import remote_pots

import makelog
from wakeboard import asked, senml
from wakecore import line
from wakewell import cli
from wakewell.log import obeyed
from wakewell.log.record import wake_of
from wakewell.pot import pot_folder, private
from wakewell.radio import ask, letters, posted
from wakewell.radio.store import ReportStore
from wakewell.replay import asked as other_settings
from wakewell.shipped import CAFE

BOARD, KEY = "0242ac110002", bytes(32)


@pytest.fixture
def pot(tmp_path: Path) -> Path:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder)
    (folder / "board.toml").write_text(f'id = "{BOARD}"\n')
    private.make(folder)
    return folder


def test_what_is_asked_is_what_the_board_takes(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["ask", str(pot), "dose_ml=61", "radio_wakes=1", "--only-file"]) == 0
    out = capsys.readouterr().out
    assert "dose_ml: " in out
    assert "-> 61" in out
    assert "recorded wakes:\n    wake 1 (2025-03-04) is the first with another decision: " in out
    assert "commands: report; recorded: nothing\n    the water stays the same: " in out
    key = private.read(pot).key
    assert key.hex() not in out
    found = pot_folder.load(pot)
    data = (pot / "asked" / "000001.kept.json").read_bytes()
    n, settings, why = asked.judge(data, key, BOARD, 0, found.pot, [9000, 0, 1], 300)
    assert (n, why) == (1, "")
    record, _ = line.decode(settings)
    assert record["dose_ml"] == 61
    assert record["radio_wakes"] == 1
    assert {k: record[k] for k in found.settings} == {
        **found.settings, "dose_ml": 61, "radio_wakes": 1,
    }  # fmt: skip
    assert cli.main(["ask", str(pot), "dose_ml=62", "--only-file"]) == 0
    assert json.loads((pot / "asked" / "000002.kept.json").read_bytes())["n"] == 2
    assert cli.main(["ask", str(pot)]) == 0
    shown = capsys.readouterr().out
    assert "number 2" in shown
    assert "made but not sent" in shown
    assert posted.newest_asked(pot) == b""  # nor does a pot that posts get it


def test_the_number_is_above_what_the_board_judged(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From another copy of the folder somebody asked already: an old number would be refused."""
    body = senml.head(BOARD, 3, "00112233", {"asked": 41, "answer": "in force", "refused": 2})
    report, why = letters.read(senml.close(body, KEY), KEY, BOARD)
    assert report is not None, why
    where = pot.parent / "elsewhere.db"
    store = ReportStore(where)
    store.take([report], 1000)
    store.close()
    words = ["ask", "--database", str(where), str(pot)]
    assert cli.main([*words, "dose_ml=61", "--only-file"]) == 0
    assert (pot / "asked" / "000042.kept.json").exists()
    capsys.readouterr()
    assert cli.main(words) == 0
    shown = capsys.readouterr().out
    assert "number 42" in shown
    assert "answered   number 41: in force (2 messages refused so far)" in shown
    where.write_bytes(b"no database" * 999)
    assert cli.main(words) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_what_a_pot_refused_is_shown_also_if_it_never_judged(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = ReportStore(pot.parent / "heard.db")
    for n, refused, row in (
        (3, 0, ""),
        (4, 1, "  refused    1 message so far\n"),
        (5, 3, "  refused    3 messages so far\n"),
    ):
        body = senml.head(BOARD, n, "00112233", {"asked": 0, "answer": "", "refused": refused})
        report, why = letters.read(senml.close(body, KEY), KEY, BOARD)
        assert report is not None, why
        store.take([report], 1000 + n)
        assert cli.main(["ask", str(pot)]) == 0
        out = capsys.readouterr().out
        assert "answered" not in out
        assert row in out
        assert ("refused" in out) == (refused > 0)
    store.close()


@pytest.mark.parametrize("refused", ["3", "many", -1, None])
def test_a_count_that_is_none_is_not_shown(refused: object) -> None:
    assert ask.answered({"asked": 0, "answer": "", "refused": refused}) == []
    assert ask.answered({"asked": 2, "answer": "in force", "refused": refused}) == [
        "  answered   number 2: in force"
    ]


def test_a_pot_that_never_reports_is_told_of(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["ask", str(pot), "dose_ml=61", "--dry-run"]) == 0
    assert "CAUTION: it obeys radio_wakes = 0" in capsys.readouterr().out
    assert cli.main(["ask", str(pot)]) == 0
    assert "reports    never (radio_wakes = 0)" in capsys.readouterr().out


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", '{"values":{},"limits_id":"x","until":[9999999,9]}']
)
def test_a_message_somebody_edited(
    pot: Path, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (pot / "asked").mkdir()
    (pot / "asked" / "000001.json").write_text(text)
    assert cli.main(["ask", str(pot)]) == 2
    error = capsys.readouterr().err
    assert "move it away" in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "why"),
    [
        # Each is refused by `check`, in settings.toml, with these very words.
        (["fill_ppt=500", "depletion_ppt=300"], "at or below the refill point"),
        (["fill_ppt=500"], "raise fill_ppt or depletion_ppt"),
        (["battery_mv=3800"], "the lockout must end above where it began"),
        (["battery_mv=4290", "battery_clear_mv=4310"], "battery_clear_mv = 4310"),
        (["reserve_ml=4000"], "inside [level] of calibration.toml"),
        (["pulse_ml=1"], "no run is shorter than"),
        (["upkeep_ml=61"], "up to upkeep_ml of limits.toml"),
    ],
)
def test_every_rule_of_check_holds_for_what_is_asked(
    pot: Path, words: list[str], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["ask", str(pot), *words, "--only-file"]) == 2
    error = capsys.readouterr().err
    assert why in error
    assert error.count("\n") == 1
    assert not (pot / "asked").exists()
    settings = pot / "settings.toml"
    names = [word.partition("=")[0] for word in words]
    rows = [row for row in settings.read_text().splitlines() if row.partition(" ")[0] not in names]
    settings.write_text("\n".join([*words, *rows]))
    assert cli.main(["check", str(pot)]) == 2
    assert why in capsys.readouterr().out


def test_the_rules_are_for_what_is_in_force_with_what_is_asked(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The log says depletion_ppt = 400; settings.toml, not yet flashed, would allow this one."""
    path = pot / "settings.toml"
    path.write_text(path.read_text().replace("depletion_ppt = 400", "depletion_ppt = 900"))
    assert cli.main(["ask", str(pot), "fill_ppt=650", "--only-file"]) == 2
    assert "at or below the refill point of 296" in capsys.readouterr().err
    assert cli.main(["ask", str(pot), "fill_ppt=650", "depletion_ppt=800", "--only-file"]) == 0


def test_what_check_warns_of_is_told_before_it_is_asked(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["ask", str(pot), "tank_warn_ml=100", "--dry-run"]) == 0
    assert "CAUTION: tank_warn_ml = 100: the refill is asked for too late" in (
        capsys.readouterr().out
    )
    assert cli.main(["ask", str(pot), "dose_ml=61", "--dry-run"]) == 0
    assert "tank_warn_ml" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("commands", "utc", "told"),
    [
        (["sleep 86400 button"], [9000, 3600, 1], "2024-08-23 01:00 UTC or soon after"),
        (["sleep 86400"], [9000, 3600, 1], "2024-08-23 01:00 UTC or soon after"),
        (["sleep 900 button"], [9000, 3600, 1], "2024-08-22 01:15 UTC or soon after"),
        (["sleep 86400 button"], [9000, 3600, 0], "not known: its clock is unsure"),
        ([], [9000, 3600, 1], "not known: its newest wake commands no sleep"),
        (["store"], [9000, 3600, 1], "not known: its newest wake commands no sleep"),
    ],
)
def test_when_the_next_wake_is(commands: list[str], utc: list[int], told: str) -> None:
    """2000-01-01 and 9000 days are 2024-08-22 (GNU date)."""
    plain = next(makelog.play(makelog.wakes(1)))["record"]
    wake = wake_of(plain | {"commands": commands, "begin": plain["begin"] | {"utc": utc}})
    assert ask.next_wake(wake) == told


def test_the_next_wake_is_shown(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The last record of basil's log: day 9353, second 25200 or so, and a day of sleep."""
    last = obeyed.known(pot, pot_folder.load(pot)).last
    assert last is not None
    day, second, _ = last.begin.utc
    when = datetime(2000, 1, 1, tzinfo=UTC) + timedelta(days=day + 1, seconds=second)
    assert last.commands[-1] == "sleep 86400 button"
    assert cli.main(["ask", str(pot)]) == 0
    assert f"next wake  {when:%Y-%m-%d %H:%M} UTC" in capsys.readouterr().out


def test_a_message_that_is_no_file(pot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (pot / "asked" / "000001.json").mkdir(parents=True)
    assert cli.main(["ask", str(pot)]) == 2
    error = capsys.readouterr().err
    assert "000001.json: is a directory; move it away" in error
    assert error.count("\n") == 1


def test_its_time_and_its_count_of_wakes(pot: Path) -> None:
    now = datetime(2026, 3, 1, 12, tzinfo=UTC)
    _, data, _ = ask.message(pot, {"dose_ml": 61}, 7, now)
    body = json.loads(data)
    assert body["until"] == [(datetime(2026, 3, 8, tzinfo=UTC) - obeyed.EPOCH).days, 43200]
    last = obeyed.known(pot, pot_folder.load(pot)).last
    assert last is not None
    assert body["until_n"] == last.n + 7 * 86400 // pot_folder.load(pot).settings["wake_s"]


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["dose_ml"], "allowed key=value"),
        (["dosis_ml=3"], "dose_ml"),
        (["dose_ml=x"], "allowed 1 to 2000"),
        (["dose_ml=0"], "allowed 1 to 2000"),
        (["dose_ml=1.5"], "allowed 1 to 2000"),
        (["dose_ml=2000"], "hard limit"),
        (["battery_mv=100"], "hard limit"),
        (["battery_mv=3900", "battery_clear_mv=3800"], "allowed above battery_mv"),
        (["dose_ml=50", "dose_ml=51"], "given twice"),
        (["day_ml=900"], "not a name of the settings"),
        (["dose_ml=50", "--days", "90"], "allowed 1 to 60"),
    ],
)
def test_what_a_board_would_refuse_is_not_even_made(
    pot: Path, words: list[str], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["ask", str(pot), *words, "--only-file"]) == 2
    error = capsys.readouterr().err
    assert why in error
    assert error.count("\n") == 1
    assert not (pot / "asked").exists()


def test_a_key_is_made_once_out_of_git_and_never_shown(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    key = private.read(pot).key
    assert cli.main(["ask", str(pot), "--new-key"]) == 2
    assert private.read(pot).key == key
    assert "private.toml" in (pot / ".gitignore").read_text().split()
    assert stat.S_IMODE((pot / "private.toml").stat().st_mode) == 0o600
    assert key.hex() not in repr(private.read(pot)) + "".join(capsys.readouterr())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('key = "', 'key = "SECRET'),
        ('name = ""', 'name = "SECRET-SECRET-SECRET-SECRET-SECRET"'),
        ('password = ""', 'password = "SECRET'),
        ("port = 8883", "port = 'SECRET'"),
        ("[broker]", "SECRET = 1\n[broker]"),
        ("tls = true", "SECRET = 'SECRET'"),
        ('ca = ""', 'ca = "SECRET"'),
        ('user = ""', 'user = "SECRET\\u0007"'),
    ],
)
def test_no_error_shows_what_is_in_it(
    pot: Path, old: str, new: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = pot / "private.toml"
    path.write_text(path.read_text().replace(old, new, 1))
    assert cli.main(["ask", str(pot), "dose_ml=50", "--only-file"]) == 2
    error = capsys.readouterr().err
    assert "private.toml:" in error
    assert error.count("\n") == 1
    assert "SECRET" not in error


def test_a_board_that_lost_count_is_not_asked(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It would refuse every number there is, and those after it for ever."""
    words = {"asked": asked.MOST_N, "answer": "message counter lost; reset it by cable"}
    report, why = letters.read(
        senml.close(senml.head(BOARD, 3, "00112233", words), KEY), KEY, BOARD
    )
    assert report is not None, why
    store = ReportStore(pot.parent / "heard.db")
    store.take([report], 1000)
    assert cli.main(["ask", str(pot), "dose_ml=61", "--only-file"]) == 2
    assert "by cable" in capsys.readouterr().err
    assert not (pot / "asked").exists()
    (pot / "asked").mkdir()
    (pot / "asked" / f"{asked.MOST_N + 1}.json").write_text("{}")  # made once in spite of that
    report = letters.BoardReport(BOARD, 4, "00112233", {"asked": 0, "answer": ""})
    store.take([report], 2000)
    store.close()
    assert cli.main(["ask", str(pot), "dose_ml=61", "--only-file"]) == 0
    assert (pot / "asked" / "000001.kept.json").exists()


def test_a_message_that_takes_the_place_of_another_says_so(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = pot / "private.toml"
    path.write_text(path.read_text() + '\n[post]\nhost = "localhost"\nca = "ca.pem"\n')
    mosquitto.certificates(pot)
    assert cli.main(["ask", str(pot), "dose_ml=61"]) == 0
    assert "replaces" not in capsys.readouterr().out
    assert b'"dose_ml":61' in posted.newest_asked(pot)
    assert cli.main(["ask", str(pot), "wake_s=43200"]) == 0
    assert (
        "replaces number 1, not seen in force; ask again for dose_ml=61" in capsys.readouterr().out
    )
    assert cli.main(["ask", str(pot), "wake_s=43200", "dose_ml=61"]) == 0
    assert "replaces" not in capsys.readouterr().out
    assert cli.main(["ask", str(pot), "dose_ml=62"]) == 0
    assert "ask again for wake_s=43200" in capsys.readouterr().out


def test_what_could_not_be_sent_was_not_asked(
    pot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (pot / "private.toml").unlink()
    remote_pots.fill_in(pot, 1)  # nobody there
    assert cli.main(["ask", str(pot), "dose_ml=61"]) == 2
    capsys.readouterr()
    assert cli.main(["ask", str(pot)]) == 0
    assert "made but not sent" in capsys.readouterr().out


def test_the_settings_of_a_folder_are_those_of_its_settings_toml() -> None:
    found = other_settings.read(CAFE / "basil")
    assert found.name.endswith("settings.toml")
    assert found.values == pot_folder.load(CAFE / "basil").files["settings"].data
