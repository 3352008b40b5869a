"""`wakewell new`: a pot's folder from a few answers that every other command can use."""

from __future__ import annotations

import itertools
import re
import shlex
import shutil
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from lacking import NO_LIBRARY
from wakecore import fields
from wakewell.budget import inputs, sizing, sun
from wakewell.cli import main
from wakewell.draft import answers, choices, figures, files
from wakewell.draft.answers import QUESTIONS, Draft, answered
from wakewell.errors import BadInput
from wakewell.pot import chips, description, pot_folder
from wakewell.rig import battery
from wakewell.rig.soil import SUBSTRATES
from wakewell.shipped import CAFE
from wakewell.simulate import one_run, trials, uncalibrated

Run = pytest.CaptureFixture[str]
KINDS = ("pot", "wiring", "settings", "limits", "calibration")


# What takes a moment to offer, for tests of something else; an option after them counts
QUICK = ("--tank=4000x160", "--cell=lithium-ion 2600")


def made(folder: Path, *options: str) -> description.PotFolder:
    """The folder that `new` makes with these options."""
    assert main(["new", str(folder), *options]) == 0
    return pot_folder.load(folder)


def of_answers(folder: Path, **given: str) -> description.PotFolder:
    """The same without the command: what it writes, loaded."""
    draft = Draft("A pot")
    answered(draft, given, None)
    files.write(folder, files.texts(draft), secrets=False)
    return pot_folder.load(folder)


def refused(capsys: Run, *words: str) -> str:
    """What `new` says to input that it cannot use."""
    capsys.readouterr()
    assert main(["new", *words[:1], *QUICK, *words[1:]]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    return told.err


# --- every combination that is offered ---------------------------------------------------------


def rows() -> Iterator[dict[str, str]]:
    """Every plant in every substrate, with chips, cells, places and levels in turn: each pair of a
    chip and a cell comes up."""
    others = itertools.cycle(itertools.product(chips.PORTED, choices.CELLS))
    places = itertools.cycle(description.STANDS)
    levels = itertools.cycle((*choices.LEVELS, "gauge"))
    for plant, substrate in itertools.product(choices.PLANTS, description.SUBSTRATES):
        chip, cell = next(others)
        yield {
            "plant": plant, "substrate": substrate, "chip": chip, "cell": f"{cell} 3000",
            "place": next(places), "level": next(levels), "tank": "8000x200",
        }  # fmt: skip


def judge(cases: Iterator[dict[str, str]], under: Path) -> None:
    """Each is a pot without a problem, now and with the tables that are expected of it. Loam in a
    small pot is refused: drained, it has no air for roots."""
    for number, given in enumerate(cases):
        folder = under / str(number)
        if given["substrate"] == "loam":
            with pytest.raises(BadInput, match="roots want a tenth of air"):
                of_answers(folder, **given)
            assert not folder.exists()
            continue
        pot = of_answers(folder, **given)
        assert pot.problems == [], given
        assert pot.pot is not None
        assert len(pot.steps) == 1
        left = [w.text for w in pot.warnings if not w.text.startswith("no charger sense")]
        assert left == [], given
        uncalibrated.completed(pot, None)
        then = pot_folder.with_values(pot, "settings", {})
        assert then.problems == [], given
        assert [w.text for w in then.warnings if Path(w.file).stem in ("settings", "limits")] == []


def test_what_is_offered_makes_a_sound_pot(tmp_path: Path) -> None:
    judge(rows(), tmp_path)


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"plant": "aloe", "substrate": "gritty mix", "chip": "esp32-c3"},
        {"plant": "tomato", "place": "open"},
        {"plant": "strawberry", "level": "float"},
        {"plant": "lemon", "substrate": "coir"},
        {"plant": "chilli", "pot": "100x100"},
        {"cell": "nickel-metal-hydride"},
        {"cell": "lithium-iron-phosphate"},
        {"substrate": "loam", "pot": "300x400"},
    ],
)
def test_its_plant_lives_for_a_year(given: dict[str, str], tmp_path: Path) -> None:
    pytest.importorskip("fluids", reason=NO_LIBRARY)
    of_answers(tmp_path / "pot", **given)
    trial = trials.of_tables("a year", {"pot": str(tmp_path / "pot"), "days": 365})
    result = one_run.run_trial(trial)
    numbers = result.numbers()
    assert numbers["wilting_days"] == 0
    assert numbers["stressed_days"] < 1
    assert numbers["waterlogged_days"] < 3.65, "one day in a hundred, after a dose"
    assert numbers["pumped_ml"] > 1000
    assert result.good
    assert not result.verdicts.latched


# --- what is written ---------------------------------------------------------------------------


def test_the_new_pot_checks_with_a_next_step(tmp_path: Path, capsys: Run) -> None:
    folder = tmp_path / "fern"
    pot = made(folder, "--plant", "fern")
    said = capsys.readouterr().out
    for command in ("check", "budget", "simulate", "deskboard"):
        assert f"wakewell {command} {folder}" in said
    assert pot.calibration["stage"] == 0
    assert not any(row[0] in pot.calibration for row in fields.PROBES), "nothing is measured yet"
    assert pot.calibration["flow_ul_s"] == 0
    assert main(["check", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "fern: good. Fern (fern; esp32)\n" in said, "no warning"
    assert "next: not calibrated yet: soil, level, battery, " in said
    assert main(["budget", str(folder)]) == 0
    assert "is expected, not measured" in " ".join(capsys.readouterr().out.split())
    assert sorted(p.name for p in folder.iterdir()) == [
        ".gitignore", "calibration.toml", "limits.toml", "logs", "pot.toml", "settings.toml",
        "wiring.toml",
    ]  # fmt: skip
    assert "private*.toml" in (folder / ".gitignore").read_text()
    assert list((folder / "logs").iterdir()) == []


def test_every_value_stands_below_its_range_and_reason(tmp_path: Path) -> None:
    made(tmp_path / "pot", *QUICK)
    for kind in KINDS:
        rows_ = (tmp_path / "pot" / f"{kind}.toml").read_text(encoding="utf-8").splitlines()
        assert max(map(len, rows_)) <= 100
        for number, row in enumerate(rows_):
            if re.match(r"[a-z_]+ = ", row):
                said = rows_[number - 1]
                assert said.startswith("#"), (kind, row)
                block = " ".join(
                    itertools.takewhile(lambda r: r[:1] == "#", rows_[number - 1 :: -1])
                )
                assert "allowed" in block, (kind, row)
                if kind in ("settings", "limits", "calibration"):
                    text = " ".join(reversed(rows_[max(0, number - 4) : number]))
                    assert "Here:" in text, (kind, row)


def test_its_soil_is_the_rigs_own_curve(tmp_path: Path) -> None:
    """Against van Genuchten's equation, with the numbers of Carsel and Parrish (1988) for loam:
    0.078, 0.43, 0.036 per cm, 1.56; at 20 cm, and at 15,000 cm of suction."""
    pot = made(tmp_path / "pot", *QUICK, "--substrate", "loam", "--pot", "300x400")

    def content(suction_cm: float) -> float:
        return 0.078 + (0.43 - 0.078) / (1 + (0.036 * suction_cm) ** 1.56) ** (1 - 1 / 1.56)

    assert pot.calibration["capacity_ppt"] == round(1000 * content(20))
    assert pot.calibration["wilting_ppt"] == round(1000 * content(15_000))


def test_its_words_are_the_rigs() -> None:
    assert tuple(SUBSTRATES) == description.SUBSTRATES
    assert {kind.habit for kind in choices.PLANTS.values()} <= set(description.HABITS)
    assert set(choices.CELLS) <= set(description.CHEMISTRIES)
    assert set(choices.ASLEEP_UA) == set(chips.PORTED)


def test_a_thirstier_plant_gets_more(tmp_path: Path) -> None:
    """What is written follows the budget: it is no table of wishes."""
    small = made(tmp_path / "small", *QUICK, "--plant", "aloe", "--pot", "180x150")
    large = made(
        tmp_path / "large", *QUICK, "--plant", "tomato", "--pot", "180x150", "--place", "open"
    )
    assert large.settings["tank_warn_ml"] > small.settings["tank_warn_ml"]
    assert large.limits["day_ml"] > small.limits["day_ml"]


def test_a_pulse_has_time_at_the_lowest_battery(tmp_path: Path) -> None:
    pot = made(tmp_path / "pot", *QUICK, "--outlet", "900", "--pump", "strong")
    about = pot.about
    assert about is not None
    assert about.pump is not None
    flow = sizing.pump_flow_ml_s(
        about.pump, 900, about.line.inner_mm, about.line.length_mm, pot.settings["battery_mv"], 0
    )
    assert pot.limits["pulse_ms"] / 1000 * flow >= pot.settings["pulse_ml"]
    assert pot.limits["flow_max_ul_s"] > 1000 * flow


# --- questions ---------------------------------------------------------------------------------


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Somebody sits there: the answers still to come, "" for Enter. None left is Ctrl-D."""
    left: list[str] = []

    def answer(question: str = "") -> str:
        print(question)
        if not left:
            raise EOFError
        return left.pop(0)

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr("wakewell.commands.new.sits_there", lambda: True)
    return left


def test_a_dozen_questions_and_enter_takes_each_offer(
    terminal: list[str], tmp_path: Path, capsys: Run
) -> None:
    assert 10 <= len(QUESTIONS) <= 13
    terminal += [""] * len(QUESTIONS)
    assert main(["new", str(tmp_path / "asked")]) == 0
    said = capsys.readouterr().out
    assert said.count("offered: ") == len(QUESTIONS)
    assert terminal == []
    made(tmp_path / "offered", "--name", "Asked")
    for kind in KINDS:
        asked = (tmp_path / "asked" / f"{kind}.toml").read_text()
        assert asked == (tmp_path / "offered" / f"{kind}.toml").read_text()


def test_an_answer_that_cannot_be_used_is_asked_again(
    terminal: list[str], tmp_path: Path, capsys: Run
) -> None:
    terminal += ["bazil", "MINT ", *[""] * (len(QUESTIONS) - 1)]
    assert main(["new", str(tmp_path / "pot")]) == 0
    assert "nearest known name basil" in capsys.readouterr().out
    assert 'plant = "mint"' in (tmp_path / "pot" / "pot.toml").read_text()
    terminal += ["bazil"] * 9
    assert main(["new", str(tmp_path / "other")]) == 2
    assert not (tmp_path / "other").exists()


def test_an_end_of_input_writes_nothing(terminal: list[str], tmp_path: Path) -> None:
    terminal += ["", ""]
    assert main(["new", str(tmp_path / "pot")]) == 2
    assert list(tmp_path.iterdir()) == []


def test_answers_that_do_not_go_together_are_given_back(
    terminal: list[str], tmp_path: Path, capsys: Run
) -> None:
    """Nobody answers a dozen questions twice."""
    terminal += ["", "", "", "", "300x30", *[""] * (len(QUESTIONS) - 5)]
    assert main(["new", str(tmp_path / "pot")]) == 2
    said = capsys.readouterr().err
    assert "tank.volume_ml = 300" in said
    again = next(row for row in said.splitlines() if row.startswith("  wakewell new"))
    words = shlex.split(again.replace("--tank=300x30", "--tank=3000x130"))[1:]
    assert main(words) == 0


def test_a_depth_that_is_said_to_do_does(tmp_path: Path, capsys: Run) -> None:
    """Loam in a usual pot has too little air for roots, as garden soil in pots does."""
    said = refused(capsys, str(tmp_path / "pot"), "--substrate", "loam")
    deep = re.search(r"loam from ([0-9]+) mm of depth on", said)
    assert deep is not None
    made(tmp_path / "pot", *QUICK, "--substrate=loam", f"--pot=180x{deep[1]}")


def test_with_an_option_nothing_is_asked(terminal: list[str], tmp_path: Path) -> None:
    assert main(["new", str(tmp_path / "one"), "--plant", "ivy"]) == 0
    assert main(["new", str(tmp_path / "two"), "--yes"]) == 0
    assert main(["new", str(tmp_path / "three"), "--like", "cafe/fern"]) == 0


# --- what cannot be used -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ("--plant bazil", "nearest known name basil"),
        ("--place sill", "nearest known name window sill"),
        ("--substrate peet", "nearest known name peat mix"),
        ("--pot 18", "allowed DIAMETERxDEPTH"),
        ("--pot 18x15", "diameter_mm = 18: allowed 20 to 2000"),
        ("--pot 180x150x9999", "what such a pot holds"),
        ("--pot 20x20", "holds 6 ml: allowed from 50 ml on; choose a larger pot"),
        ("--pot 2000x1500x500000", "peat mix down to "),
        ("--pot 180xdeep", "allowed DIAMETERxDEPTH"),
        ("--pot ٣x١٥٠", "allowed DIAMETERxDEPTH"),
        ("--tank 4000", "allowed VOLUMExHEIGHT"),
        ("--tank 'bucket 4000x160'", "box, cylinder, tapered"),
        ("--tank 300x30", "allowed from 4"),
        ("--outlet 3m", "outlet_mm: allowed -2000 to 5000 mm"),
        ("--pump tiny", "known names: small, strong"),
        ("--pump 60x3000", "allowed from 2; choose a stronger one"),
        ("--hose 5", "allowed BORExLENGTH"),
        ("--hose 5x100", "hose.length_mm = 100: allowed from"),
        ("--level guage", "nearest known name gauge"),
        ("--chip rp2040", "known names: esp32, esp32-s3, esp32-c3, esp32-c6"),
        ("--board bear", "nearest known name bare"),
        ("--cell alkaline", "known names: lithium-ion"),
        ("--cell 'lead-acid 7000'", "known names: lithium-ion"),
        ("--cell 'lithium-ion 0'", "capacity_mah = 0: allowed 1 to 200000"),
        ("--probes thermometer", "known names: temperature"),
        ("--panel 60", "allowed none, or TILTxFACING"),
        ("--panel 95x180", "tilt_deg = 95: allowed 0 to 90"),
        ("--place 'balcony 65 N' --board development --panel 60x0", "the south (180)"),
        ("--place 'balcony 65 S' --board development --panel 60x180", "the north (0)"),
        ("--place 'open 70'", "latitude_deg = 70: allowed -65 to 65 (negative: south)"),
        ("--place 'open -35 S'", "allowed window sill, balcony, open; and its latitude in degrees"),
        ("--place 'open 35.5 S'", "and its latitude in degrees, such as balcony 35 S"),
        ("--place '35 S'", "known names: window sill"),
        ("--chip esp32-c3 --probes temperature,charger,current", "no pin left for it"),
        ("--pin soil=99", "the esp32 has no such pin"),
        ("--pin soil=6", "wired to the flash"),
        ("--pin pump=34", "input only"),
        ("--pin soil=32 --pin battery=32", "soil.pin is on this pin already"),
        ("--pin sol=3", "nearest known name soil"),
        ("--pin soil=x", "allowed a part and a pin's number"),
        ("--name ''", "leave"),
        ("--name " + "n" * 61, "up to 60 characters"),
        ("--like nowhere", "cafe/basil"),
        ("--pot 600x500", "choose a smaller pot"),
        ("--substrate loam", "allowed peat mix, coir, gritty mix in this pot (--substrate)"),
    ],
)
def test_a_bad_answer_says_what_is_allowed(
    options: str, said: str, tmp_path: Path, capsys: Run
) -> None:
    if options == "--name ''":
        said = "allowed a line of text"
    told = refused(capsys, str(tmp_path / "pot"), *shlex.split(options))
    assert said in told
    assert list(tmp_path.iterdir()) == [], "nothing was written"


def test_a_pin_that_is_asked_for_is_given(tmp_path: Path) -> None:
    pot = made(tmp_path / "pot", *QUICK, "--pin", "soil=39", "--pin", "pump=23")
    assert pot.parts["soil"].pins == {"pin": 39}
    assert pot.parts["pump"].pins == {"pin": 23}


# --- what is there already ---------------------------------------------------------------------


def test_a_pots_folder_is_never_overwritten(tmp_path: Path, capsys: Run) -> None:
    folder = tmp_path / "pot"
    made(folder, *QUICK)
    before = {p: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    assert "is a pot's folder already" in refused(capsys, str(folder))
    assert before == {p: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    file = tmp_path / "file"
    file.write_text("mine")
    assert "a file of that name is there" in refused(capsys, str(file))


@pytest.mark.parametrize("lost", [("settings",), ("wiring", "limits"), ("calibration",)])
def test_only_what_is_missing_is_written(
    lost: tuple[str, ...], tmp_path: Path, capsys: Run
) -> None:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    for kind in lost:
        (folder / f"{kind}.toml").unlink()
    before = {p: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    capsys.readouterr()
    code = main(["new", str(folder)])
    said = capsys.readouterr()
    assert code == 0, said.err
    assert f"written {', '.join(f'{kind}.toml' for kind in KINDS if kind in lost)}" in said.out
    assert {p: p.read_bytes() for p in before} == before
    assert main(["new", str(folder), "--plant", "basil"]) == 2


def test_files_that_would_not_go_together_are_not_written(tmp_path: Path, capsys: Run) -> None:
    folder = tmp_path / "pot"
    folder.mkdir()
    (folder / "limits.toml").write_text("dose_ml = 1\n")
    assert "nothing was written" in refused(capsys, str(folder))
    assert [p.name for p in folder.iterdir()] == ["limits.toml"]


def test_another_pots_secrets_bring_a_key_of_its_own(tmp_path: Path) -> None:
    made(tmp_path / "first", *QUICK)
    assert main(["ask", str(tmp_path / "first"), "--new-key"]) == 0
    made(tmp_path / "second", *QUICK)
    keys = [
        tomllib.loads((tmp_path / name / "private.toml").read_text())["key"]
        for name in ("first", "second")
    ]
    assert keys[0] != keys[1]


# --- like another ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["basil", "citrus", "fern", "mint", "strawberry", "tomato"])
def test_like_a_cafe_pot(name: str, tmp_path: Path) -> None:
    old = pot_folder.load(CAFE / name)
    pot = made(tmp_path / "new", "--like", f"cafe/{name}")
    assert pot.problems == []
    assert old.about is not None
    assert pot.about is not None
    for table in ("planter", "tank", "hose", "pump", "crop", "maker", "reach", "chip", "place"):
        told = getattr(old.about, table)
        if told is not None:
            assert getattr(pot.about, table) == told, table
    assert {name: part.pins for name, part in pot.parts.items() if name in old.parts} == {
        name: part.pins for name, part in old.parts.items()
    }
    for kind in ("settings", "limits"):
        for key, value in old.files[kind].data.items():
            if key != "flow_max_ul_s":
                assert getattr(pot, kind)[key] == value, key
    assert pot.calibration["stage"] == 0
    assert not any(row[0] in pot.calibration for row in fields.PROBES)
    assert not (tmp_path / "new" / "board.toml").exists()
    assert not (tmp_path / "new" / "private.toml").exists()


def test_like_another_but_for_one_thing(tmp_path: Path) -> None:
    pot = made(tmp_path / "new", "--like", "cafe/basil", "--chip", "esp32-c3")
    assert pot.problems == []
    assert pot.about is not None
    assert pot.about.chip == "esp32-c3"
    assert pot.about.planter.volume_ml == 3500


def test_figures_refuse_what_the_core_would(tmp_path: Path) -> None:
    """Every figure lies in the core's own range, whatever is asked of it."""
    found: Any = figures.Figures()
    assert found.put("limits", "day_ml", 1e9, "") == 5000
    assert found.put("limits", "day_ml", -5, "") == 1


@pytest.mark.parametrize(("place", "panes"), [("window sill", 1), ("balcony", None)])
def test_a_panel_is_offered_by_the_budget_that_finds_it_enough(
    tmp_path: Path, place: str, panes: int | None
) -> None:
    pot = made(tmp_path / "pot", *QUICK, "--place", f"{place} 52 N", "--panel", "60x200")
    assert pot.about is not None
    told = pot.about.panel
    assert told is not None
    assert (told.tilt_deg, told.facing_deg) == (60, 200)
    assert told.panes == panes
    found = sun.made(pot, inputs.gather(pot, date.today()))
    assert found is not None
    assert found.enough
    assert told.peak_mw == next(mw for mw in choices.PANELS_MW if mw >= found.least_mw)
    assert f"at least {found.least_mw:.0f} mW" in " ".join(
        (tmp_path / "pot" / "pot.toml").read_text(encoding="utf-8").replace("#", "").split()
    )
    assert pot.pot is not None
    assert pot.pot.calibration.panel == 1, "the core knows that its charger is the sun"
    assert not [w for w in pot.warnings if "panel" in w.text]


@pytest.mark.parametrize(
    ("text", "degrees"),
    [(" 35 S", -35), (" -35", -35), (" 52°n", 52), (" 0", 0), (" 65", 65), ("", None)],
)
def test_a_latitude_is_of_either_half_of_the_earth(
    tmp_path: Path, text: str, degrees: int | None
) -> None:
    pot = made(tmp_path / "pot", *QUICK, "--place", f"window sill{text}")
    assert pot.about is not None
    assert pot.about.crop is not None
    assert pot.about.crop.latitude_deg == degrees
    found = inputs.gather(pot, date.today())
    assert sizing.thirstiest(found) in ((0, 11) if (degrees or 0) < 0 else (5, 6))


def test_a_panel_of_ones_own_and_that_of_another_pot(tmp_path: Path) -> None:
    first = made(tmp_path / "first", *QUICK, "--panel", "30x180x750")
    again = made(tmp_path / "again", "--like", str(tmp_path / "first"))
    assert first.about is not None
    assert again.about is not None
    assert first.about.panel == again.about.panel
    assert first.about.panel is not None
    assert first.about.panel.peak_mw == 750


@pytest.mark.parametrize(
    ("text", "chemistry"),
    [("LiFePO4 1500", "lithium-iron-phosphate"), ("Ni-MH 2000", "nickel-metal-hydride"),
     ("li-ion 2600", "lithium-ion")],
)  # fmt: skip
def test_a_cell_by_the_words_on_it(tmp_path: Path, text: str, chemistry: str) -> None:
    pot = of_answers(tmp_path / "pot", cell=text, tank="4000x160")
    assert pot.about is not None
    assert pot.about.battery is not None
    assert pot.about.battery.chemistry == chemistry


def test_the_next_commands_can_be_pasted(tmp_path: Path, capsys: Run) -> None:
    folder = tmp_path / "my fern"
    made(folder, *QUICK)
    assert f"wakewell check '{folder}' " in capsys.readouterr().out


@pytest.mark.parametrize("chemistry", choices.CELLS)
def test_a_cell_is_offered_by_its_own_lockout(tmp_path: Path, chemistry: str) -> None:
    """Not by another kind's: 3.5 V is a fifth of a lithium-ion cell, and an iron one's full."""
    pot = made(tmp_path / "pot", "--tank=4000x160", f"--cell={chemistry}")
    assert pot.about is not None
    assert pot.about.battery is not None
    needed = sizing.cell_mah(inputs.gather(pot, date.today()), answers.CHARGED_DAYS)
    assert needed <= pot.about.battery.capacity_mah <= max(3.0 * needed, choices.CAPACITIES_MAH[0])


def test_voltages_of_a_cell_come_from_its_curve() -> None:
    """The lockout, the warning and its end, in this order, by the rig's cell of that kind."""
    for name, kind in choices.CELLS.items():
        curve = battery.CHEMISTRIES[name].open_mv
        low, high = (battery.open_mv(part, curve) for part in (choices.FLOOR, choices.CLEAR))
        assert low <= kind.floor_mv < kind.warn_mv < kind.clear_mv <= high + 20
