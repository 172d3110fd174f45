"""Italian. Wording: common practice, no source; from memory of how riders speak.

Riders say tu to each other, and noi of the whole line. "Stop" for "alt": that one is soon over and easily missed.
"""

from types import MappingProxyType

from caller.cues import CueKind
from caller.speech.language import Language

__all__ = ["LANGUAGE"]

LANGUAGE = Language(
    code="it",
    phrases=MappingProxyType(
        {
            CueKind.STOP: ("{name},", "*stop*"),
            CueKind.START_COUNT: ("*{count}*",),
            CueKind.START: ("*via*",),
            CueKind.SWITCH: ("{name},", "*cambio*"),
            CueKind.OFF_NOW: ("{name},", "*esci* subito"),
            CueKind.STAY_ON: ("{name},", "*resta* davanti,", "{seconds} in più"),
            CueKind.STAND_BY: ("{name},", "poi *tocca* a te"),
            CueKind.HOLD: ("{name},", "*{power}*"),
            CueKind.CLOSE_GAP: ("{name},", "*chiudi* il buco"),
            CueKind.LATCH_ON: ("{name},", "a *ruota*"),
            CueKind.EASE: ("{name},", "*piano*"),
            CueKind.LIFT: ("{name},", "più *forte*"),
            CueKind.PRESS_ON: ("{name},", "*passa*"),
            CueKind.WAIT: ("*aspettiamo*", "{name}"),
            CueKind.GO: ("*avanti*", "senza {name}"),
            CueKind.NEW_ORDER: ("nuovo *ordine*:", "{order}"),
            CueKind.ALL_IN: ("{name},", "a *tutta*"),
            CueKind.TERRAIN: ("*{place}*", "tra {distance},", "{name} davanti"),
            CueKind.SAY: ("{name},", "*{words}*"),
            CueKind.RESTED: ("{name},", "*esci* ora,", "gli altri sono riposati"),
            CueKind.ADRIFT: ("{name}", "{order}", "si *stacca*"),
            CueKind.OUT: ("{name}", "è fuori *gara*,", "{needed}"),
            CueKind.TIME: ("*{gap}*",),
            CueKind.SPEND: ("{name},", "*ultimo* cambio,", "dai tutto"),
        }
    ),
    terrain=MappingProxyType({"climb": "salita", "descent": "discesa", "flat": "pianura"}),
    metres="metri",
    seconds="secondi",
    minute="un minuto",
    minutes="minuti",
    needed="tutti al traguardo",
    ahead="di vantaggio",
    behind="di ritardo",
    on_plan="secondo il piano",
)
