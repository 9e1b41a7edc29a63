"""A plan without faults reads to the values that a keeper would reckon by hand."""

from __future__ import annotations

import hashlib
from datetime import time
from pathlib import Path

import pytest
from attrs.exceptions import FrozenInstanceError

from dosingd.plan import Plan, read_plan
from dosingd.plan.amounts import CURE, DEPTH, EARNED_IN_A_DAY, LONGEST_RUN_S
from dosingd.plan.model import DailyChange, DailyVolume, Follows, LocalSpan, WithoutClock
from dosingd.plan.plausible import PLAUSIBLE
from dosingd.plan.shape import SHAPE, Either, Group, Named, One, Several, Shape
from tests.plan.edits import edited

CONFIG = Path(__file__).parents[2] / "config"

# Abridged standard atomic weights, IUPAC 2021 (Pure Appl. Chem. 94, 573): Na 22.990, C 12.011, O 15.999, Ca 40.078,
# Cl 35.45, H 1.008, Mg 24.305.
NA2CO3 = 2 * 22.990 + 12.011 + 3 * 15.999
CACL2_2H2O = 40.078 + 2 * 35.45 + 2 * (2 * 1.008 + 15.999)
NAHCO3 = 22.990 + 1.008 + 12.011 + 3 * 15.999
CAO = 40.078 + 15.999
MEQ_PER_DKH = 20 / CAO  # 1 dKH is 10 mg CaO per litre, two equivalents a mole


def read(edit: dict[int, str | None]) -> Plan:
    return read_plan(edited(edit), "plan.yaml")[0]


@pytest.fixture(scope="module")
def lagoon() -> Plan:
    return read_plan((CONFIG / "lagoon.yaml").read_bytes(), "lagoon.yaml")[0]


def test_the_strength_of_soda_is_mass_times_assay_over_formula_mass_and_volume(lagoon: Plan) -> None:
    strength = lagoon.stocks["soda"].strength
    assert strength is not None
    assert strength.alkalinity_eq_per_l == pytest.approx(190 * 0.985 / NA2CO3 * 2 / 2, rel=1e-9)
    assert strength.calcium_mol_per_l == 0


def test_the_strength_of_calcium_chloride_counts_its_water(lagoon: Plan) -> None:
    strength = lagoon.stocks["chloride"].strength
    assert strength is not None
    assert strength.calcium_mol_per_l == pytest.approx(263 * 0.987 / CACL2_2H2O / 2, rel=1e-9)


def test_a_strength_in_grams_per_litre_is_of_the_element(lagoon: Plan) -> None:
    strength = lagoon.stocks["magnesium"].strength
    assert strength is not None
    assert strength.magnesium_mol_per_l == pytest.approx(30 / 24.305, rel=1e-9)


def test_a_daily_change_is_of_the_whole_tank(lagoon: Plan) -> None:
    daily = lagoon.channels["alk"].daily
    assert isinstance(daily, DailyChange)
    assert daily.change_umol == pytest.approx(1.2 * MEQ_PER_DKH * 280 * 1000, rel=1e-9)


def test_followers_are_balanced_or_so_much_for_each_dkh(lagoon: Plan) -> None:
    assert lagoon.channels["ca"].daily == Follows("alk", None)
    magnesium = lagoon.channels["mg"].daily
    assert isinstance(magnesium, Follows)
    # 0.27 mg/L are 0.27 / 24.305 mmol/L, for 1 dKH of 0.35665 meq/L.
    assert magnesium.per_meq_umol == pytest.approx(0.27 / 24.305 / MEQ_PER_DKH * 1000, rel=1e-9)


def test_the_settings_of_the_example_plan_are_kept_in_inside_units(lagoon: Plan) -> None:
    assert (lagoon.rig, lagoon.timezone) == ("lagoon", "Europe/Lisbon")
    assert (lagoon.tank.water_l, lagoon.tank.salinity, lagoon.tank.temperature_c) == (280, 35, 25.5)
    alk = lagoon.channels["alk"]
    assert (alk.doses, alk.pump.gpio, alk.pump.nominal_ul_per_s, alk.pump.smallest_ul) == (24, 17, 250, 500)
    assert (alk.limits.dose_ul, alk.limits.day_ul) == (4_500, 115_000)
    assert alk.limits.rise_umol == pytest.approx(2.0 * MEQ_PER_DKH * 280 * 1000, rel=1e-9)
    assert (alk.reservoir.holds_ul, alk.reservoir.reserve_ul, alk.reservoir.warn_days) == (2_000_000, 100_000, 7)
    assert [(window.span, window.share) for window in alk.when] == [(LocalSpan(time(21), time(9)), 0.6)]
    assert lagoon.quiet == (LocalSpan(time(19), time(19, 30)),)
    assert (lagoon.gap_s("alk", "ca"), lagoon.gap_s("mg", "alk"), lagoon.gap_s("ca", "mg")) == (1200, 1200, 0)


def test_the_run_limit_is_twice_the_day_limit_at_the_nominal_flow_when_not_said(lagoon: Plan) -> None:
    assert lagoon.channels["alk"].limits.run_s == pytest.approx(2 * 115 / (15 / 60))
    assert read({}).channels["alk"].limits.run_s == 900


def test_what_a_plan_leaves_out_has_its_default() -> None:
    plan, _ = read_plan((CONFIG / "smallest.yaml").read_bytes(), "smallest.yaml")
    alk = plan.channels["alk"]
    assert (plan.tank.salinity, plan.tank.temperature_c, plan.tank.co2_ppm) == (35, 25, None)
    assert (alk.pump.smallest_ul, alk.pump.speed, alk.when, alk.line_ul) == (1, None, (), None)
    assert (alk.reservoir.reserve_ul, alk.reservoir.warn_days) == (25_000, 7)  # 5 % of 500 mL
    assert plan.stocks["soda"].coldest_c == 20
    assert (plan.clock.rtc, plan.clock.without, plan.mqtt) == (False, WithoutClock.HALF, None)


@pytest.mark.parametrize(
    ("clock", "quiet", "without"),
    [
        (None, None, WithoutClock.HALF),
        (None, "quiet:", WithoutClock.NONE),
        ("clock: {rtc: true}", "quiet:", WithoutClock.NONE),
        ("clock: {without: half}", "quiet:", WithoutClock.HALF),
        ("clock: {without: none}", None, WithoutClock.NONE),
    ],
)
def test_a_plan_with_quiet_times_waits_for_the_clock_unless_it_says_otherwise(
    clock: str | None, quiet: str | None, without: WithoutClock
) -> None:
    edit: dict[int, str | None] = {3: clock, 71: quiet}
    if quiet is None:
        edit[72] = None
    assert read(edit).clock.without is without


@pytest.mark.parametrize(
    ("tls", "port", "expected"),
    [
        (None, None, (1883, False, None)),
        ("  tls: false", None, (1883, False, None)),
        ("  tls: true", None, (8883, True, None)),
        ("  tls: {ca: /etc/ca.pem}", None, (8883, True, "/etc/ca.pem")),
        ("  tls: true", "  port: 1234", (1234, True, None)),
    ],
)
def test_the_brokers_port_follows_tls(
    tls: str | None, port: str | None, expected: tuple[int, bool, str | None]
) -> None:
    broker = read({80: tls, 83: port}).mqtt
    assert broker is not None
    assert (broker.port, broker.tls, broker.ca_file) == expected


def test_orders_are_off_unless_they_are_listed() -> None:
    for text, orders in (
        (None, ()),
        ("  orders: false", ()),
        ("  orders: {allow: [hold, dose]}", ("hold", "dose")),
    ):
        broker = read({83: text}).mqtt
        assert broker is not None
        assert broker.orders == orders


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST", "127.0.0.1", "127.8.9.10"])
def test_orders_need_no_tls_on_this_machine(host: str) -> None:
    broker = read({79: f"  host: {host}", 80: "  tls: false"}).mqtt
    assert broker is not None
    assert (broker.orders, broker.tls) == (("hold",), False)


def test_inputs_and_outputs_keep_their_lines() -> None:
    plan = read({53: "    reservoir: {holds: 2 L, float: {gpio: 23, low_when: open}}", 36: "      speed: 60 %"})
    assert {name: (item.gpio, item.when_closed) for name, item in plan.inputs.items()} == {
        "circulation": (6, True),
        "leak": (13, True),
    }
    assert (plan.keep_alive_gpio, plan.alarm_output_gpio) == (5, 26)
    low = plan.channels["ca"].reservoir.float_
    assert low is not None
    assert (low.gpio, low.low_when_open, plan.channels["alk"].pump.speed) == (23, True, 0.6)


@pytest.mark.parametrize(
    ("line", "alkalinity_eq_per_l"),
    [
        # 0.05 dKH in 100 L from 1 mL: 0.05 * 0.35665 meq/L * 100 L in a mL are 1.783 eq/L.
        ("    label: {adds: 0.05 dKH, per: 1 mL, to: 100 L}", 0.05 * MEQ_PER_DKH * 100),
        ("    strength: {label: {adds: 0.05 dKH, per: 1 mL, to: 100 L}}", 0.05 * MEQ_PER_DKH * 100),
        ("    strength: {alkalinity: 1.8 eq/L}", 1.8),
        ("    strength: {alkalinity: 1800 meq/L}", 1.8),
        # Baking keeps the alkalinity of the bicarbonate: one equivalent a mole.
        ("    salts: {baked soda: {bicarbonate: 301 g, assay: 99 %}}\n    made_up_to: 2 L", 301 * 0.99 / NAHCO3 / 2),
        ("    salts: {sodium carbonate: {mass: 190 g, purity: 98.5 %}}\n    made_up_to: 2 L", 190 * 0.985 / NA2CO3),
        ("    salts: {sodium carbonate: {mass: 190 g}}\n    made_up_to: 2 L", 190 / NA2CO3),
    ],
)
def test_a_stock_tells_its_strength_in_several_ways(line: str, alkalinity_eq_per_l: float) -> None:
    strength = read({12: line, 13: None, 14: None}).stocks["soda"].strength
    assert strength is not None
    assert strength.alkalinity_eq_per_l == pytest.approx(alkalinity_eq_per_l, rel=1e-9)


@pytest.mark.parametrize(
    ("edit", "channel", "daily"),
    [
        ({29: "    daily: 68 mL"}, "alk", DailyVolume(68_000)),
        ({49: "    daily: 67866.9 uL"}, "ca", DailyVolume(67_866)),
        ({63: "    daily: 0.002 L"}, "tr", DailyVolume(2_000)),
    ],
)
def test_a_daily_volume_is_whole_microlitres_rounded_down(
    edit: dict[int, str | None], channel: str, daily: DailyVolume
) -> None:
    assert read(edit).channels[channel].daily == daily


def test_the_same_change_in_another_unit_is_the_same_plan() -> None:
    # 1.2 dKH are 1.2 * 20 / 56.077 meq/L; CaCO3 is 100.086 g/mol, two equivalents.
    for text in (f"{1.2 * MEQ_PER_DKH:.9f} meq/L", f"{1.2 * MEQ_PER_DKH * 100.086 / 2:.9f} mg/L CaCO3"):
        daily = read({29: f"    daily: {text}"}).channels["alk"].daily
        assert isinstance(daily, DailyChange)
        assert daily.change_umol == pytest.approx(1.2 * MEQ_PER_DKH * 280 * 1000, rel=1e-7)


def test_a_stock_that_nobody_uses_is_allowed() -> None:
    assert "spare" in read({25: "    gives: other\n  spare: {gives: other}"}).stocks


def test_a_follower_may_give_the_same_as_its_leader() -> None:
    edit: dict[int, str | None] = {62: "    stock: soda", 63: "    daily: {follows: alk}", 64: "    doses: 96"}
    edit |= {
        66: "    limits: {dose: 1 mL, day: 110 mL, rise: 4 dKH}",
        41: "      rise: 4 dKH",
        67: "    reservoir: {holds: 1 L}",
    }
    edit |= {70: "  - {between: [alk, mg], gap: 20 min}\n  - {between: [tr, ca], gap: 1 min}"}
    assert read(edit).channels["tr"].daily == Follows("alk", None)


def test_a_whole_day_may_be_a_window_and_midnight_is_written_24_00() -> None:
    window = read({32: '      - {from: "00:00", to: "24:00", share: 100 %}'}).channels["alk"].when[0]
    assert window.span == LocalSpan(time(0), time(0))


def test_the_digest_is_of_the_files_bytes() -> None:
    text = edited({})
    assert read_plan(text, "plan.yaml")[0].sha256 == hashlib.sha256(text).hexdigest()
    assert read_plan(text + b"\n# a note\n", "plan.yaml")[0].sha256 != hashlib.sha256(text).hexdigest()


def test_a_plan_cannot_be_changed(lagoon: Plan) -> None:
    with pytest.raises(FrozenInstanceError):
        lagoon.rig = "other"  # type: ignore[misc]


def test_comments_quotes_and_line_ends_of_other_systems_change_nothing() -> None:
    plain = read({})
    windows = read_plan(edited({}).replace(b"\n", b"\r\n"), "plan.yaml")[0]
    quoted = read(
        {29: '    daily: "1.2 dKH"   # as the test kit says', 2: "timezone: 'Europe/Lisbon'", 1: "---\nrig: lagoon"}
    )
    assert windows.channels == plain.channels == quoted.channels


def test_a_mark_is_the_value_or_the_key_of_a_group_or_what_stands_above() -> None:
    _, marks = read_plan(edited({}), "plan.yaml")
    assert marks.at("channels.alk.limits.day") == (39, 12)
    assert marks.at("channels.alk.limits") == (37, 5)
    assert marks.at("channels.ca.limits.run") == (52, 5)  # not said: its group
    assert marks.at("channels.alk.when[0].share") == (32, 45)
    assert marks.at("apart[1]") == (70, 5)
    assert marks.at("nowhere.at.all") == (1, 1)
    assert marks.fault("tank.water", "x").text("p.yaml") == "p.yaml:5:10: tank.water: x"


def test_the_arithmetic_of_the_rules_is_that_of_the_allowance_and_the_leases() -> None:
    from dosingd.allowance import FILL_SPAN_MS, day_bucket
    from dosingd.gate import LONGEST_LEASE_S
    from dosingd.leases import LEASE_MARGIN_S

    assert LONGEST_RUN_S == LONGEST_LEASE_S - LEASE_MARGIN_S
    bucket = day_bucket(100_000, 0)
    assert bucket.depth_m == 100_000 * 1000 * DEPTH
    assert pytest.approx(bucket.fill_m * 86_400_000 / FILL_SPAN_MS / 100_000_000) == EARNED_IN_A_DAY
    assert CURE < EARNED_IN_A_DAY


def _patterns(shape: Shape, pattern: str) -> set[str]:
    match shape:
        case One():
            return {pattern}
        case Either():
            return {pattern, *_patterns(shape.group, pattern)}
        case Named() | Several():
            return _patterns(shape.each, pattern + (".*" if isinstance(shape, Named) else "[]"))
        case Group():
            return {
                found
                for key, (_, below) in shape.settings.items()
                for found in _patterns(below, f"{pattern}.{key}" if pattern else key)
            }


def test_every_plausible_range_belongs_to_a_setting_and_is_a_range() -> None:
    patterns = _patterns(SHAPE, "")
    for key, span in PLAUSIBLE.items():
        assert key.split(" as ")[0] in patterns, key
        low, high = span.inside
        assert low < high, key
        assert span.holds(low), key
        assert span.holds(high), key
        assert not span.holds(high * 1.001 + 1e-9), key
        assert not span.holds(low - abs(low) * 0.001 - 1e-9), key
