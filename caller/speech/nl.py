"""Dutch. Wording: common practice, no source; from memory of how riders speak.

Riders say je to each other; kop is the front. Not "start" at the gun: it begins like "stop".
"""

from types import MappingProxyType

from caller.cues import CueKind
from caller.speech.language import Language

__all__ = ["LANGUAGE"]

LANGUAGE = Language(
    code="nl",
    phrases=MappingProxyType(
        {
            CueKind.STOP: ("{name},", "*stop*"),
            CueKind.START_COUNT: ("*{count}*",),
            CueKind.START: ("*gaan*",),
            CueKind.SWITCH: ("{name},", "*wissel*"),
            CueKind.OFF_NOW: ("{name},", "nu van *kop*"),
            CueKind.STAY_ON: ("{name},", "*blijf* op kop,", "{seconds} langer"),
            CueKind.STAND_BY: ("{name},", "*zo* op kop"),
            CueKind.HOLD: ("{name},", "*{power}*"),
            CueKind.CLOSE_GAP: ("{name},", "*gat* dicht"),
            CueKind.LATCH_ON: ("{name},", "*aanpikken*"),
            CueKind.EASE: ("{name},", "*rustig*"),
            CueKind.LIFT: ("{name},", "iets *harder*"),
            CueKind.PRESS_ON: ("{name},", "*doorrijden*"),
            CueKind.WAIT: ("*wachten*", "op {name}"),
            CueKind.GO: ("*verder*", "zonder {name}"),
            CueKind.NEW_ORDER: ("*volgorde*:", "{order}"),
            CueKind.ALL_IN: ("{name},", "volle *bak*"),
            CueKind.TERRAIN: ("*{place}*", "over {distance},", "{name} op kop"),
            CueKind.SAY: ("{name},", "*{words}*"),
            CueKind.RESTED: ("{name},", "nu van *kop*,", "de anderen zijn uitgerust"),
            CueKind.ADRIFT: ("{name}", "{order}", "*gelost*"),
            CueKind.OUT: ("{name}", "is uit *koers*,", "{needed}"),
            CueKind.TIME: ("*{gap}*",),
            CueKind.SPEND: ("{name},", "*laatste* kopbeurt,", "alles geven"),
        }
    ),
    terrain=MappingProxyType({"climb": "klim", "descent": "afdaling", "flat": "vlak"}),
    metres="meter",
    seconds="seconden",
    minute="één minuut",
    minutes="minuten",
    needed="iedereen moet finishen",
    ahead="voor",
    behind="achter",
    on_plan="op schema",
)
