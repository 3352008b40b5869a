"""Raw counts against Topp's equation and by hand."""

import math
from itertools import islice
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakewell.rig.errors import Impossible
from wakewell.rig.probes import (
    NO_ECHO_US,
    POOL,
    Converter,
    Divider,
    LevelGauge,
    SoilProbe,
    content_of,
    deviates,
    ds18x20_raw,
    permittivity,
    scatter,
    spreads,
)


@pytest.mark.parametrize("e", [4.0, 10.0, 20.0, 30.0, 40.0, 60.0])
def test_topp(e: float) -> None:
    """Topp, Davis, Annan (1980), Water Resources Research 16(3), its equation for mineral soils."""
    published = -5.3e-2 + 2.92e-2 * e - 5.5e-4 * e**2 + 4.3e-6 * e**3
    assert content_of(e) == pytest.approx(published, abs=1e-12)


@settings(deadline=None)
@given(st.floats(0.0, 1.0))
def test_permittivity_is_the_inverse(content: float) -> None:
    assert content_of(permittivity(content)) == pytest.approx(content, abs=1e-9)


def test_the_two_directions_of_the_paper_agree() -> None:
    """Topp's other polynomial (from memory) over its own range of 0.05 to 0.45."""
    for percent in range(5, 46):
        w = percent / 100.0
        other = 3.03 + 9.3 * w + 146.0 * w**2 - 76.7 * w**3
        assert permittivity(w) == pytest.approx(other, abs=1.0)


def test_probe_falls_from_air_to_water() -> None:
    probe = SoilProbe()
    outputs = [probe.output_uv(k / 100.0, 25.0, 0.0) for k in range(96)]
    assert outputs == sorted(outputs, reverse=True)
    assert probe.water_uv < outputs[-1] < outputs[0] < probe.air_uv


def test_probe_warms_and_drifts() -> None:
    probe = SoilProbe(per_kelvin_uv=400.0, drift_uv_year=5_000.0)
    warm = probe.output_uv(0.3, 35.0, 0.0) - probe.output_uv(0.3, 25.0, 0.0)
    assert warm > 4_000.0  # the water's own permittivity falls as well
    old = probe.output_uv(0.3, 25.0, 365 * 86_400.0) - probe.output_uv(0.3, 25.0, 0.0)
    assert old == pytest.approx(5_000.0)


@settings(deadline=None)
@given(st.floats(0.0, 4e6))
def test_converter_error_is_bounded(microvolts: float) -> None:
    converter = Converter()
    count = converter.read(microvolts)
    assert isinstance(count, int)
    if converter.floor_uv <= microvolts <= converter.full_uv:
        step = converter.full_uv / converter.steps
        assert abs(count - microvolts) <= converter.crooked_uv + step + converter.floor_uv * (
            microvolts < converter.floor_uv + converter.crooked_uv
        )
    assert converter.floor_uv - 800 <= count <= converter.full_uv


def test_converter_rises_and_has_its_steps() -> None:
    counts = [Converter().read(1000.0 * mv) for mv in range(3_200)]
    assert counts == sorted(counts)
    assert len({Converter(steps=16).read(1000.0 * mv) for mv in range(3_101)}) <= 17


def test_noise_has_unit_deviation_and_no_tails() -> None:
    random = Random(3)
    draws = [scatter(random) for _ in range(20_000)]
    assert sum(draws) / len(draws) == pytest.approx(0.0, abs=0.03)
    assert math.sqrt(sum(d * d for d in draws) / len(draws)) == pytest.approx(1.0, abs=0.02)
    assert max(abs(d) for d in draws) <= 3.0


def test_the_pool_is_as_good_as_fresh_draws() -> None:
    """Spread and median of three, and the deviates themselves, against the same drawn anew."""
    random = Random(3)
    drawn = list(islice(deviates(random), POOL))
    assert sum(drawn) / POOL == pytest.approx(0.0, abs=0.06)
    assert math.sqrt(sum(d * d for d in drawn) / POOL) == pytest.approx(1.0, abs=0.03)
    fresh = [sorted(scatter(random) for _ in range(3)) for _ in range(POOL)]
    pooled = list(islice(spreads(random, 3), POOL))
    for at in range(3):
        mean = sum(row[at] for row in fresh) / POOL
        assert sum(row[at] for row in pooled) / POOL == pytest.approx(mean, abs=0.06)


def test_equal_seeds_begin_at_the_same_place_of_the_pool() -> None:
    first, same, other = (list(islice(deviates(Random(n)), 9)) for n in (1, 1, 2))
    assert first == same != other


def test_echo_by_hand() -> None:
    """200 mm there and back at 343.42 m/s (331.3 + 0.606 * 20, from memory) are 1,165 us."""
    gauge = LevelGauge(sensor_mm=260.0, noise=0.0, misses=0.0)
    assert gauge.echo_us(60.0, 20.0, 1.0, Random(1)) == 1165
    assert gauge.echo_us(60.0, 0.0, 1.0, Random(1)) > 1165
    assert gauge.echo_us(240.0, 20.0, 1.0, Random(1)) == NO_ECHO_US


def test_echoes_get_lost_as_often_as_told() -> None:
    gauge, random = LevelGauge(misses=0.2), Random(5)
    lost = sum(gauge.echo_us(60.0, 20.0, 0.0, random) == NO_ECHO_US for _ in range(5_000))
    assert lost == pytest.approx(1_000, abs=120)


def test_gauge_and_divider_by_hand() -> None:
    gauge = LevelGauge(kind="gauge", empty_uv=400_000.0, full_uv=2_600_000.0, noise=500.0)
    assert gauge.gauge_uv(100.0, -2.0) == pytest.approx(1_499_000.0)
    assert 3700.0 * Divider(ratio=0.5, off=0.01).uv_per_mv == pytest.approx(1_868_500.0)


def test_ds18x20_by_its_data_sheet() -> None:
    """Sixteenths of a degree: +25.0625 °C is 0191h, -10.125 °C is FF5Eh as a signed count."""
    assert ds18x20_raw(25.0625, off_c=0.0) == 0x0191
    assert ds18x20_raw(-10.125, off_c=0.0) == 0xFF5E - 0x10000


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: Converter(steps=4), "converter.steps"),
        (lambda: SoilProbe(water_uv=2_800_000.0), "probe.water_uv"),
        (lambda: LevelGauge(kind="radar"), "level.kind"),
        (lambda: LevelGauge(misses=1.5), "level.misses"),
        (lambda: Divider(ratio=0.0), "divider.ratio"),
    ],
)
def test_impossible_probes_are_refused(make, key: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Impossible) as refusal:
        make()
    assert refusal.value.key == key
