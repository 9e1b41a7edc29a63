"""Numbers as a person reads them: in the log, on the broker, on a terminal.

Pure: no file, pin, socket, thread, logger, database, clock.
"""

from __future__ import annotations

from decimal import Decimal


def plain(value: float, digits: int = 6) -> str:
    """A figure rounded to so many digits that count, without zeros at its end and never as a power of ten: 0.5, 24.9,
    10000000."""
    text = f"{value:.{digits}g}"
    return f"{Decimal(text):f}" if "e" in text else text


def number(value: float) -> str:
    """A figure with three or so digits that count: 0.283, 2.84, 68.20, 1150."""
    size = abs(value)
    places = 3 if size < 1 else 2 if size < 100 else 1 if size < 1000 else 0
    return f"{value:.{places}f}"


def ml(volume_ul: float) -> str:
    """A volume in mL, with its unit."""
    return f"{number(volume_ul / 1000)} mL"


def clipped(text: str, most: int) -> str:
    """A text of so many characters at most: what is longer ends between two words, with an ellipsis."""
    if len(text) <= most:
        return text
    cut = text[: most - 1]
    return f"{cut[: cut.rfind(' ')] if ' ' in cut else cut}…".replace(",…", "…")


def counted(count: int, one: str, many: str | None = None) -> str:
    """`1 dose`, `24 doses`."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def span_text(seconds: float) -> str:
    """Seconds as a keeper writes them into a plan: `20 min`, `90 s`."""
    return f"{seconds / 60:.0f} min" if seconds >= 60 and seconds % 60 == 0 else f"{plain(seconds)} s"


def duration(seconds: float) -> str:
    """A time as a keeper says it, rounded: `45 s`, `20 min`, `1 h 30 min`, `3 days`."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes >= 48 * 60:
        return f"{minutes / 1440:.0f} days"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h" + (f" {rest} min" if rest else "")
