"""A channel's day volume as whole doses: shares to windows, numbers of doses, whole microlitres (R12).

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from fractions import Fraction

from attrs import frozen

from dosingd.errors import CannotLay
from dosingd.plan.model import Channel, Window


@frozen
class Portion:
    """What one window (None: the rest of the day) gets: doses that differ by at most 1 µL, in order of time."""

    window: Window | None
    doses_ul: tuple[int, ...]


def split_evenly(volume_ul: int, parts: int) -> list[int]:
    """Whole µL that sum to the volume exactly and differ by at most 1: floor differences."""
    return [volume_ul * (k + 1) // parts - volume_ul * k // parts for k in range(parts)]


def split_by_share(volume_ul: int, shares: list[Fraction]) -> list[int]:
    """Whole µL in proportion to the shares, exact in sum, each within 1 µL of its share (largest remainder)."""
    whole = sum(shares)
    exact = [volume_ul * share / whole for share in shares]
    result = [int(part // 1) for part in exact]
    by_remainder = sorted(range(len(shares)), key=lambda k: (result[k] - exact[k], k))
    for k in by_remainder[: volume_ul - sum(result)]:
        result[k] += 1
    return result


def numbers_of_doses(volumes_ul: list[int], doses: int, least: list[int], most: list[int]) -> list[int]:
    """How many doses each volume gets so that all doses come out about equal: `doses` in sum, within least and most.

    Asks for sum(least) <= doses <= sum(most).
    """
    total = sum(volumes_ul)
    result = [
        min(high, max(low, doses * volume // total)) for volume, low, high in zip(volumes_ul, least, most, strict=True)
    ]
    # One dose more where doses would stay largest, one fewer where they would stay smallest: compared as fractions.
    while sum(result) < doses:
        room = [k for k in range(len(result)) if result[k] < most[k]]
        result[max(room, key=lambda k: (Fraction(volumes_ul[k], 2 * result[k] + 1), -k))] += 1
    while sum(result) > doses:
        room = [k for k in range(len(result)) if result[k] > least[k]]
        result[min(room, key=lambda k: (Fraction(volumes_ul[k], 2 * result[k] - 1), -k))] -= 1
    return result


def day_portions(channel: Channel, volume_ul: int, least_ul: int, *, windows: bool = True) -> tuple[Portion, ...]:
    """The doses of one day by window, the rest of the day last; none when there is nothing to give.

    Fewer than the plan's `doses` when the volume would make them smaller than `least_ul`. Raises CannotLay when a
    window's share is below one dose, or when so many doses would pass the dose limit.
    """
    if volume_ul == 0:
        return ()
    if volume_ul < least_ul:
        raise CannotLay(
            f"{channel.id}: {_ml(volume_ul)} a day is less than the pump's smallest dose, {_ml(least_ul)}.",
            f"Raise daily to {_ml(least_ul)}, or use a weaker stock.",
        )
    when: list[Window | None] = list(channel.when) if windows else []
    shares = [Fraction(window.share).limit_denominator(1_000_000) for window in when if window]
    if (rest := 1 - sum(shares, Fraction(0))) > 0:
        when, shares = [*when, None], [*shares, rest]
    volumes = split_by_share(volume_ul, shares)
    used = [(window, volume) for window, volume in zip(when, volumes, strict=True) if volume]
    for window, volume in used:
        if volume < least_ul:
            raise CannotLay(
                f"{channel.id}: {name_of(window)} would get {_ml(volume)} a day, less than the pump's smallest dose, "
                f"{_ml(least_ul)}.",
                _share_cure(volume_ul, least_ul, len(used)),
            )
    least = [-(-volume // channel.limits.dose_ul) for _, volume in used]
    most = [volume // least_ul for _, volume in used]
    doses = min(channel.doses, sum(most))
    if sum(least) > doses or any(low > high for low, high in zip(least, most, strict=True)):
        raise CannotLay(
            _too_few(channel, volume_ul, len(used)), _limit_cure(channel, [v for _, v in used], least, most)
        )
    numbers = numbers_of_doses([volume for _, volume in used], doses, least, most)
    return tuple(
        Portion(window, tuple(split_evenly(volume, number)))
        for (window, volume), number in zip(used, numbers, strict=True)
    )


def name_of(window: Window | None) -> str:
    """A window in the keeper's words."""
    if window is None:
        return "the rest of the day"
    return f"the window {window.span.from_:%H:%M} to {window.span.to:%H:%M}"


def _ml(volume_ul: int) -> str:
    return f"{volume_ul / 1000:.3f}".rstrip("0").rstrip(".") + " mL"


def _too_few(channel: Channel, volume_ul: int, groups: int) -> str:
    number = "1 dose" if channel.doses == 1 else f"{channel.doses} doses"
    if channel.doses < groups:
        return f"{channel.id}: {number} a day cannot serve {groups} parts of the day."
    return (
        f"{channel.id}: {_ml(volume_ul)} a day in {number} is more than the dose limit, "
        f"{_ml(channel.limits.dose_ul)}, allows."
    )


def _limit_cure(channel: Channel, volumes: list[int], least: list[int], most: list[int]) -> str:
    """More doses when the pump's smallest dose allows them, and the dose limit at which these doses would do."""
    cures = []
    if all(low <= high for low, high in zip(least, most, strict=True)):
        cures.append(f"raise doses to {sum(least)}")
    if len(volumes) <= channel.doses and all(high for high in most):
        low, high = channel.limits.dose_ul, max(volumes)
        doses = min(channel.doses, sum(most))
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if sum(-(-v // middle) for v in volumes) <= doses else (middle, high)
        cures.append(f"raise limits.dose to {_ml(high)}")
    text = ", or ".join(cures) or "Lower daily"
    return text[0].upper() + text[1:] + "."


def _share_cure(volume_ul: int, least_ul: int, groups: int) -> str:
    percent = -(-100 * least_ul // volume_ul)
    if percent * groups <= 100:
        return f"Give each window, and the rest of the day, at least {percent} % of the volume."
    return f"Leave `when` out, or raise daily to {_ml(groups * least_ul)} in equal shares."
