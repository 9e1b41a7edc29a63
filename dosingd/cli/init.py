"""`dosingd init`: the first ledger of a rig. Nothing else ever makes one (R3)."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from pathlib import Path

import click

from dosingd.agenda import zone_start_at
from dosingd.books import Books
from dosingd.cli.planfile import sound_plan
from dosingd.cli.reply import Reply
from dosingd.cli.statedir import ledger_path, witness_directory
from dosingd.cli.wishes import options_everywhere, wishes
from dosingd.clock import SystemClock
from dosingd.flows import bench_calibration
from dosingd.ledger import Book, Witness
from dosingd.limits import plan_loaded
from dosingd.plan import Plan
from dosingd.records import Event, Identified, LedgerMade, Reading
from dosingd.reservoir import filled


@click.command(
    epilog="Example:  dosingd init --plan config/lagoon.yaml --bench --state /tmp/bench",
)
@click.option("--bench", is_flag=True, help="A ledger for pretend pins, with full reservoirs; real pins refuse it.")
@click.option("--witness", metavar="DIR", help="Where the ledger's witness lies; better on another partition.")
@options_everywhere
def init(bench: bool, witness: str | None) -> Reply:
    """Make the first ledger. Without it no pump runs; where there is one already it is left alone."""
    asked = wishes()
    plan, messages = sound_plan(asked.plan_file(None))
    state = asked.state_directory()
    place = Path(witness) if witness else witness_directory(state)
    reading = SystemClock().now()
    made = LedgerMade(ledger_id=uuid.uuid4().hex, bench=bench)
    book = Book.make(ledger_path(state), Witness(place), made, reading)
    try:
        for event in first_events(plan, reading, bench=bench):
            book.append(event, reading)
    finally:
        book.close()
    path = str(ledger_path(state))
    data = {"ledger": path, "ok": True, "ledger_id": made.ledger_id, "bench": bench, "witness": str(place)}
    return Reply(data, _text(plan, path, place, bench), messages=messages)


def first_events(plan: Plan, reading: Reading, *, bench: bool) -> Iterator[Event]:
    """What a new ledger begins with: the plan, and on a bench full reservoirs and the nominal flow."""
    yield plan_loaded(plan, zone_start_at(plan, Books(), reading.wall_at))
    if not bench:
        return
    for name, channel in plan.channels.items():
        yield filled(plan, name)
        yield bench_calibration(channel)
    yield Identified({name: channel.pump.gpio for name, channel in plan.channels.items()})


def _text(plan: Plan, path: str, place: Path, bench: bool) -> str:
    lines = [f"{plan.rig}: the ledger is made, {path}", f"Its witness lies in {place}"]
    if bench:
        lines.append("It is a bench's: reservoirs full, pumps at their nominal flow, and real pins refuse it.")
    lines.append("The allowance begins at zero and grows with the hours: the first doses may be refused.")
    if not bench:
        lines.append("Then say what is in each reservoir, or no level and no strength of it is known:")
        lines += [f"  dosingd refill {name} --to VOLUME" for name in plan.channels]
    lines.append(f"To see it: dosingd history --state {Path(path).parent}")
    return "\n".join(lines)
