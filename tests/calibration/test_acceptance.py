"""Which test runs are believed. Flows are invented; the pump is rated at 6 mL/min, 100 µL/s."""

from __future__ import annotations

import json

import pytest
from attrs import evolve

from dosingd.acceptance import Measured, judged, planned_dose_ul, verdict_data
from dosingd.fitting import Run, fitted
from dosingd.flows import head_of, valid_calibration
from dosingd.plan.model import DailyVolume, Plan
from dosingd.records import Calibrated, CalibrationDoubted, Into, Purpose, Refilled, Retubed, Stamp
from dosingd.testruns import GOOD_LONG_S, LONGEST_TEST_S, Lengths, lengths_for, swapped
from dosingd.tubing import STEPS_KEPT
from tests.builders import ALK, Story, channel, limited, plan

PLAN = plan()
LENGTHS = (10.0, 30.0, 12.0, 28.0)


def runs(flow: float = 100.0, lag: float = 0.0, off: tuple[float, ...] = (3, -5, -4, 6)) -> tuple[Run, ...]:
    """Four runs with some scatter."""
    return tuple((seconds, flow * seconds + lag + each) for seconds, each in zip(LENGTHS, off, strict=True))


def doubt(of: Story) -> CalibrationDoubted | None:
    return of.books.tubing_of("alk").doubted


def verdict(of: Story, *found: Run, source: str = "declared") -> str | None:
    """What becomes of runs; booked where the verdict says so. None: accepted."""
    said = judged(of.plan, of.books, "alk", Measured(tuple(found), source))
    if said.event is not None:
        of.tell(said.event)
    assert said.accepted is (said.code is None) is (said.reason is None)
    return said.code


def test_good_runs_are_a_calibration_with_all_that_was_found() -> None:
    of = Story(PLAN, calibrated=False)
    said = judged(PLAN, of.books, "alk", Measured(runs(), "measured", water_c=22.0))
    assert said.accepted
    event = said.event
    fit = fitted(runs())
    assert event == Calibrated(
        "alk",
        fit.flow_ul_per_s,
        fit.lag_ul,
        runs(),
        "measured",
        head_of(ALK),
        fit.flow_error_ul_per_s,
        fit.lag_error_ul,
        fit.residual_rms_ul,
        said.interval95_percent,
        1000,
        22.0,
        None,
    )


def test_the_interval_is_of_the_dose_that_the_plan_asks_for() -> None:
    of = Story(PLAN, calibrated=False)
    said = judged(PLAN, of.books, "alk", Measured(runs(), "declared"))
    fit = fitted(runs())
    # 24 mL in 24 doses: 1 mL, which runs for (1000 - lag) / flow seconds.
    expected = fit.half_interval_ul((1000 - fit.lag_ul) / fit.flow_ul_per_s) / 1000 * 100
    assert said.dose_ul == 1000
    assert said.interval95_percent == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("daily", "doses", "expected"),
    [(DailyVolume(24_000), 12, 2000), (DailyVolume(1_000), 24, 200), (DailyVolume(0), 1, 5000)],
)
def test_the_planned_dose_is_the_day_over_its_doses(daily: DailyVolume, doses: int, expected: int) -> None:
    # No less than the smallest (200 µL); of a channel that is never dosed the largest that is allowed (5 mL).
    of = plan(channel("alk", daily=daily, doses=doses))
    assert planned_dose_ul(of, Story(of).books, "alk") == expected


# -- what is refused -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("found", "code", "words"),
    [
        ((), "too-few", "0 of at least 3 runs"),
        (runs()[:2], "too-few", "2 of at least 3 runs"),
        (((10, 1000), (10, 1010), (10, 990)), "one-length", "10.00 to 10.00 s"),
        (((10, 1000), (11, 1090), (10.4, 1045)), "one-length", "one length"),
        (((10, 1000), (30, 3000), (30, 0)), "not-positive", "0.000 mL"),
        (((10, 1000), (30, 3000), (-30, 3000)), "not-positive", "-30.00 s"),
        (((10, 1000), (30, 3000), (float("nan"), 3000)), "not-positive", "none"),
        (((10, 1000), (30, float("inf")), (30, 3000)), "not-positive", "none"),
        (((10, 1000), (20, 20_000), (30, 3000)), "residuals", "do not lie on a line"),
        (((0.9, 90), (20, 2000), (30, 3000)), "too-short", "0.9 s that gave 0.09 mL"),
        (((10, 1000), (20, 2000), (30, 49)), "too-short", "1 s and 0.05 mL are the least"),
        (((0.0001, 0.01), (0.0002, 0.02), (0.0003, 0.03)), "too-short", "0.0001 s that gave 0.00001 mL"),
        (((10, 3000), (20, 2000), (30, 1000)), "reversed", "more time gave less"),
        (runs(1000.0), "nominal-flow", "times the pump's nominal flow"),
        (runs(10.0, off=(0, 0, 0, 0)), "nominal-flow", "minutes for seconds"),
        (runs(49.0), "nominal-flow", "half to twice"),
        (runs(205.0), "nominal-flow", "half to twice"),
        (runs(100.0, 350.0), "lag", "cup's own weight"),
        (runs(100.0, -350.0), "lag", "line full"),
        (((20, 2040), (20, 1960), (25, 2560), (25, 2440)), "residuals", "known to 14 %"),
    ],
)
def test_what_cannot_be_is_refused_with_its_reason_and_nothing_is_booked(
    found: tuple[Run, ...], code: str, words: str
) -> None:
    of = Story(PLAN, calibrated=False)
    said = judged(PLAN, of.books, "alk", Measured(found, "declared"))
    assert (said.accepted, said.code, said.event) == (False, code, None)
    assert said.reason is not None
    assert words in said.reason
    assert said.reason.startswith("alk: ")


SLIPPED = {
    # One figure typed for ten times of it or a tenth, half or twice: the others lie on a line without it.
    "in the middle": (((10, 1000), (20, 2600), (30, 3000), (25, 2500)), "20.00 s = 2.60 mL"),
    # The largest residual is that of the 30 s here, because the longest run draws the line to itself.
    "at the end": (((10, 1000), (20, 2000), (30, 3000), (60, 60_000)), "60.00 s = 60.00 mL"),
    "at the beginning": (((10, 10_000), (20, 2000), (30, 3000), (60, 6000)), "10.00 s = 10.00 mL"),
    "one of three": (((10, 1000), (20, 20_000), (30, 3000)), None),
    "one of two of a length": (((15, 3000), (50, 5000), (15, 1500), (50, 5000)), None),
    "several": (((10, 1000), (20, 4000), (30, 9000), (40, 2000)), None),
}


@pytest.mark.parametrize("slip", SLIPPED)
def test_the_run_without_which_the_others_lie_on_a_line_is_named_and_no_other(slip: str) -> None:
    found, odd = SLIPPED[slip]
    said = judged(PLAN, Story(PLAN, calibrated=False).books, "alk", Measured(found, "declared"))
    assert said.code == "residuals"
    assert said.reason is not None
    assert (f"The others do without {odd}." in said.reason) is (odd is not None)
    assert ("The others do without" in said.reason) is (odd is not None)


@pytest.mark.parametrize("lag", [600.0, -600.0])
def test_a_lag_of_more_than_half_of_a_planned_dose_is_refused(lag: float) -> None:
    # The planned dose is 1 mL. With 4 mL a dose the same lag is a part of it.
    of = Story(PLAN, calibrated=False)
    said = judged(PLAN, of.books, "alk", Measured(runs(200.0, lag, (0, 0, 0, 0)), "declared"))
    assert (said.accepted, said.code, said.event) == (False, "lag", None)
    assert said.reason is not None
    assert "more than half of a planned dose, 1.00 mL" in said.reason
    assert "cup dry" in said.reason
    fewer = plan(channel("alk", doses=6))
    assert judged(fewer, of.books, "alk", Measured(runs(200.0, lag, (0, 0, 0, 0)), "declared")).accepted


def test_a_refusal_says_what_was_booked_what_it_goes_on_with_and_what_is_next() -> None:
    of = Story(PLAN, calibrated=False)
    none = judged(PLAN, of.books, "alk", Measured(runs(1000.0), "declared")).reason or ""
    assert none.endswith(
        "Nothing was booked, and alk has no calibration that holds, so it does not dose. Next: dosingd calibrate alk"
    )
    assert verdict(of, *runs(100.0, off=(0, 0, 0, 0))) is None
    known = judged(PLAN, of.books, "alk", Measured(runs(1000.0), "declared")).reason or ""
    assert known.endswith(
        "Nothing was booked: alk goes on by its calibration of 2026-06-01, 6.00 mL/min. Next: dosingd calibrate alk"
    )
    far = judged(PLAN, of.books, "alk", Measured(runs(120.0), "declared"))
    assert far.reason is not None
    assert far.reason.endswith("These runs are kept. Next: dosingd calibrate alk")


@pytest.mark.parametrize(("flow", "lag"), [(51.0, 0.0), (199.0, 0.0), (100.0, 290.0), (100.0, -290.0)])
def test_what_can_just_be_is_accepted(flow: float, lag: float) -> None:
    assert verdict(Story(PLAN, calibrated=False), *runs(flow, lag, (0, 0, 0, 0))) is None


def test_a_pump_at_a_part_of_its_speed_is_held_to_that_part_of_its_nominal_flow() -> None:
    slow = plan(evolve(ALK, pump=evolve(ALK.pump, speed=0.3)))
    assert verdict(Story(slow, calibrated=False), *runs(30.0, off=(0, 0, 0, 0))) is None
    assert verdict(Story(slow, calibrated=False), *runs(100.0, off=(0, 0, 0, 0))) == "nominal-flow"


def test_a_slip_of_ten_in_every_run_or_in_one_never_passes() -> None:
    for factor in (0.1, 0.5, 2, 10, 100, -1, 0):
        every = tuple((seconds, volume * factor) for seconds, volume in runs())
        assert verdict(Story(PLAN), *every) is not None, factor
        for index in range(len(LENGTHS)):
            one = [(s, v * factor if place == index else v) for place, (s, v) in enumerate(runs())]
            assert verdict(Story(PLAN), *one) is not None, (factor, index)


# -- far off the last one ------------------------------------------------------------------------------------


def test_runs_far_off_the_last_ones_wait_for_a_second_set_that_agrees() -> None:
    of = Story(PLAN)
    assert verdict(of, *runs(100.0)) is None
    assert verdict(of, *runs(120.0)) == "second-set"
    known = valid_calibration(PLAN, of.books, "alk")
    assert known is not None
    assert known.event.flow_ul_per_s == pytest.approx(100, rel=0.01)  # doses go on by the last one
    doubted = doubt(of)
    assert doubted is not None
    assert doubted.runs == runs(120.0)  # kept with its runs
    assert "+20 % off the last calibration on this tubing" in doubted.reason
    assert verdict(of, *runs(122.0)) is None
    accepted = valid_calibration(PLAN, of.books, "alk")
    assert accepted is not None
    assert accepted.event.flow_ul_per_s == pytest.approx(122, rel=0.01)
    assert doubt(of) is None


def test_the_same_figures_typed_again_are_no_second_set() -> None:
    of = Story(PLAN)
    assert verdict(of, *runs(120.0)) == "second-set"
    again = tuple(reversed(runs(120.0)))
    assert verdict(of, *again) == "same-runs"
    first = doubt(of)
    assert first is not None
    assert first.runs == runs(120.0)


def test_a_second_set_that_agrees_with_neither_is_the_new_first_one() -> None:
    of = Story(PLAN)
    assert verdict(of, *runs(120.0)) == "second-set"
    assert verdict(of, *runs(130.0)) == "second-set"
    assert verdict(of, *runs(121.0)) == "second-set"
    assert verdict(of, *runs(121.5)) is None


def test_a_second_set_that_agrees_with_the_last_calibration_ends_the_doubt() -> None:
    of = Story(PLAN)
    assert verdict(of, *runs(120.0)) == "second-set"
    assert verdict(of, *runs(101.0)) is None
    assert doubt(of) is None


@pytest.mark.parametrize(("flow", "code"), [(114.0, None), (116.0, "second-set"), (86.0, None), (84.0, "second-set")])
def test_fifteen_percent_is_the_border(flow: float, code: str | None) -> None:
    assert verdict(Story(PLAN), *runs(flow, off=(0, 0, 0, 0))) == code


def line(flow: float, lag: float, *off: float) -> tuple[Run, ...]:
    """Six runs, three of each length, that scatter by up to 1 %."""
    each = zip((10.0, 30.0) * 3, off or (4, -9, -6, 8, 2, 1), strict=True)
    return tuple((seconds, flow * seconds + lag + more) for seconds, more in each)


@pytest.mark.parametrize(("lag", "code"), [(100, None), (-100, None), (250, "second-set"), (-250, "second-set")])
def test_a_lag_that_makes_another_dose_of_the_same_flow_waits_as_well(lag: float, code: str | None) -> None:
    # A line that was not full in the short runs, or a cup that was not dry: a planned dose is 1 mL, in 10 s.
    of = Story(PLAN, calibrated=False)
    assert verdict(of, *line(100.0, 0.0)) is None
    assert verdict(of, *line(101.0, lag)) == code
    if code is not None:
        first = doubt(of)
        assert first is not None
        assert f"{lag / 10 + 1:+.0f} % of a dose off the last calibration on this tubing" in first.reason
        assert verdict(of, *line(101.0, 0.0)) is None, "the former one was right"
        assert verdict(of, *line(101.0, lag)) == code
        assert verdict(of, *line(101.0, lag, 3, -2, 4, -5, 6, -7)) is None, "a second set that agrees"


def test_a_second_set_of_the_same_flow_and_another_lag_is_none() -> None:
    of = Story(PLAN, calibrated=False)
    assert verdict(of, *line(100.0, 0.0)) is None
    assert verdict(of, *line(101.0, 250.0)) == "second-set"
    assert verdict(of, *line(101.0, -250.0)) == "second-set"


def test_a_bench_s_flow_has_no_lag_to_be_held_against() -> None:
    assert verdict(Story(PLAN), *line(101.0, 250.0)) is None


#: An interval of 25 % of a dose of 1 mL.
WILD = (70, -100, -100, 100, 30, 0)


def test_scatter_gives_a_dose_no_leave_to_be_off() -> None:
    of = Story(PLAN, calibrated=False)
    assert verdict(of, *line(100.0, 0.0)) is None
    assert verdict(of, *line(101.0, 200.0, *WILD)) == "second-set"


def test_a_second_set_agrees_within_its_scatter_and_fifteen_percent_at_most() -> None:
    of = Story(PLAN, calibrated=False)
    assert verdict(of, *line(180.0, 0.0)) is None
    assert verdict(of, *line(180.0, 250.0)) == "second-set"
    assert verdict(of, *line(180.0, 420.0, *WILD)) == "second-set", "17 % more than the first"
    assert verdict(of, *line(180.0, 320.0)) == "second-set", "10 % less, by runs that scatter little"
    assert verdict(of, *line(180.0, 400.0, *WILD)) is None, "8 % more, where scatter leaves more open"


# -- small steps ---------------------------------------------------------------------------------------------


def test_small_steps_add_up_and_are_asked_about() -> None:
    # Each is 14 % below the one before.
    of = Story(PLAN, calibrated=False)
    assert verdict(of, *runs(100.0)) is None
    assert verdict(of.at(60.0), *runs(86.0)) is None
    assert verdict(of.at(120.0), *runs(74.0)) == "second-set"
    first = doubt(of)
    assert first is not None
    assert "off an earlier calibration on this tubing, 6.00 mL/min" in first.reason
    assert "small steps add up" in first.reason
    assert verdict(of.at(180.0), *runs(74.1)) is None, "a second set ends the question"
    assert verdict(of.at(240.0), *runs(80.0)) is None, "and begins anew"
    assert verdict(of.at(300.0), *runs(90.0)) == "second-set"


@pytest.mark.parametrize(("days", "code"), [((8, 27), "second-set"), ((8, 29), None), ((40, 67), None)])
def test_it_is_held_against_four_weeks_and_the_last(days: tuple[int, int], code: str | None) -> None:
    of = Story(PLAN, calibrated=False)
    assert verdict(of, *runs(100.0)) is None
    assert verdict(of.at(days[0] * 86_400.0), *runs(90.0)) is None
    of.at(days[1] * 86_400.0).tell(Stamp())
    assert verdict(of, *runs(81.0)) == code


def test_however_many_steps_there_are_the_first_is_not_forgotten() -> None:
    of = Story(PLAN, calibrated=False)
    for step in range(2 * STEPS_KEPT):
        assert verdict(of.at(60.0 * step), *runs(100.0 - 0.1 * step)) is None
    assert len(of.books.tubing_of("alk").steps) == STEPS_KEPT
    assert verdict(of, *runs(84.0)) == "second-set"


def test_what_nobody_measured_is_no_first_step() -> None:
    of = Story(PLAN)  # a bench's flow, 100 µL/s
    assert verdict(of, *runs(112.0)) is None
    assert verdict(of, *runs(121.0)) is None


def test_a_row_says_whether_a_second_set_was_asked_for() -> None:
    of = Story(PLAN)
    for flow, second in ((101.0, False), (130.0, None), (131.0, True), (130.0, False)):
        said = judged(PLAN, of.books, "alk", Measured(runs(flow), "declared"))
        assert said.event is not None
        of.tell(said.event)
        if second is not None:
            assert isinstance(said.event, Calibrated)
            assert said.event.second_set is second


def test_on_new_tubing_there_is_no_last_one() -> None:
    of = Story(PLAN)
    assert verdict(of, *runs(120.0)) == "second-set"
    of.tell(Retubed("alk"))
    assert doubt(of) is None
    assert verdict(of, *runs(130.0)) is None


def test_what_is_doubted_is_no_second_set_for_another_head() -> None:
    of = Story(PLAN)
    assert verdict(of, *runs(120.0)) == "second-set"
    of.plan = plan(evolve(ALK, pump=evolve(ALK.pump, gpio=22)))
    of.tell(Calibrated("alk", 100.0, head=head_of(of.plan.channels["alk"])))
    of.tell(CalibrationDoubted("alk", 120.0, 0.0, runs(120.0), "declared", head_of(ALK), "of the other line"))
    assert verdict(of, *runs(121.0)) == "second-set"


# -- for programs --------------------------------------------------------------------------------------------


def test_the_verdict_in_data_is_in_millilitres_and_minutes() -> None:
    of = Story(PLAN, calibrated=False)
    measured = Measured(runs(), "declared")
    said = judged(PLAN, of.books, "alk", measured)
    fit = fitted(runs())
    data = verdict_data(said, measured)
    assert data["flow_ml_per_min"] == pytest.approx(fit.flow_ul_per_s * 60 / 1000)
    assert data["flow_standard_error_ml_per_min"] == pytest.approx(fit.flow_error_ul_per_s * 60 / 1000)
    assert data["lag_ml"] == pytest.approx(fit.lag_ul / 1000)
    assert data["residual_rms_ml"] == pytest.approx(fit.residual_rms_ul / 1000)
    assert (data["accepted"], data["reason"], data["second_set_wanted"]) == (True, None, False)
    assert [each["seconds"] for each in data["runs"]] == list(LENGTHS)
    refused = Measured(runs()[:2], "declared")
    data = verdict_data(judged(PLAN, of.books, "alk", refused), refused)
    assert (data["flow_ml_per_min"], data["accepted"]) == (None, False)


def test_figures_for_programs_are_no_powers_of_ten_and_no_less_than_nothing() -> None:
    wild = Measured(((1e-5, 1e-4), (1e17, 2000.0), (30.0, 3000.0)), "declared")
    data = verdict_data(judged(PLAN, Story(PLAN).books, "alk", wild), wild)
    text = json.dumps([[each["seconds"], each["volume_ml"]] for each in data["runs"]])
    assert text == "[[0.0, 0.0], [100000000000000000, 2.0], [30.0, 3.0]]"
    exact = Measured(tuple((seconds, 100.0 * seconds) for seconds in (10.0, 20.0, 33.3, 47.1)), "declared")
    data = verdict_data(judged(PLAN, Story(PLAN).books, "alk", exact), exact)
    assert json.dumps([each["residual_ml"] for each in data["runs"]]) == "[0.0, 0.0, 0.0, 0.0]"


def test_runs_on_a_line_to_the_digit_are_not_known_without_an_error() -> None:
    # Read to 0.01 mL: each is off by 0.0029 mL or so, however well the figures go together (GUM, F.2.2.1).
    exact = tuple((seconds, 100.0 * seconds) for seconds in (10.0, 20.0, 30.0))
    said = judged(PLAN, Story(PLAN).books, "alk", Measured(exact, "declared"))
    # t of one degree of freedom 12.706, 10 µL / sqrt(12), sqrt(1 + 1/3 + (10 - 20)²/200), over 1 mL.
    assert said.interval95_percent == pytest.approx(12.706 * 2.8868 * 1.35401 / 1000 * 100, rel=1e-3)


def test_a_dose_that_is_known_badly_is_a_caution_with_the_number() -> None:
    wide = judged(PLAN, Story(PLAN).books, "alk", Measured(line(100.0, 0.0, *WILD), "declared"))
    assert wide.interval95_percent is not None
    assert wide.interval95_percent > 15
    [told] = wide.cautions
    assert f"a planned dose of 1.00 mL is known to ± {wide.interval95_percent:.2f} % only" in told
    good = judged(PLAN, Story(PLAN).books, "alk", Measured(line(100.0, 0.0), "declared"))
    assert (good.accepted, good.cautions) == (True, ())


# -- which runs to make --------------------------------------------------------------------------------------


def lengths(of: Plan, *, cup_taken_ul: int = 0, left_ul: int | None = None) -> Lengths | None:
    story = Story(of, calibrated=False)
    if left_ul is not None:
        story.tell(Refilled("alk", left_ul, None, "soda", {"alkalinity": 1.0}, 0))
    if cup_taken_ul:
        row = story.reserve("alk", cup_taken_ul - 50, into=Into.CUP, purpose=Purpose.CALIBRATION)
        story.settle(row, cup_taken_ul)
    return lengths_for(of, story.books, "alk", story.books.proven_ms(story.now))


def test_short_and_long_runs_three_times_within_the_cup_and_a_minute() -> None:
    # The cup holds 40 mL (the rise limit at 1 eq/L). Half of it less priming, 2 x 0.5 mL: 20 s of pump are not enough
    # for long runs of 20 s, so all of it is used: 388 s / (3 x 4/3) is more than a minute.
    found = lengths(PLAN)
    assert found is not None
    assert len(found.seconds) == 6
    assert len(set(found.seconds)) == 2
    assert found.seconds[0] * 2 < found.seconds[1] <= LONGEST_TEST_S
    assert sum(found.seconds) * 100 + 2 * found.prime_ul <= 40_000


def test_short_runs_are_as_long_as_a_planned_dose_and_can_be_measured() -> None:
    for doses, short_s in ((48, 5.0), (24, 10.0), (2, 18.0), (120, 2.0)):  # a third of 55 s is the most
        found = lengths(plan(limited(channel("alk", doses=doses, dose_ul=20_000), day_ul=400_000, rise_umol=400_000.0)))
        assert found is not None
        assert found.seconds == (short_s, LONGEST_TEST_S) * 3
    # A dose of 10 µL, in 2 s: less than a drop, which is the least that can be measured.
    slow = lengths(plan(channel("alk", flow=5.0, daily=DailyVolume(240), smallest_ul=1)))
    assert slow is not None
    assert slow.seconds[0] * 5.0 >= 50


@pytest.mark.parametrize("flow", [5.0, 20.0, 100.0, 250.0, 800.0])
@pytest.mark.parametrize("taken_ul", [0, 20_000, 35_000])
def test_whatever_is_proposed_fits(flow: float, taken_ul: int) -> None:
    found = lengths(plan(channel("alk", flow=flow)), cup_taken_ul=taken_ul)
    if found is None:
        assert (40_000 - taken_ul) / flow < 100
        return
    assert max(found.seconds) <= LONGEST_TEST_S
    assert sum(found.seconds) * flow + 2 * found.prime_ul + flow <= 40_000 - taken_ul + 1e-6
    assert max(found.seconds) >= 1.2 * min(found.seconds)
    assert len(found.seconds) >= 4


def test_half_of_the_cup_is_left_for_a_second_set_where_the_runs_stay_long() -> None:
    found = lengths(plan(channel("alk", flow=100.0)))
    assert found is not None
    assert max(found.seconds) >= GOOD_LONG_S
    assert sum(found.seconds) * 100 <= 20_000


def test_no_runs_are_proposed_where_cup_or_reservoir_leave_nothing() -> None:
    assert lengths(PLAN, cup_taken_ul=39_000) is None
    assert lengths(PLAN, left_ul=52_000) is None  # 50 mL of it are reserve
    assert lengths(PLAN, left_ul=500_000) is not None


# -- the swap check ------------------------------------------------------------------------------------------


def test_each_head_its_own_cup_and_reservoir_passes() -> None:
    assert swapped(PLAN, {"alk": ("alk", "alk"), "ca": ("ca", "ca")}) is None


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        ({"alk": ("ca", "ca"), "ca": ("alk", "alk")}, "alk ran and the cup of ca filled"),
        ({"alk": ("alk", "ca"), "ca": ("ca", "alk")}, "alk ran and the reservoir of ca fell"),
        ({"alk": ("", ""), "ca": ("ca", "ca")}, "alk ran and no cup filled; alk ran and no reservoir fell"),
        ({"alk": ("alk", "alk")}, "ca was not run"),
        ({}, "alk was not run; ca was not run"),
    ],
)
def test_a_swap_is_named(seen: dict[str, tuple[str, str]], words: str) -> None:
    said = swapped(PLAN, seen)
    assert said is not None
    assert words in said
    assert "alk GPIO 17" in said
