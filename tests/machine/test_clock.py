"""A board whose clock is wrong: at a boot, set forward and back, or never set because there is no network.

13 hours without network time are not lived through. The kernel can give a process another CLOCK_BOOTTIME, by so many
seconds ahead (time_namespaces(7)): the daemon is started in such a namespace, and everything else is as it always is.
It runs outside of its unit then, as the same user, because systemd has no setting for that.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.machine.machine import CLOCK, Pulse
from tests.machine.rig import AS_DAEMON, DOSINGD, LINES, SERVICE, STATE, WITNESS, Rig, plan

pytestmark = pytest.mark.machine

CHANNELS = ("alk", "ca")
#: Runs of a second, one every six seconds on each of the two channels.
DOSES, WINDOW = 100, timedelta(minutes=10)
EVERY_S = 6.0
#: A bucket of 10 L a day fills by three quarters of it in 87,000 s (R2), in mL.
FILL_ML_PER_S = 0.75 * 10_000 / 87_000


def _pulses(rig: Rig, since: int) -> list[Pulse]:
    return sorted(
        (pulse for channel in CHANNELS for pulse in rig.machine.pulses(LINES[channel], since)),
        key=lambda pulse: pulse.start_s,
    )


def _date(rig: Rig) -> datetime:
    return datetime.fromisoformat(rig.run("date -u +%FT%TZ").strip())


def _quiet(rig: Rig, seconds: float) -> None:
    """No line rises for so long."""
    seen = len(rig.machine.edges)
    rig.run(f"sleep {seconds}")
    assert _pulses(rig, seen) == []


def test_without_network_time_nothing_for_12_hours_then_half_as_much(rig: Rig) -> None:
    machine = rig.machine
    # 0.1 mL, which is a second, every 36 minutes. A rise that nobody was asked about would hold the rig at the start.
    rig.write_plan(plan(rtc=False, daily=4, doses=40, start="00:00", end="12:00", only="alk ca"))
    rig.ask("reload", "--yes")
    rig.run(f"systemctl stop {SERVICE}")

    def up_for(boot_s: float) -> dict[str, Any]:
        """The daemon on a board that has been up for so long; its status once it answers."""
        shift_s = round(boot_s - machine.boot_s())
        machine.begin(
            f"unshare --time --boottime {shift_s} --monotonic {shift_s} --fork --kill-child"
            f" {AS_DAEMON} {DOSINGD} run --witness {WITNESS} > /run/unclocked 2>&1"
        )
        rig.run(f"until [ -S {STATE}/control ]; do sleep 0.2; done")
        return rig.ask("status")

    def next_in_s() -> float:
        """From now to the next dose of alk, once it is laid: a daemon answers before its first round is over."""
        rig.run(f'until {DOSINGD} --json status | grep -q \'"next_dose_at": "\'; do sleep 1; done')
        status = rig.ask("status")
        wall_at = datetime.fromisoformat(status["clock"]["wall"])
        return (datetime.fromisoformat(status["channels"]["alk"]["next_dose_at"]) - wall_at).total_seconds()

    def down() -> None:
        rig.run(f"pid=$(cat {STATE}/daemon.lock); kill $pid; while [ -e /proc/$pid ]; do sleep 0.1; done")

    early = up_for(11.5 * 3600)
    assert early["clock"]["trusted"] is False
    assert "clock-untrusted" in rig.alarms()
    assert early["channels"]["alk"]["next_dose_at"] is None
    down()

    up_for(13 * 3600)
    next_s = next_in_s()
    assert "without-clock" in rig.alarms()
    assert 0 < next_s <= 2 * 36 * 60
    down()

    seen, before = len(machine.edges), rig.rows()[-1].seq
    up_for(13 * 3600 + next_s - 25)
    machine.wait(lambda: len([pulse for pulse in _pulses(rig, seen) if pulse.end_s is not None]) == 2, "two runs", 150)
    for channel in CHANNELS:
        (run,) = rig.runs(channel, after=before)
        (pulse,) = machine.pulses(LINES[channel], seen)
        assert run.outcome == "given"
        assert str(run.reserved.slot).startswith("unclocked/")
        assert run.covers(pulse)
        assert 1.0 - pulse.uncertain_s <= pulse.run_s <= 1.5
    next_s = next_in_s()
    # A day's doses over two days: the next one comes after twice the time, less what has passed since.
    assert 2 * 36 * 60 - 180 < next_s <= 2 * 36 * 60 + 5
    down()


def test_a_clock_that_is_wrong_at_boot_gives_no_dose_until_it_is_right(rig: Rig) -> None:
    machine = rig.machine
    machine.cut_power()
    machine.start(rtc="2001-02-03T04:05:06")
    rig.wait_for_daemon()
    wrong_at = _date(rig)
    assert wrong_at.year < 2027
    window = [f"{at:%H:%M}" for at in (wrong_at - timedelta(minutes=2), wrong_at + WINDOW)]
    rig.write_plan(plan(daily=DOSES // 10, doses=DOSES, start=window[0], end=window[1], only="alk ca"))
    rig.ask("reload", "--yes")
    status = rig.ask("status")
    assert status["clock"]["trusted"] is False
    assert "clock-untrusted" in rig.alarms()
    _quiet(rig, 10)

    # The same time of a day that comes after everything in the ledger.
    seen = len(machine.edges)
    rig.run(f"date -u -s '2027-03-02 {_date(rig):%T}'")
    machine.wait(lambda: len(_pulses(rig, seen)) >= 3, "doses", 60)
    assert rig.ask("status")["clock"]["trusted"] is True


def test_a_clock_that_is_set_forward_and_back_earns_nothing_and_catches_nothing_up(rig: Rig) -> None:
    machine = rig.machine
    before, before_s = rig.ask("status"), CLOCK.now().mono_s
    seen = len(machine.edges)
    # Between two runs: the runs of one channel are followed by those of the other, and then by four seconds of rest.
    machine.wait(lambda: any(edge.line == LINES["ca"] and not edge.level for edge in machine.edges[seen:]), "a rest")
    row, seen = rig.rows()[-1].seq, len(machine.edges)
    rig.run("date -u -s '+40 days'")
    machine.wait(lambda: len(_pulses(rig, seen)) >= 8, "doses of another day", 120)
    after, passed_s = rig.ask("status"), CLOCK.now().mono_s - before_s
    for channel in CHANNELS:
        earned_ml = after["channels"][channel]["allowance_ml"] - before["channels"][channel]["allowance_ml"]
        assert earned_ml <= passed_s * FILL_ML_PER_S + 0.1
        starts = [pulse.start_s for pulse in machine.pulses(LINES[channel], seen)]
        assert len(starts) <= (starts[-1] - starts[0]) / EVERY_S + 2, "no burst, though one may be late"
    missed = [one for one in rig.rows() if one.seq > row and one.body.get("outcome") == "missed"]
    assert sum(one.body["doses"] for one in missed) > 39 * DOSES, "40 days are booked as missed"

    rig.run("date -u -s '-40 days'")
    machine.wait(lambda: not any(machine.level(LINES[channel]) for channel in CHANNELS), "the end of a run", 10)
    _quiet(rig, 10)
    status = rig.ask("status")
    assert status["clock"]["trusted"] is False
    assert "clock-untrusted" in rig.alarms()
    # A person looks at the clock, and says that it is right. What was missed meanwhile is not given now.
    rig.ask("release", "--clock")
    assert rig.ask("status")["clock"]["trusted"] is True
    _quiet(rig, 10)
    slots = [one.slot for one in rig.rows() if one.slot is not None]
    assert len(set(slots)) == len(slots)


def test_a_clock_that_is_set_in_mid_dose_changes_neither_the_run_nor_its_row(rig: Rig) -> None:
    rig.write_plan(plan())
    rig.ask("reload", "--yes")
    for seconds, jump in ((6.0, "+40 days"), (7.0, "-40 days")):
        rig.dose_running("mg", seconds)
        rig.run(f"date -u -s '{jump}'")
        assert rig.dosed()["outcome"] == "given"
        run, pulse = rig.runs("mg")[-1], rig.machine.pulses(LINES["mg"])[-1]
        assert seconds - pulse.uncertain_s <= pulse.run_s <= seconds + 0.5, "within its lease"
        assert run.covers(pulse)
        assert run.ran_s - pulse.run_s < 0.5
    assert rig.ask("status")["clock"]["trusted"] is False
