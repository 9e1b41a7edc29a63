"""`dosingd dose`: a dose by hand into the tank, through the gate."""

from __future__ import annotations

import click

from dosingd.cli.byhand import ran, volume_of
from dosingd.cli.reply import Reply
from dosingd.cli.wishes import options_everywhere
from dosingd.requests import Dose


@click.command(
    epilog='Example:  dosingd dose alk "4 mL"',
)
@click.argument("channel", metavar="CH")
@click.argument("volume", metavar="VOLUME", nargs=-1, required=True)
@options_everywhere
def dose(channel: str, volume: tuple[str, ...]) -> Reply:
    """Give a dose by hand into the tank, beside the day's plan.

    It passes the same gate as every dose and counts in every limit. The scheduled doses that will be refused because
    of it are named. The daemon must be running.
    """
    return ran(Dose(channel, volume_of(volume)))
