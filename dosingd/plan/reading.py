"""YAML text to (Plan, Marks), or every fault with its line: the only maker of plans.

Three stages. Syntax (`nodes`): one fault at most, for nothing after it can be trusted. Structure (`structure`,
`leaves`): every setting that is unknown, doubled, missing, of the wrong shape or in the wrong unit. Plausibility
(`plausible`, `deriving`, `rules`): whatever structured, against its range and the other settings. All faults of the
last two stages come together.
"""

from __future__ import annotations

import hashlib
from datetime import time
from typing import TypeVar

from attrs import evolve

from dosingd.errors import Fault, PlanRefused
from dosingd.plan.amounts import Amounts
from dosingd.plan.defaults import (
    COLDEST_C,
    PORT,
    PORT_TLS,
    RESERVE_PERCENT,
    RUN_TIMES,
    SALINITY,
    SMALLEST_UL,
    TEMPERATURE_C,
    WARN_DAYS,
)
from dosingd.plan.deriving import Deriving
from dosingd.plan.model import (
    Apart,
    Broker,
    Channel,
    ClockPolicy,
    Float,
    Input,
    Limits,
    LocalSpan,
    Plan,
    Pump,
    Reservoir,
    Stock,
    Tank,
    Window,
    WithoutClock,
)
from dosingd.plan.nodes import SyntaxRefused, read_nodes
from dosingd.plan.rules import Rules
from dosingd.plan.structure import Marks, Values, Walk
from dosingd.records import Substance

T = TypeVar("T")

DAY_S = 86_400.0


def read_plan(text: bytes, name: str) -> tuple[Plan, Marks]:
    """The plan that a file's bytes say, and where each of its settings stands. `name` is the file's, for messages.

    Raises PlanRefused with every fault, ordered by place.
    """
    marks = Marks(name)
    try:
        root = read_nodes(text)
    except SyntaxRefused as refused:
        raise refused_plan([refused.fault], name) from None
    walk = Walk(marks)
    walk.plan(root)
    faults = walk.faults

    def fault(path: str, message: str) -> None:
        faults.append(marks.fault(path, message))

    derived = Deriving(walk.values, fault)
    derived.all()
    Rules(walk.values, derived, fault).all()
    Amounts(walk.values, derived, fault).all()
    if faults:
        raise refused_plan(faults, name)
    plan = _plan(walk.values, derived, hashlib.sha256(text).hexdigest())
    return evolve(plan, text=text.decode("utf-8")), marks


def refused_plan(faults: list[Fault], name: str) -> PlanRefused:
    """The refusal of a plan, with each fault on a line of its own and the next step at the end."""
    ordered = sorted(set(faults), key=lambda fault: (fault.line, fault.column, fault.path, fault.message))
    count = "1 fault" if len(ordered) == 1 else f"{len(ordered)} faults"
    lines = [fault.text(name) for fault in ordered]
    return PlanRefused("\n".join([*lines, f"{count}. Mend the file, then: dosingd check {name}"]), ordered)


def _plan(values: Values, derived: Deriving, sha256: str) -> Plan:
    quiet = tuple(_span(values, path) for path in values.items("quiet"))
    without = values.get("clock.without", str)
    return Plan(
        rig=values.must("rig", str),
        timezone=values.must("timezone", str),
        clock=ClockPolicy(
            rtc=_or(values.get("clock.rtc", bool), False),
            without=WithoutClock(without) if without else WithoutClock.NONE if quiet else WithoutClock.HALF,
        ),
        tank=Tank(
            water_l=values.must("tank.water", float),
            salinity=_or(values.get("tank.salinity", float), SALINITY),
            temperature_c=_or(values.get("tank.temperature", float), TEMPERATURE_C),
            co2_ppm=values.get("tank.co2", float),
        ),
        stocks={stock: _stock(values, derived, stock) for stock in values.ids("stocks")},
        channels={channel: _channel(values, derived, channel) for channel in values.ids("channels")},
        apart=tuple(
            Apart(
                tuple(values.must(item, str) for item in values.items(f"{path}.between")),
                values.must(f"{path}.gap", float),
            )
            for path in values.items("apart")
        ),
        quiet=quiet,
        inputs={
            name: Input(
                name, values.must(f"inputs.{name}.gpio", int), values.must(f"inputs.{name}.{when}", str) == "closed"
            )
            for name, when in (("circulation", "runs_when"), ("leak", "wet_when"), ("hold_switch", "holds_when"))
            if f"inputs.{name}" in values.said
        },
        keep_alive_gpio=values.get("keep_alive.gpio", int),
        alarm_output_gpio=values.get("alarm_output.gpio", int),
        mqtt=_broker(values) if "mqtt" in values.said else None,
        sha256=sha256,
    )


def _or(value: T | None, default: T) -> T:
    return default if value is None else value


def _span(values: Values, path: str) -> LocalSpan:
    return LocalSpan(values.must(f"{path}.from", time), values.must(f"{path}.to", time))


def _stock(values: Values, derived: Deriving, stock: str) -> Stock:
    base = f"stocks.{stock}"
    return Stock(
        id=stock,
        gives=Substance(values.must(f"{base}.gives", str)),
        strength=derived.strengths.get(stock),
        salts=derived.portions.get(stock, ()),
        made_up_to_l=values.get(f"{base}.made_up_to", float),
        coldest_c=_or(values.get(f"{base}.coldest", float), COLDEST_C),
    )


def _channel(values: Values, derived: Deriving, channel: str) -> Channel:
    base = f"channels.{channel}"
    flow = values.must(f"{base}.pump.nominal_flow", float)
    day_ul = values.must(f"{base}.limits.day", int)
    holds_ul = values.must(f"{base}.reservoir.holds", int)
    warn_s = values.get(f"{base}.reservoir.warn", float)
    floating = f"{base}.reservoir.float"
    return Channel(
        id=channel,
        stock=values.must(f"{base}.stock", str),
        daily=derived.daily[channel],
        doses=values.must(f"{base}.doses", int),
        when=tuple(
            Window(_span(values, path), values.must(f"{path}.share", float)) for path in values.items(f"{base}.when")
        ),
        pump=Pump(
            gpio=values.must(f"{base}.pump.gpio", int),
            nominal_ul_per_s=flow,
            smallest_ul=_or(values.get(f"{base}.pump.smallest", int), SMALLEST_UL),
            speed=values.get(f"{base}.pump.speed", float),
        ),
        limits=Limits(
            dose_ul=values.must(f"{base}.limits.dose", int),
            day_ul=day_ul,
            run_s=_or(values.get(f"{base}.limits.run", float), RUN_TIMES * day_ul / flow),
            rise_umol=derived.rises_umol.get(channel),
        ),
        reservoir=Reservoir(
            holds_ul=holds_ul,
            reserve_ul=_or(values.get(f"{base}.reservoir.reserve", int), holds_ul * RESERVE_PERCENT // 100),
            warn_days=WARN_DAYS if warn_s is None else warn_s / DAY_S,
            float_=(
                Float(values.must(f"{floating}.gpio", int), values.must(f"{floating}.low_when", str) == "open")
                if floating in values.said
                else None
            ),
        ),
        line_ul=values.get(f"{base}.line", int),
    )


def _broker(values: Values) -> Broker:
    ca_file = values.get("mqtt.tls.ca", str)
    tls = ca_file is not None or _or(values.get("mqtt.tls", bool), False)
    prefix = values.get("mqtt.hub_prefix", str)
    broker = Broker(
        host=values.must("mqtt.host", str),
        port=_or(values.get("mqtt.port", int), PORT_TLS if tls else PORT),
        tls=tls,
        ca_file=ca_file,
        username=values.get("mqtt.username", str),
        password_file=values.get("mqtt.password_file", str),
        hub_discovery=_or(values.get("mqtt.hub_discovery", bool), False),
        orders=tuple(values.must(path, str) for path in values.items("mqtt.orders.allow")),
    )
    return broker if prefix is None else evolve(broker, hub_prefix=prefix)
