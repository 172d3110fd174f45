"""Names of units and identities, and the few conversions used at the edges.

One scale of time in the core: integer milliseconds on the race clock, 0 at the gun, negative before.
Everything else is SI in floats. Must not know of riders, courses or races.
"""

from typing import NamedTuple, NewType

__all__ = [
    "LOBBY_MS",
    "RiderId",
    "Slip",
    "clock_text",
    "figure_text",
    "kmh_from_mps",
    "looks_like",
    "ms_from_s",
    "s_from_ms",
]

RiderId = NewType("RiderId", str)
"""A short, stable key of a rider within one race, such as ``maya``; never shown, never spoken."""

LOBBY_MS = -3_600_000
"""What the race clock shows in the lobby, where it stands still: an hour before the gun. The countdown lets it go."""


def ms_from_s(seconds: float) -> int:
    """Seconds as whole milliseconds, halves to even. The one place where a float becomes an instant or a duration."""
    return round(seconds * 1000)


def s_from_ms(ms: int) -> float:
    """Milliseconds as seconds."""
    return ms / 1000


def kmh_from_mps(speed_mps: float) -> float:
    """Metres a second as kilometres an hour."""
    return speed_mps * 3.6


def figure_text(value: float) -> str:
    """A figure as a refusal quotes it, however absurd: ``4000``, ``nan``, ``more than 1e+308``."""
    try:
        return f"{value:g}"
    except OverflowError:  # a whole number of hundreds of digits
        return "more than 1e+308" if value > 0 else "less than -1e+308"


class Slip(NamedTuple):
    """A unit often mistaken for ours: a figure in it, less ``less``, times ``times``, is one in ours.

    ``times`` of 0: it depends on more than the figure, but figures in that unit lie between ``least`` and ``most``.
    """

    unit: str
    times: float = 0.0
    less: float = 0.0
    least: float = 0.0
    most: float = 0.0


def looks_like(value: float, unit: str, least: float, most: float, slips: tuple[Slip, ...]) -> str:
    """For the end of a refusal, which unit was mistaken: ``; 36 looks like km/h: 10 m/s``; empty if none explains it.

    Args:
        value: the figure refused.
        unit: ours; least, most: the range it should lie in.
        slips: what to try, likeliest first.
    """
    if not abs(value) < 1e300:  # whole numbers of hundreds of digits, too, and what is none
        return ""
    for slip in slips:
        if not slip.times:
            if slip.least <= value <= slip.most:
                return f"; {value:g} looks like {slip.unit}"
        elif least <= (value - slip.less) * slip.times <= most:
            ours = float(f"{(value - slip.less) * slip.times:.4g}")
            return f"; {value:g} looks like {slip.unit}: {ours:.12g} {unit}".rstrip()
    return ""


def clock_text(ms: int) -> str:
    """An instant of the race clock for people: ``-0:05.0``, ``12:34.5``, ``1:02:03.4`` (tenths, cut, not rounded)."""
    sign = "-" if ms < 0 else ""
    tenths = abs(ms) // 100
    seconds, tenth = divmod(tenths, 10)
    minutes, second = divmod(seconds, 60)
    hours, minute = divmod(minutes, 60)
    head = f"{hours}:{minute:02d}" if hours else f"{minute}"
    return f"{sign}{head}:{second:02d}.{tenth}"
