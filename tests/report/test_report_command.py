"""`wakewell report` from end to end, without a browser: files, exit codes, hostile text."""

from __future__ import annotations

import csv
import gzip
import html.parser
import io
import json
import re
import shutil
from datetime import date
from pathlib import Path

import pyarrow.parquet  # type: ignore[import-untyped]
import pytest

from grown import START_S, Garden, hostile, long_log, make, pot_toml
from wakewell.cli import main
from wakewell.log import logs, series
from wakewell.pot import bringup_file
from wakewell.report import pages, sheet
from wakewell.shipped import CAFE

HOSTILE = "</script><script>alert(1)</script>\"'><img src=x onerror=alert(1)>&amp;{{7*7}}"


@pytest.fixture(autouse=True)
def a_day_after_the_logs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wakewell.report.page_files.today", lambda: START_S + 66 * 86400.0)


@pytest.fixture(scope="module")
def pots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three pots: well for long, needs help now, well for less long."""
    folder = tmp_path_factory.mktemp("pots")
    make(folder / "fern", Garden(days=60))
    make(folder / "mint", Garden(days=70, hose_off=40, seed=2))
    make(folder / "basil", Garden(days=65, tank_ml=2700, seed=3))
    return folder


def test_a_page_for_each_pot_and_the_round(
    pots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["report", str(pots), "--out", str(tmp_path), "--timezone", "UTC"])
    out = capsys.readouterr().out
    assert code == 1  # one needs help now
    assert {p.name for p in tmp_path.iterdir()} == {
        *("fern.html", "mint.html", "basil.html", "round.html", "safety.html"),
    }
    assert "siphon break" in (tmp_path / "safety.html").read_text(encoding="utf-8")
    assert re.search(r"needs help now +mint", out)
    round_page = (tmp_path / "round.html").read_text(encoding="utf-8")
    order = [round_page.index(f'href="{name}.html"') for name in ("mint", "basil", "fern")]
    assert order == sorted(order)


def test_the_round_bears_a_folder_that_lost_its_tables(tmp_path: Path) -> None:
    """Its board is at a stage that a folder without tables cannot be compiled for."""
    for name in ("lost", "whole"):
        shutil.copytree(CAFE / "mint", tmp_path / name)
        (log,) = (tmp_path / name / "logs").glob("*.gz")
        first = gzip.decompress(log.read_bytes()).splitlines(keepends=True)[:20]
        log.write_bytes(gzip.compress(b"".join(first)))
    (tmp_path / "lost" / "calibration.toml").write_text("stage = 0\n", encoding="utf-8")
    paths = [str(tmp_path / name) for name in ("lost", "whole")]
    assert main(["report", *paths, "--out", str(tmp_path / "out")]) in (0, 1)
    assert 'href="lost.html"' in (tmp_path / "out" / "round.html").read_text(encoding="utf-8")


def test_exit_code_0_where_nobody_is_needed(pots: Path, tmp_path: Path) -> None:
    assert main(["report", str(pots / "fern"), "--out", str(tmp_path)]) == 0
    assert not (tmp_path / "round.html").exists()


def test_a_page_refers_to_nothing_outside(pots: Path, tmp_path: Path) -> None:
    main(["report", str(pots / "fern"), "--out", str(tmp_path)])
    page = (tmp_path / "fern.html").read_text(encoding="utf-8")
    without_scripts = re.sub(r"(?s)<script>.*?</script>", "", page)
    assert not re.search(r"(?:src|href)=[\"']?(?:https?:)?//", without_scripts)
    assert "default-src 'none'" in page
    assert len(page) < 5_000_000


class Tags(html.parser.HTMLParser):
    """Collects elements and where each attribute with text came."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.handlers += [name for name, _ in attrs if name.startswith("on")]


def test_text_from_files_stays_text(tmp_path: Path) -> None:
    make(tmp_path / "pot", Garden(days=30))
    pot_toml(tmp_path / "pot", name=HOSTILE[:60], plant=HOSTILE[:60], place=HOSTILE)
    log = tmp_path / "pot" / "logs" / "00000001.jsonl"
    rows = log.read_bytes().splitlines(keepends=True)
    last = [i for i, row in enumerate(rows) if b'"kind":"wake"' in row][-3:]
    for index, member in zip(last, ("needs", "lockouts", "trips"), strict=True):
        record = json.loads(rows[index])
        del record["crc"]
        record[member] = [HOSTILE]
        record["judged"]["soil"] = HOSTILE[:40]
        record["begin"]["host"] = [HOSTILE]
        record["permissives"][HOSTILE] = 0
        rows[index] = hostile(record)
    log.write_bytes(b"".join(rows))
    (tmp_path / "two").mkdir()
    make(tmp_path / "two" / "other", Garden(days=10))
    shutil.move(tmp_path / "pot", tmp_path / "two" / "pot")
    for extra in ([], ["--wake", "last"]):
        main(["report", str(tmp_path / "two"), "--out", str(tmp_path / "out"), *extra])
    plain = Tags()
    plain.feed((tmp_path / "out" / "other.html").read_text(encoding="utf-8"))
    for name in ("pot.html", "round.html", "pot-wake-last.html"):
        page = (tmp_path / "out" / name).read_text(encoding="utf-8")
        tags = Tags()
        tags.feed(page)
        assert "img" not in tags.tags
        assert tags.handlers == []
        assert tags.tags.count("script") in (0, plain.tags.count("script"))
        assert "49" not in re.findall(r"\{\{.*?\}\}", page)
        data = re.findall(r'(?s)<script type="application/json" id="\w+">(.*?)</script>', page)
        assert all(json.loads(text) is not None for text in data)


def test_what_is_there_is_kept(pots: Path, tmp_path: Path) -> None:
    (tmp_path / "fern.html").write_text("my own notes")
    for _ in range(2):
        main(["report", str(pots / "fern"), "--out", str(tmp_path)])
    assert (tmp_path / "fern.html.1.old").read_text() == "my own notes"
    assert pages.MARKER in (tmp_path / "fern.html").read_text(encoding="utf-8")
    assert (
        len(list(tmp_path.iterdir())) == 3
    )  # beside the safety note: a page of ours is simply written anew


def test_csv_and_parquet_hold_every_wake(pots: Path, tmp_path: Path) -> None:
    for form in ("csv", "parquet"):
        assert main(["report", str(pots / "fern"), "--out", str(tmp_path), "--form", form]) == 0
    place = pots / "fern" / "logs"
    log = series.read("fern", place, sorted(place.glob("*.jsonl")))
    rows = list(csv.DictReader(io.StringIO((tmp_path / "fern.csv").read_text(encoding="utf-8"))))
    frame = pyarrow.parquet.read_table(tmp_path / "fern.parquet").to_pylist()
    assert len(rows) == len(frame) == len(log.wakes)
    for wake, row, other in zip(log.wakes, rows, frame, strict=True):
        assert row["n"] == str(wake.n) == str(other["n"])
        assert row["soil_ppt"] == ("" if wake.soil_ppt is None else str(wake.soil_ppt))
        assert other["soil_ppt"] == wake.soil_ppt
        assert other["given_ul"] == wake.given_ul
    assert rows[0]["time_utc"] == "2026-03-02T05:00:00Z"


def test_a_cell_is_no_formula() -> None:
    from wakewell.report import sheet

    assert sheet.plain('=HYPERLINK("x")') == '\'=HYPERLINK("x")'
    assert sheet.plain(-5) == -5


def test_pictures_as_files(pots: Path, tmp_path: Path) -> None:
    assert main(["report", str(pots / "fern"), "--out", str(tmp_path), "--form", "svg"]) == 0
    drawn = sorted(p.name for p in tmp_path.iterdir())
    keys = ("battery", "doses", "events", "soil", "tank")
    assert drawn == [f"fern-{key}.svg" for key in keys]
    assert "refill point" in (tmp_path / "fern-soil.svg").read_text(encoding="utf-8")
    assert main(["report", str(pots / "fern"), "--out", str(tmp_path), "--form", "png"]) == 0
    assert (tmp_path / "fern-tank.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--wake", "99999"], "no such wake; the log has 0 to"),
        (["--wake", "2001-01-01"], "no such wake"),
        (["--wake", "Someday"], "give a number, a date"),
        (["--timezone", "Nowhere"], "not a time zone"),
    ],
)
def test_wrong_options_are_told(
    pots: Path, tmp_path: Path, words: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", str(pots / "fern"), "--out", str(tmp_path), *words]) == 2
    err = capsys.readouterr().err
    assert message in err
    assert err.count("\n") == 1


def test_no_log_and_an_empty_log_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "nothing").mkdir()
    (tmp_path / "bad.jsonl").write_text("not a log\n")
    for path in ("nothing", "bad.jsonl", "absent"):
        assert main(["report", str(tmp_path / path), "--out", str(tmp_path / "o")]) == 2
        assert capsys.readouterr().err.count("\n") == 1
    assert not (tmp_path / "o").exists()


def test_why_it_did_not_water_on_that_day(
    pots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["report", str(pots / "fern"), "--out", str(tmp_path), "--timezone", "UTC"]
    assert main([*words, "--wake", "2026-03-02"]) == 0
    out = capsys.readouterr().out
    assert "wake 0: did not water: the soil held 30.1 %, above the refill point of 25.0 %" in out
    page = (tmp_path / "fern-wake-2026-03-02.html").read_text(encoding="utf-8")
    for part in ("Readings", "Checks before pumping", "Plan", "Result"):
        assert part in page
    assert 'href="fern.html"' in page


def test_a_day_of_the_week_is_the_latest_one(
    pots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["report", str(pots / "fern"), "--out", str(tmp_path), "--timezone", "UTC"]
    assert main([*words, "--wake", "Tuesday"]) == 0
    by_name = capsys.readouterr().out.splitlines()[:-1]
    assert main([*words, "--wake", "2026-04-28"]) == 0  # the last Tuesday of those 60 days
    assert capsys.readouterr().out.splitlines()[:-1] == by_name
    assert (tmp_path / "fern-wake-tuesday.html").exists()


def test_a_pot_without_a_date_counts_days(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make(tmp_path / "basil", Garden(days=20, clock=0))
    words = ["report", str(tmp_path / "basil"), "--out", str(tmp_path / "out"), "--wake"]
    assert main([*words, "day 12"]) == 0
    assert "wake " in capsys.readouterr().out
    assert main([*words, "2026-03-04"]) == 2
    assert "'day 12'" in capsys.readouterr().err


def test_every_answer_is_a_sentence(pots: Path) -> None:
    from wakewell.report import magnifier

    for name in ("fern", "mint"):
        place = pots / name / "logs"
        log = series.read(name, place, sorted(place.glob("*.jsonl")))
        for wake in log.wakes:
            text, watered = magnifier.answer(wake, log)
            assert watered == (wake.ran_ms > 0)
            assert text.startswith("watered") == watered
            if not watered and wake.kind != "none" and wake.lockouts:
                assert "stopped because of " in text


def test_fifty_pots_in_one_round(tmp_path: Path) -> None:
    place = make(tmp_path / "one", Garden(days=10))
    for number in range(50):
        shutil.copytree(place.parent, tmp_path / "round" / f"pot{number:02}")
    logs = [series.read(f"pot{n:02}", place, sorted(place.glob("*.jsonl"))) for n in range(50)]
    page = pages.round_page([pages.view(log, "UTC") for log in logs], [("broken", "no wake")])
    assert page.count("<tr>") == 52
    assert "broken" in page
    assert len(page) < 500_000


@pytest.mark.parametrize("wakes", [25_000, pytest.param(175_000, marks=pytest.mark.nightly)])
def test_five_years_every_quarter_of_an_hour(tmp_path: Path, wakes: int) -> None:
    """Five years are 175,000 wakes; the pictures are thinned long before that."""
    place = long_log(tmp_path / "old", wakes, 900)
    log = series.read("old", place, sorted(place.glob("*.jsonl")))
    assert len(log.wakes) == wakes
    view = pages.view(log, "UTC")
    page = pages.pot_page(view)
    assert len(page.encode()) < 5_000_000
    by_key = {p.key: p for p in view.pictures}
    for key, name, scale in (("soil", "soil_ppt", 10), ("battery", "battery_mv", 1000)):
        drawn = [r["v"] for r in by_key[key].rows["line"] if r["v"] is not None]
        full = [getattr(w, name) / scale for w in log.wakes if getattr(w, name) is not None]
        assert (min(drawn), max(drawn)) == (min(full), max(full))
        assert len(drawn) < 10_000
    assert len(by_key["doses"].rows["doses"]) == len(log.doses) > wakes // 438
    trips = sum(len(w.trips) for w in log.wakes)
    cut_short = [m for m in by_key["events"].rows["marks"] if m["row"] == "run cut short"]
    assert len(cut_short) == trips > wakes // 17_500


def test_the_maker_reads_whether_the_board_was_ever_brought_up(
    pots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "fern"
    shutil.copytree(pots / "fern", folder)
    pot_toml(folder)
    assert main(["report", str(folder), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "fern.html").read_text()
    assert "its board was never tested on the bench" in page
    found = bringup_file.BringUp(date(2026, 5, 1), "id", "C3 mini", "esp32-c3", "1.28", False, ())
    bringup_file.store(folder, found)
    assert main(["report", str(folder), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "fern.html").read_text()
    assert "brought up on 2026-05-01, all as expected" in page


def stamp(page: Path) -> str:
    found = re.search(r'<span class="stamp \w+">([^<]+)</span>', page.read_text(encoding="utf-8"))
    assert found is not None
    return found[1]


def test_a_page_speaks_of_the_day_it_is_asked_for(
    pots: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ask = ["report", str(pots / "mint"), "--out", str(tmp_path), "--timezone", "UTC"]
    page = tmp_path / "mint.html"
    assert main(ask) == 1
    assert stamp(page) == "needs help now"
    assert main([*ask, "--as-of", "2026-04-05"]) == 0, "before the hose came off"
    assert (stamp(page), "as of Sun 5 April 2026" in page.read_text()) == ("well", True)
    assert "2026-04-06" not in page.read_text()
    assert main([*ask, "--as-of", "2027-04-05"]) == 1
    assert (stamp(page), "as of Mon 5 April 2027" in page.read_text()) == ("no news", True)
    told = dict(re.findall(r"<dt>([^<]+)</dt><dd>([^<]+)", page.read_text()))
    on = re.escape(told["Read up to"].split(",")[0])
    assert all(re.match(f"on {on}: ", told[name]) for name in ("Soil", "Tank", "Battery"))
    assert "forecast then: " in told["Battery"]
    text = page.read_text()
    assert re.search(f"<h2>The hardware on {on}</h2>", text)
    assert "nothing wrong then" in text
    assert not re.search(r"(litres|volts|plant|Charge)[,:.] (most likely|no forecast:)", text)
    assert ("still so at its last record" in text, "still so<" in text) == (True, False)
    capsys.readouterr()
    for text, said in (
        ("2026-02-30", "write a date such as"),
        ("soon", "write a date such as"),
        ("9999-12-31", "write a date such as"),
        ("2025-01-01", "nothing is on record up to 2025-01-01; give a later day"),
    ):
        assert main([*ask, "--as-of", text]) == 2
        assert said in capsys.readouterr().err


def test_a_log_cut_at_a_day_is_read_as_if_it_had_ended_there(tmp_path: Path) -> None:
    place = make(tmp_path / "whole", Garden(days=60, clog=40))
    (file,) = place.glob("*.jsonl")
    whole = series.read("pot", place, [file])
    until_s = whole.wakes[-20].time_s
    cut = series.read("pot", place, [file], until_s=until_s)
    file.write_bytes(
        b"".join(file.read_bytes().splitlines(keepends=True)[: cut.wakes[-1].place[1]])
    )
    short = series.read("pot", place, [file])
    assert (cut.wakes, cut.doses, cut.kept) == (short.wakes, short.doses, short.kept)
    assert (cut.later, short.later) == (len(whole.wakes) - len(cut.wakes), 0)


def test_the_demo_set_speaks_of_its_last_day(tmp_path: Path) -> None:
    from wakewell import shipped

    assert main(["report", "--demo", "--out", str(tmp_path), "--timezone", "UTC"]) in (0, 1)
    last = max(
        date.fromisoformat(row.split("T")[0])
        for pot in ("basil", "citrus", "fern", "mint", "strawberry", "tomato")
        for row in [utc_of_last_wake(shipped.CAFE / pot)]
    )
    for name in ("round", "basil", "fern"):
        text = (tmp_path / f"{name}.html").read_text(encoding="utf-8")
        assert f"as of {last:%a} {last.day} {last:%B %Y}" in text
        assert "no news" not in re.findall(r'class="stamp[^>]*>([^<]+)<', text)


def utc_of_last_wake(pot: Path) -> str:
    """The newest date in a pot's log, by its table."""
    ((place, files),) = logs.find_logs(pot)
    rows = csv.DictReader(io.StringIO(sheet.csv(series.read("pot", place, files)).decode()))
    return max(row["time_utc"] for row in rows)


def test_nothing_to_report_on(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report"]) == 2
    assert "or --demo" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("reach", "link"),
    [
        ("ann@example.org", "mailto:ann@example.org"),
        ("+32 2 555 01 23", "tel:+3225550123"),
        ("javascript:alert(1)", ""),
        ("ann@example.org?cc=all", ""),
        ("at the counter", ""),
    ],
)
def test_how_the_maker_is_reached(reach: str, link: str) -> None:
    assert pages.address(reach) == link


def test_the_maker_is_named_where_a_call_is_asked_for(tmp_path: Path) -> None:
    make(tmp_path / "pot", Garden(days=60, leak_ml_day=(30, 300.0)))
    pot_toml(tmp_path / "pot", maker="Ann", reach="+32 2 555 01 23")
    main(["report", str(tmp_path / "pot"), "--out", str(tmp_path / "out")])
    page = (tmp_path / "out" / "pot.html").read_text(encoding="utf-8")
    tasks = re.search(r'(?s)<ol class="todo">(.*?)</ol>', page)
    assert tasks is not None
    link = '<a href="tel:+3225550123">+32 2 555 01 23</a>'
    assert f"Maker: Ann, {link}" in tasks[1]
    assert re.search(rf"<dt>Maker</dt><dd>\s*Ann, {re.escape(link)}", page)
