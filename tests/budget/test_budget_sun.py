"""Which panel for never charging by hand: against the rig hour by hour, and what changes it."""

import math
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from lacking import NO_LIBRARY

pytest.importorskip("pvlib", reason=NO_LIBRARY)

from wakewell import cli
from wakewell.budget import inputs, sun, told
from wakewell.budget.doubt import nominal
from wakewell.pot import agree
from wakewell.rig.battery import Cell, RigBattery
from wakewell.rig.fitted import panel as fitted_panel
from wakewell.rig.panel import charging_ma, powers_mw
from wakewell.rig.weather import PLACES, climate
from wakewell.shipped import CAFE

DAY = date(2026, 5, 1)
PUT_UP = "\n[panel]\ntilt_deg = 60\nfacing_deg = 180\n"


@pytest.fixture
def sunny(tmp_path: Path) -> Path:
    """The basil, planned anew, with a panel on the sill."""
    text = (CAFE / "basil" / "pot.toml").read_text(encoding="utf-8")
    (tmp_path / "pot.toml").write_text(text + PUT_UP, encoding="utf-8")
    return tmp_path


def answer(path: Path, more: str = "") -> sun.Sunned:
    file = path / "pot.toml"
    file.write_text(file.read_text(encoding="utf-8") + more, encoding="utf-8")
    folder = inputs.open_folder(str(path))
    found = sun.made(folder, inputs.gather(folder, DAY))
    assert found is not None
    return found


def test_the_least_panel_keeps_the_rigs_cell_through_the_year(sunny: Path) -> None:
    """Hour by hour, in the dimmest case that the doubt allows for, the charge never runs down, and
    with half of that panel it does."""
    found = answer(sunny)
    folder = inputs.open_folder(str(sunny))
    given = inputs.gather(folder, DAY)
    about = folder.about
    assert about is not None
    air_c = climate(PLACES[given.stands]).air_c
    drains = [nominal(given.drain_mah(month)) / 24.0 for month in range(12)]

    def least(share: float) -> float:
        panel = replace(fitted_panel(about.panel, None), peak_mw=share * found.least_mw)
        powers = powers_mw(panel, tuple(air_c))
        battery, lowest = RigBattery(Cell(given.cell_mah)), 1.0
        for hour in range(2 * 8760):
            at = hour % 8760
            gives = charging_ma(panel, powers[at], battery.rest_mv(air_c[at]), air_c[at])
            gives = battery.taking_ma(gives, air_c[at]) if gives else 0.0
            battery.use(drains[at // 730] - gives, 3600.0, air_c[at])
            lowest = min(lowest, battery.charge_mah / given.cell_mah)
        return lowest

    assert least(1.0) > 0.9
    assert least(0.2) < least(1.0) - 0.05


def test_more_light_asks_for_a_smaller_panel(sunny: Path) -> None:
    usual = answer(sunny).least_mw
    assert answer(sunny, "panes = 2\n").least_mw > 1.1 * usual
    shade = ", ".join(["100"] * 12 + ["0"] * 12)
    assert answer(sunny, f"shade_pct = [{shade}]\n").least_mw > 1.3 * usual


def test_what_would_change_it_is_said_with_its_panel(sunny: Path) -> None:
    found = answer(sunny, "panes = 2\n")
    changes = dict(found.changes)
    assert changes["outside the window"] < found.least_mw
    assert all(least < found.least_mw for least in changes.values())


def test_south_of_the_equator_june_wants_most_and_the_panel_faces_north(sunny: Path) -> None:
    file = sunny / "pot.toml"
    text = file.read_text(encoding="utf-8").replace("[crop]\n", "[crop]\nlatitude_deg = -36\n")
    file.write_text(text, encoding="utf-8")
    found = answer(sunny)
    assert found.worst in (5, 6)
    changes = dict(found.changes)
    assert "facing south" not in changes
    folder = inputs.open_folder(str(sunny))
    given = inputs.gather(folder, DAY)
    assert not {"crop.latitude_deg"} & given.assumed.keys()
    assert given.et0_mm[0] > given.et0_mm[6], "January is summer"
    file.write_text(text.replace("facing_deg = 180", "facing_deg = 0"), encoding="utf-8")
    north = answer(sunny)
    assert north.least_mw == pytest.approx(changes["facing north"])


def test_in_the_dark_no_panel_is_enough(sunny: Path) -> None:
    dark = ", ".join(["100"] * 24)
    found = answer(sunny, f"sky_pct = 0\nshade_pct = [{dark}]\ncharger_cold_mc = 40000\n")
    assert math.isinf(found.least_mw)
    assert not found.changes


@pytest.mark.parametrize(("mw", "code", "word"), [(10, 1, "NOT ENOUGH"), (2000, 0, "enough")])
def test_it_is_told_by_month_and_too_small_a_panel_is_a_finding(
    sunny: Path, capsys: pytest.CaptureFixture[str], mw: int, code: int, word: str
) -> None:
    answer(sunny, f"peak_mw = {mw}\n")
    assert cli.main(["budget", str(sunny)]) == code
    said = " ".join(capsys.readouterr().out.split())
    for part in (word, "Battery, without light: ", "Jan ", "Dec ", "caution: panel: its charger"):
        assert part in said


def test_a_shade_that_cannot_be_is_refused(sunny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (sunny / "pot.toml").write_text(
        (sunny / "pot.toml").read_text(encoding="utf-8") + "shade_pct = [100, 0]\n",
        encoding="utf-8",
    )
    assert cli.main(["budget", str(sunny)]) == 2
    assert "allowed 24 whole numbers from 0 to 100" in capsys.readouterr().err


def test_check_knows_what_a_panel_makes_of_a_lockout(sunny: Path) -> None:
    """R5: readings in the sun are none of rest."""
    folder = inputs.open_folder(str(sunny))
    assert folder.about is not None
    folder.warnings.clear()
    folder.settings |= {"mains": 1}
    agree.check_values(folder)
    said = " ".join(warning.text for warning in folder.warnings)
    assert "every reading in the sun would count as one of rest" in said
    assert "a panel and no charger sense" in said


@pytest.mark.parametrize(("mw", "by_panel"), [(10, False), (2000, True)])
def test_a_panel_that_is_enough_carries_the_battery_to_any_date(
    sunny: Path, mw: int, by_panel: bool
) -> None:
    answer(sunny, f"peak_mw = {mw}\n")
    folder = inputs.open_folder(str(sunny))
    found = told.made(folder, inputs.gather(folder, DAY), DAY, date(2029, 5, 1), None)
    assert (found.cell_until is None) == by_panel
    assert ("battery: yes, by its panel" in "\n".join(told.lines(found))) == by_panel


def test_a_nickel_battery_has_its_caution_and_better_cells_of_its_kind(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pot = tmp_path / "pot"
    assert cli.main(["new", str(pot), "--cell=nickel-metal-hydride 2000", "--tank=4000x160"]) == 0
    assert cli.main(["budget", str(pot)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "a charger for 3 in series that ends by itself" in said
    assert "cells sold as keeping their charge" in said
    assert cli.main(["check", str(pot)]) == 0
    assert "caution (pot): nickel battery: charge it as its data sheet says" in (
        " ".join("".join(capsys.readouterr()).split())
    )
