"""Watches the simulated lines themselves and writes every change of a level to a serial line, as JSON lines.

It reads what the driver says each line's level is, 500 times a second, before everything else that runs; nothing of
the project is in it. A sample that comes late could hide a change, so the longest time between two is told as well.

Out: {"hello": boot id}, once; {"line": 17, "level": 1, "boot_s": 12.345, "gap_s": 0.002}, at first for every line;
and once a second {"boot_s", "worst_gap_s"}. `gap_s` is how long before that the line was last seen at its former level.
"""

import json
import os
import select
import time
import tty

#: GPIO lines of the plans that are tried.
LINES = (5, 17, 22, 23, 24, 27)
PERIOD_S = 0.002
BANK = "/sys/devices/platform/gpio-sim.0/gpiochip0/sim_gpio{}/value"


def boot_s() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)  # noqa: TID251 - an observer of its own, not of the project


def main() -> None:
    port = os.open("/dev/ttyS2", os.O_RDWR | os.O_NOCTTY)
    tty.setraw(port)
    with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as boot:
        os.write(port, json.dumps({"hello": boot.read().strip()}).encode() + b"\n")
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(50))
    files = [(line, os.open(BANK.format(line), os.O_RDONLY)) for line in LINES]
    levels: dict[int, bytes] = {}
    last_s, told_s, worst_s = boot_s(), 0.0, 0.0
    while True:
        now_s = boot_s()
        worst_s = max(worst_s, now_s - last_s)
        said = b""
        for line, file in files:
            level = os.pread(file, 1, 0)
            if levels.get(line) != level:
                levels[line] = level
                change = {"line": line, "level": int(level), "boot_s": now_s, "gap_s": now_s - last_s}
                said += json.dumps(change).encode() + b"\n"
        if now_s - told_s >= 1:
            said += json.dumps({"boot_s": now_s, "worst_gap_s": worst_s}).encode() + b"\n"
            told_s, worst_s = now_s, 0.0
        if said:
            os.write(port, said)
        last_s = now_s
        select.select((), (), (), PERIOD_S)


if __name__ == "__main__":
    main()
