"""Italian. Wording: common practice, no source; from memory of how riders speak.

Riders say tu to each other.
"""

from types import MappingProxyType

from caller.cues import CueKind
from caller.speech.language import Language

__all__ = ["LANGUAGE"]

LANGUAGE = Language(
    code="it",
    phrases=MappingProxyType(
        {
            CueKind.STOP: ("{name},", "*alt*"),
            CueKind.START_COUNT: ("*{count}*",),
            CueKind.START: ("*via*",),
            CueKind.SWITCH: ("{name},", "*cambio*"),
            CueKind.OFF_NOW: ("{name},", "*fuori* subito"),
            CueKind.STAY_ON: ("{name},", "*resta* davanti,", "{seconds}"),
            CueKind.STAND_BY: ("{name},", "*preparati*"),
            CueKind.HOLD: ("{name},", "*{power}*"),
            CueKind.CLOSE_GAP: ("{name},", "*chiudi* il buco"),
            CueKind.LATCH_ON: ("{name},", "a *ruota*"),
            CueKind.EASE: ("{name},", "*piano*"),
            CueKind.LIFT: ("{name},", "*aumenta*"),
            CueKind.PRESS_ON: ("{name},", "*avanti*"),
            CueKind.WAIT: ("*aspettiamo*", "{name}"),
            CueKind.GO: ("*andiamo*", "senza {name}"),
            CueKind.NEW_ORDER: ("nuovo *ordine*:", "{order}"),
            CueKind.ALL_IN: ("{name},", "a *tutta*"),
            CueKind.TERRAIN: ("*{place}*", "tra {distance},", "{name} davanti"),
            CueKind.SAY: ("{name},", "*{words}*"),
        }
    ),
    terrain=MappingProxyType({"climb": "salita", "descent": "discesa", "flat": "pianura"}),
    metres="metri",
    seconds="secondi",
    minute="un minuto",
    minutes="minuti",
)
