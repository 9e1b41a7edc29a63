"""What the machine needs: a rehearsed year and what it is spent on, and the import time and memory of `dosingd check`.

Asked for by name: pytest -m benchmark -s. Every bound is held against something measured in the same run, so that a
slow machine does not turn it red.
"""

from __future__ import annotations

import cProfile
import json
import pstats
import subprocess
import sys
from collections import defaultdict
from datetime import date
from pathlib import Path
from time import perf_counter

import pytest

from dosingd.plan import read_plan
from dosingd.rehearsal import rehearse

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "config" / "lagoon.yaml"
PACKAGE = ROOT / "dosingd"

#: Imports what is named, does what is asked, and prints its seconds and its largest resident set in KiB. The set is
#: VmHWM of /proc/self/status: ru_maxrss would also count the process that it was forked from.
PROBE = """
import sys
from time import perf_counter
start = perf_counter()
{body}
seconds = perf_counter() - start
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM:")).split()[1]
import json
print(json.dumps({{"seconds": seconds, "kib": int(peak)}}), file=sys.stderr)
"""
CHECK = f"""
from dosingd.cli import main
sys.argv = ["dosingd", "check", {str(EXAMPLE)!r}]
try:
    main()
except SystemExit as end:
    assert end.code in (0, None), end.code
"""


def _probe(body: str) -> dict[str, float]:
    """The quickest of three runs in a process of its own."""
    runs = []
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-c", PROBE.format(body=body)], cwd=ROOT, capture_output=True, text=True, check=True
        )
        runs.append(json.loads(done.stderr.strip().splitlines()[-1]))
    return {"seconds": min(run["seconds"] for run in runs), "kib": min(run["kib"] for run in runs)}


def _room_of(filename: str) -> str:
    path = Path(filename)
    if PACKAGE in path.parents:
        first = path.relative_to(PACKAGE).parts[0]
        return first.removesuffix(".py")
    return "sqlite3" if "sqlite3" in filename else "libraries"


@pytest.mark.benchmark
def test_a_rehearsed_year_of_the_example_plan() -> None:
    plan, _ = read_plan(EXAMPLE.read_bytes(), EXAMPLE.name)
    start = perf_counter()
    report = rehearse(plan, days=365, start=date(2026, 1, 1))
    year_s = perf_counter() - start

    profile = cProfile.Profile()
    month_start = perf_counter()
    profile.runcall(rehearse, plan, days=30, start=date(2026, 1, 1))
    profiled_s = perf_counter() - month_start
    rooms: dict[str, float] = defaultdict(float)
    for (filename, _, name), (_, _, own_s, _, _) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        rooms["sqlite3" if "sqlite3" in name else _room_of(filename)] += own_s
    print(
        f"\nA rehearsed year: {year_s:.1f} s, {sum(c.doses for d in report.days for c in d.channels.values())} doses."
    )
    print(f"What 30 days are spent on, by own time under a profiler ({profiled_s:.1f} s):")
    for room, own_s in sorted(rooms.items(), key=lambda one: -one[1])[:12]:
        print(f"  {room:<12} {100 * own_s / sum(rooms.values()):5.1f} %")

    for day in report.days:
        for of in day.channels.values():
            assert (of.given_ul, of.refused, of.missed) == (of.planned_ul, 0, 0)
    # A year is 12 months and no more: nothing grows with what lies behind.
    month = perf_counter()
    rehearse(plan, days=30, start=date(2026, 1, 1))
    month_s = perf_counter() - month
    print(f"30 days: {month_s:.2f} s; a year is {year_s / month_s:.1f} times that (12.2 by days).")
    assert year_s < 2 * 365 / 30 * month_s


@pytest.mark.benchmark
def test_the_import_time_and_memory_of_check() -> None:
    empty = _probe("pass")
    libraries = _probe("import attrs, click, pint, rich.console, rich.table, sqlite3, yaml, zoneinfo")
    imported = _probe("import dosingd.cli")
    checked = _probe(CHECK)
    print()
    for what, of in (
        ("python alone", empty),
        ("the libraries alone", libraries),
        ("import dosingd.cli", imported),
        ("dosingd check config/lagoon.yaml", checked),
    ):
        print(f"  {what:<34} {of['seconds']:6.3f} s  {of['kib'] / 1024:6.1f} MiB")
    # The project's own modules cost less than the libraries under them, and a check stays far from 512 MB.
    assert imported["seconds"] < 2 * libraries["seconds"]
    assert checked["kib"] < 2.5 * libraries["kib"]
    assert checked["kib"] < 150 * 1024
