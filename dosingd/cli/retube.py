"""`dosingd retube`: new head tubing; the calibration ends."""

from __future__ import annotations

from pathlib import Path

import click

from dosingd.cli.asking import asked, told
from dosingd.cli.reply import Reply
from dosingd.cli.unmanned import unmanned
from dosingd.cli.wishes import options_everywhere
from dosingd.commissioning import no_channel, retubed_words
from dosingd.errors import NoDaemon
from dosingd.records import Retubed
from dosingd.requests import Answer, Retube


@click.command(
    epilog="Example:  dosingd retube alk",
)
@click.argument("channel", metavar="CH")
@click.option("--witness", metavar="DIR", help="Without a daemon: where the ledger's witness lies, if init was told.")
@options_everywhere
def retube(channel: str, witness: str | None) -> Reply:
    """Book new head tubing. The channel's calibration ends, and it does not dose until there is another.

    Works with the running daemon and without one.
    """
    request = Retube(channel)
    try:
        answer = asked(request)
    except NoDaemon:
        answer = without_daemon(request, None if witness is None else Path(witness))
    return Reply(answer.data, str(answer.data.get("message", "")), messages=answer.messages)


def without_daemon(request: Retube, witness: Path | None) -> Answer:
    """Straight into the ledger, under the daemon's lock."""
    with unmanned(witness) as rig:
        unknown = no_channel(rig.plan, request.channel)
        if unknown is not None:
            raise told(unknown)
        rig.write(Retubed(request.channel))
    return Answer(0, {"ok": True, "message": retubed_words(request.channel)}, tuple(rig.messages))
