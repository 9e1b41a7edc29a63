"""Baking: two weighings and what they can and cannot say. Worked numbers: tests/chemistry/reference.yaml, section b."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.chemistry import bake as room
from dosingd.chemistry.bake import bake, constant_mass, shortcuts
from dosingd.errors import ChemistryRefused


def test_a_partial_bake_says_what_is_left_and_that_the_alkalinity_is_all_there() -> None:
    batch = bake(250, 165)
    assert batch.conversion == pytest.approx(0.9210, abs=2e-4)
    assert not batch.complete
    assert batch.alkalinity_eq == pytest.approx(2.9760, rel=1e-4)
    assert batch.alkalinity_eq == bake(250, 240).alkalinity_eq
    assert batch.bicarbonate_left_g + batch.carbonate_g == pytest.approx(165)
    assert "still to go" in batch.cautions[0]


def test_moisture_shows_as_a_conversion_above_one_and_is_not_clamped() -> None:
    batch = bake(250, 152.98)
    assert batch.conversion == pytest.approx(1.0513, abs=3e-4)
    assert "damp" in batch.cautions[0]
    assert batch.moisture_if_complete == pytest.approx(0.03, abs=1e-4)
    assert batch.alkalinity_eq_if_damp == pytest.approx(2.8867, rel=2e-4)
    assert bake(250, 165).alkalinity_eq_if_damp is None
    said = bake(250, 152.98, moisture=0.03)
    assert said.dry_bicarbonate_g == pytest.approx(242.5)
    assert said.conversion == pytest.approx(1.0, abs=1e-4)
    assert said.complete
    assert said.alkalinity_eq == pytest.approx(2.8867, rel=2e-4)


def test_assay_is_of_the_dry_matter() -> None:
    # 500 g, 2 % water, 98 % of the dry matter: 480.2 g of bicarbonate, 177.27 g to lose, 312.73 g left.
    batch = bake(500, 312.73, assay=0.98, moisture=0.02)
    assert batch.conversion == pytest.approx(1.0, abs=2e-4)
    assert batch.expected_after_g == pytest.approx(312.73, abs=0.01)
    assert batch.alkalinity_eq == pytest.approx(480.2 / 84.006, rel=1e-6)
    assert batch.meq_per_g == pytest.approx(1000 * 480.2 / 84.006 / 312.73, rel=1e-6)


@given(st.floats(10, 5000), st.floats(0.8, 1), st.floats(0, 0.1), st.floats(0, 1))
def test_conversion_is_found_again_from_the_masses_it_makes(
    before_g: float, assay: float, moisture: float, conversion: float
) -> None:
    dry_g = before_g * (1 - moisture)
    after_g = dry_g - dry_g * assay * conversion * (1 - 105.988 / (2 * 84.006))
    batch = bake(before_g, after_g, assay, moisture)
    assert batch.conversion == pytest.approx(conversion, abs=1e-6)
    inert_g = dry_g * (1 - assay)
    assert batch.bicarbonate_left_g + batch.carbonate_g + inert_g == pytest.approx(after_g)
    # Alkalinity is conserved: what is left as bicarbonate and carbonate holds all that went in.
    held = batch.bicarbonate_left_g / 84.006 + 2 * batch.carbonate_g / 105.988
    assert held == pytest.approx(batch.alkalinity_eq)


@pytest.mark.parametrize(
    ("before_g", "after_g", "assay", "moisture", "says"),
    [
        (165, 250, 1, 0, "heavier than 165 g before"),
        (0, 0, 1, 0, "above zero"),
        (250, 0, 1, 0, "above zero"),
        (float("inf"), 10, 1, 0, "above zero"),
        (float("nan"), 10, 1, 0, "above zero"),
        (250, 165, 1.01, 0, "An assay of 101 %"),
        (250, 165, 0, 0, "An assay of 0 %"),
        (250, 165, 1, 1, "A moisture of 100 %"),
        (250, 165, 1, -0.1, "A moisture of -10 %"),
        (250, 245, 1, 0.03, "the moisture or a weighing is wrong"),
    ],
)
def test_weighings_that_make_no_sense_are_refused_in_one_sentence(
    before_g: float, after_g: float, assay: float, moisture: float, says: str
) -> None:
    with pytest.raises(ChemistryRefused) as refused:
        bake(before_g, after_g, assay, moisture)
    assert says in str(refused.value)


def test_nothing_lost_is_nothing_baked() -> None:
    assert bake(250, 250).conversion == 0
    assert bake(250, 242.5, moisture=0.03).conversion == pytest.approx(0, abs=1e-12)


def test_constant_mass_is_two_weighings_within_a_fifth_of_a_percent() -> None:
    assert constant_mass([250, 170, 158.0, 157.8])
    assert not constant_mass([250, 170, 158.5])
    assert not constant_mass([158.0, 157.6])
    with pytest.raises(ChemistryRefused):
        constant_mass([158])


def test_every_shortcut_has_its_signed_error_and_some_overdose() -> None:
    errors = [shortcut.error_percent for shortcut in shortcuts()]
    assert len(errors) == 9
    assert max(errors) == pytest.approx(58.52, abs=0.02)
    assert min(errors) == pytest.approx(-50, abs=0.01)
    assert errors.count(0.0) == 2


def test_every_bake_comes_with_the_cautions_of_a_hot_oven_and_a_blend() -> None:
    text = " ".join(bake(250, 158).cautions)
    for word in ("oven gloves", "goggles", "cool before it touches plastic", "blend", "data sheet", "aluminium"):
        assert word in text


def test_gas_and_damp_are_told_in_numbers() -> None:
    # 250 g of bicarbonate are 1.488 mol of CO2, 35.8 L at 20 degC and one atmosphere (24.06 L/mol); carbonate becomes
    # its monohydrate, 124.003 / 105.988 times as heavy.
    text = " ".join(bake(250, 158).cautions)
    assert "about 36 L of carbon dioxide" in text
    assert "1.17 times as heavy" in text


def test_times_outside_their_range_are_refused() -> None:
    for temperature_c in (20, 300):
        with pytest.raises(ChemistryRefused):
            room.thin_layer_min(temperature_c)
    with pytest.raises(ChemistryRefused):
        room.thin_layer_min(150, 1.0)
