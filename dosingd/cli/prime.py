"""`dosingd prime`: fills a line to its end, into a measuring cup or into the tank."""

from __future__ import annotations

import click

from dosingd.cli.asking import asked, on_terminal
from dosingd.cli.byhand import LeftAlone, ran, volume_of
from dosingd.cli.reply import Reply, put_messages
from dosingd.cli.wishes import options_everywhere
from dosingd.errors import DosingError, Told
from dosingd.records import Into
from dosingd.requests import Prime, Resume, Suspend


@click.command(
    epilog="Example:  dosingd prime alk --into cup",
)
@click.argument("channel", metavar="CH")
@click.argument("volume", metavar="[VOLUME]", nargs=-1)
@click.option("--into", type=click.Choice([each.value for each in Into]), required=True, help="Where the outlet hangs.")
@options_everywhere
def prime(channel: str, volume: tuple[str, ...], into: str) -> Reply:
    """Fill a line to its end. Without a VOLUME it is what the plan says the line holds.

    Into the tank it counts as given. Into a cup it draws on an allowance of its own; on a terminal the channel's
    scheduled doses wait meanwhile, for 30 minutes without input at most. The daemon must be running.
    """
    request = Prime(channel, volume_of(volume) if volume else None, Into(into))
    if request.into is Into.CUP and on_terminal():
        return guided(request)
    return ran(request)


def guided(request: Prime) -> Reply:
    """Suspend, outlet over the cup, run, outlet back over the tank, resume."""
    name = request.channel
    asked(Suspend(name))
    try:
        put_messages([f"{name}: its scheduled doses wait now. Stocks can burn skin and eyes: gloves and goggles on."])
        _wait_for(f"{name}: hang the outlet over a measuring cup, then press Enter")
        reply, refused = None, None
        try:
            reply = ran(request)
        except LeftAlone as left:
            put_messages([str(left)])
            raise click.Abort from left
        except DosingError as fault:  # the outlet hangs over the cup all the same
            refused = fault
            put_messages([str(fault)])
        _wait_for(f"{name}: hang the outlet over the tank again, then press Enter")
    except (click.Abort, KeyboardInterrupt):
        raise Told(
            f"{name}: left in the middle. Its scheduled doses wait until 30 minutes have passed without input, and "
            f"then an alarm says so. Hang the outlet over the tank; to end it sooner, do it again to its end: "
            f"dosingd prime {name} --into cup",
            "stopped",
            1,
        ) from None
    asked(Resume(name))
    put_messages([f"{name}: it doses again."])
    if reply is None:
        assert refused is not None
        raise refused
    return reply


def _wait_for(what: str) -> None:
    click.prompt(what, default="", show_default=False, prompt_suffix=": ", err=True)
