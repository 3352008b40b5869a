"""Trials and `wakewell simulate`: what is refused, what one seed promises, and the demo set."""

from __future__ import annotations

import csv
import gzip
import json
import math
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from lacking import NO_LIBRARY
from wakewell import cli
from wakewell.commands import simulate
from wakewell.errors import BadInput
from wakewell.log import record
from wakewell.pot import agree, pot_folder
from wakewell.replay import replaying
from wakewell.replay.verdicts import Verdicts
from wakewell.rig.errors import Stopped
from wakewell.rig.faults import KINDS, Fault
from wakewell.rig.pot import DAY_S, RigPot
from wakewell.shipped import CAFE, TRIALS
from wakewell.simulate import many_runs, one_run, trials
from wakewell.simulate.one_run import TrialResult, run_trial
from wakewell.simulate.people import ACTS, Owner, Visit
from wakewell.simulate.trials import Trial

pytest.importorskip("fluids", reason=NO_LIBRARY)

CAFE_POTS = ("basil", "citrus", "fern", "mint", "strawberry", "tomato")
HOUSE = 'pot = "basil"\ndays = 20\n'


def shipped(name: str, days: float | None = None, **spec: object) -> Trial:
    """A trial that ships, shorter or with other parts."""
    trial = trials.load(TRIALS / f"{name}.toml")
    trial = replace(trial, days=days or trial.days)
    return replace(trial, spec=replace(trial.spec, **spec))  # type: ignore[arg-type]


def written(folder: Path, text: str) -> Path:
    path = folder / "trial.toml"
    path.write_text(text)
    return path


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("[plant]\ncrown_cm2 = -5", 4, "plant.crown_cm2 = -5: allowed 0 to 100000 cm2"),
        ("[substrate]\nsaturated = 1.2", 4, "substrate.saturated = 1.2: allowed"),
        ("[substrate]\nn = 1.05", 4, "[substrate]: with it saturated would be 1.08"),
        ("[vessel]\nheight_cm = 150", 4, "[vessel]: with it saturated would be 1.34"),
        ("[pump]\nhead_mm = 1" + "0" * 400, 4, "pump.head_mm = "),
        ('[[visit]]\ndoes = "refill"\nday = 3\namount = 1' + "0" * 400, 6, "amount = "),
        ('[[fault]]\nkind = "leak"\namount = 1' + "0" * 400, 5, "amount = "),
        ("[pump]\ncurve = [[0, 1500], [inf, 0]]", 4, "pump.curve"),
        ("[pump]\nhead_mm = 900\ncurve = [[0, 1500], [20, 0]]", 4, "curve is given too"),
        ("[tank]\npoints = [[0, 0], [100, 3000]]\nvolume_ml = 900", 5, "points is given too"),
        ("[pump]\ncurve = [[0, 1500], [20, 300]]", 4, "pump.curve = "),
        ("[pump]\ncurve = [[0, 1500], [20, 300]]", 4, "allowed a last point at no head"),
        (
            "[pump]\nrated_mv = 12000\nhead_mm = 800",
            5,
            "pump.head_mm = 800.0: allowed above 816.3 mm",
        ),
        ("[pump]\nhead_mm = 60", 4, "pump.head_mm = 60"),
        ("[hose]\nbends = 1\nlength_mm = 200", 5, "hose.length_mm = 200: allowed 255 to 50000 mm"),
        ("[hose]\nend_mm = -700", 3, "hose.length_mm = 700.0: allowed 1015 to 50000 mm"),
        ('[[fault]]\nkind = "siphon"\namount = 386', 3, "fault.amount = 386.0: allowed 0 to 385"),
        ('[[fault]]\nkind = "leak"\nfrom_day = 9\nto_day = 4', 6, "to_day = 4: allowed more than"),
        ('[[fault]]\nkind = "leek"', 4, "kind = \"'leek'\": allowed probe out"),
        ('[[fault]]\nkind = "leak"\nprobability = 2', 5, "probability = 2.0: allowed 0 to 1"),
        ('[[fault]]\nkind = "leak"\nfrom_day = 30', 5, "from_day = 30: allowed 0 to 20"),
        ('[[visit]]\ndoes = "sing"\nday = 3', 4, "does = \"'sing'\": allowed water by hand"),
        ('[[visit]]\ndoes = "press the button"\nday = 21', 5, "day = 21"),
        (
            '[[fault]]\nkind = "leak"\n[[fault]]\nkind = "leak"\nfrom_day = 30',
            7,
            "fault 2: from_day = 30: allowed 0 to 20",
        ),
        ("[plant]\nkbc = 1.0", 4, "plant.kbc = 1.0: not a name of [plant]; nearest known name kcb"),
        ("[plant]\nkcb = true", 4, "plant.kcb = true: allowed a number"),
        ('[plant]\nkcb = "much"', 4, 'plant.kcb = "much": allowed a number'),
        ("[plant]\nkcb = nan", 4, "plant.kcb = nan: allowed a number"),
        ("plants = 1", 3, "plants: not a name of a trial; nearest known name plant"),
        ("plant = 1", 3, "plant = 1: allowed a table"),
        (
            '[place]\nword = "cellar"',
            4,
            'place.word = "cellar": allowed open, balcony, window sill',
        ),
        ("[settings]\npulse_ml = 0", 4, "settings.pulse_ml = 0: allowed 1 to 500"),
        ("[settings]\npuls_ml = 5", 4, "nearest known name pulse_ml"),
        ("[settings]\ndose_ml = 2000", 3, "outside the pot's hard limits (R14)"),
        ("[start]\ntank = 1.5", 4, "start.tank = 1.5: allowed 0 to 1"),
        ("[start]\ncharge = 1.5", 4, "start.charge = 1.5: allowed 0 to 1"),
        ("[wake]\nsamples = 0", 4, "wake.samples = 0: allowed 1 to 31"),
        ("[owner]\nfills_after_day = false", 4, "nearest known name fills_after_days"),
        ("seed = -1", 3, "seed = -1; allowed 0 to"),
        ('begins = "soon"', 3, "begins = "),
        ("[tank]\npoints = [[0, 0], [10, 50], [5, 90]]", 4, "tank.points"),
        ("[probe]\nwater_uv = 1000000", 4, "probe.water_uv = 1000000: not a name of [probe]"),
        ("[probe]\nhalf = 20.0", 4, "probe.half = 20.0: not a name of [probe]"),
        (
            "[vessel]\nheight_cm = 60\n[plant]\nstress_cm = 20",
            6,
            "plant.stress_cm = 20: allowed above 23.0 cm",
        ),
        ("[tank]\nintake_mm = 150", 4, "tank.intake_mm = 150: allowed 0 to 144 mm"),
        ("[tank]\nvolume_ml = 100000", 4, "[tank]: with it level.full_uv would be 4"),
        ("[hose]\ninner_mm = 1", 4, "[hose]: with it pump.head_mm would be 1851195.2"),
    ],
)
def test_an_impossible_trial_is_refused_by_key_value_and_range(
    tmp_path: Path, text: str, line: int, says: str
) -> None:
    path = written(tmp_path, HOUSE + text + "\n")
    with pytest.raises(BadInput) as no:
        trials.load(path)
    assert f"trial.toml:{line}: " in str(no.value)
    assert says in str(no.value)
    assert len(str(no.value).splitlines()) == 1


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("days = 5", "pot: missing"),
        ('pot = "basli"', "pot = "),
        ('pot = "../../../../etc"', "pot = "),
        ("pot = 7", "pot = 7"),
        ("pot = ", "not TOML"),
        ('pot = "basil"\ndays = 1e9', "days = 1000000000.0; allowed 1 to 3650"),
    ],
)
def test_a_trial_without_a_pot_or_an_end_is_refused(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(BadInput) as no:
        trials.load(written(tmp_path, text))
    assert says in str(no.value)


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    text = HOUSE + "[plant]\nkcb = 9\n[start]\ntank = 7\n"
    with pytest.raises(BadInput) as no:
        trials.load(written(tmp_path, text))
    assert [row.split(":")[1] for row in str(no.value).splitlines()] == ["4", "6"]


def test_bad_options_end_with_code_2_and_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for words in (
        [],
        ["--cafe", "baisl"],
        ["--cafe", "basil", "--runs", "0"],
        ["--cafe", "basil", "--runs", "3", "--picture", "x.png"],
        ["--cafe", "basil", "--picture", str(tmp_path / "no" / "x.png")],
        ["--cafe", "basil", "--picture", str(tmp_path / "x.nonsense")],
        ["--cafe", "basil", "--table", str(tmp_path)],
        [str(tmp_path / "none.toml")],
    ):
        assert cli.main(["simulate", *words]) == 2, words
        told = capsys.readouterr().err.strip()
        assert told.startswith("wakewell simulate: ")
        assert len(told.splitlines()) == 1


# --- one seed ------------------------------------------------------------------------------------


def test_a_pump_too_weak_for_a_low_cell_is_a_note(tmp_path: Path) -> None:
    """Head falls with the square of the voltage: at 3.46 of its 3.7 V an eighth less."""
    notes = [
        trials.load(written(tmp_path, f"{HOUSE}[pump]\n{pump}\n")).notes
        for pump in ("head_mm = 300", "head_mm = 280", "head_mm = 900\nturns_mv = 3500")
    ]
    assert notes[0] == ()
    assert notes[1] == (
        "at 3.463 V, as low as the cell may be for the pump, it lifts 245 mm; from the least "
        "water it may draw from to the crest are 252 mm",
    )
    assert " it lifts 0 mm; " in notes[2][0]


def test_measures_of_a_trial_need_not_be_whole(tmp_path: Path) -> None:
    text = HOUSE + "[tank]\nvolume_ml = 4000.5\nheight_mm = 150.5\n[hose]\nend_mm = 200.5\n"
    trial = trials.load(written(tmp_path, text))
    assert trial.spec.hose.end_mm == 200.5


@pytest.mark.parametrize("name", ["basil", "citrus", "strawberry"])
def test_a_plant_that_wants_more_gets_what_check_says(name: str, tmp_path: Path) -> None:
    """R3: by sixty days of the core against check's own figure, which asks its window."""
    text = f'pot = "{name}"\ndays = 60\n[plant]\nkcb = 2.0\ncrown_cm2 = 6000\n'
    text += "[owner]\nfills_after_days = 0.1\ncharges_after_days = 0.1\n"
    result = run_trial(trials.load(written(tmp_path, text)), log=True)
    folder = pot_folder.load(CAFE / name)
    told = agree.outlook(folder)
    assert told is not None
    assert result.log is not None
    rows = [json.loads(row) for row in result.log.lines]
    ran_ms = sum(row["run"]["ran_ms"] for row in rows if row.get("run"))
    given_ml = ran_ms * folder.calibration["flow_ul_s"] / 1e6
    assert given_ml / 60 == pytest.approx(told.lasting_ml_day, rel=0.02)


def test_with_the_hose_off_the_lockout_is_not_put_off() -> None:
    """R7: noise after a dose that the day's limit cut to a remainder once put it off."""
    for seed in range(10):
        faults = (Fault("hose off", DAY_S),)
        result = run_trial(shipped("mint", days=60, faults=faults), seed)
        assert [v.rule for v in result.verdicts.verdicts() if not v.held] == []


def test_what_a_charger_offers_and_age_takes_is_not_used() -> None:
    trial = shipped("tomato", days=60)
    whole = run_trial(trial).numbers()["used_mah"]
    aged = run_trial(replace(trial, spec=replace(trial.spec, faults=(Fault("cell aged"),))))
    assert 0.5 * whole < aged.numbers()["used_mah"] <= whole
    mains = replace(trial, habits=replace(trial.habits, mains_ma=500.0))
    assert 0.5 * whole < run_trial(mains).numbers()["used_mah"] <= 1.05 * whole


def test_records_that_could_not_be_written_break_nothing() -> None:
    """The verdict of a log with gaps, as replay has it, and of the run itself, which has none."""
    trial = shipped("basil", days=60, faults=(Fault("write fails", probability=0.5),))
    result = run_trial(trial, log=True)
    assert result.log is not None
    found = [record.read(data) for data in result.log.lines]
    records = [one.found for one in found if isinstance(one.found, record.Wake)]
    assert len(records) < 0.7 * result.verdicts.wakes
    assert result.good
    read = Verdicts()
    for one in records:
        read.see(one, trial.in_force())
    assert [v.rule for v in read.verdicts() if not v.held] == []
    assert read.most_day_ml <= 1.01 * result.verdicts.most_day_ml


def test_a_run_follows_from_trial_and_seed_alone() -> None:
    faults = (Fault("hose clogged", 5 * DAY_S, probability=0.5), Fault("write fails", 0, 9e9, 0.02))
    trial = shipped("basil", 60, faults=faults)
    one, two = run_trial(trial, 4, log=True), run_trial(trial, 4, log=True)
    assert one.numbers() == two.numbers()
    assert one.log is not None
    assert two.log is not None
    assert one.log.lines == two.log.lines
    assert run_trial(trial, 5).numbers() != one.numbers()


def test_a_picture_changes_nothing_of_the_run() -> None:
    trial = shipped("mint", 60)
    plain, drawn = (run_trial(trial, 3, history=kept).numbers() for kept in (False, True))
    assert plain == drawn


def test_rows_are_the_same_for_any_number_of_workers() -> None:
    trial = shipped("mint", 12, faults=(Fault("probe out", 4 * DAY_S, probability=0.5),))
    alone = many_runs.many(trial, range(7, 32))
    assert [found["seed"] for found in alone] == list(range(7, 32))
    assert many_runs.many(trial, range(7, 32), workers=2) == alone


@contextmanager
def cluster(folder: Path) -> Iterator[str]:
    """A local Dask scheduler and two worker processes; its address."""
    file = folder / "scheduler.json"
    command = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    where = ["--host", "127.0.0.1", "--port", "0"]
    rest = ["--no-dashboard", "--scheduler-file", str(file)]
    started = [
        subprocess.Popen([*command, *where, *rest], **quiet)  # type: ignore[call-overload]
    ]
    command = [sys.executable, "-m", "distributed.cli.dask_worker", "--nthreads", "1"]
    try:
        for _ in range(2):
            one = subprocess.Popen([*command, *rest], **quiet)  # type: ignore[call-overload]
            started.append(one)
        from distributed import Client

        with Client(scheduler_file=str(file), timeout=600) as client:  # type: ignore[no-untyped-call]
            client.wait_for_workers(2)
        yield json.loads(file.read_text())["address"]
    finally:
        for process in reversed(started):
            process.terminate()
        for process in started:
            process.wait(20)


def test_a_dask_scheduler_gives_the_local_rows_seed_by_seed() -> None:
    distributed = pytest.importorskip("distributed", reason=NO_LIBRARY)
    trial = shipped("mint", 12, faults=(Fault("leak", 4 * DAY_S, probability=0.5),))
    here = {"host": "127.0.0.1", "protocol": "tcp", "dashboard_address": None, "processes": False}
    with distributed.LocalCluster(n_workers=1, threads_per_worker=1, **here) as cluster:
        found = many_runs.many(trial, range(25), dask=cluster.scheduler_address)
    assert found == many_runs.many(trial, range(25))


@pytest.mark.nightly
def test_a_dask_cluster_of_processes_gives_the_same(tmp_path: Path) -> None:
    """As above, with workers that share nothing with this process."""
    pytest.importorskip("distributed", reason=NO_LIBRARY)
    trial = shipped("mint", 30, faults=(Fault("leak", 9 * DAY_S, probability=0.5),))
    with cluster(tmp_path) as address:
        assert many_runs.many(trial, range(25), dask=address) == many_runs.many(trial, range(25))


def test_an_absent_scheduler_is_told_in_one_line() -> None:
    pytest.importorskip("distributed", reason=NO_LIBRARY)
    with pytest.raises(BadInput, match="--dask nonsense://x: no scheduler answers there"):
        many_runs.many(shipped("mint", 5), range(3), dask="nonsense://x")


def test_one_run_on_a_cluster_leaves_picture_log_and_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = []

    def on_dask(address: str, work: list[Any], do: Any) -> Iterator[list[many_runs.Row]]:
        asked.append(address)
        return map(many_runs.batch, work)

    monkeypatch.setattr(many_runs, "on_dask", on_dask)
    png, out, words = tmp_path / "a.png", tmp_path / "out", ["simulate", "--cafe", "mint"]
    words += ["--dask", "tcp://there:1", "--seed", "5", "--picture", str(png), "--out", str(out)]
    assert cli.main(words) == 0
    told = capsys.readouterr().out
    assert asked == ["tcp://there:1"]
    assert "1 of 122 days, seeds 5 to 5" in told
    assert png.read_bytes().startswith(b"\x89PNG")
    (log,) = out.rglob(one_run.LOG_NAME)
    assert f"log      {log}" in told
    mine = run_trial(shipped("mint"), 5, log=True).log
    assert mine is not None
    assert log.read_bytes() == b"".join(mine.lines)
    assert cli.main([*words, "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["results"]) == 1


# --- what a run leaves ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", CAFE_POTS)
def test_a_shipped_trial_leaves_a_log_that_replays_as_recorded(name: str, tmp_path: Path) -> None:
    """The log is a board's: every decision again, every requirement judged from it alone."""
    result = run_trial(shipped(name), log=True)
    path = one_run.write_log(result, tmp_path / name / "logs")
    report = replaying.replay_log(name, [path])
    assert report.good
    assert report.played == report.wakes == result.verdicts.wakes
    assert report.skips.count == 0
    assert report.verdicts.verdicts() == result.verdicts.verdicts()
    assert result.pot.unaccounted_ml(result.began_with_ml) == pytest.approx(0.0, abs=1e-6)


STORY = {
    # pot: (trips, lockouts, needs) that its fault must show, and all it may show of the first two
    "basil": (set(), set(), set()),
    "citrus": (set(), {"leak"}, {"see to the pot", "see why the tank empties"}),
    "fern": (set(), set(), {"fill the tank", "see why it stays dry", "water by hand"}),
    # No probe says whether its upkeep doses arrive: they end at the largest dose in all (R18)
    "mint": ({"reserve"}, {"no response"}, {"see to the soil probe", "water by hand"}),
    "strawberry": (set(), {"battery low"}, {"charge the battery", "confirm the charge"}),
    "tomato": ({"no flow"}, {"dry run"}, {"clear a lockout", "see why it stays dry"}),
}


@pytest.mark.parametrize("name", CAFE_POTS)
def test_each_fault_of_the_demo_set_shows_as_what_it_is(name: str) -> None:
    result = run_trial(shipped(name))
    trips, lockouts, needs = STORY[name]
    assert set(result.verdicts.trips) == trips
    assert set(result.verdicts.lockouts) == lockouts
    assert needs <= set(result.needs)
    assert result.good
    assert result.numbers()["wilting_days"] == 0


def test_the_demo_set_is_what_the_simulator_makes_now() -> None:
    """Made again by tools/make_demo.py whenever core or rig has changed."""
    result = run_trial(shipped("mint"), log=True)
    assert result.log is not None
    kept = gzip.decompress((CAFE / "mint" / "logs" / "00000001.jsonl.gz").read_bytes())
    made = b"".join(result.log.lines)
    if kept != made:
        first = next(
            n for n, (a, b) in enumerate(zip(kept.split(b"\n"), made.split(b"\n"), strict=False))
            if a != b
        )  # fmt: skip
        pytest.fail(f"line {first + 1} differs: run python tools/make_demo.py")


def test_the_cafes_pots_and_trials_belong_together() -> None:
    assert sorted(path.stem for path in TRIALS.glob("*.toml")) == list(CAFE_POTS)
    for name in CAFE_POTS:
        trial = shipped(name)
        assert (CAFE / name / "logs" / "00000001.jsonl.gz").is_file()
        assert trial.notes == ()


# --- the command ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("hose off", "1 simulated, every requirement held, but: drowned "),
        (None, "1 simulated, all good"),
    ],
)
def test_a_plant_that_dies_by_the_rules_is_not_all_good(
    fault: str | None, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = 'pot = "basil"\nbegins = 2025-05-01\ndays = 60\nseed = 3\n[owner]\n'
    text += "holds_after_days = false\n"
    if fault:
        text += f'[[fault]]\nkind = "{fault}"\nfrom_day = 5\nto_day = 60\n'
    (tmp_path / "drowned.toml").write_text(text)
    assert cli.main(["simulate", str(tmp_path / "drowned.toml")]) == 0
    last = capsys.readouterr().out.rstrip().splitlines()[-1]
    assert last.startswith(says)
    assert ("days below wilting and" in last and last.endswith(" ml on the floor")) == bool(fault)


def test_the_command_says_writes_and_draws(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    png, table, out = tmp_path / "a.png", tmp_path / "a.csv", tmp_path / "out"
    words = ["simulate", "--cafe", "mint", "--picture", str(png), "--table", str(table)]
    assert cli.main([*words, "--out", str(out)]) == 0
    told = capsys.readouterr().out
    for word in ("0.0 days below wilting", "ml ran to the saucer", "a full tank", "R15  held"):
        assert word in told
    assert png.read_bytes().startswith(b"\x89PNG")
    with table.open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["trial"], row["seed"], row["broken"]) == ("mint", "13", "0")
    assert cli.main(["replay", str(out)]) == 0
    was = png.read_bytes()
    assert cli.main([*words, "--seed", "5", "--out", str(out)]) == 0
    assert (tmp_path / "a.png.old").read_bytes() == was
    capsys.readouterr()
    assert cli.main(["replay", str(out), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["results"]) == 1


def test_many_runs_as_words_json_and_parquet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arrow = pytest.importorskip("pyarrow.parquet", reason=NO_LIBRARY)
    path = written(tmp_path, HOUSE)
    columns = tmp_path / "runs.parquet"
    words = ["simulate", str(path), "--runs", "12", "--seed", "3"]
    assert cli.main([*words, "--table", str(columns)]) == 0
    assert "12 of 20 days, seeds 3 to 14" in capsys.readouterr().out
    assert cli.main([*words, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    rows = arrow.read_table(columns).to_pylist()
    assert [row | {"name": row["trial"], "good": True} for row in rows] == answer["results"]


@pytest.mark.parametrize("where", ["no/such/rows.csv", "rows.parquet"])
def test_what_cannot_be_written_is_told_before_the_runs(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)  # not installed
    monkeypatch.setattr(many_runs, "many", lambda *_: pytest.fail("ran all the same"))
    words = ["simulate", "--cafe", "basil", "--runs", "3", "--table", str(tmp_path / where)]
    assert cli.main(words) == 2
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert "make it first" in said or "pip install pyarrow" in said


@pytest.mark.parametrize("shape", ["box", "cylinder", "tapered"])
def test_a_tank_of_any_shape_holds_what_was_said(shape: str) -> None:
    tank = trials.TankSize(volume_ml=4000.0, shape=shape, height_mm=160.0).made()
    assert tank.capacity_ml == pytest.approx(4000.0, rel=0.001)


def test_what_is_usual_is_listed_as_it_is() -> None:
    """A hose on a window sill has a siphon break and no valve; nobody comes with the cable."""
    rows = list(trials.names())
    for row in ("siphon_break = true", "check_valve = false", "cables_after_days = false"):
        assert rows.count(row) == 1


def test_every_name_that_is_listed_is_known(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each line of --names, put into a trial by itself, is a name: no error says otherwise."""
    assert cli.main(["simulate", "--names"]) == 0
    table = ""
    for row in capsys.readouterr().out.splitlines():
        if row.startswith("["):
            table = row
        elif " = " in row and table:
            path = written(tmp_path, f"{HOUSE}{table}\n{row.removeprefix('# ')}\n")
            told = ""
            try:
                trials.load(path)
            except BadInput as no:
                told = str(no)
            assert "not a name" not in told, (table, row)


def test_a_trial_file_that_is_not_there_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["simulate", str(tmp_path / "may.toml")]) == 2
    told = capsys.readouterr().err
    assert "may.toml: no such file" in told
    assert len(told.splitlines()) == 1


def test_without_the_extra_the_command_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "fluids", None)
    assert cli.main(["simulate", "--cafe", "basil"]) == 2
    told = capsys.readouterr().err
    assert "python -m pip install 'wakewell[rig]'" in told
    assert len(told.splitlines()) == 1


def test_a_small_pot_lives_as_long_as_such_pots_do() -> None:
    """Common practice, no source: 0.7 l last one pot about three months, depending on plant and
    temperature; a lithium cell lasts many months with one short wake a day at 10 uA asleep.

    Assumed: a pot of 10 cm on a window sill, a slow plant (kcb 0.4, crown 90 cm2), a cell of
    2,000 mAh, 3 s awake at 38 mA and 3 s of radio at 130 mA a day.
    """
    trial = shipped("mint", 365, faults=())
    spec = trial.spec
    small = replace(
        spec,
        vessel=replace(spec.vessel, height_cm=9.0, top_cm2=78.0, bottom_cm2=50.0, probe_cm=4.5),
        plant=replace(spec.plant, kcb=0.4, crown_cm2=90.0),
        board=replace(spec.board, sleep_ua=10.0),
    )
    habits = replace(trial.habits, awake_s=3.0)
    result = run_trial(replace(trial, spec=small, habits=habits))
    lasts_days = 700.0 / result.pot.counts.pumped_ml * result.days
    assert 60 < lasts_days < 130
    assert result.numbers()["battery_autonomy_days"] > 270


def lasting(trial: Trial) -> dict[str, Any]:
    """The numbers of a run in which nobody comes."""
    never = Owner(math.inf, math.inf, math.inf, math.inf)
    trial = replace(trial, owner=never, visits=())
    return run_trial(trial).numbers()


def test_a_tank_that_ran_out_lasts_no_longer_the_longer_nobody_fills_it() -> None:
    """The basil's tank lasts about two months; what follows without water is no use of it."""
    short, long = (lasting(shipped("basil", days)) for days in (61, 365))
    assert long["pumped_ml"] < 4500  # one tank
    assert long["tank_autonomy_days"] == pytest.approx(short["tank_autonomy_days"], rel=0.15)


def test_what_leaks_away_is_no_use_and_what_follows_is_no_time_of_use() -> None:
    sound = lasting(shipped("basil", 60))["tank_autonomy_days"]
    leaks = lasting(shipped("basil", 120, faults=(Fault("leak", 40 * DAY_S, amount=100.0),)))
    assert leaks["tank_autonomy_days"] == pytest.approx(sound, rel=0.25)


def test_a_cell_that_ran_out_lasts_no_longer_the_longer_nobody_charges_it() -> None:
    trial = shipped("strawberry")
    board = replace(trial.spec.board, sleep_ua=3000.0)
    trial = replace(trial, spec=replace(trial.spec, charge=1.0, board=board, faults=()))
    found = [lasting(replace(trial, days=float(days))) for days in (15, 200)]
    by_hand = trial.spec.cell.capacity_mah / (3.0 * 24.0)  # asleep alone
    for numbers in found:
        assert 0.8 * by_hand < numbers["battery_autonomy_days"] < by_hand
    assert found[1]["used_mah"] > 0.9 * trial.spec.cell.capacity_mah  # it did run out


def test_what_was_never_used_is_said_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, HOUSE + "[start]\ntank = 0\n[owner]\nfills_after_days = false\n")
    rows = tmp_path / "rows.csv"
    assert cli.main(["simulate", str(path), "--table", str(rows)]) == 0
    assert "lasts    the tank was never used, a full cell " in capsys.readouterr().out
    with rows.open(newline="") as file:
        assert next(csv.DictReader(file))["tank_autonomy_days"] == ""
    assert cli.main(["simulate", str(path), "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)["results"]
    assert found["numbers"]["tank_autonomy_days"] is None
    assert cli.main(["simulate", str(path), "--runs", "3"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "a full tank lasts never used in 3 of 3 runs" in told
    empty = run_trial(shipped("basil", 20, charge=0.0))
    empty_told = next(row for row in simulate.lines_of(empty) if "lasts" in row)
    assert empty.numbers()["battery_autonomy_days"] is None
    assert "the cell was never used" in empty_told


# --- faults through the real core ----------------------------------------------------------------


def noticed(fault: Fault, days: float = 60, **spec: object) -> TrialResult:
    """The tomato for two months under one fault: its tank is filled, and nothing else done."""
    trial = shipped("tomato", days, faults=(fault,), **spec)
    owner = replace(trial.owner, holds_after_days=math.inf)
    return run_trial(replace(trial, owner=owner))


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_no_fault_breaks_a_requirement_or_the_books(kind: str) -> None:
    """Whatever goes wrong, R1 to R15 hold as judged from the log alone, and water is accounted."""
    chance = 0.2 if KINDS[kind].each_time else 1.0
    result = noticed(Fault(kind, 10 * DAY_S, 30 * DAY_S, chance))
    assert [v for v in result.verdicts.verdicts() if not v.held] == []
    assert not result.stopped
    assert result.days == pytest.approx(60.0)
    assert result.pot.unaccounted_ml(result.began_with_ml) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("kind", "amount", "need"),
    [
        ("hose clogged", 1.0, "clear a lockout"),
        ("probe out", None, "see to the soil probe"),
        ("probe railed", None, "see to the soil probe"),
        ("level railed", None, "see to the level"),
        ("pump blocked", None, "clear a lockout"),
        ("siphon", 100.0, "see to the pot"),
        ("leak", 20.0, "see to the pot"),
        ("bad contact", 6000.0, "clear a lockout"),
        ("hose off", None, "clear a lockout"),
        ("write fails", None, "see to the pot"),
    ],
)
def test_a_fault_asks_for_somebody(kind: str, amount: float | None, need: str) -> None:
    chance = 0.3 if KINDS[kind].each_time else 1.0
    assert need in noticed(Fault(kind, 10 * DAY_S, math.inf, chance, amount)).needs


def test_a_brown_out_in_mid_pulse_ends_the_wake_there_and_counts_in_full() -> None:
    """The record of that wake is never written; the next one finds the pulse open (R9)."""
    trial = shipped("tomato", 20, faults=(Fault("bad contact", 0.0, amount=6000.0),))
    result = run_trial(replace(trial, habits=replace(trial.habits, mains_ma=0.0)), log=True)
    assert result.log is not None
    records = [json.loads(data) for data in result.log.lines if b'"kind":"wake"' in data]
    cut = [r for r in records if r["begin"]["cause"] == "brownout"]
    assert result.pot.counts.brownouts == len(cut) >= 2
    assert all(r["begin"]["boots"] == 1 and r["begin"]["vouched"] == 0 for r in cut)
    assert cut[0]["water"]["day_ml"] > 0
    assert "interrupted" in result.verdicts.lockouts


def test_a_hang_in_a_pulse_is_ended_by_the_watchdog_within_the_limit() -> None:
    result = noticed(Fault("program hangs", 0.0), days=30)
    assert "interrupted" in result.verdicts.lockouts
    longest_s = result.trial.in_force().limits.pulse_ms / 1000.0 + 0.2
    assert 0.0 < result.pot.counts.pump_s <= longest_s * result.pot.counts.starts


def test_a_lost_clock_grants_no_water_and_costs_trust() -> None:
    trial = shipped("mint", 20, faults=(Fault("clock lost", 5.5 * DAY_S),))
    quiet = replace(trial, habits=replace(trial.habits, radio_s=0.0))
    result = run_trial(quiet, log=True)
    assert result.log is not None
    records = [json.loads(data) for data in result.log.lines if b'"kind":"wake"' in data]
    lost = [r for r in records if r["begin"]["cause"] == "power"][1:]
    assert [r["begin"]["vouched"] for r in lost] == [0]
    assert records[-1]["begin"]["utc"][2] == 0
    assert run_trial(trial).verdicts.verdicts()[9].held


def test_a_flat_cell_stays_down_until_somebody_charges() -> None:
    trial = shipped("strawberry", 60)
    spec = replace(trial.spec, charge=0.5, board=replace(trial.spec.board, sleep_ua=3000.0))
    late = (Visit("charge the battery", 40 * DAY_S, 8.0),)
    owner = Owner(charges_after_days=math.inf)
    result = run_trial(replace(trial, spec=spec, visits=late, owner=owner), log=True)
    assert result.log is not None
    records = [json.loads(data) for data in result.log.lines if b'"kind":"wake"' in data]
    assert [r["begin"]["cause"] for r in records].count("power") == 2
    up_again = [r["begin"]["cause"] for r in records].index("power", 1)
    assert 0 < up_again < len(records) - 10
    assert result.pot.counts.charged_mah > 1000
    # Its clock is lost with its power, and without a radio only a cable would tell it the time
    assert (records[0]["begin"]["utc"][2], records[-1]["begin"]["utc"][2]) == (1, 0)


@pytest.mark.parametrize("act", sorted(ACTS))
def test_every_act_of_a_visit_can_be_done(act: str) -> None:
    result = run_trial(replace(shipped("fern", 10), visits=(Visit(act, 3 * DAY_S),)))
    assert act in [done for _, done in result.people.done]
    assert result.good


def test_a_picture_goes_on_when_the_board_is_dead_and_says_so() -> None:
    from wakewell.simulate import picture

    trial = shipped("strawberry", 60)
    spec = replace(trial.spec, charge=0.5, board=replace(trial.spec.board, sleep_ua=3000.0))
    never = replace(trial, spec=spec, visits=(), owner=Owner(charges_after_days=math.inf))
    result = run_trial(never, history=True, log=True)
    kept = result.history
    assert kept is not None
    died = kept.n.index(None)
    assert 5.0 < kept.day[died] < 30.0
    assert set(kept.n[died:]) == {None}
    assert kept.day[-1] == pytest.approx(60.0)
    assert max(b - a for a, b in pairwise(kept.day[died:])) < 1.1
    assert kept.soil_ppt[-1] < kept.soil_ppt[died] - 20.0  # nobody waters it
    assert result.numbers() == run_trial(never).numbers()
    soil, *others = picture.draw(result)
    (gap,) = [row for row in soil.rows["gaps"] if row["w"] == "no more wakes"]
    assert gap["t"] == soil.rows["span"][0]["u"]
    day_ms = DAY_S * 1000
    assert gap["u"] - soil.rows["span"][0]["t"] == pytest.approx(60 * day_ms, abs=day_ms)
    assert soil.rows["truth"][-1]["t"] == pytest.approx(gap["u"], abs=60_000)
    assert {one.reach for one in (soil, *others)} == {gap["u"]}

    charged = replace(never, visits=(Visit("charge the battery", 40 * DAY_S, 8.0),))
    result = run_trial(charged, history=True, log=True)
    (soil, *_, events) = picture.draw(result)
    (gap,) = [row for row in soil.rows["gaps"] if row["u"] - row["t"] > 10 * day_ms]
    assert gap["w"] == "no wakes"
    came = [row["t"] for row in events.rows["marks"] if row["w"] == "charge the battery"]
    assert came == [pytest.approx(gap["u"], abs=day_ms)]


def values(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows without their times, which a pot's own clock does not know exactly."""
    return [{name: value for name, value in row.items() if name not in "tu"} for row in rows]


def test_a_picture_is_that_of_the_pots_own_page(tmp_path: Path) -> None:
    """The same rows under the same names, in the same units, with the truth beside them."""
    from wakewell.log import series
    from wakewell.report import pages
    from wakewell.simulate import picture

    result = run_trial(shipped("tomato"), history=True, log=True)
    made = {one.key: one for one in picture.draw(result)}
    path = one_run.write_log(result, tmp_path)
    view = pages.view(series.read("tomato", tmp_path, [path]), "UTC")
    for page in view.pictures:
        drawn = made[page.key]
        assert (drawn.title, drawn.unit) == (page.title, page.unit)
        for name in {"line", "doses", "bad", "refills"} & set(page.rows):
            assert values(drawn.rows[name]) == values(page.rows[name])
    for key, quantity, scale in (("soil", "soil_ppt", 10), ("tank", "tank_ml", 1000)):
        true = getattr(result.history, quantity)
        rows = made[key].rows["truth"]
        assert [row["v"] for row in rows] == pytest.approx([v / scale for v in true], abs=1e-3)
        low, high = made[key].domain
        assert all(low <= row["v"] <= high for row in rows)
    rows = made["events"].rows
    assert [bar["row"] for bar in rows["bars"] if bar["k"] == "faults"] == ["fault: hose clogged"]
    assert len([m for m in rows["marks"] if m["row"] == "somebody came"]) == len(result.people.done)


def test_a_forgotten_tank_is_not_told_as_filled() -> None:
    result = run_trial(shipped("fern"))
    told = dict(sorted((day, act) for day, act in result.people.done))
    fault = result.trial.spec.faults[0]
    for at_s, act in told.items():
        assert act == ("forget to fill the tank" if at_s < fault.end_s else "fill the tank")
    assert list(told.values()).count("fill the tank") == 1
    assert any(
        "people   forget to fill the tank: 14 times" in row for row in simulate.lines_of(result)
    )


def test_what_is_no_number_stops_the_run_and_is_told_with_what_there_is(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    real = RigPot.advance

    def spoilt(pot: RigPot, seconds: float) -> None:
        if pot.t_s > 6 * DAY_S:
            raise Stopped(pot.t_s, {"soil_content": math.nan})
        real(pot, seconds)

    monkeypatch.setattr(RigPot, "advance", spoilt)
    png = tmp_path / "a.png"
    assert (
        cli.main(["simulate", "--cafe", "basil", "--picture", str(png), "--out", str(tmp_path)])
        == 1
    )
    told = capsys.readouterr().out
    assert "STOPPED  stopped after 5" in told
    assert "soil_content=nan" in told
    assert png.exists()
    assert (tmp_path / "basil" / "logs" / one_run.LOG_NAME).stat().st_size > 1000


def test_a_runs_page_stands_beside_its_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("vl_convert", reason=NO_LIBRARY)
    words = ["--cafe", "mint", "--out", str(tmp_path / "o"), "--page", str(tmp_path / "p")]
    assert cli.main(["simulate", *words]) == 0
    assert "page     file://" in capsys.readouterr().out
    assert list((tmp_path / "p").glob("*.html"))
    assert cli.main(["simulate", "--cafe", "mint", "--page", str(tmp_path / "p")]) == 2
    assert "--out" in capsys.readouterr().err


def test_a_panel_of_the_trial_alone_is_told_to_the_core() -> None:
    """R5: what the core does on the charger is another thing with the sun as its charger."""
    found = {
        peak_mw: trials.loaded(
            trials.of_tables("t", {"pot": "basil", "panel": {"peak_mw": peak_mw}}).lines
        )
        for peak_mw in (0.0, 300.0)
    }
    assert [pot.calibration.panel for pot in found.values()] == [0, 1]
    assert all(pot.match for pot in found.values())


def test_panel_and_place_are_of_one_half_of_the_earth() -> None:
    tables = {"pot": "basil", "panel": {"peak_mw": 300.0, "latitude_deg": -35.0}}
    with pytest.raises(BadInput, match="both must be of one half of the earth"):
        trials.of_tables("t", tables)
    trial = trials.of_tables("t", tables | {"place": {"south": True}})
    assert trial.spec.panel.latitude_deg == -35.0


def test_a_panel_charges_the_battery_over_the_year(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pot whose owner never charges, begun at two fifths: each month's lowest charge is told."""
    trial = tmp_path / "sun.toml"
    trial.write_text(
        f'title = "sun"\npot = "{(CAFE / "basil").as_posix()}"\ndays = 90\n'
        "[start]\ncharge = 0.4\n[panel]\npeak_mw = 300.0\n[owner]\ncharges_after_days = false\n",
        encoding="utf-8",
    )
    assert cli.main(["simulate", str(trial)]) == 0
    told = capsys.readouterr().out
    (row,) = (line for line in told.splitlines() if line.startswith("  panel "))
    shares = [int(share) for share in re.findall(r"(\d+)\s%", row)]
    assert 3 <= len(shares) <= 5
    assert shares[0] <= 40 < 90 < shares[-1]
