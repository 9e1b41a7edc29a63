"""`dosingd run`: the daemon. Pins are driven low before anything slow is imported, so that is imported by name."""

from __future__ import annotations

import importlib
from pathlib import Path

import click

from dosingd.cli.wishes import options_everywhere, wishes
from dosingd.clock import SystemClock
from dosingd.daemon.early import first_steps


@click.command(
    epilog="Example:  dosingd run --plan config/lagoon.yaml --bench --state /tmp/bench",
)
@click.option("--bench", is_flag=True, help="Pretend pins: nothing is pumped; their levels go to DIR/pulses.jsonl.")
@click.option("--witness", metavar="DIR", help="Where the ledger's witness lies, if init was told to put it elsewhere.")
@options_everywhere
def run(bench: bool, witness: str | None) -> int:
    """Dose as the plan says, until it is stopped (Ctrl-C, or SIGTERM)."""
    asked = wishes()
    state = asked.state_directory().absolute()
    plan_file = asked.plan_file(None).absolute()
    clock = SystemClock()
    early = first_steps(state, clock, bench=bench)
    # By name, so that nothing slow is imported before the lines are low.
    wiring = importlib.import_module("dosingd.daemon.wiring")
    parts = importlib.import_module("dosingd.daemon.parts")
    planfile = importlib.import_module("dosingd.cli.planfile")
    statedir = importlib.import_module("dosingd.cli.statedir")
    made = parts.parts_for(
        state,
        plan_file,
        Path(witness).absolute() if witness else statedir.witness_directory(state),
        clock,
        early,
        bench=bench,
        read_bytes=planfile.bytes_of,
    )
    status: int = wiring.Daemon(made).run()
    return status
