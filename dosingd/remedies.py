"""Why a day cannot be laid, and the nearest change that would make it fit: computed, and tried before it is offered.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction

from attrs import evolve

from dosingd.calibration import Flow
from dosingd.errors import CannotLay
from dosingd.layout import Frame, TooFull, arranged
from dosingd.plan.model import Plan
from dosingd.words import plain, span_text

#: A keeper chooses between two changes; more is noise.
_OFFERED = 2


def refusal(
    full: TooFull, plan: Plan, volumes_ul: Mapping[str, int], flows: Mapping[str, Flow], frame: Frame
) -> CannotLay:
    """The refusal with its numbers in hours and minutes, and up to two changes of the plan that were found to fit."""

    def fits_with(changed: Plan, volumes: Mapping[str, int]) -> bool:
        try:
            arranged(changed, volumes, flows, frame)
        except (TooFull, CannotLay):
            return False
        return True

    def fits(changed: Plan) -> bool:
        return fits_with(changed, volumes_ul)

    offers = [
        _fewer_doses(full, plan, fits),
        _narrower_gap(full, plan, fits),
        _smaller_share(full, plan, fits),
        _no_quiet(plan, fits) if frame.windows else None,
    ]
    cures = [offer for offer in offers if offer][:_OFFERED] or [_less_volume(full, plan, volumes_ul, fits_with)]
    return CannotLay(_reason(full, plan, frame), _sentence(cures))


def _sentence(cures: list[str]) -> str:
    text = ", or ".join(cures) + "."
    return text[0].upper() + text[1:]


def _reason(full: TooFull, plan: Plan, frame: Frame) -> str:
    numbers = {plan.channels[channel].doses for channel in full.channels}
    many = len(full.channels) > 1
    doses = " and ".join(str(plan.channels[channel].doses) for channel in full.channels)
    if len(numbers) == 1:
        doses = str(numbers.pop())
    names = " and ".join([", ".join(full.channels[:-1]), full.channels[-1]] if many else full.channels)
    both = " both" if len(full.channels) == 2 else ""
    gap = f" with {span_text(full.gap_s)} between them" if full.gap_s else ""
    total = full.to_ms - full.from_ms

    def at(offset_ms: int) -> str:
        return frame.label((offset_ms + 30_000) // 60_000 * 60_000)

    there = (
        f"{frame.name.lower()} between {at(full.from_ms)} and {at(full.to_ms)} "
        f"{_hours(full.needed_ms, up=True)} are needed, {_hours(total, up=False)} are there"
    )
    return f"{names} cannot{both} give {doses} doses{gap}: {there}."


def _hours(ms: int, *, up: bool) -> str:
    """`41 h`, `23 h 40 min` or, below ten minutes, seconds: what is needed rounded up, what is there rounded down."""
    if ms < 600_000:
        return f"{plain((-(-ms // 100) if up else ms // 100) / 10)} s"
    minutes = -(-ms // 60_000) if up else ms // 60_000
    hours, rest = divmod(minutes, 60)
    return " ".join([f"{hours} h"] * (hours > 0) + [f"{rest} min"] * (rest > 0))


def _largest(low: int, high: int, fits: Callable[[int], bool]) -> int | None:
    """The largest number from low up, below high, that fits, given that high does not; None when low does not."""
    if low >= high or not fits(low):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _trials(most: int) -> list[int]:
    """1, 2, 3, 4, 6, 9 … below `most`: each half as much again."""
    result = [1]
    while (following := max(result[-1] + 1, result[-1] * 3 // 2)) < most:
        result.append(following)
    return result


def _fewer_doses(full: TooFull, plan: Plan, fits: Callable[[Plan], bool]) -> str | None:
    def changed(most: int, channels: tuple[str, ...]) -> Plan:
        fewer = {name: evolve(plan.channels[name], doses=min(plan.channels[name].doses, most)) for name in channels}
        return evolve(plan, channels={**plan.channels, **fewer})

    # Only the channels with most doses on the way need to change; a channel of two doses stays as it is.
    most = max(plan.channels[name].doses for name in full.channels)
    # The dose limit may forbid very few doses: the search begins at the first trial that fits.
    low = next((number for number in _trials(most) if fits(changed(number, full.channels))), most)
    found = _largest(low, most, lambda number: fits(changed(number, full.channels)))
    if found is None:
        return None
    touched = [name for name in full.channels if plan.channels[name].doses > found]
    whose = "" if len(touched) == len(full.channels) else f" of {' and '.join(touched)}"
    return f"lower doses{whose} to {found}"


def _narrower_gap(full: TooFull, plan: Plan, fits: Callable[[Plan], bool]) -> str | None:
    if not full.gap_s:
        return None

    def changed(gap_s: int) -> Plan:
        rules = tuple(
            evolve(rule, gap_s=min(rule.gap_s, float(gap_s)))
            if sum(name in full.channels for name in rule.between) > 1
            else rule
            for rule in plan.apart
        )
        return evolve(plan, apart=rules)

    minutes = _largest(1, -int(-full.gap_s // 60), lambda number: fits(changed(number * 60)))
    if minutes:
        return f"lower the gap to {minutes} min"
    seconds = _largest(1, -int(-full.gap_s // 1), lambda number: fits(changed(number)))
    return f"lower the gap to {seconds} s" if seconds else None


def _smaller_share(full: TooFull, plan: Plan, fits: Callable[[Plan], bool]) -> str | None:
    for name in full.channels:
        channel = plan.channels[name]
        for k, window in enumerate(channel.when):

            def changed(percent: int, name: str = name, k: int = k) -> Plan:
                one = plan.channels[name]
                when = (*one.when[:k], evolve(one.when[k], share=percent / 100), *one.when[k + 1 :])
                return evolve(plan, channels={**plan.channels, name: evolve(one, when=when)})

            now = int(Fraction(window.share).limit_denominator(1_000_000) * 100)
            percent = _largest(1, now, lambda number, plan_with=changed: fits(plan_with(number)))  # type: ignore[misc]
            if percent:
                between = f"{window.span.from_:%H:%M} and {window.span.to:%H:%M}"
                return f"lower the share of {name} between {between} to {percent} %"
    return None


def _no_quiet(plan: Plan, fits: Callable[[Plan], bool]) -> str | None:
    for k, span in enumerate(plan.quiet):
        if fits(evolve(plan, quiet=(*plan.quiet[:k], *plan.quiet[k + 1 :]))):
            return f"leave out the quiet time {span.from_:%H:%M} to {span.to:%H:%M}"
    return None


def _less_volume(
    full: TooFull, plan: Plan, volumes_ul: Mapping[str, int], fits: Callable[[Plan, Mapping[str, int]], bool]
) -> str:
    def changed(percent: int) -> dict[str, int]:
        return {
            name: volume * percent // 100 if name in full.channels else volume for name, volume in volumes_ul.items()
        }

    percent = _largest(1, 100, lambda number: fits(plan, changed(number)))
    if percent:
        return f"lower daily of {' and '.join(full.channels)} to {percent} % of what it is"
    return "no single change of doses, gap, share or volume is enough: widen the windows and lower doses together"
