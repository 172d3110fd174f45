"""German. Wording: common practice, no source; from memory of how riders speak.

Nouns, infinitives and bare adverbs: they fit one rider and the whole line alike.
"""

from types import MappingProxyType

from caller.cues import CueKind
from caller.speech.language import Language

__all__ = ["LANGUAGE"]

LANGUAGE = Language(
    code="de",
    phrases=MappingProxyType(
        {
            CueKind.STOP: ("{name},", "*stopp*"),
            CueKind.START_COUNT: ("*{count}*",),
            CueKind.START: ("*los*",),
            CueKind.SWITCH: ("{name},", "*Wechsel*"),
            CueKind.OFF_NOW: ("{name},", "jetzt *raus*"),
            CueKind.STAY_ON: ("{name},", "*bleib* vorn,", "{seconds} länger"),
            CueKind.STAND_BY: ("{name},", "*gleich* vorn"),
            CueKind.HOLD: ("{name},", "*{power}*"),
            CueKind.CLOSE_GAP: ("{name},", "*Loch* zu"),
            CueKind.LATCH_ON: ("{name},", "*ran*"),
            CueKind.EASE: ("{name},", "*ruhig*"),
            CueKind.LIFT: ("{name},", "*Tempo* hoch"),
            CueKind.PRESS_ON: ("{name},", "*vorbei*"),
            CueKind.WAIT: ("*warten*", "auf {name}"),
            CueKind.GO: ("*weiter*", "ohne {name}"),
            CueKind.NEW_ORDER: ("*Reihenfolge*:", "{order}"),
            CueKind.ALL_IN: ("{name},", "*Vollgas*"),
            CueKind.TERRAIN: ("*{place}*", "in {distance},", "{name} vorn"),
            CueKind.SAY: ("{name},", "*{words}*"),
            CueKind.RESTED: ("{name},", "jetzt *raus*,", "die anderen sind ausgeruht"),
            CueKind.ADRIFT: ("{name}", "{order}", "*reißt* ab"),
            CueKind.OUT: ("{name}", "ist *aus* dem Rennen,", "{needed}"),
            CueKind.TIME: ("*{gap}*",),
            CueKind.SPEND: ("{name},", "*letzte* Führung,", "alles geben"),
        }
    ),
    terrain=MappingProxyType({"climb": "Anstieg", "descent": "Abfahrt", "flat": "Flachstück"}),
    metres="Metern",
    seconds="Sekunden",
    minute="eine Minute",
    minutes="Minuten",
    needed="alle müssen ins Ziel",
    ahead="vor Plan",
    behind="hinter Plan",
    on_plan="genau im Plan",
)
