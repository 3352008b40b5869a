"""`wakewell check`: what is printed, exit codes, and compiled files that lose nothing."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import wakewell
from wakeboard.store import PotFiles
from wakewell import cli

CAFE = Path(wakewell.__file__).parent / "data" / "cafe"
POTS = sorted(str(path) for path in CAFE.iterdir() if (path / "pot.toml").exists())


@pytest.fixture
def basil(tmp_path):
    """A copy of a folder that is good."""
    return Path(shutil.copytree(CAFE / "basil", tmp_path / "pots" / "basil"))


def test_the_demo_set_passes_and_is_told_in_short(capsys):
    assert cli.main(["check", *POTS]) == 0
    told = capsys.readouterr()
    assert told.err == ""
    assert told.out.count(": good. ") == 6
    # By hand: 420 - 0.4 (420 - 110) = 296; 0.93 of 420 is 390.6; 95 ppt of 3.5 l are 332 ml
    assert "waters at 29.6 % of soil water and fills to 39.1 %: 332 ml in 5 pulses" in told.out
    assert "smallest fall of the level that can be proved: 16 ml" in told.out
    assert "that water flows is proved by pump current (R4)" in told.out
    # By hand: three answers of 10 ppt, of a soil that needs up to four times 3.5 ml for each
    assert "if the hose lies beside the pot, at most 700 ml reach the floor (R18)" in told.out
    assert "caution (tomato): mains charger" in told.out
    assert "warning: " in told.out
    assert "\x1b" not in told.out


def test_problems_give_exit_code_2_and_no_figures(basil, capsys):
    (basil / "limits.toml").write_text("pulse_ms = 1\n", encoding="utf-8")
    assert cli.main(["check", str(basil)]) == 2
    told = capsys.readouterr().out
    assert told.startswith("basil: 1 problem\n")
    assert f"{basil}/limits.toml:1: pulse_ms = 1: allowed 200 to 30000" in told
    assert "waters at" not in told


def test_the_first_line_counts_the_lines_that_follow(basil, capsys):
    (basil / "limits.toml").write_text("pulse_ms = 1\nday_ml = 0\n", encoding="utf-8")
    about = (basil / "pot.toml").read_text(encoding="utf-8")
    (basil / "pot.toml").write_text(about.replace('"esp32"', '"rp2040"'), encoding="utf-8")
    assert cli.main(["check", str(basil)]) == 2
    first, *rest = capsys.readouterr().out.splitlines()
    warnings = sum(row.startswith("  warning: ") for row in rest)
    words = first.removeprefix("basil: ").split(", ")
    assert words[0] == f"{len(rest) - warnings} problems"
    assert warnings == 1
    assert words[1] == "1 warning"


@pytest.mark.parametrize(
    ("warn_mv", "told"), [(3505, True), (3530, True), (3600, False), (3650, False)]
)
def test_a_warning_has_two_weeks_to_be_heard(basil, capsys, warn_mv, told):
    """R5: the radio goes off at 3500 mV, and the cell falls on."""
    path = basil / "settings.toml"
    text = path.read_text(encoding="utf-8").replace("3650", str(warn_mv))
    path.write_text("radio_wakes = 1\n" + text, encoding="utf-8")
    cli.main(["check", str(basil)])
    assert ("a warning can be sent for less than 14 days (R5)" in capsys.readouterr().out) == told


@pytest.mark.parametrize(("warn_mv", "told"), [(3535, True), (3545, False)])
def test_a_cell_of_unknown_curve_warns_above_its_scatter(basil, capsys, warn_mv, told):
    """20,000 uV behind a divider of two are 40 mV of scatter."""
    about = (basil / "pot.toml").read_text(encoding="utf-8")
    about = about.replace('"lithium-ion"', '"lead"').replace("cells = 1", "cells = 2")
    (basil / "pot.toml").write_text(about, encoding="utf-8")
    path = basil / "settings.toml"
    text = path.read_text(encoding="utf-8").replace("3650", str(warn_mv))
    text = text.replace("battery_clear_mv = 3750", "battery_clear_mv = 3600")
    path.write_text("radio_wakes = 1\n" + text, encoding="utf-8")
    cli.main(["check", str(basil)])
    assert ("a reading scatters by 40 mV" in capsys.readouterr().out) == told


@pytest.mark.parametrize(("warn_mv", "told"), [(3100, False), (3260, True)])
def test_a_flat_curve_is_a_poor_gauge_of_charge(basil, capsys, warn_mv, told):
    """By the published curve, 40 mV around 3.26 V are 28 to 72 % of a phosphate cell's charge; at
    3.1 V the curve is steep."""
    about = (basil / "pot.toml").read_text(encoding="utf-8")
    about = about.replace('"lithium-ion"', '"lithium-iron-phosphate"')
    (basil / "pot.toml").write_text(about, encoding="utf-8")
    text = (basil / "settings.toml").read_text(encoding="utf-8")
    text = text.replace("battery_warn_mv = 3650", f"battery_warn_mv = {warn_mv}")
    text = text.replace("battery_mv = 3500", "battery_mv = 3050").replace("3750", "3300")
    (basil / "settings.toml").write_text(text, encoding="utf-8")
    text = (basil / "limits.toml").read_text(encoding="utf-8").replace("3400", "3000")
    (basil / "limits.toml").write_text(text.replace("= 3000   ", "= 2900   "), encoding="utf-8")
    cli.main(["check", str(basil)])
    assert ("is a poor gauge of its charge" in capsys.readouterr().out) == told


def test_json_is_one_object_with_the_same_facts(basil, capsys):
    (basil / "limits.toml").write_text("pulse_ms = 1\n", encoding="utf-8")
    assert cli.main(["check", "--json", POTS[0], str(basil)]) == 2
    told = json.loads(capsys.readouterr().out)
    good, bad = told["results"]
    assert (told["good"], good["good"], bad["good"]) == (False, True, False)
    assert set(good["ids"]) == {"settings", "limits", "calibration"}
    assert good["outlook"]["dose_ml"] == 332
    assert bad["problems"][0]["line"] == 1
    assert bad["ids"] == {}


def test_json_of_a_good_folder_has_every_fact(basil, capsys):
    assert cli.main(["check", "--json", str(basil)]) == 0
    (told,) = json.loads(capsys.readouterr().out)["results"]
    assert told["name"] == "Basil at the counter"
    assert told["folder"] == str(basil)
    assert (told["good"], told["problems"]) == (True, [])
    (warning,) = told["warnings"]  # a copy has no bench book, so nothing is commissioned (R14)
    assert warning["file"] == str(basil / "calibration.toml")
    assert told["stage"] == 0


def test_only_a_lithium_cell_has_its_caution(basil, capsys):
    caution = "caution (basil): lithium cell"
    about = (basil / "pot.toml").read_text(encoding="utf-8")
    for chemistry, told in (("lithium-iron-phosphate", True), ("nickel-metal-hydride", False)):
        changed = about.replace("lithium-ion", chemistry).replace("cells = 1", "cells = 3")
        (basil / "pot.toml").write_text(changed, encoding="utf-8")
        cli.main(["check", str(basil)])
        assert (caution in capsys.readouterr().out) == told
    mains = (basil / "settings.toml").read_text(encoding="utf-8").replace("[", "mains = 1\n[", 1)
    (basil / "settings.toml").write_text("mains = 1\n" + mains, encoding="utf-8")
    (basil / "pot.toml").write_text(
        about.replace(about[about.index("[battery]") : about.index("[crop]")], ""), encoding="utf-8"
    )
    cli.main(["check", str(basil)])
    assert "lithium cell" not in capsys.readouterr().out


def test_what_is_no_folder_has_stage_0_in_json(capsys):
    """Whoever reads it must not take for commissioned what was never looked at (R14)."""
    assert cli.main(["check", "--json", "nowhere", POTS[0]]) == 2
    nowhere = json.loads(capsys.readouterr().out)["results"][0]
    assert nowhere["stage"] == 0
    assert nowhere["name"] is None
    assert nowhere["problems"]


@pytest.mark.parametrize("path", ["nowhere", "x" * 5000, "\x1b[2J", "bad\udcff", "/dev/null"])
def test_what_is_no_folder_gives_one_line_and_2(path, capsys):
    assert cli.main(["check", path]) == 2
    told = capsys.readouterr()
    assert told.err == ""
    assert "not a pot's folder" in told.out
    assert len(told.out.splitlines()) == 2


def test_out_writes_what_the_board_reads(tmp_path, capsys):
    """The board's own loader takes the files, and finds them good and matching."""
    assert cli.main(["check", POTS[0], "--out", str(tmp_path / "made")]) == 0
    pot, statuses = PotFiles(str(tmp_path / "made" / Path(POTS[0]).name)).load_pot()
    assert set(statuses.values()) == {"good"}
    assert pot.match
    assert "written" in capsys.readouterr().out


def test_out_never_loses_other_content(basil, tmp_path, capsys):
    made = tmp_path / "made" / "basil"
    made.mkdir(parents=True)
    (made / "settings.json").write_text("mine", encoding="utf-8")
    (made / "settings.json.old").write_text("older", encoding="utf-8")
    command = ["check", str(basil), "--out", str(tmp_path / "made")]
    assert cli.main(command) == 0
    assert (made / "settings.json.old").read_text(encoding="utf-8") == "older"
    assert (made / "settings.json.old.2").read_text(encoding="utf-8") == "mine"
    assert "kept as settings.json.old.2" in capsys.readouterr().out
    before = sorted(os.listdir(made))
    assert cli.main(command) == 0
    assert capsys.readouterr().out.count(": unchanged") == 3
    assert sorted(os.listdir(made)) == before


def test_out_writes_nothing_while_there_are_problems(basil, tmp_path, capsys):
    (basil / "limits.toml").write_text("pulse_ms = 1\n", encoding="utf-8")
    assert cli.main(["check", POTS[1], str(basil), "--out", str(tmp_path / "made")]) == 2
    assert not (tmp_path / "made").exists()
    assert "nothing was written" in capsys.readouterr().err


def test_out_that_cannot_be_written_is_one_line_and_2(basil, tmp_path, capsys):
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert cli.main(["check", str(basil), "--out", str(tmp_path / "file")]) == 2
    told = capsys.readouterr().err
    assert told.startswith("wakewell check: ")
    assert len(told.splitlines()) == 1


def test_out_refuses_two_folders_of_one_name(basil, tmp_path, capsys):
    assert cli.main(["check", str(basil), POTS[0], "--out", str(tmp_path / "made")]) == 2
    assert "two folders are called basil" in capsys.readouterr().err
    assert not (tmp_path / "made").exists()


def test_a_name_that_the_terminal_cannot_show_is_escaped(basil):
    text = (basil / "pot.toml").read_text(encoding="utf-8").replace("Basil at", "Bàsil at")
    (basil / "pot.toml").write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "wakewell", "check", str(basil)],
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"B\\xe0sil at" in done.stdout


def test_checking_changes_nothing_in_the_folder(basil):
    def content():
        return {path.name: path.read_bytes() for path in basil.rglob("*") if path.is_file()}

    before = content()
    cli.main(["check", str(basil)])
    assert content() == before
