"""The rules between settings that are no figures: lines, leaders, windows, gaps, quiet times, the broker.

A rule speaks only when all the settings it needs were read, so that one mistake is reported once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import time
from ipaddress import ip_address
from itertools import combinations

from attrs import define

from dosingd.plan.deriving import Deriving
from dosingd.plan.leaves import did_you_mean
from dosingd.plan.model import Follows, LocalSpan
from dosingd.plan.structure import Values
from dosingd.records import Substance
from dosingd.words import plain

_MINUTES = 24 * 60


@define
class Rules:
    """One pass over what was read and derived. `fault(path, message)` reports."""

    values: Values
    derived: Deriving
    fault: Callable[[str, str], None]

    def all(self) -> None:
        """Every rule."""
        self._lines()
        self._follows()
        for channel in self.values.ids("channels"):
            self._windows(channel)
        self._apart()
        self._quiet()
        self._broker()

    def _lines(self) -> None:
        places = [
            *(f"channels.{channel}.pump.gpio" for channel in self.values.ids("channels")),
            *(f"channels.{channel}.reservoir.float.gpio" for channel in self.values.ids("channels")),
            *(f"inputs.{name}.gpio" for name in ("circulation", "leak", "hold_switch")),
            "keep_alive.gpio",
            "alarm_output.gpio",
        ]
        taken: dict[int, str] = {}
        for path in places:
            line = self.values.get(path, int)
            if line is None:
                continue
            if line in taken:
                self.fault(path, f"GPIO {line} is taken by {taken[line]}. Each use needs a line of its own.")
            else:
                taken[line] = path

    def _follows(self) -> None:
        channels = self.values.ids("channels")
        wrong: set[str] = set()

        def fault(path: str, message: str) -> None:
            self.fault(path, message)
            wrong.add(path.split(".")[1])

        for channel in channels:
            daily, path = self.derived.daily.get(channel), f"channels.{channel}.daily.follows"
            if not isinstance(daily, Follows):
                continue
            leader = daily.channel
            led = self.derived.daily.get(leader)
            gives, gives_leader = self.derived.gives(channel), self.derived.gives(leader)
            if leader == channel:
                fault(path, "a channel cannot follow itself. Name another channel, or plan a change or a volume.")
            elif leader not in channels:
                near = did_you_mean(leader, channels) or f" There are {', '.join(channels)}."
                fault(path, f'no channel is called "{leader}".{near}')
            elif isinstance(led, Follows):
                fault(
                    path,
                    f"{leader} follows {led.channel} itself. Follow a channel that is planned by a change or a volume.",
                )
            elif gives is None or gives_leader is None:
                continue
            elif gives is Substance.OTHER:
                fault(
                    path,
                    "the stock gives other, so there is nothing to follow with. Plan it by a volume, as daily: 10 mL",
                )
            elif gives_leader is Substance.OTHER:
                fault(
                    path,
                    f"the stock of {leader} gives other, so there is no change to follow. Plan a change or a volume.",
                )
            elif daily.per_meq_umol is not None and gives_leader is not Substance.ALKALINITY:
                fault(
                    f"channels.{channel}.daily.per_dkh",
                    f"{leader} gives {gives_leader}, not alkalinity. Follow an alkalinity channel.",
                )
            elif daily.per_meq_umol is None and {gives, gives_leader} not in (
                {Substance.ALKALINITY, Substance.CALCIUM},
                {gives},
            ):
                such_as = "0.27 mg/L" if gives is Substance.MAGNESIUM else "20 mg/L"
                fault(
                    f"channels.{channel}.daily.per_dkh",
                    (
                        f"missing. Only alkalinity and calcium balance by themselves; say how much {gives} goes with 1"
                        f" dKH, as per_dkh: {such_as}"
                        if gives_leader is Substance.ALKALINITY
                        else (
                            f"missing. {gives} cannot follow {gives_leader}: follow an alkalinity channel, with"
                            f" per_dkh: {such_as}"
                        )
                    ),
                )
        for channel in wrong:  # what follows wrongly has no figures, and no rule between figures speaks of it
            del self.derived.daily[channel]

    def _span(self, path: str) -> LocalSpan | None:
        start, end = self.values.get(f"{path}.from", time), self.values.get(f"{path}.to", time)
        return None if start is None or end is None else LocalSpan(start, end)

    def _windows(self, channel: str) -> None:
        path = f"channels.{channel}.when"
        covered: dict[int, int] = {}
        total = 0.0
        whole = True
        for index, item in enumerate(self.values.items(path)):
            span, share = self._span(item), self.values.get(f"{item}.share", float)
            if span is None or share is None:
                whole = False
                continue
            total += share
            if _empty(span):
                self.fault(f"{item}.to", "the window ends when it begins. For a whole day, leave it out.")
                whole = False
                continue
            met = sorted({covered[minute] for minute in _minutes(span) if minute in covered})
            if met:
                self.fault(item, f"this window overlaps {path}[{met[0]}]. A moment can be in one window only.")
                whole = False
            covered.update(dict.fromkeys(_minutes(span), index))
        if total > 1 + 1e-9:
            self.fault(path, f"the shares come to {plain(total * 100)} %; a day has 100 %.")
        elif whole and len(covered) == _MINUTES and total < 1 - 1e-9:
            self.fault(
                path,
                f"the windows fill the day, so the other {plain((1 - total) * 100)} % could not be given. Let the"
                " shares come to 100 %.",
            )

    def _apart(self) -> None:
        channels = self.values.ids("channels")
        pairs: set[frozenset[str]] = set()
        unread = "apart" in self.values.said and not self.values.items("apart")
        for rule in self.values.items("apart"):
            names: list[str] = []
            for path in self.values.items(f"{rule}.between"):
                name = self.values.get(path, str)
                if name is None:
                    unread = True
                elif name not in channels:
                    unread = True
                    near = did_you_mean(name, channels) or f" There are {', '.join(channels)}."
                    self.fault(path, f'no channel is called "{name}".{near}')
                elif name in names:
                    self.fault(path, f"{name} is named twice. A rule keeps different channels apart.")
                else:
                    names.append(name)
            pairs.update(frozenset(pair) for pair in combinations(names, 2))
            unread = unread or len(names) < 2
        if unread:
            return
        for one, other in combinations(channels, 2):
            both = {self.derived.gives(one), self.derived.gives(other)}
            if both == {Substance.ALKALINITY, Substance.CALCIUM} and frozenset((one, other)) not in pairs:
                self.fault(
                    "apart",
                    f"nothing keeps {one} and {other} apart: alkalinity and calcium must not meet before they are"
                    f" thinned. Write - {{between: [{one}, {other}], gap: 20 min}} under apart.",
                )

    def _quiet(self) -> None:
        quiet: set[int] = set()
        for item in self.values.items("quiet"):
            span = self._span(item)
            if span is None:
                continue
            if _empty(span):
                self.fault(f"{item}.to", "the quiet time ends when it begins. Mend it, or take it out.")
                continue
            quiet.update(_minutes(span))
        if len(quiet) == _MINUTES:
            self.fault("quiet", "the quiet times fill the day: nothing could be given.")

    def _orders(self) -> None:
        """R10: whoever can read or forge what passes on the network could give orders, and so could anybody at a
        broker that asks for no password."""
        plain = "mqtt.tls" not in self.values.said or self.values.get("mqtt.tls", bool) is False
        host = self.values.get("mqtt.host", str)
        if host is not None and plain and not _loopback(host):
            self.fault(
                "mqtt.orders",
                f"not without TLS: {host} is another machine, and anybody on the way could give orders. Write"
                " tls: true, or take orders out.",
            )
        if not {"mqtt.username", "mqtt.password_file"} & self.values.said:  # half of them is a fault already
            self.fault(
                "mqtt.orders",
                "not without a user: a broker that asks for no password takes orders from anybody. Write username and"
                " password_file, or take orders out.",
            )

    def _broker(self) -> None:
        said = self.values.said
        if "mqtt.username" in said and "mqtt.password_file" not in said:
            self.fault(
                "mqtt.password_file",
                "missing. A username needs the file that holds its password, as password_file:"
                " /etc/dosingd/mqtt-password",
            )
        if "mqtt.password_file" in said and "mqtt.username" not in said:
            self.fault("mqtt.username", "missing. A password needs the username that it belongs to.")
        if self.values.items("mqtt.orders.allow"):
            self._orders()
        allowed: list[str] = []
        for path in self.values.items("mqtt.orders.allow"):
            verb = self.values.get(path, str)
            if verb is not None and verb in allowed:
                self.fault(path, f"{verb} is allowed twice. Keep one of them.")
            allowed.append(verb or "")


def _loopback(host: str) -> bool:
    """Whether a host is this machine by what it is called; what a name leads to is not asked."""
    if host.casefold() == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _empty(span: LocalSpan) -> bool:
    """Whether a span ends when it begins; 00:00 to 24:00 is kept as 00:00 to 00:00 and is a whole day."""
    return span.from_ == span.to and (span.from_.hour, span.from_.minute) != (0, 0)


def _minutes(span: LocalSpan) -> Iterator[int]:
    """The minutes of the day that a span covers."""
    start, end = span.from_.hour * 60 + span.from_.minute, span.to.hour * 60 + span.to.minute
    if end <= start:
        yield from range(start, _MINUTES)
        yield from range(end)
    else:
        yield from range(start, end)
