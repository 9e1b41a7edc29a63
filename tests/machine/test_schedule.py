"""Doses by schedule on the lines of a board whose power is cut in the middle of its commits, again and again.

What has been acknowledged is on the disk after each cut: every row that was read before it, and a reservation for every
time that a line rose. What a line showed is booked, or more.
"""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from tests.machine import figures
from tests.machine.machine import Pulse
from tests.machine.rig import LINES, SERVICE, Rig, Run, plan

pytestmark = pytest.mark.machine

#: 100 runs of two seconds on each of two channels in the window: a line rises every five seconds.
RUN_S, DOSES, WINDOW = 2.0, 100, timedelta(minutes=16)
CHANNELS = ("alk", "ca")
CUTS = 2


def _runs_of(pulses: list[Pulse], runs: list[Run], boot_ids: list[str]) -> list[tuple[Pulse, Run]]:
    """Each pulse with the newest reservation that was committed before it rose, in its boot."""
    found = []
    for pulse in pulses:
        of = [
            run for run in runs if run.reserved.boot_id == boot_ids[pulse.boot] and run.reserved.mono_s <= pulse.start_s
        ]
        assert of, f"a line rose without a reservation: {pulse}"
        found.append((pulse, of[-1]))
    return found


def test_doses_by_schedule_outlive_power_cuts(rig: Rig) -> None:
    machine = rig.machine
    now_at = datetime.fromisoformat(rig.run("date -u +%FT%TZ").strip())
    window = [f"{at:%H:%M}" for at in (now_at - timedelta(minutes=1), now_at + WINDOW)]
    rig.write_plan(plan(daily=int(DOSES * RUN_S / 10), doses=DOSES, start=window[0], end=window[1], only="alk ca"))
    rig.ask("reload", "--yes")
    lines = {LINES[channel] for channel in CHANNELS}

    for cut in range(1 + CUTS):
        seen = len(machine.edges)

        def risen(seen: int = seen) -> int:
            return sum(1 for edge in machine.edges[seen:] if edge.level and edge.line in lines)

        machine.wait(lambda: risen() >= 1, "a run", 120)
        before = rig.rows()
        if cut == CUTS:
            break
        # Another moment each time: in a run, right after one, or somewhere between.
        more = risen() + 1
        machine.wait(lambda more=more: risen() >= more, "one more run", 60)  # type: ignore[misc]
        if cut:
            machine.wait(lambda: not any(machine.level(line) for line in lines), "its end", 10)
        machine.cut_power()
        # What its battery-backed clock says when the power is back: later than any row.
        now_at += timedelta(seconds=machine.edges[-1].boot_s + 5)
        machine.start(rtc=f"{now_at:%FT%T}")
        after = rig.rows()
        assert after[: len(before)] == before, "what had been read before the cut"
        rig.wait_for_daemon()

    rig.run(f"systemctl stop {SERVICE}")
    boot_ids = machine.boot_ids
    unknown = cut_short = 0
    for channel in CHANNELS:
        runs, pulses = rig.runs(channel), machine.pulses(LINES[channel])
        of = _runs_of(pulses, runs, boot_ids)
        assert len({run.reserved.seq for _, run in of}) == len(of), "no reservation is used twice"
        for pulse, run in of:
            if pulse.end_s is None:
                assert run.is_worst_case, "it was on when the power was cut"
                cut_short += 1
                continue
            assert run.settled is None or run.covers(pulse)
            assert pulse.run_s <= RUN_S + 0.5
        unknown += sum(1 for run in runs if run.settled is not None and run.outcome == "unknown")
    assert cut_short >= 1, "one cut was in a run"
    slots = [row.slot for row in rig.rows() if row.slot is not None]
    assert len(set(slots)) == len(slots)
    figures.say(f"{len(slots)} scheduled doses over {CUTS} power cuts: {unknown} unknown, none twice")
