"""What happens when a line does not answer, a run outlives its lease, or a channel vanishes from the plan."""

from __future__ import annotations

import pytest
from attrs import evolve

from dosingd import agenda
from dosingd.alarms import Kind, alarms
from dosingd.gate import Reason, Refused, ask
from dosingd.plan.model import Apart, DailyVolume, Follows
from dosingd.records import Calibrated, Held, NotGiven, Outcome, Settled
from tests.builders import ALK, Rig, WatchedPump, plan, request, span


def test_a_run_that_outlives_its_lease_is_booked_whole_and_holds_the_rig() -> None:
    rig = Rig(plan()).start()
    wait = rig.clock.wait_until_mono_s

    def late(mono_s: float, interrupt: object = None) -> bool:
        wait(mono_s)
        rig.clock.pass_s(120.0)
        return True

    rig.clock.wait_until_mono_s = late  # type: ignore[method-assign]
    result = rig.turn.run(request("alk", 1_000))  # 10 s at 100 µL/s
    assert result.given_ul == 13_000  # 130 s at 100 µL/s
    assert rig.books.held is not None
    assert "past its lease of 10.5 s" in rig.books.held
    assert rig.turn.leases.current == ()
    refused = ask(rig.plan, rig.books, request("alk", 1_000), rig.clock.now(), trusted=True)
    assert isinstance(refused, Refused)
    assert refused.reason is Reason.HELD


def test_a_line_that_cannot_be_driven_low_holds_the_rig_and_leaves_the_reservation_open() -> None:
    rig = Rig(plan()).start()
    rig.pumps["alk"].fails_off = True
    result = rig.turn.run(request("alk", 1_000))
    assert result.outcome is Outcome.UNKNOWN
    assert rig.books.held is not None
    assert "alk: its line could not be driven low: the line does not answer." in rig.books.held
    assert len(rig.books.open) == 1  # the next start books it by R1
    assert rig.turn.leases.current == ()
    assert [name for name in rig.pumps if f"{name} off" not in rig.journal] == []  # every other line was driven low


def test_a_line_that_cannot_be_driven_high_is_settled_and_holds_the_rig(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(plan()).start()

    def fails(_: WatchedPump) -> None:
        raise OSError("busy")

    monkeypatch.setattr(WatchedPump, "on", fails)
    result = rig.turn.run(request("alk", 1_000))
    assert (result.outcome, result.given_ul) == (Outcome.PARTIAL, 0)
    assert rig.books.open == {}
    assert isinstance(rig.account.book.newest.event, Held)


def test_a_line_that_says_off_and_reads_high_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(plan()).start()
    monkeypatch.setattr(WatchedPump, "is_on", property(lambda pump: pump.name == "alk"))
    result = rig.turn.run(request("alk", 1_000))
    assert result.outcome is Outcome.UNKNOWN
    assert rig.books.held is not None
    assert "alk: its line was driven low and still reads high." in rig.books.held
    assert len(rig.books.open) == 1


def test_a_dose_whose_commit_took_more_than_300_s_after_it_was_late_already_is_missed() -> None:
    rig = Rig(plan(ALK)).start()
    rig.live(1_799.0)
    rig.clock.pass_s(101.0)  # alkalinity's first dose was due at 00:30:00: 100 s late

    def slow(at: str) -> None:
        if at == "committed":
            rig.at_step = lambda step: None
            rig.clock.pass_s(210.0)

    rig.at_step = slow
    rig.rounds.make()
    assert rig.spans["alk"] == []
    [settled] = [row.event for row in rig.account.book.rows() if isinstance(row.event, Settled)]
    assert (settled.outcome, settled.given_ul) == (Outcome.MISSED, 0)
    assert settled.reason == "alk: it was due 310 s ago, and a dose waits 300 s at most"


def test_a_lost_run_is_booked_at_the_faster_of_rated_and_measured_flow() -> None:
    rig = Rig(plan(ALK)).start()
    rig.account.write(Calibrated("alk", 200.0), rig.clock.now())  # rated 100 µL/s
    row = rig.account.write(
        ask(rig.plan, rig.books, request("alk", 1_000), rig.clock.now(), trusted=True).reserved,  # type: ignore[union-attr]
        rig.clock.now(),
    )
    rig.clock.pass_s(20.0)
    rig.restart()
    [lost] = [
        one.event
        for one in rig.account.book.rows(row.seq)
        if isinstance(one.event, Settled) and one.event.reservation == row.seq
    ]
    assert lost.given_ul == 4_000  # 20 s at 200 µL/s


def test_a_channel_that_a_reload_renamed_keeps_the_gap() -> None:
    rig = Rig(plan()).start()
    assert rig.turn.run(request("alk", 1_000)).outcome is Outcome.GIVEN
    channels = {("soda" if name == "alk" else name): item for name, item in rig.plan.channels.items()}
    channels["soda"] = evolve(channels["soda"], id="soda")
    channels["ca"] = evolve(channels["ca"], daily=Follows("soda"))
    apart = (Apart(("soda", "ca"), 1200.0),)
    renamed = evolve(rig.plan, channels=channels, apart=apart, sha256="another")
    rig.pumps["soda"] = rig.pumps["alk"]
    rig.rounds.reload(renamed)
    refused = ask(renamed, rig.books, request("ca", 1_000), rig.clock.now(), trusted=True)
    assert isinstance(refused, Refused)
    assert refused.reason is Reason.APART


def test_a_plan_by_volume_goes_on_after_a_weaker_refill() -> None:
    by_volume = plan(evolve(ALK, daily=DailyVolume(24_000)))
    rig = Rig(by_volume).start()
    rig.live(12 * 3600.0)
    today = agenda.dosing_day(rig.books.zones, rig.clock.now().wall_at).day
    half = rig.books.account(today, "alk").given_ul
    assert 0 < half < 24_000
    strength = by_volume.stock_of("alk").strength
    assert strength is not None
    rig.refill("alk", 1_000_000, {"alkalinity": strength.alkalinity_eq_per_l / 2})
    rig.rounds.lay_anew()
    assert sum(due.volume_ul for due in rig.rounds.coming) == 24_000 - half
    rig.live(12 * 3600.0)
    assert rig.books.account(today, "alk").given_ul == 24_000  # the gate counts by volume too


def test_a_reservoir_without_what_the_channel_gives_raises_an_alarm() -> None:
    rig = Rig(plan()).start()
    rig.refill("alk", 1_000_000, {"calcium": 0.5})
    standing = alarms(rig.plan, rig.books, rig.clock.now(), rig.rounds.trust, None)
    [alarm] = [one for one in standing if one.kind is Kind.NO_STRENGTH]
    assert alarm.channel == "alk"
    assert "holds no alkalinity" in alarm.text
    assert not any(isinstance(row.event, NotGiven) for row in rig.account.book.rows())


def test_until_a_new_time_zone_begins_quiet_times_are_those_of_the_old_one() -> None:
    quiet = (span("10:00", "11:00"),)
    rig = Rig(plan(quiet=quiet)).start()  # midnight UTC
    rig.rounds.reload(evolve(rig.plan, timezone="Asia/Tokyo", sha256="another"))
    rig.clock.pass_s(3_600.0)  # 01:00 UTC is 10:00 in Tokyo, whose first day begins 24 h ahead at the soonest
    assert not isinstance(ask(rig.turn.plan, rig.books, request("alk", 1_000), rig.clock.now(), trusted=True), Refused)
    rig.clock.pass_s(9 * 3_600.0)  # 10:00 UTC
    refused = ask(rig.turn.plan, rig.books, request("alk", 1_000), rig.clock.now(), trusted=True)
    assert isinstance(refused, Refused)
    assert refused.reason is Reason.QUIET
