"""The potted substrate against retention models, integration and drying curves by hand."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lacking import NO_LIBRARY
from wakewell.rig.errors import Impossible
from wakewell.rig.soil import (
    SUBSTRATES,
    WILTING_CM,
    Container,
    Levels,
    Plant,
    ProbeHeight,
    Substrate,
    Vessel,
    mean_content,
    substrate,
)
from wakewell.rig.weather import Climate

DAY = 86_400.0
POT = Vessel(15.0, 200.0, 150.0)
PEAT = substrate("peat mix")
STEADY = Climate([20.0], [0.1], [0.0])  # 2.4 mm a day, no rain
NIGHTS = Climate([15.0] * 24, [0.0] * 8 + [0.2] * 10 + [0.0] * 6, [0.0] * 24)
SHOWERS = Climate([15.0] * 48, [0.05] * 48, [0.0] * 30 + [3.0, 8.0] + [0.0] * 16)

# Carsel and Parrish (1988), Water Resources Research 24(5): class means.
CLASSES = {
    "sand": (0.045, 0.43, 0.145, 2.68),
    "loam": (0.078, 0.43, 0.036, 1.56),
    "clay": (0.068, 0.38, 0.008, 1.09),
}


@pytest.mark.parametrize("name", CLASSES)
def test_retention_against_unsatfit(name: str) -> None:
    """Source: van Genuchten's curve as the library unsatfit computes it."""
    np, unsatfit = (
        pytest.importorskip("numpy", reason=NO_LIBRARY),
        pytest.importorskip("unsatfit", reason=NO_LIBRARY),
    )
    residual, saturated, alpha, n = CLASSES[name]
    fit = unsatfit.Fit()
    fit.set_model("vg", const=["q=1"])
    suctions = [0.01, 1.0, 10.0, 50.0, 100.0, 333.0, 1000.0, WILTING_CM, 1e6]
    theirs = fit.f_ht((saturated, residual, alpha, 1.0 - 1.0 / n), np.array(suctions))
    ours = Substrate(residual, saturated, alpha, n, 1.0, 1.0, 1.0, 0.0)
    assert [ours.content(h) for h in suctions] == pytest.approx(list(theirs), abs=1e-12)


@pytest.mark.parametrize("word", SUBSTRATES)
def test_suction_is_the_inverse_of_content(word: str) -> None:
    soil = SUBSTRATES[word]
    for suction in (1.0, 30.0, 500.0, WILTING_CM):
        assert soil.suction_cm(soil.content(suction)) == pytest.approx(suction, rel=1e-6)


def test_loam_is_carsel_and_parrish() -> None:
    loam = SUBSTRATES["loam"]
    assert (loam.residual, loam.saturated, loam.alpha, loam.n) == CLASSES["loam"]


@pytest.mark.parametrize("word", ["peat mix", "coir"])
def test_easily_available_water_of_a_good_mix(word: str) -> None:
    """De Boodt and Verdonck (1972), by secondary sources: 20 to 30 % of volume."""
    soil = substrate(word)
    assert 0.20 <= soil.content(10.0) - soil.content(50.0) <= 0.30


def test_loam_in_a_pot_gives_the_middle_depletion_fraction_of_fao56() -> None:
    """FAO-56 table 22: p = 0.5 for many crops, though ours comes from a suction of 100 cm."""
    levels = Levels(SUBSTRATES["loam"], POT, Plant())
    p = (levels.capacity - levels.stress) / (levels.capacity - levels.wilting)
    assert p == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("word", SUBSTRATES)
@pytest.mark.parametrize("height_cm", [6.0, 15.0, 40.0])
def test_container_capacity_against_integration(word: str, height_cm: float) -> None:
    """Source: scipy's adaptive integration of retention over height, zero pressure at the base."""
    integrate = pytest.importorskip("scipy.integrate", reason=NO_LIBRARY)
    soil, vessel = substrate(word), Vessel(height_cm, 220.0, 140.0)
    water, _ = integrate.quad(lambda z: vessel.area_cm2(z) * soil.content(z), 0.0, height_cm)
    volume, _ = integrate.quad(vessel.area_cm2, 0.0, height_cm)
    assert vessel.volume_ml == pytest.approx(volume, rel=1e-9)
    assert mean_content(soil, vessel, 0.0) == pytest.approx(water / volume, abs=1e-4)


def test_a_lower_pot_of_the_same_mix_stays_wetter() -> None:
    heights = [8.0, 12.0, 20.0, 30.0]
    held = [mean_content(PEAT, Vessel(h, 150.0, 150.0), 0.0) for h in heights]
    assert held == sorted(held, reverse=True)


def test_probe_low_in_the_pot_reads_wetter() -> None:
    low = ProbeHeight(PEAT, Vessel(15.0, 200.0, 150.0, probe_cm=3.0))
    high = ProbeHeight(PEAT, Vessel(15.0, 200.0, 150.0, probe_cm=12.0))
    for mean in (0.2, 0.4, 0.6, 0.69):
        assert low.content(mean) > high.content(mean)
    assert low.content(0.88) == high.content(0.88) == 0.88


@pytest.mark.parametrize("word", SUBSTRATES)
def test_probe_rises_with_the_mean(word: str) -> None:
    probe = ProbeHeight(substrate(word), POT)
    contents = [probe.content(substrate(word).saturated * k / 200) for k in range(201)]
    assert contents == sorted(contents)


# --- weighed pot ---------------------------------------------------------------------------------


def test_weighed_pot_dries_as_by_hand() -> None:
    """A pot on a balance, simulated and by hand: straight while wet, then an exponential.

    Hand calculation (FAO-56 equation 84 as an ordinary differential equation; surface evaporation
    left out): kcb 1.0 on 300 cm2 at 2.4 mm a day takes 0.1 * 300 * 2.4 = 72 ml a day, so grams.
    From capacity down to the stress point the weight falls 72 g a day; below it the water above
    wilting shrinks by the factor exp(-72 / (W_stress - W_wilting)) a day.
    """
    plant = Plant(kcb=1.0, crown_cm2=300.0, bare=0.0)
    pot = Container(PEAT, POT, plant)
    dry_g = 0.15 * pot.volume_ml
    levels = pot.levels
    full, stress, wilting = (
        pot.volume_ml * v for v in (levels.capacity, levels.stress, levels.wilting)
    )
    straight_days = (full - stress) / 72.0
    assert 10 < straight_days < 20
    for day in range(1, 61):
        pot.advance(STEADY, (day - 1) * DAY, day * DAY)
        if day <= straight_days:
            by_hand = full - 72.0 * day
        else:
            rest = math.exp(-72.0 / (stress - wilting) * (day - straight_days))
            by_hand = wilting + (stress - wilting) * rest
        assert dry_g + pot.water_ml == pytest.approx(dry_g + by_hand, abs=1e-6)
    assert pot.tally.stressed_s == pytest.approx((60 - straight_days) * DAY, abs=1.0)


def test_drying_with_a_bare_surface_against_fine_steps() -> None:
    """Source: the same rates (FAO-56 equations 74 and 84) summed in steps of ten seconds."""
    plant = Plant(kcb=0.9, crown_cm2=350.0, bare=0.5)
    pot = Container(PEAT, POT, plant)
    v, levels = pot.volume_ml, pot.levels
    water = pot.water_ml
    drooping = 0.0
    for _ in range(40 * 8640):
        content = water / v
        ks = min(1.0, max(0.0, (content - levels.wilting) / (levels.stress - levels.wilting)))
        kr = min(1.0, (content - levels.floor) / (levels.capacity - levels.floor))
        water -= 0.1 / 360.0 * 0.1 * (0.9 * 350.0 * ks + 0.5 * 200.0 * kr)
        drooping += 10.0 * (content < levels.droop)
    pot.advance(STEADY, 0.0, 40 * DAY)
    assert pot.water_ml == pytest.approx(water, abs=0.02)
    assert drooping > DAY
    assert pot.tally.drooping_s == pytest.approx(drooping, abs=120.0)


def test_one_long_step_equals_many_short_ones() -> None:
    """A quiet spell has a closed solution, so its length must not matter, nights included."""

    def dried(step_s: float) -> Container:
        pot = Container(PEAT, POT, Plant(), start=0.5)
        pot.bulb_ml += 0.2 * pot.vessel.bulb_share * pot.volume_ml  # as after a dose
        for n in range(round(30 * DAY / step_s)):
            pot.advance(NIGHTS, n * step_s, (n + 1) * step_s)
        return pot

    long, short = dried(30 * DAY), dried(900.0)
    assert long.bulb_ml == pytest.approx(short.bulb_ml, abs=1e-7)
    assert long.bulk_ml == pytest.approx(short.bulk_ml, abs=1e-7)
    assert long.tally.transpired_ml == pytest.approx(short.tally.transpired_ml, abs=1e-7)
    assert long.tally.stressed_s == pytest.approx(short.tally.stressed_s, abs=1.0)


# --- where water goes ----------------------------------------------------------------------------


def unaccounted_ml(pot: Container, began_with_ml: float) -> float:
    tally = pot.tally
    gone = tally.transpired_ml + tally.evaporated_ml + tally.saucer_evaporated_ml + tally.floor_ml
    return began_with_ml + tally.poured_ml + tally.rain_ml - gone - pot.stored_ml


@settings(max_examples=60, deadline=None)
@given(
    word=st.sampled_from(sorted(SUBSTRATES)),
    saucer_ml=st.floats(0.0, 400.0),
    acts=st.lists(
        st.tuples(st.sampled_from(["hose", "can", "wait"]), st.floats(0.0, 1500.0)), max_size=30
    ),
)
def test_balance_closes(word: str, saucer_ml: float, acts: list[tuple[str, float]]) -> None:
    """Water in = stored + lost to air + through, to a billionth of a millilitre."""
    pot = Container(
        substrate(word), Vessel(12.0, 200.0, 150.0, saucer_ml=saucer_ml), Plant(stress_cm=200.0)
    )
    began, now = pot.stored_ml, 0.0
    for kind, amount in acts:
        if kind == "hose":
            pot.pour(amount)
        elif kind == "can":
            pot.pour_all_over(amount)
        then = now + 60.0 * amount
        pot.advance(SHOWERS, now, then)
        now = then
        assert 0.0 <= pot.saucer_ml <= saucer_ml
        for part, share in ((pot.bulb_ml, 0.35), (pot.bulk_ml, 0.65)):
            assert part >= pot.levels.floor * share * pot.volume_ml - 1e-9
            assert part <= pot.levels.saturated * share * pot.volume_ml + 1e-9
    assert unaccounted_ml(pot, began) == pytest.approx(0.0, abs=1e-9)


def test_balance_closes_over_a_year_of_daily_doses() -> None:
    """To a billionth of a millilitre for each litre that went through."""
    pot = Container(PEAT, POT, Plant())
    began = pot.stored_ml
    for day in range(365):
        pot.pour(70.0)
        pot.advance(SHOWERS, day * DAY, (day + 1) * DAY)
    assert pot.tally.rain_ml > 1000.0
    litres = (pot.tally.poured_ml + pot.tally.rain_ml) / 1000.0
    assert unaccounted_ml(pot, began) == pytest.approx(0.0, abs=1e-9 * litres)


def test_probe_sees_a_dose_late() -> None:
    pot = Container(PEAT, POT, Plant(), start=0.40)
    before = pot.probe_content
    pot.pour(150.0)
    assert pot.probe_content == before
    seen = []
    for hour in range(48):
        pot.advance(NIGHTS, hour * 3600.0, (hour + 1) * 3600.0)
        seen.append(pot.probe_content)
    assert seen[0] - before < 0.2 * (max(seen) - before)
    assert seen.index(max(seen)) >= 6


def test_dose_beyond_the_bulb_runs_to_the_saucer_and_some_comes_back() -> None:
    pot = Container(PEAT, POT, Plant(), start=0.55)
    pot.pour(600.0)
    pot.advance(STEADY, 0.0, 3 * 3600.0)
    assert 0.0 < pot.saucer_ml <= 200.0
    pot.advance(STEADY, 3 * 3600.0, 10 * DAY)
    assert pot.saucer_ml == 0.0
    assert pot.tally.drawn_back_ml > 10.0


def test_dry_peat_lets_a_dose_run_past_and_moist_peat_does_not() -> None:
    dry, moist = (Container(PEAT, POT, Plant(), start=s) for s in (0.10, 0.40))
    for pot in (dry, moist):
        pot.pour(100.0)
    assert dry.saucer_ml > 20.0
    assert moist.saucer_ml == 0.0


def test_full_saucer_overflows_to_the_floor() -> None:
    pot = Container(PEAT, Vessel(15.0, 200.0, 150.0, saucer_ml=0.0), Plant())
    pot.pour(300.0)
    pot.advance(STEADY, 0.0, 6 * 3600.0)
    assert pot.tally.floor_ml > 200.0
    assert pot.saucer_ml == 0.0


def test_drained_pot_comes_to_rest_at_capacity() -> None:
    pot = Container(PEAT, Vessel(15.0, 200.0, 150.0, saucer_ml=0.0), Plant(kcb=0.0, bare=0.0))
    pot.pour_all_over(1000.0)
    pot.advance(STEADY, 0.0, 3 * DAY)
    assert pot.content == pytest.approx(pot.levels.capacity, abs=1e-4)


def test_loam_in_a_pot_lacks_air_after_watering() -> None:
    """Why nobody fills pots with garden soil: it drains to a few per cent of air."""
    pot = Container(substrate("loam"), POT, Plant())
    pot.advance(STEADY, 0.0, 1 * DAY)
    assert pot.tally.airless_s == DAY
    mix = Container(PEAT, POT, Plant())
    mix.advance(STEADY, 0.0, 1 * DAY)
    assert mix.tally.airless_s == 0.0


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: substrate("clay pebbles"), "substrate"),
        (lambda: substrate("coir", saturated=1.2), "saturated"),
        (lambda: substrate("coir", n=1.0), "n"),
        (lambda: substrate("coir", residual=math.nan), "residual"),
        (lambda: Vessel(15.0, -200.0, 150.0), "top_cm2"),
        (lambda: Vessel(15.0, 200.0, 150.0, probe_cm=16.0), "probe_cm"),
        (lambda: Vessel(15.0, 200.0, 150.0, bulb_share=1.0), "bulb_share"),
        (lambda: Plant(crown_cm2=-1.0), "crown_cm2"),
        (lambda: Plant(stress_cm=500.0, droop_cm=400.0), "droop_cm"),
        (
            lambda: Levels(substrate("loam"), Vessel(100.0, 200.0, 150.0), Plant(stress_cm=20.0)),
            "stress_cm",
        ),
        (lambda: Container(PEAT, POT, Plant(), start=0.95), "start"),
    ],
)
def test_impossible_pots_are_refused(make, key: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Impossible) as refusal:
        make()
    assert refusal.value.key == key
