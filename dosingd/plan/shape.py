"""The shape of a plan: which settings there are, which are needed, and how each is read. One table, the whole format.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Mapping

from attrs import frozen

from dosingd.plan import leaves
from dosingd.plan.leaves import Leaf


@frozen
class One:
    """A single value; `such_as` is what the keeper might write."""

    read: Leaf
    such_as: str


@frozen
class Group:
    """Settings with fixed names."""

    settings: Mapping[str, tuple[bool, Shape]]


@frozen
class Named:
    """Things under names of the keeper's choosing. The name itself is read by `name`."""

    each: Group
    such_as: str
    most: int
    name: Leaf = leaves.identifier


@frozen
class Several:
    """A list."""

    each: One | Group
    such_as: str
    least: int = 1


@frozen
class Either:
    """A single value, or a group."""

    one: One
    group: Group


Shape = One | Group | Named | Several | Either


def _group(**settings: Shape) -> Group:
    """A group; a name that ends in an underscore is needed, the others are optional."""
    return Group({key.rstrip("_"): (key.endswith("_"), shape) for key, shape in settings.items()})


_GPIO = One(leaves.gpio, "17")
_BOOLEAN = One(leaves.boolean, "true")
_OPEN_OR_CLOSED = One(leaves.choice("open", "closed"), "closed")
_FROM = One(leaves.local_time(last=False), '"21:00"')
_TO = One(leaves.local_time(last=True), '"09:00"')


def _volume(such_as: str) -> One:
    return One(leaves.volume_ul, such_as)


_LABEL = _group(adds_=One(leaves.anything, "0.05 dKH"), per_=_volume("1 mL"), to_=One(leaves.volume_l, "100 L"))

SHAPE = _group(
    rig_=One(leaves.identifier, "lagoon"),
    timezone_=One(leaves.time_zone, "Europe/Lisbon"),
    clock=_group(rtc=_BOOLEAN, without=One(leaves.choice("half", "none"), "half")),
    tank_=_group(
        water_=One(leaves.volume_l, "280 L"),
        salinity=One(leaves.salinity, "35 g/kg"),
        temperature=One(leaves.temperature_c, "25.5 degC"),
        co2=One(leaves.co2_uatm, "700 ppm"),
    ),
    stocks_=Named(
        _group(
            gives_=One(leaves.choice("alkalinity", "calcium", "magnesium", "other"), "alkalinity"),
            salts=Named(
                _group(
                    mass=One(leaves.mass_g, "190 g"),
                    bicarbonate=One(leaves.mass_g, "301 g"),
                    assay=One(leaves.fraction, "98.5 %"),
                    purity=One(leaves.fraction, "98.5 %"),
                ),
                "sodium carbonate: {mass: 190 g, assay: 98.5 %}",
                10,
                leaves.anything,
            ),
            made_up_to=One(leaves.volume_l, "2 L"),
            strength=_group(
                alkalinity=One(leaves.alkalinity_meq_per_l, "1.8 eq/L"),
                calcium=One(leaves.calcium_mmol_per_l, "40 g/L"),
                magnesium=One(leaves.magnesium_mmol_per_l, "30 g/L"),
                label=_LABEL,
            ),
            label=_LABEL,
            coldest=One(leaves.temperature_c, "14 degC"),
        ),
        "soda: {gives: alkalinity, strength: {alkalinity: 1.8 eq/L}}",
        100,
    ),
    channels_=Named(
        _group(
            stock_=One(leaves.identifier, "soda"),
            daily_=Either(
                One(leaves.anything, "1.2 dKH"),
                _group(follows_=One(leaves.identifier, "alk"), per_dkh=One(leaves.anything, "0.27 mg/L")),
            ),
            doses_=One(leaves.whole_number, "24"),
            when=Several(
                Group({"from": (True, _FROM), "to": (True, _TO), "share": (True, One(leaves.fraction, "60 %"))}),
                '{from: "21:00", to: "09:00", share: 60 %}',
            ),
            pump_=_group(
                gpio_=_GPIO,
                nominal_flow_=One(leaves.flow_ul_per_s, "15 mL/min"),
                smallest=_volume("0.5 mL"),
                speed=One(leaves.fraction, "60 %"),
            ),
            limits_=_group(
                dose_=_volume("4.5 mL"),
                day_=_volume("115 mL"),
                run=One(leaves.duration_s, "15 min"),
                rise=One(leaves.anything, "2.0 dKH"),
            ),
            reservoir_=Group(
                {
                    "holds": (True, _volume("2 L")),
                    "reserve": (False, _volume("100 mL")),
                    "warn": (False, One(leaves.duration_s, "7 days")),
                    "float": (False, _group(gpio_=_GPIO, low_when_=_OPEN_OR_CLOSED)),
                }
            ),
            line=_volume("3.5 mL"),
        ),
        "alk: {stock: soda, ...}",
        24,
    ),
    apart=Several(
        _group(
            between_=Several(One(leaves.identifier, "alk"), "[alk, ca]", least=2),
            gap_=One(leaves.duration_s, "20 min"),
        ),
        "{between: [alk, ca], gap: 20 min}",
    ),
    quiet=Several(Group({"from": (True, _FROM), "to": (True, _TO)}), '{from: "19:00", to: "19:30"}'),
    inputs=_group(
        circulation=_group(gpio_=_GPIO, runs_when_=_OPEN_OR_CLOSED),
        leak=_group(gpio_=_GPIO, wet_when_=_OPEN_OR_CLOSED),
        hold_switch=_group(gpio_=_GPIO, holds_when_=_OPEN_OR_CLOSED),
    ),
    keep_alive=_group(gpio_=_GPIO),
    alarm_output=_group(gpio_=_GPIO),
    mqtt=_group(
        host_=One(leaves.host, "broker.lan"),
        port=One(leaves.whole_number, "8883"),
        tls=Either(_BOOLEAN, _group(ca_=One(leaves.file_path, "/etc/dosingd/broker-ca.pem"))),
        username=One(leaves.words(200), "lagoon"),
        password_file=One(leaves.file_path, "/etc/dosingd/mqtt-password"),
        hub_discovery=_BOOLEAN,
        hub_prefix=One(leaves.words(100, "+#$ "), "hub"),
        orders=Either(
            One(leaves.never, "false"),
            _group(allow_=Several(One(leaves.choice("hold", "dose"), "hold"), "[hold, dose]")),
        ),
    ),
)
