"""The service on a kernel's own GPIO lines: runs, and the faults that end one, seen on the line itself.

Each test waits for a dose that runs, does its harm, and looks at three things: how long the line was high after the
harm, what systemd made of the service, and what the ledger books. A dose by hand is as good as one by schedule: both
come through the same turn. What is lost with the process is booked by the ledger's own rule: at least what ran.

The budgets are those of the units (systemd/), plus what an emulated board needs to start an interpreter; the board's
kernel keeps the level of a line that is let go. A board that is reset has its pins low: there the line is high from the
harm to the reset, and what the ledger books is looked at after the next boot. Power cuts are in test_schedule.py.
"""

from __future__ import annotations

import pytest

from tests.machine import figures
from tests.machine.machine import CLOCK, PATIENCE_S, Pulse
from tests.machine.rig import (
    AS_DAEMON,
    DOSINGD,
    FLOAT,
    LEAK,
    LINES,
    PLAN_FILE,
    SERVICE,
    STATE,
    WITNESS,
    Rig,
    Run,
    plan,
)

pytestmark = pytest.mark.machine

#: From the end of a process to its lines low: systemd's turn, and an interpreter that is started. On a quiet machine it
#: is 1 to 2 s; an emulated board may have to share its processor.
PINS_OFF_S = 8.0
#: The hardware watchdog's patience (systemd/system.conf.d). The kernel's own after a panic is 5 s (systemd/sysctl.d),
#: and whichever comes first resets the board.
WATCHDOG_S = 10.0
#: An emulated board is late by so much, where what is waited for takes a moment.
LATE_S = 3.0
PINS_OFF = f"/opt/dosingd/bin/python -I -m dosingd.pins_off --state {STATE}"
HAND = "/opt/dosingd/bin/python /run/board/hand.py"


def _last(rig: Rig, channel: str) -> tuple[Run, Pulse]:
    """The newest run of a channel, and the newest pulse of its line."""
    return rig.runs(channel)[-1], rig.machine.pulses(LINES[channel])[-1]


def _seconds(shown: str) -> float:
    """A time as systemd shows it, such as 5s."""
    assert shown.endswith("s")
    assert shown[:-1].isdigit()
    return float(shown[:-1])


def test_a_run_is_as_long_as_the_ledger_says(rig: Rig) -> None:
    for channel, seconds in (("alk", 1.0), ("ca", 2.5), ("mg", 0.5)):
        rig.dose_running(channel, seconds)
        told = rig.dosed()
        run, pulse = _last(rig, channel)
        assert told["outcome"] == run.outcome == "given"
        assert told["given_ul"] == run.given_ul
        assert seconds - pulse.uncertain_s <= pulse.run_s <= seconds + 0.5, "within its lease"
        assert run.covers(pulse)
        assert run.ran_s - pulse.run_s < 0.2, "a run is not booked as much more than it was"


def test_a_second_daemon_is_refused_and_the_first_one_doses_on(rig: Rig) -> None:
    rig.dose_running("k", 25.0)
    again = rig.machine.begin(f"{AS_DAEMON} {DOSINGD} run --witness {WITNESS}")
    # With another ledger it is still the same pins.
    other = f"{AS_DAEMON} /opt/dosingd/bin/dosingd --plan {PLAN_FILE} --state /tmp/other"
    elsewhere = rig.machine.begin(f"{AS_DAEMON} mkdir /tmp/other && {other} init > /dev/null && {other} run")
    same, another = again(60), elsewhere(60)
    assert same.status == another.status == 2
    assert "a daemon doses here already" in same.err
    assert "belongs to another process" in another.err
    assert rig.dosed()["outcome"] == "given"
    run, pulse = _last(rig, "k")
    assert 25.0 - pulse.uncertain_s <= pulse.run_s <= 25.5
    assert run.covers(pulse)


def test_a_killed_daemon_leaves_its_line_high_for_no_longer_than_pins_off_takes(rig: Rig) -> None:
    rig.dose_running("alk", 12.0)
    struck_s = rig.strike("kill")
    low = rig.machine.wait_for_level(LINES["alk"], 0)
    # Nobody helps: systemd starts it again.
    rig.wait_for_daemon()
    assert rig.shown("NRestarts") == "1"
    run, pulse = _last(rig, "alk")
    figures.high("SIGKILL in mid-dose", low.boot_s - struck_s, PINS_OFF_S, figures.booked(run, pulse))
    assert run.outcome == "unknown"
    assert run.covers(pulse)
    assert len(rig.runs("alk")) == len(rig.machine.pulses(LINES["alk"])), "it is not tried again"


@pytest.mark.parametrize(
    ("how", "channel", "said"),
    [("stop", "ca", "SIGSTOP, the whole process"), ("main", "mg", "control loop stands, others run")],
)
def test_a_daemon_that_hangs_is_killed_by_the_watchdog(rig: Rig, how: str, channel: str, said: str) -> None:
    watchdog_s = _seconds(rig.shown("WatchdogUSec"))
    rig.dose_running(channel, 15.0)
    struck_s = rig.strike(how)
    low = rig.machine.wait_for_level(LINES[channel], 0)
    rig.wait_for_end("watchdog")
    rig.restart()
    run, pulse = _last(rig, channel)
    figures.high(said, low.boot_s - struck_s, watchdog_s + PINS_OFF_S, figures.booked(run, pulse))
    assert run.outcome == "unknown"
    assert run.covers(pulse)


def test_a_turn_thread_that_hangs_is_overruled_at_the_end_of_its_lease(rig: Rig) -> None:
    rig.dose_running("k", 4.0)
    rig.strike("others")
    rig.machine.wait_for_level(LINES["k"], 0)
    rig.wait_for_end("watchdog")  # which is not fed any more once a lease is broken
    rig.restart()
    run, pulse = _last(rig, "k")
    # The lease is half a second longer than the run, and the control loop looks four times a second.
    figures.high("turn thread stands: past the run", pulse.run_s - 4.0, 0.75 + LATE_S, figures.booked(run, pulse))
    assert pulse.run_s > 4.0, "it was the control loop that ended it"
    assert run.outcome == "unknown"
    assert run.covers(pulse)
    assert rig.ask("status")["held"] is True, "although the thread that hung could not write it"
    rig.ask("release")


def test_a_daemon_that_dies_again_and_again_raises_an_alarm_and_doses_nothing(rig: Rig) -> None:
    before = rig.rows()[-1].seq
    rig.dose_running("mg", 5.0)
    rig.strike("kill")
    rig.restart()
    (run,) = rig.runs("mg", after=before)
    assert run.outcome == "unknown"
    assert run.covers(rig.machine.pulses(LINES["mg"])[-1])
    seen, known = len(rig.machine.edges), rig.rows()[-1].seq
    for _ in range(2):
        rig.strike("kill")
        rig.restart()
    assert "restart-loop" in rig.alarms()
    assert not any(edge.level for edge in rig.machine.edges[seen:]), "a line rose"
    assert rig.runs(after=known) == [], "what was lost is not tried again"
    # It is told until somebody has answered, and nothing stands in the way of the next dose.
    rig.dose_running("mg", 1.0)
    assert rig.dosed()["outcome"] == "given"


def test_a_leak_ends_a_run_at_once_and_a_float_warns_when_it_has_stood(rig: Rig) -> None:
    rig.write_plan(plan(switches=True))
    rig.ask("reload")
    rig.dose_running("k", 10.0)
    wet_s = rig.contact(LEAK, closed=True)
    low = rig.machine.wait_for_level(LINES["k"], 0)
    rig.dosed()
    run, pulse = _last(rig, "k")
    figures.high("leak sensor wet", low.boot_s - wet_s, 0.5 + LATE_S, figures.booked(run, pulse))
    assert run.outcome == "partial"
    assert run.covers(pulse)
    assert rig.ask("status")["held"] is True
    rig.contact(LEAK, closed=False)
    rig.run("sleep 3")
    rig.ask("release")
    assert "float-low" not in rig.alarms()
    # It must stand for 30 s, so that a wave is no alarm. It warns, and the books say when the channel must stop.
    rig.contact(FLOAT, closed=True)
    rig.dose_running("k", 40.0)
    assert rig.dosed()["outcome"] == "given"
    assert "float-low" in rig.alarms()
    run, pulse = _last(rig, "k")
    assert run.covers(pulse)
    assert [row.body["says"] for row in rig.rows() if row.body.get("name") == "float.k"][-1:] == ["low"]
    rig.contact(FLOAT, closed=False)


def test_a_service_that_is_stopped_lets_go_of_its_line_and_books_what_ran(rig: Rig) -> None:
    rig.dose_running("alk", 8.0)
    told = rig.machine.begin(f"cut -d' ' -f1 /proc/uptime; systemctl stop {SERVICE}")
    low = rig.machine.wait_for_level(LINES["alk"], 0)
    asked_s = float(told(60).out)
    run, pulse = _last(rig, "alk")
    figures.high("systemctl stop", low.boot_s - asked_s, 0.5 + LATE_S, figures.booked(run, pulse))
    assert run.outcome == "partial"
    assert run.covers(pulse)
    assert run.ran_s - pulse.run_s < 0.5


def test_pins_off_drives_a_line_low_in_a_moment_and_is_loud_when_it_cannot(rig: Rig) -> None:
    rig.run(f"systemctl stop {SERVICE}")
    line = LINES["alk"]
    exec_s = float(rig.run(f"{HAND} {line} 1 exec {PINS_OFF}"))
    low = rig.machine.wait_for_level(line, 0)
    assert rig.machine.pulses(line)[-1].run_s > 0
    figures.high("pins_off: from exec to low", low.boot_s - exec_s, PINS_OFF_S, "nothing ran")

    rig.run(f"{HAND} {line} 1")
    rig.machine.wait_for_level(line, 1)  # the kernel keeps the level of a line that is let go
    rig.run("systemctl start dosingd-pins-off.service")
    rig.machine.wait_for_level(line, 0)

    rig.run(f"{HAND} {line} 1")
    told = rig.machine.begin(
        f"{HAND} {LINES['ca']} 0 60 > /run/held 2>&1 & until grep -q holds /run/held; do sleep 0.1; done;"
        f" {PINS_OFF}; said=$?; kill $!; exit $said"
    )(PATIENCE_S)
    assert told.status == 1
    assert f"GPIO {LINES['ca']}: not driven low" in told.err
    rig.machine.wait_for_level(line, 0)  # one line that fails does not keep the next one high


@pytest.mark.parametrize(
    ("channel", "rule", "said"),
    [
        ("alk", "", "kernel panic"),
        ("ca", "sysctl -q kernel.panic=0; ", "kernel stands: hardware watchdog"),
    ],
)
def test_a_kernel_that_gives_up_is_reset(rig: Rig, channel: str, rule: str, said: str) -> None:
    machine = rig.machine
    rig.start()
    assert rig.run("cat /proc/sys/kernel/panic /proc/sys/kernel/panic_on_oops").split() == ["5", "1"]
    assert rig.run("systemctl show -P RuntimeWatchdogUSec").strip() == "10s"
    rig.dose_running(channel, 20.0)
    hellos, resets = machine.hellos, len(machine.resets)
    struck_s = CLOCK.now().mono_s
    machine.begin(f"{rule}echo c > /proc/sysrq-trigger")
    machine.wait(lambda: len(machine.resets) > resets, "a reset")
    high_s = machine.resets[-1] - struck_s
    machine.wait_for_hello(hellos + 1)
    rig.wait_for_daemon()
    assert machine.pulses(LINES[channel])[-1].end_s is None, "it was on when the board was reset"
    assert machine.level(LINES[channel]) == 0
    run = rig.runs(channel)[-1]
    figures.high(said, high_s, WATCHDOG_S + LATE_S, figures.booked(run))
    assert run.is_worst_case
    assert run.ran_s >= high_s


def test_a_board_that_is_switched_off_lets_go_of_its_line_first(rig: Rig) -> None:
    machine = rig.machine
    rig.dose_running("k", 20.0)
    begun = machine.begin("cut -d' ' -f1 /proc/uptime; systemctl poweroff --no-block")
    asked_s = float(begun(60).out)
    low = machine.wait_for_level(LINES["k"], 0)
    machine.wait_for_power_off()
    assert all(machine.level(line) == 0 for line in LINES.values())
    machine.start(rtc="2027-03-01T09:30:00")
    run, pulse = rig.runs("k")[-1], machine.pulses(LINES["k"])[-1]
    figures.high("shutdown", low.boot_s - asked_s, 1.0 + LATE_S, figures.booked(run, pulse))
    assert run.outcome == "partial"
    assert run.covers(pulse)
