"""`dosingd calibrate`: a pump's flow from timed runs; guided on a terminal, or from runs that the keeper timed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from dosingd.acceptance import WIDE, Measured
from dosingd.cli.amounts import TEMPERATURE, Amount, pairs
from dosingd.cli.asking import answer_of, on_terminal
from dosingd.cli.measured import Weighed, declared
from dosingd.cli.reply import REFUSED, Reply
from dosingd.cli.unmanned import unmanned
from dosingd.cli.wishes import options_everywhere
from dosingd.cli.words import ml, number
from dosingd.commissioning import judge_and_book, no_channel
from dosingd.errors import NoDaemon, Refusal, UnitRefused
from dosingd.requests import Answer, Calibrate
from dosingd.units import density_kg_per_l

DENSITY = Amount("density", density_kg_per_l)
#: A 95 % interval of a dose that is wider than this is worth more runs.
WIDE_PERCENT = 10.0
#: A lag of this share of a dose decides about the dose.
LAG_SHARE = 0.2


@click.command(
    epilog='Example:  dosingd calibrate alk --water 22degC --run "10 s=2.51 g" --run "30 s=7.46 g" --run "30 s=7.49 g"',
)
@click.argument("channel", metavar="CH")
@click.option("--run", "runs", multiple=True, metavar="RUN", help='A run that you timed: "SECONDS=VOLUME or MASS".')
@click.option("--water", type=TEMPERATURE, metavar="T", help="The masses are of water at this temperature.")
@click.option("--density", type=DENSITY, metavar="D", help="The masses are of a stock of this density.")
@click.option("--witness", metavar="DIR", help="Without a daemon: where the ledger's witness lies, if init was told.")
@options_everywhere
def calibrate(
    channel: str, runs: tuple[str, ...], water: float | None, density: float | None, witness: str | None
) -> Reply:
    """Find a pump's flow from timed test runs: at least three, of at least two lengths.

    Without --run it is guided, on a terminal and with the running daemon: it says what to do, fills the line, runs the
    pump into a cup and asks what was measured. With --run it takes runs that you timed, with the daemon or without.
    """
    weighed = Weighed(water, density)
    if not runs:
        if not on_terminal():
            raise click.UsageError(
                'Guided it needs a terminal. Or say the runs that you timed: --run "10 s=2.5 mL" --run ...',
                click.get_current_context(),
            )
        from dosingd.cli.calibrating import guided  # only where somebody sits

        return guided(channel, weighed)
    try:
        return reply_to(channel, settle(channel, declared(runs, weighed), witness))
    except UnitRefused as refused:
        text = (
            f"{refused} Nothing was booked, and {channel} goes on as before. Next: dosingd calibrate {channel}, with"
            " every run once more"
        )
        return refusal(text, refused.code, refused.exit_status)
    except Refusal as refused:
        return refusal(str(refused), refused.code, refused.exit_status)


def settle(channel: str, measured: Measured, witness: str | None = None) -> Answer:
    """Judged and booked: by the running daemon, or without one straight into the ledger."""
    request = Calibrate(channel, measured.runs, measured.source, measured.water_c, measured.density_kg_per_l)
    try:
        return answer_of(request)
    except NoDaemon:
        with unmanned(None if witness is None else Path(witness)) as rig:
            unknown = no_channel(rig.plan, channel)
            return unknown or judge_and_book(rig.plan, rig.books, channel, measured, rig.write)


def refusal(message: str, code: str, status: int) -> Reply:
    """A refusal in the verb's own form as well: nothing was accepted, and why."""
    figures = ("flow_ml_per_min", "lag_ml", "flow_standard_error_ml_per_min", "residual_rms_ml", "interval95_percent")
    data = {**dict.fromkeys(figures), "accepted": False, "reason": message}
    return Reply({**data, "error": {"code": code, "message": message}}, "", status, [message])


def reply_to(channel: str, answer: Answer) -> Reply:
    """The verdict for a program and for a person."""
    if not answer.data:
        return refusal(answer.text or "The daemon gave no reason.", answer.code or "refused", answer.status or REFUSED)
    text = text_of(channel, answer.data)
    if answer.status == 0:
        return Reply(answer.data, text, messages=[*answer.messages, *doubts(channel, answer.data)])
    error = {"code": answer.code, "message": answer.text}
    return Reply({**answer.data, "error": error}, text, answer.status, [*answer.messages, f"{answer.text}"])


def text_of(channel: str, data: Mapping[str, Any]) -> str:
    """Runs, line and interval, within 80 columns; empty where no line could be laid."""
    if data["flow_ml_per_min"] is None:
        return ""
    lines = [f"{channel}: {'calibrated' if data['accepted'] else 'not accepted'}"]
    rows = [
        (
            f"{number(each['seconds'])} s",
            f"{ml(each['volume_ml'] * 1000)}, {round(each['residual_ml'] * 1000):+d} µL off the line",
        )
        for each in data["runs"]
    ]
    error = f" ± {_error(data['flow_standard_error_ml_per_min'])} (standard error)"
    rows += [
        ("Flow", f"{number(data['flow_ml_per_min'])} mL/min{error}"),
        ("Lag", f"{ml(data['lag_ml'] * 1000)} beyond flow × time, ± {_error(data['lag_standard_error_ml'])}"),
        ("Residuals", f"{ml(data['residual_rms_ml'] * 1000)} rms"),
        ("A dose", f"of {ml(data['dose_ml'] * 1000)} lies within ± {number(data['interval95_percent'])} % (95 %)"),
    ]
    return "\n".join([*lines, pairs(rows)])


def _error(value: float) -> str:
    """A standard error; figures that go together to the digit are not known without one."""
    return number(value) if value >= 0.0005 else "less than 0.001"


def doubts(channel: str, data: Mapping[str, Any]) -> list[str]:
    """What a keeper should know of a calibration that was accepted."""
    found = list(data.get("cautions", ()))
    if WIDE_PERCENT < data["interval95_percent"] <= WIDE * 100:  # beyond that the verdict itself cautions
        found.append(f"{channel}: the interval is wide. More runs, and longer ones, narrow it.")
    if abs(data["lag_ml"]) > LAG_SHARE * data["dose_ml"]:
        found.append(f"{channel}: the lag is a large part of a dose. Runs as short as a dose tell it better.")
    return found
