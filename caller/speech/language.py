"""What one language must bring: a phrase for every kind of cue, and how its speakers say figures.

Must not know of any one language, nor of any engine that speaks.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from caller.cues import CueKind

__all__ = ["SLOTS", "Language", "digits"]

SLOTS = ("name", "power", "seconds", "count", "distance", "place", "order", "words", "needed", "gap")
"""What a phrase may leave open: see Language."""


def digits(number: int) -> str:
    """A whole number left to the voice: it says the language's own cardinal."""
    return str(number)


@dataclass(frozen=True, slots=True, kw_only=True)
class Language:
    """One language's phrases.

    A phrase is a tuple of parts, joined by spaces. A part may hold slots in braces; it is left out where the cue
    doesn't fill them, so one phrase serves with and without a name. The key word stands between asterisks.
    The same phrases serve screens; only figures differ there.

    Slots: ``name`` the rider named; ``power`` watts; ``seconds`` of a longer turn; ``count`` seconds to the gun;
    ``distance`` metres ahead; ``place`` a stretch; ``order`` the line, front first; ``words`` the director's own;
    ``needed`` that nobody more can be lost; ``gap`` seconds ahead of the plan or behind it.

    Attributes:
        code: ISO 639-1.
        phrases: one for every CueKind.
        terrain: how to say the stretches that carry no name of their own: ``climb``, ``descent``, ``flat``.
        watts: a power as speakers say it.
        number: any other figure as speakers say it.
        metres: the word after a distance; empty where it goes without saying.
        seconds: the word after a count of seconds.
        minute: one minute, with its figure.
        minutes: the word after a count of minutes.
        needed: all who are left must finish.
        ahead, behind: after seconds ahead of the plan, or behind it.
        on_plan: neither ahead nor behind.
    """

    code: str
    phrases: Mapping[CueKind, tuple[str, ...]]
    terrain: Mapping[str, str]
    watts: Callable[[int], str] = digits
    number: Callable[[int], str] = digits
    metres: str
    seconds: str
    minute: str
    minutes: str
    needed: str
    ahead: str
    behind: str
    on_plan: str
