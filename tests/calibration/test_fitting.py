"""The line through test runs, its errors and its interval, against reference software and certified values.

Check values with their sources: tests/chemistry/reference.yaml, section g (a linear regression of scipy 1.17.1 and
statsmodels 0.15.0; NIST StRD Norris, whose data and certified values were read from the file that scipy ships; the Z
table of ISO 8655-6 as a pipette maker reprints it; water by Tanaka et al. 2001).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.calibration import run_s_from_volume, volume_ul_from_run_s
from dosingd.chemistry.weighing import air_density_kg_per_m3, ml_per_g, stock_ml_per_g, z_factor_ml_per_g
from dosingd.errors import ChemistryRefused
from dosingd.fitting import Fit, fitted, student_t_95
from tests.chemistry.reference import ENTRIES, hold


def pump() -> Fit:
    """The reference's pump: run times and balance readings of water at 22 degC, 1013 hPa."""
    return fitted(list(zip(ENTRIES["g.cal.data"]["inputs"]["t_s"], measured_ul(), strict=True)))


def measured_ul() -> list[float]:
    """The readings as volumes, by the reference's own Z."""
    inputs = ENTRIES["g.cal.data"]["inputs"]
    return [1000 * inputs["Z"] * each for each in inputs["m_g"]]


def test_flow_lag_and_their_errors_are_the_reference_softwares() -> None:
    fit = pump()
    measured = measured_ul()
    mean = sum(measured) / len(measured)
    hold(
        "g.cal.fit",
        {
            "a_mL": fit.lag_ul / 1000,
            "b_mL_per_s": fit.flow_ul_per_s / 1000,
            "se_a": fit.lag_error_ul / 1000,
            "se_b": fit.flow_error_ul_per_s / 1000,
            "s_residual_mL": fit.residual_rms_ul / 1000,
            "r2": 1 - sum(each**2 for each in fit.residuals_ul) / sum((each - mean) ** 2 for each in measured),
            "dof": fit.freedom,
        },
        {"rel": 2e-4, "se_b": 6e-7},  # 0.000781: printed too short for its own tolerance
    )


def test_the_interval_of_one_further_run_is_the_reference_softwares() -> None:
    fit = pump()
    half, middle = fit.half_interval_ul(25) / 1000, fit.volume_ul(25) / 1000
    expected = ENTRIES["g.cal.predict25"]["value"]
    assert half == pytest.approx(expected["half_width_PI"], abs=5e-4)
    assert [middle - half, middle + half] == pytest.approx(expected["PI95"], abs=1e-3)
    assert middle == pytest.approx(expected["V_mL"], abs=5e-4)


def test_the_seconds_for_a_volume_are_the_inverse_of_the_line() -> None:
    hold("g.cal.time_for_25mL", run_s_from_volume(25_000, pump().flow))


def test_the_lag_is_told_from_nothing_as_the_reference_does() -> None:
    fit = pump()
    assert fit.lag_ul / fit.lag_error_ul == pytest.approx(ENTRIES["g.cal.zero_offset"]["value"]["t"], rel=0.01)


def test_the_certified_values_of_norris_come_out_to_nine_digits() -> None:
    norris = ENTRIES["g.norris"]
    xs, ys = norris["inputs"]["x"], norris["inputs"]["y"]
    fit = fitted(list(zip(xs, ys, strict=True)))
    mean = sum(ys) / len(ys)
    residual = math.fsum(each**2 for each in fit.residuals_ul)
    regression = math.fsum((fit.volume_ul(x) - mean) ** 2 for x in xs)
    hold(
        "g.norris",
        {
            "B0": fit.lag_ul,
            "B1": fit.flow_ul_per_s,
            "se_B0": fit.lag_error_ul,
            "se_B1": fit.flow_error_ul_per_s,
            "residual_sd": fit.residual_rms_ul,
            "R2": 1 - residual / math.fsum((y - mean) ** 2 for y in ys),
            "SS_regression": regression,
            "SS_residual": residual,
            "F": regression / fit.residual_rms_ul**2,
        },
    )


@pytest.mark.parametrize("identity", [each for each in ENTRIES if each.startswith("g.t.")])
def test_student_t_is_the_tables(identity: str) -> None:
    hold(identity, student_t_95(ENTRIES[identity]["inputs"]["dof"]))


def test_student_t_goes_down_to_the_normal_distributions_value() -> None:
    # 1.95996, the 97.5 % point of the normal distribution (any table; from memory).
    assert student_t_95(5000) == pytest.approx(1.95996, abs=1e-3)
    assert all(student_t_95(n) > student_t_95(n + 1) for n in range(1, 60))
    with pytest.raises(ValueError, match="no interval"):
        student_t_95(0)


@pytest.mark.parametrize("identity", [each for each in ENTRIES if each.startswith("g.Z.")])
def test_the_z_factor_is_the_standards_table(identity: str) -> None:
    inputs = ENTRIES[identity]["inputs"]
    hold(identity, z_factor_ml_per_g(inputs["t_C"], inputs["p_hPa"]))


@pytest.mark.parametrize("identity", [each for each in ENTRIES if each.startswith("g.Z20.")])
def test_the_z_factor_follows_the_airs_pressure_as_the_table_does(identity: str) -> None:
    hold(identity, z_factor_ml_per_g(20, ENTRIES[identity]["inputs"]["p_hPa"]))


def test_the_airs_density_is_the_references() -> None:
    inputs = ENTRIES["g.air"]["inputs"]
    hold("g.air", air_density_kg_per_m3(inputs["p_hPa"], inputs["t_C"], inputs["rh_percent"]))


def test_weighings_of_water_become_the_references_volumes() -> None:
    data = ENTRIES["g.cal.data"]
    z = z_factor_ml_per_g(22.0)
    # The table's Z is rounded to 1.0033: 0.002 % of 72 mL are 0.0014 mL.
    hold("g.cal.data", [each * z for each in data["inputs"]["m_g"]], {"abs": 0.0025})


def test_a_stock_is_its_mass_over_its_density_but_for_the_air() -> None:
    # Without the air 1 g of a stock of 1.0811 kg/L is 0.92498 mL; the air bears up a thousandth.
    assert stock_ml_per_g(1.0811) == pytest.approx(1 / 1.0811, rel=1.2e-3)
    assert stock_ml_per_g(1.0811) > 1 / 1.0811
    # h.cal_error: a stock weighed as if it were water is 8.11 % off.
    assert (ml_per_g(1.0, 0.0) / ml_per_g(1.0811, 0.0) - 1) * 100 == pytest.approx(
        ENTRIES["h.cal_error"]["value"], abs=0.1
    )


@pytest.mark.parametrize("water_c", [-1.0, 4.9, 40.1, 98.0])
def test_water_that_nobody_weighs_is_refused(water_c: float) -> None:
    with pytest.raises(ChemistryRefused, match="cannot be weighed"):
        z_factor_ml_per_g(water_c)


@pytest.mark.parametrize("density", [0.1, 0.94, 1.61, 1080.0])
def test_a_density_that_no_stock_has_is_refused(density: float) -> None:
    with pytest.raises(ChemistryRefused, match="no density of a stock"):
        stock_ml_per_g(density)


@pytest.mark.parametrize("runs", [[], [(10.0, 1.0)], [(10.0, 1.0), (20.0, 2.0)]])
def test_fewer_than_three_runs_fit_any_line(runs: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="no scatter"):
        fitted(runs)


def test_runs_of_one_length_have_no_line() -> None:
    with pytest.raises(ValueError, match="one length"):
        fitted([(10.0, 1.0), (10.0, 2.0), (10.0, 3.0)])


RUNS = st.lists(st.tuples(st.floats(1, 60), st.floats(-20, 20)), min_size=4, max_size=12)


@given(RUNS, st.floats(5, 900), st.floats(-50, 50))
def test_the_line_comes_back_and_no_other_line_lies_nearer(
    points: list[tuple[float, float]], flow: float, lag: float
) -> None:
    if max(s for s, _ in points) - min(s for s, _ in points) < 0.5:
        return
    exact = fitted([(s, flow * s + lag) for s, _ in points])
    assert exact.flow_ul_per_s == pytest.approx(flow, rel=1e-6, abs=1e-6)
    assert exact.lag_ul == pytest.approx(lag, rel=1e-6, abs=1e-4)
    noisy = [(s, flow * s + lag + off) for s, off in points]
    fit = fitted(noisy)

    def squares(flow_: float, lag_: float) -> float:
        return math.fsum((v - flow_ * s - lag_) ** 2 for s, v in noisy)

    least = squares(fit.flow_ul_per_s, fit.lag_ul)
    for other in ((1.001, 0.0), (0.999, 0.0), (1.0, 0.1), (1.0, -0.1)):
        assert least <= squares(fit.flow_ul_per_s * other[0], fit.lag_ul + other[1]) + 1e-6
    assert math.fsum(fit.residuals_ul) == pytest.approx(0, abs=1e-6)


@given(st.integers(50, 50_000), st.floats(10, 900), st.floats(-40, 40))
def test_microlitres_to_seconds_and_back_come_back(volume_ul: int, flow: float, lag: float) -> None:
    line = Fit(flow, lag, 0, 0, 0, (0, 0, 0), 1, 1).flow
    run_s = run_s_from_volume(volume_ul, line)
    if run_s > 0:
        assert volume_ul - 1 - flow / 1000 <= volume_ul_from_run_s(run_s, line) <= volume_ul + 1
