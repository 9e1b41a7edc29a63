"""Test runs, calibrations, new tubing and the swap check with a daemon that doses. All figures are invented."""

from __future__ import annotations

from itertools import pairwise

import pytest
from attrs import evolve

from dosingd.flows import head_of
from dosingd.ledger.account import Account
from dosingd.plan.model import Plan
from dosingd.records import (
    Calibrated,
    CalibrationDoubted,
    Event,
    Held,
    Identified,
    Into,
    Outcome,
    Purpose,
    Refilled,
    Reserved,
    Retubed,
    Settled,
)
from dosingd.requests import (
    MEASURED,
    Answer,
    Calibrate,
    Identify,
    Lengths,
    Prime,
    Release,
    Reload,
    Retube,
    Suspend,
    TestRun,
)
from dosingd.reservoir import filled
from dosingd.upkeep import findings
from tests.builders import ALK, CA, channel, plan
from tests.daemon.manned import Manned

PLAN = plan(evolve(ALK, pump=evolve(ALK.pump, gpio=17)), evolve(CA, pump=evolve(CA.pump, gpio=27)))
MIN = 60.0
RUNS = ((10.0, 1_100.0), (30.0, 3_290.0), (29.0, 3_195.0))


def refused(answer: Answer, code: str) -> str:
    assert (answer.status, answer.code) == (2, code)
    assert answer.text is not None
    return answer.text


def rows(of: Manned, *kinds: type) -> list[Event]:
    return of.rig.events(*kinds)


def test_a_test_run_goes_into_the_cup_for_its_seconds_and_says_how_long_it_was() -> None:
    with Manned(PLAN) as of:
        of.ask(Suspend("alk"))
        answer = of.ask(TestRun("alk", seconds=20.0))
        assert answer.status == 0
        assert 19.98 <= answer.data["ran_s"] <= 20.0
        [reserved] = rows(of, Reserved)
        assert isinstance(reserved, Reserved)
        assert (reserved.purpose, reserved.into, reserved.change_umol) == (Purpose.CALIBRATION, Into.CUP, {})
        [(begin, end)] = of.rig.spans["alk"]
        assert abs((end - begin) - answer.data["ran_s"]) < 1e-6


def test_a_test_run_by_volume_is_what_the_swap_check_asks_for() -> None:
    with Manned(PLAN) as of:
        assert of.ask(TestRun("ca", volume_ul=5_000)).data["given_ul"] >= 5_000


def test_a_test_run_meets_the_gate_as_every_run_does() -> None:
    with Manned(PLAN) as of:
        for _ in range(6):
            of.ask(TestRun("alk", seconds=60.0))
        text = refused(of.ask(TestRun("alk", seconds=60.0)), "cup-limit")
        assert "what may run into a cup" in text
        assert sum(end - begin for begin, end in of.rig.spans["alk"]) * 100 <= 40_000


def test_which_runs_fit_is_said_before_anything_runs() -> None:
    with Manned(PLAN) as of:
        data = of.ask(Lengths("alk")).data
        assert len(data["seconds"]) == 6
        assert data["flow_ul_per_s"] == 100.0
        assert data["identify_ul"] == 5_000
        assert of.rig.spans["alk"] == []
        refused(of.ask(Lengths("mg")), "channel")
        for _ in range(6):
            of.ask(TestRun("alk", seconds=60.0))
        of.ask(TestRun("alk", seconds=30.0))
        text = refused(of.ask(Lengths("alk")), "cup-limit")
        assert "dosingd calibrate alk --run" in text


def test_runs_become_the_flow_that_the_next_doses_are_timed_by() -> None:
    with Manned(PLAN) as of:
        answer = of.ask(Calibrate("alk", RUNS, MEASURED, water_c=22.0))
        assert answer.status == 0
        assert answer.data["accepted"] is True
        *_, event = rows(of, Calibrated)
        assert isinstance(event, Calibrated)
        assert (event.runs, event.source, event.water_c) == (RUNS, "measured", 22.0)
        assert event.head == head_of(PLAN.channels["alk"])
        assert of.state().channels["alk"].calibration.runs == 3
        assert of.state().channels["alk"].calibration.interval95_percent == answer.data["interval95_percent"]
        # The rest of the day is laid by it: 1 mL takes 9.09 s at 110 µL/s, where the nominal 100 µL/s need 10 s.
        laid_s = {due.run_s for due in of.rig.rounds.coming if due.channel == "alk"}
        assert all(9.0 < run_s < 9.1 for run_s in laid_s)
        assert laid_s
        of.live(60 * MIN)
        *_, dose = [one for one in rows(of, Reserved) if isinstance(one, Reserved) and one.channel == "alk"]
        assert dose.run_ms < 9_300, "1 mL at 110 µL/s, where the nominal 100 µL/s need 10 s"


def test_runs_that_are_refused_book_nothing() -> None:
    with Manned(PLAN) as of:
        before = len(rows(of))
        text = refused(of.ask(Calibrate("alk", tuple((s, v * 10) for s, v in RUNS))), "nominal-flow")
        assert "half to twice" in text
        refused(of.ask(Calibrate("mg", RUNS)), "channel")
        assert len(rows(of)) == before


def test_a_second_set_is_asked_for_by_the_ledger_alone() -> None:
    far = tuple((seconds, volume * 1.2) for seconds, volume in RUNS)
    with Manned(PLAN) as of:
        refused(of.ask(Calibrate("alk", far)), "second-set")
        assert len(rows(of, CalibrationDoubted)) == 1
        assert "calibration-due" in [one.kind.value for one in of.state().alarms]
        refused(of.ask(Calibrate("alk", far)), "same-runs")
        account = of.rig.account

        def fold_anew() -> None:
            account.books = Account(account.book).books

        of.duty.post(fold_anew)
        of.settle()
        doubted = of.rig.books.tubing_of("alk").doubted
        assert doubted is not None
        assert doubted.runs == far
        again = tuple((seconds, volume * 1.001) for seconds, volume in far)
        assert of.ask(Calibrate("alk", again)).status == 0


def test_a_reload_that_names_another_head_says_that_the_calibration_has_ended() -> None:
    with Manned(plan(ALK)) as of:
        of.write(filled(plan(ALK), "alk"))
        of.settle()
        assert of.state().channels["alk"].next_dose_at is not None
        of.file = evolve(plan(evolve(ALK, pump=evolve(ALK.pump, gpio=22))), sha256="44" * 32)
        [told] = of.ask(Reload()).messages
        assert "alk: it does not dose, because its calibration ended when the plan named another gpio" in told
        assert told.endswith("Next: dosingd calibrate alk")
        of.file = plan(ALK)
        [told] = of.ask(Reload()).messages
        assert "does not come back" in told
        alk = of.state().channels["alk"]
        assert (alk.next_dose_at, alk.waiting_for) == (None, "a calibration")


def test_new_tubing_stands_the_channel_still_until_it_is_calibrated() -> None:
    with Manned(plan(ALK)) as of:
        of.live(60 * MIN)
        given = len(of.rig.spans["alk"])
        assert given == 1
        answer = of.ask(Retube("alk"))
        assert (answer.status, answer.data["ok"]) == (0, True)
        assert "dosingd calibrate alk" in answer.data["message"]
        of.live(120 * MIN)
        assert len(of.rig.spans["alk"]) == given
        assert of.state().channels["alk"].waiting_for == "a calibration"
        assert "no-calibration" in [one.kind.value for one in of.state().alarms]
        assert of.ask(Prime("alk", 2_000, Into.CUP)).status == 0  # by the nominal flow
        refused(of.ask(Prime("alk", 2_000, Into.TANK)), "calibration")
        assert of.ask(Calibrate("alk", RUNS)).status == 0
        of.live(60 * MIN)
        assert len(of.rig.spans["alk"]) == given + 2
        refused(of.ask(Retube("mg")), "channel")
        assert len(rows(of, Retubed)) == 1


@pytest.mark.parametrize("retubed_after", range(4))
def test_runs_of_the_old_tubing_are_no_calibration_of_the_new(retubed_after: int) -> None:
    """One person measures three runs at a terminal, and another books new tubing after so many of them."""
    with Manned(plan(ALK)) as of:
        of.ask(Suspend("alk"))
        for number in range(4):
            if number == retubed_after:
                of.ask(Retube("alk"))
            if number < 3:
                assert of.ask(TestRun("alk", seconds=RUNS[number][0])).status == 0
        answer = of.ask(Calibrate("alk", RUNS, MEASURED))
        if retubed_after == 0:
            assert answer.status == 0
            return
        assert "its head tubing was changed" in refused(answer, "changed")
        assert of.state().channels["alk"].waiting_for == "end of the session by hand"
        assert rows(of, Calibrated)[1:] == [], "but the one that it began with"
        # What is measured anew holds, and so do runs that a keeper declares who knows what they are of.
        for seconds, _ in RUNS:
            of.ask(TestRun("alk", seconds=seconds))
        assert of.ask(Calibrate("alk", RUNS, MEASURED)).status == 0
        assert of.ask(Calibrate("alk", RUNS)).status == 0


def test_runs_of_a_head_that_a_reload_changed_are_no_calibration_of_the_new_one() -> None:
    with Manned(PLAN) as of:
        of.ask(Suspend("alk"))
        for seconds, _ in RUNS:
            of.ask(TestRun("alk", seconds=seconds))
        alk = PLAN.channels["alk"]
        other = evolve(PLAN, channels={**PLAN.channels, "alk": evolve(alk, pump=evolve(alk.pump, gpio=22))})
        of.file = evolve(other, sha256="11" * 32)
        assert of.ask(Reload()).status == 0
        assert "the plan was changed" in refused(of.ask(Calibrate("alk", RUNS, MEASURED)), "changed")


def test_another_channels_new_tubing_and_old_news_stand_in_no_calibrations_way() -> None:
    with Manned(PLAN) as of:
        of.ask(Suspend("alk"))
        for seconds, _ in RUNS:
            of.ask(TestRun("alk", seconds=seconds))
        of.ask(Retube("ca"))
        assert of.ask(Calibrate("alk", RUNS, MEASURED)).status == 0
        of.ask(Retube("alk"))
        of.live(3 * 60 * MIN)
        assert of.ask(Calibrate("alk", RUNS, MEASURED)).status == 0


# -- the swap check ------------------------------------------------------------------------------------------


def test_an_agreement_is_booked_with_the_lines_that_it_holds_for() -> None:
    with Manned(PLAN) as of:
        answer = of.ask(Identify({"alk": ("alk", "alk"), "ca": ("ca", "ca")}))
        assert (answer.status, answer.data["ok"]) == (0, True)
        assert rows(of, Identified) == [Identified({"alk": 17, "ca": 27})]
        assert rows(of, Held) == []


def test_a_swapped_line_holds_the_rig_with_the_swap_named_and_no_dose_goes_in() -> None:
    with Manned(PLAN) as of:
        answer = of.ask(Identify({"alk": ("ca", "ca"), "ca": ("alk", "alk")}))
        assert (answer.status, answer.code) == (1, "swapped")
        [held] = rows(of, Held)
        assert isinstance(held, Held)
        assert "alk ran and the cup of ca filled" in held.reason
        assert "alk GPIO 17, ca GPIO 27" in held.reason
        assert rows(of, Identified) == [Identified({})]
        of.live(120 * MIN)
        assert of.rig.spans == {"alk": [], "ca": []}


def test_a_swap_check_of_another_plans_channels_is_refused() -> None:
    with Manned(PLAN) as of:
        text = refused(of.ask(Identify({"alk": ("alk", "alk"), "kh": ("kh", "kh")})), "channel")
        assert "kh: no such channel" in text
        assert rows(of, Held, Identified) == []


# -- one owner -----------------------------------------------------------------------------------------------


def busy() -> Plan:
    """A dose of 100 µL every half minute on two channels."""
    return plan(
        channel("alk", doses=2880, smallest_ul=5, day_ul=100_000, rise_umol=100_000.0, run_s=2_000.0),
        channel("ca", "chloride", doses=2880, smallest_ul=5, day_ul=200_000, rise_umol=100_000.0, run_s=4_000.0),
        gap_s=5.0,
    )


def test_a_calibration_in_the_midst_of_doses_books_every_microlitre_and_harms_no_other_channel() -> None:
    with Manned(busy()) as of:
        of.live(5 * MIN)
        of.write(Refilled("alk", 500_000, None, "soda", {"alkalinity": 1.0}, 0))
        before_s = of.clock.true_s
        of.ask(Suspend("alk"))
        drawn = 0
        for seconds in (10.0, 30.0, 11.0, 29.0):
            answer = of.ask(TestRun("alk", seconds=seconds))
            while answer.code == "apart":  # calcium has just run
                of.live(1.0)
                answer = of.ask(TestRun("alk", seconds=seconds))
            drawn += answer.data["given_ul"]
            of.live(MIN)
        assert of.ask(Calibrate("alk", RUNS, MEASURED)).status == 0
        of.ask(Retube("alk"))
        # Every run is settled, one at a time, and all of it left the reservoir.
        assert of.rig.books.open == {}
        assert of.rig.books.contents["alk"].left_ul == 500_000 - drawn
        spans = sorted(span for each in of.rig.spans.values() for span in each)
        assert all(end <= begin for (_, end), (begin, _) in pairwise(spans))
        # Calcium went on: each of its doses was given, or missed with a reason.
        settled = [row.event for row in of.rig.rows(Settled) if isinstance(row.event, Settled)]
        calcium = [one for one in settled if one.channel == "ca"]
        assert len([span for span in of.rig.spans["ca"] if span[0] > before_s]) >= 5
        assert all(one.outcome is Outcome.GIVEN or one.reason for one in calcium)
        # And alkalinity stood still: only the test runs moved its pump.
        assert len([span for span in of.rig.spans["alk"] if span[0] >= before_s]) == 4


def test_a_check_that_failed_is_not_forgotten_with_the_release_when_one_was_passed_before() -> None:
    with Manned(PLAN) as of:
        good, bad = {"alk": ("alk", "alk"), "ca": ("ca", "ca")}, {"alk": ("ca", "ca"), "ca": ("alk", "alk")}
        assert of.ask(Identify(good)).status == 0
        assert of.ask(Identify(bad)).code == "swapped"
        assert of.ask(Release()).status == 0
        books = of.duty.rounds.account.books
        assert books.ledger is not None
        books.ledger = evolve(books.ledger, bench=False)
        now_at = of.clock.now().wall_at
        assert "identify-due" in {one.kind for one in findings(PLAN, books, now_at)}
        assert of.ask(Identify(good)).status == 0
        assert "identify-due" not in {one.kind for one in findings(PLAN, books, now_at)}
