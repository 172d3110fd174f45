"""Spanish. Wording: common practice, no source; from memory of how riders speak.

A noun where one will do, else tú, as riders have it among themselves; never vosotros nor ustedes, so that no half of
the world hears a stranger.
"""

from types import MappingProxyType

from caller.cues import CueKind
from caller.speech.language import Language

__all__ = ["LANGUAGE"]

LANGUAGE = Language(
    code="es",
    phrases=MappingProxyType(
        {
            CueKind.STOP: ("{name},", "*alto*"),
            CueKind.START_COUNT: ("*{count}*",),
            CueKind.START: ("*ya*",),
            CueKind.SWITCH: ("{name},", "*cambio*"),
            CueKind.OFF_NOW: ("{name},", "*fuera* ya"),
            CueKind.STAY_ON: ("{name},", "*sigue* delante,", "{seconds} más"),
            CueKind.STAND_BY: ("{name},", "*prepárate*"),
            CueKind.HOLD: ("{name},", "*{power}*"),
            CueKind.CLOSE_GAP: ("{name},", "*cierra* el hueco"),
            CueKind.LATCH_ON: ("{name},", "a *rueda*"),
            CueKind.EASE: ("{name},", "*afloja*"),
            CueKind.LIFT: ("{name},", "más *ritmo*"),
            CueKind.PRESS_ON: ("{name},", "*pasa*"),
            CueKind.WAIT: ("*esperamos*", "a {name}"),
            CueKind.GO: ("*seguimos*", "sin {name}"),
            CueKind.NEW_ORDER: ("nuevo *orden*:", "{order}"),
            CueKind.ALL_IN: ("{name},", "a *tope*"),
            CueKind.TERRAIN: ("*{place}*", "a {distance},", "{name} delante"),
            CueKind.SAY: ("{name},", "*{words}*"),
            CueKind.RESTED: ("{name},", "*fuera* ya,", "los demás han descansado"),
            CueKind.ADRIFT: ("*perdemos*", "a {name}", "{order}"),
            CueKind.OUT: ("{name}", "está *fuera* de carrera,", "{needed}"),
            CueKind.TIME: ("*{gap}*",),
            CueKind.SPEND: ("{name},", "*último* relevo,", "a fondo"),
        }
    ),
    terrain=MappingProxyType({"climb": "subida", "descent": "bajada", "flat": "llano"}),
    metres="metros",
    seconds="segundos",
    minute="un minuto",
    minutes="minutos",
    needed="todos hasta meta",
    ahead="de ventaja",
    behind="de retraso",
    on_plan="según el plan",
)
