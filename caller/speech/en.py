"""English, as it is called from the car and on the road. Wording: common practice, no source.

Where one word would do, two are said if a recogniser missed the one in pink noise of 10 dB. Right of 24, by the
listener of ``tests/bench/voice.py``: "switch" 0, "switch now" 22 or more; "next" 0, mostly taken for "lift", "you're
next" 22 or more; "lift" 6, "pick it up" 22 or more.

"Is out" alone is taken for "leave" 4 times of 36, "is out of the race" never.

"Hold" is not said: it is taken for "pull" or "five"; the figure alone after the name is the order.
"""

from types import MappingProxyType

from caller.cues import CueKind
from caller.speech.language import Language

__all__ = ["LANGUAGE", "number", "watts"]

_UNDER_TWENTY = (
    *("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"),
    *("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
)
_TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")


def number(value: int) -> str:
    """A figure as it is said aloud: ``fifteen``, ``three hundred``, ``twelve fifty``; digits beyond 9999."""
    if not 0 <= value <= 9999:
        return str(value)
    if value < 100:
        return _under_hundred(value)
    if value % 1000 == 0:
        return f"{_UNDER_TWENTY[value // 1000]} thousand"
    hundreds, rest = divmod(value, 100)
    if rest == 0:
        return f"{_under_hundred(hundreds)} hundred"
    return f"{_under_hundred(hundreds)} {'oh ' if rest < 10 else ''}{_under_hundred(rest)}"


def watts(value: int) -> str:
    """A power as riders say it: ``three eighty``, ``three oh five``, ``three hundred``."""
    return number(value)


def _under_hundred(value: int) -> str:
    if value < 20:
        return _UNDER_TWENTY[value]
    tens, ones = divmod(value, 10)
    return f"{_TENS[tens]} {_UNDER_TWENTY[ones]}" if ones else _TENS[tens]


LANGUAGE = Language(
    code="en",
    phrases=MappingProxyType(
        {
            CueKind.STOP: ("{name},", "*stop*"),
            CueKind.START_COUNT: ("*{count}*",),
            CueKind.START: ("*go*",),
            CueKind.SWITCH: ("{name},", "*switch* now"),
            CueKind.OFF_NOW: ("{name},", "*off* now"),
            CueKind.STAY_ON: ("{name},", "*stay* on,", "{seconds}"),
            CueKind.STAND_BY: ("{name},", "you're *next*"),
            CueKind.HOLD: ("{name},", "*{power}*"),
            CueKind.CLOSE_GAP: ("{name},", "*close* gap"),
            CueKind.LATCH_ON: ("{name},", "*on*"),
            CueKind.EASE: ("{name},", "*ease*"),
            CueKind.LIFT: ("{name},", "*pick* it up"),
            CueKind.PRESS_ON: ("{name},", "*come* past"),
            CueKind.WAIT: ("*wait*", "for {name}"),
            CueKind.GO: ("*go* on,", "leave {name}"),
            CueKind.NEW_ORDER: ("*order* now:", "{order}"),
            CueKind.ALL_IN: ("{name},", "*all* in"),
            CueKind.TERRAIN: ("*{place}*", "in {distance},", "{name} takes it"),
            CueKind.SAY: ("{name},", "*{words}*"),
            CueKind.RESTED: ("{name},", "*off* now,", "the others are rested"),
            CueKind.ADRIFT: ("*lost*", "{name}", "{order}"),
            CueKind.OUT: ("{name}", "is *out* of the race,", "{needed}"),
            CueKind.TIME: ("*{gap}*",),
            CueKind.SPEND: ("{name},", "*last* turn,", "all you have"),
        }
    ),
    terrain=MappingProxyType({"climb": "climb", "descent": "descent", "flat": "flat"}),
    watts=watts,
    number=number,
    metres="",
    seconds="seconds",
    minute="one minute",
    minutes="minutes",
    needed="all must finish",
    ahead="up",
    behind="down",
    on_plan="on plan",
)
