"""Seawater's density and specific gravity against gsw (TEOS-10)."""

from __future__ import annotations

import gsw
import pytest

from dosingd.chemistry.seawater import density_kg_per_l, salinity_from_specific_gravity_25, specific_gravity_25
from dosingd.errors import ChemistryRefused


def teos10_kg_per_l(salinity: float, temperature_c: float) -> float:
    return float(gsw.rho_t_exact(gsw.SR_from_SP(salinity), temperature_c, 0)) / 1000


@pytest.mark.parametrize("temperature_c", [5.0, 15.0, 22.5, 25.0, 30.0])
@pytest.mark.parametrize("salinity", [0.0, 10.0, 30.0, 33.3, 35.0, 38.0, 40.0])
def test_density_agrees_with_teos_10(salinity: float, temperature_c: float) -> None:
    assert density_kg_per_l(salinity, temperature_c) == pytest.approx(
        teos10_kg_per_l(salinity, temperature_c), abs=2e-5
    )


@pytest.mark.parametrize("salinity", [20.0, 30.0, 32.5, 34.0, 35.0, 36.5, 40.0])
def test_specific_gravity_is_25_over_25_and_comes_back(salinity: float) -> None:
    by_teos10 = teos10_kg_per_l(salinity, 25) / teos10_kg_per_l(0, 25)
    assert specific_gravity_25(salinity) == pytest.approx(by_teos10, abs=2e-5)
    assert salinity_from_specific_gravity_25(specific_gravity_25(salinity)) == pytest.approx(salinity, abs=1e-9)


@pytest.mark.parametrize(("salinity", "temperature_c"), [(-1, 25), (43, 25), (35, -3), (35, 41), (float("nan"), 25)])
def test_outside_the_equation_is_refused(salinity: float, temperature_c: float) -> None:
    with pytest.raises(ChemistryRefused):
        density_kg_per_l(salinity, temperature_c)


@pytest.mark.parametrize("specific_gravity", [0.99, 1.04, 26.4])
def test_a_specific_gravity_that_no_tank_has_is_refused(specific_gravity: float) -> None:
    with pytest.raises(ChemistryRefused):
        salinity_from_specific_gravity_25(specific_gravity)
