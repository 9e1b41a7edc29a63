"""How fast the CO2 system answers: fast enough to be asked at every dose of a rehearsed year."""

from __future__ import annotations

from time import perf_counter

import PyCO2SYS as pyco2
import pytest

from dosingd.chemistry.carbonate import dose_effect, water_from_co2
from dosingd.chemistry.salts import Base

#: 24 doses a day on two channels for a year.
DOSES = 24 * 2 * 365


@pytest.mark.benchmark
def test_it_is_fast_enough_to_be_asked_at_every_dose_of_a_rehearsed_year() -> None:
    begin = perf_counter()
    for _ in range(5):
        pyco2.sys(par1=2788, par2=600, par1_type=1, par2_type=4, salinity=35, temperature=25, opt_k_carbonic=10)
    oracle_s = (perf_counter() - begin) / 5

    begin = perf_counter()
    for i in range(DOSES):
        water_from_co2(2788 + i * 1e-3, 600, 35, 25)
    water_s = (perf_counter() - begin) / DOSES

    before = water_from_co2(2788, 600, 35, 25)
    begin = perf_counter()
    for i in range(DOSES):
        dose_effect(before, 10 + i * 1e-3, Base.CARBONATE, 35, 25)
    dose_s = (perf_counter() - begin) / DOSES
    print(f"\nWaters: {1 / water_s:.0f} a second; doses (before and after gas exchange): {1 / dose_s:.0f} a second.")
    print(f"A year of {DOSES} doses: {DOSES * dose_s:.2f} s. PyCO2SYS answers one water in {1000 * oracle_s:.1f} ms.")
    # Two waters a dose, and no more than that; and asked one at a time it is no slower than the oracle.
    assert dose_s < 4 * water_s
    assert water_s < oracle_s
