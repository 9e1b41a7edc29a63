"""What a plan alone does not show: days that cannot be laid, limits that would refuse planned doses, warnings."""

from __future__ import annotations

from datetime import date, timedelta
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from dosingd.checking import Look, days_worth_laying, figures, hours_until_low, look, not_acted_on
from dosingd.checking.days import nominal_flows, volumes_ul
from dosingd.daily import plan_strengths
from dosingd.plan import Plan, read_plan
from dosingd.timetable import Dose, day_bounds, lay_day
from tests.plan.edits import edited

CONFIG = Path(__file__).parents[2] / "config"


def looked_at(edit: dict[object, str | None]) -> Look:
    return look(*read_plan(edited(edit), "plan.yaml"))


def places(found: tuple[object, ...]) -> list[tuple[int, int, str]]:
    return [(fault.line, fault.column, fault.path) for fault in found]  # type: ignore[attr-defined]


# -- days ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("timezone", "hours"),
    [
        ("UTC", {24.0}),
        ("Asia/Kolkata", {24.0}),
        ("Europe/Lisbon", {23.0, 24.0, 25.0}),
        ("America/New_York", {23.0, 24.0, 25.0}),
        ("Australia/Lord_Howe", {23.5, 24.0, 24.5}),  # half an hour of summer time
    ],
)
def test_a_plan_is_tried_on_every_kind_of_day_of_its_zone(timezone: str, hours: set[float]) -> None:
    found = set()
    for days in days_worth_laying(timezone):
        assert [later - earlier for earlier, later in pairwise(days)] == [timedelta(1)] * 2
        for day in days:
            start_at, end_at = day_bounds(day, ZoneInfo(timezone))
            found.add((end_at - start_at).total_seconds() / 3600)
    assert found == hours


def test_a_day_that_cannot_be_laid_is_a_fault_with_its_cure() -> None:
    seen = looked_at({69: "  - {between: [alk, ca], gap: 40 min}"})
    assert places(seen.faults) == [(26, 1, "channels")]
    assert "gap" in seen.faults[0].message
    assert seen.channels["alk"].smallest_day_limit_ml is None


def test_a_day_that_cannot_be_laid_only_when_it_is_short_is_a_fault_too() -> None:
    # 47 gaps of 29 min, half a gap at both midnights and the runs need 23 h 21 min: a day of 23 hours has no room.
    edit: dict[object, str | None] = {31: None, 32: None, 71: None, 72: None, 3: None}
    edit |= {69: "  - {between: [alk, ca], gap: 29 min}", 70: None}
    seen = looked_at(edit)
    assert len(seen.faults) == 1
    assert "on 2026-03-29" in seen.faults[0].message
    assert not looked_at(edit | {2: "timezone: UTC"}).faults


# -- limits -------------------------------------------------------------------------------------------------------


def test_a_day_limit_that_a_crowded_window_would_pass_is_a_fault() -> None:
    # 95 % of 67.9 mL within an hour: 64.5 mL of which the bucket holds 115/4 = 28.75 mL and earns 3.6 mL.
    seen = looked_at(
        {
            31: "    when:",
            32: '      - {from: "21:00", to: "22:30", share: 95 %}',
            69: "  - {between: [alk, ca], gap: 1 min}",
            50: "    doses: 12",
            52: "    limits: {dose: 6 mL, day: 115 mL, rise: 15 mg/L}",
        }
    )
    assert places(seen.faults)[0] == (39, 12, "channels.alk.limits.day")
    assert "67.9 mL a day in 24 doses" in seen.faults[0].message
    raised = float(seen.faults[0].message.split("Raise it to ")[1].split(" mL")[0])
    mended = looked_at(
        {
            31: "    when:",
            32: '      - {from: "21:00", to: "22:30", share: 95 %}',
            69: "  - {between: [alk, ca], gap: 1 min}",
            50: "    doses: 12",
            52: "    limits: {dose: 6 mL, day: 115 mL, rise: 15 mg/L}",
            39: f"      day: {raised} mL",
            40: None,
            41: "      rise: 20 dKH",
        }
    )
    assert not mended.faults


def test_a_run_and_a_rise_limit_that_a_crowded_window_would_pass_are_faults() -> None:
    edit: dict[object, str | None] = {
        32: '      - {from: "21:00", to: "22:30", share: 95 %}',
        39: "      day: 300 mL",
        40: "      run: 12 min",  # 64.5 mL run 258 s: a quarter of the limit is 180 s, and 90 minutes earn 33 s
        50: "    doses: 12",
        52: "    limits: {dose: 6 mL, day: 115 mL, rise: 15 mg/L}",
        69: "  - {between: [alk, ca], gap: 1 min}",
    }
    seen = looked_at(edit)
    assert places(seen.faults) == [(40, 12, "channels.alk.limits.run"), (41, 13, "channels.alk.limits.rise")]
    assert not looked_at(edit | {40: None, 41: "      rise: 20 dKH"}).faults


def test_the_smallest_day_limit_is_what_a_day_earns_or_four_doses() -> None:
    shown = looked_at({}).channels
    # Even doses: a mean day must be earned in a day, 3/4 of the limit in 87,000 s.
    assert shown["alk"].smallest_day_limit_ml == pytest.approx(
        shown["alk"].daily_ml / (0.75 * 86_400 / 87_000), rel=1e-3
    )
    # Two doses of 1.512 mL: the bucket must hold one, and what half a second more of 250 µL/s would give.
    assert shown["mg"].smallest_day_limit_ml == pytest.approx(4 * (1.512 + 0.125), rel=1e-3)


def test_the_figures_are_those_reckoned_by_hand() -> None:
    shown = looked_at({}).channels["alk"]
    # Soda: 190 g * 0.985 / 105.988 g/mol * 2 eq / 2 L = 1.7658 eq/L.
    # 1.2 dKH of 280 L: 1.2 * 20 / 56.077 * 280 = 119.84 meq.
    assert shown.daily_ml == pytest.approx(119.84 / 1.7658, rel=1e-4)
    assert shown.daily_change is not None
    assert shown.daily_change[0] == pytest.approx(1.2)
    assert shown.day_limit_ml == 115
    # 15 mL a minute: 26.49 meq in 280 L are 0.0946 meq/L, 0.265 dKH. Two litres: 3,531 meq, 35.4 dKH.
    assert shown.per_minute_stuck_on == pytest.approx(0.2652, rel=1e-3)
    assert shown.reservoir_change is not None
    assert shown.reservoir_change[0] == pytest.approx(35.36, rel=1e-3)
    assert shown.daily_change[1] == shown.reservoir_change[1] == "dKH"
    assert shown.full_days == pytest.approx(1900 / 67.87, rel=1e-3)
    other = looked_at({}).channels["tr"]
    assert (other.daily_ml, other.daily_change, other.per_minute_stuck_on) == (2, None, None)


def test_the_hours_until_alkalinity_is_low_follow_from_the_plan() -> None:
    plan, _ = read_plan(edited({}), "plan.yaml")
    assert hours_until_low(plan) == pytest.approx(1.5 / 1.2 * 24)


# -- warnings -----------------------------------------------------------------------------------------------------


def warned(edit: dict[object, str | None], word: str) -> list[tuple[int, int, str]]:
    seen = looked_at(edit)
    assert not seen.faults
    return places(tuple(warning for warning in seen.warnings if word in warning.message))


def test_what_nothing_acts_on_yet_is_said_where_it_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    # Every setting has its part by now, so three stand in for those that come.
    coming = (("alarm_output", "no lamp"), ("mqtt.tls", "no tls"), ("channels.*.line", "no line"))
    monkeypatch.setattr(import_module("dosingd.checking.warnings"), "NOT_ACTED_ON_YET", coming)
    edit: dict[object, str | None] = {53: "    reservoir: {holds: 2 L}\n    line: 3 mL"}
    lines = [(46, 11), (54, 11), (78, 1), (81, 8)]
    assert [place[:2] for place in warned(edit, "not acted on yet")] == lines
    found = places(not_acted_on(*read_plan(edited(edit), "plan.yaml")))
    assert sorted(place[2] for place in found) == ["alarm_output", "channels.alk.line", "channels.ca.line", "mqtt.tls"]


def test_a_plan_with_every_setting_is_acted_on_in_full() -> None:
    assert warned({}, "not acted on yet") == []
    assert places(not_acted_on(*read_plan(edited({}), "plan.yaml"))) == []


@pytest.mark.parametrize(
    ("edit", "word", "expected"),
    [
        ({}, "at once would add 35.4 dKH", [(43, 14, "channels.alk.reservoir.holds")]),
        ({}, "a pump stuck on adds 0.27 dKH a minute", [(43, 14, "channels.alk.reservoir.holds")]),
        ({43: "      holds: 150 mL"}, "dKH to the tank", []),
        ({}, "at once would add 253 mg/L", [(53, 24, "channels.ca.reservoir.holds")]),
        ({76: None}, "no keep_alive", [(1, 1, "keep_alive")]),
        ({}, "no keep_alive", []),
        (
            {13: "      sodium carbonate: {mass: 190 g}"},
            "assay is not said",
            [(13, 7, "stocks.soda.salts.sodium carbonate")],
        ),
        ({}, "assay is not said", []),
        ({14: "    made_up_to: 1.3 L"}, "what dissolves at 14 degC", [(12, 5, "stocks.soda.salts")]),
        ({}, "what dissolves", []),
        (
            {19: "      calcium chloride dihydrate: {mass: 330 g, assay: 78 %}"},
            "sold as flakes?",
            [(19, 7, "stocks.chloride.salts.calcium chloride dihydrate")],
        ),
        (
            {19: "      Calcium Chloride Dihydrate: {mass: 330 g, assay: 79.9 %}"},
            "sold as flakes?",
            [(19, 7, "stocks.chloride.salts.Calcium Chloride Dihydrate")],
        ),
        ({19: "      calcium chloride dihydrate: {mass: 330 g, assay: 80 %}"}, "flakes", []),
        ({34: "      gpio: 4"}, "pulled up", [(34, 13, "channels.alk.pump.gpio")]),
        ({34: "      gpio: 9"}, "pulled up", []),
        ({34: "      gpio: 14"}, "serial", [(34, 13, "channels.alk.pump.gpio")]),
        ({51: "    pump: {gpio: 15, nominal_flow: 15 mL/min}"}, "serial", [(51, 18, "channels.ca.pump.gpio")]),
        ({45: "      warn: 30 days"}, "lasts 28 days", [(45, 13, "channels.alk.reservoir.warn")]),
        ({}, "called low from the start", []),
        ({39: "      day: 700 mL"}, "guards little", [(39, 12, "channels.alk.limits.day")]),
        ({39: "      day: 600 mL"}, "guards little", []),
        ({41: "      rise: 13 dKH"}, "guards little", [(41, 13, "channels.alk.limits.rise")]),
        ({41: "      rise: 12 dKH"}, "guards little", []),
        ({69: "  - {between: [alk, ca], gap: 9 min}"}, "is short", [(69, 31, "apart[0].gap")]),
        ({69: "  - {between: [alk, ca], gap: 10 min}"}, "is short", []),
        ({70: "  - {between: [alk, mg], gap: 1 min}"}, "is short", []),
        ({57: "    doses: 400", 70: None}, "runs only 30.2 ms", [(57, 12, "channels.mg.doses")]),
        ({57: "    doses: 240", 70: None}, "runs only", []),  # 3.024 mL / 240 / 0.25 mL/s = 50.4 ms
        (
            {
                23: "    salts: {magnesium chloride hexahydrate: {mass: 400 g}, "
                "calcium chloride dihydrate: {mass: 20 g}}\n"
                "    made_up_to: 2 L",
                70: None,
            },
            "holds calcium and soda alkalinity",
            [(56, 12, "channels.mg.stock")],
        ),
        ({70: None}, "holds calcium", []),
        ({49: "    daily: 5 mg/L"}, "58 % of what goes with", [(49, 12, "channels.ca.daily")]),
        ({49: "    daily: 8 mg/L"}, "of what goes with", []),
        ({80: "  tls: false", 83: None}, "password crosses", [(81, 13, "mqtt.username")]),
        ({83: "  port: 1883"}, "port without tls", [(83, 9, "mqtt.port")]),
        ({80: "  tls: false", 83: "  port: 8883"}, "port with tls", [(83, 9, "mqtt.port")]),
    ],
)
def test_a_careful_keeper_is_warned(
    edit: dict[object, str | None], word: str, expected: list[tuple[int, int, str]]
) -> None:
    assert warned(edit, word) == expected


# -- the plans that are handed out ----------------------------------------------------------------------------------


class Allowance:
    """A limit per 24 h as the rules tell it, in plain floats: a quarter of it at most, three quarters in 87,000 s."""

    def __init__(self, limit: float) -> None:
        self.limit, self.level, self.at = limit, limit / 4, 0.0

    def take(self, at: float, given: float, reserved: float) -> bool:
        self.level = min(self.limit / 4, self.level + (at - self.at) * 0.75 * self.limit / 87_000)
        self.at = at
        fits = reserved <= self.level
        self.level -= given
        return fits


def _year(plan: Plan) -> list[Dose]:
    zone, flows, strengths = ZoneInfo(plan.timezone), nominal_flows(plan), plan_strengths(plan)
    days = [date(2027, 1, 1) + timedelta(number) for number in range(365)]
    return [dose for day in days for dose in lay_day(plan, day, volumes_ul(plan, strengths, day), flows, zone)]


@pytest.mark.parametrize("name", ["lagoon.yaml", "smallest.yaml"])
def test_a_plan_that_is_handed_out_gives_all_its_doses_for_a_year(name: str) -> None:
    plan, marks = read_plan((CONFIG / name).read_bytes(), name)
    assert not look(plan, marks).faults
    strengths = plan_strengths(plan)
    doses = _year(plan)
    assert len(doses) == 365 * sum(channel.doses for channel in plan.channels.values())
    first = doses[0].due_at
    for channel, item in plan.channels.items():
        strength = strengths[channel]
        assert strength is not None
        per_ul = strength.of(plan.stock_of(channel).gives)
        volume, motor = Allowance(item.limits.day_ul), Allowance(item.limits.run_s)
        change = Allowance(item.limits.rise_umol or 0)
        for dose in doses:
            if dose.channel != channel:
                continue
            at = (dose.due_at - first).total_seconds()
            reserved = dose.volume_ul + item.pump.nominal_ul_per_s * 0.5 + 1
            assert item.pump.smallest_ul <= dose.volume_ul <= item.limits.dose_ul
            assert volume.take(at, dose.volume_ul, reserved), (channel, dose.due_at)
            assert motor.take(at, dose.run_s, dose.run_s + 0.5), (channel, dose.due_at)
            assert change.take(at, dose.volume_ul * per_ul, reserved * per_ul), (channel, dose.due_at)


def test_the_handed_out_plans_are_warned_only_of_what_only_hardware_cures() -> None:
    for name in ("lagoon.yaml", "smallest.yaml"):
        plan, marks = read_plan((CONFIG / name).read_bytes(), name)
        for warning in look(plan, marks).warnings:
            assert "keep_alive" in warning.message or "cut-off" in warning.message, warning


def test_figures_are_known_before_a_day_is_laid() -> None:
    plan, _ = read_plan(edited({}), "plan.yaml")
    assert figures(plan)["alk"].smallest_day_limit_ml is None
