"""French. Wording: common practice, no source; from memory of how riders speak.

Riders say tu to each other, and on of the whole line; vous would fit nobody who is called by name. Not "top" at the
gun: it is too near to "stop".
"""

from types import MappingProxyType

from caller.cues import CueKind
from caller.speech.language import Language

__all__ = ["LANGUAGE"]

LANGUAGE = Language(
    code="fr",
    phrases=MappingProxyType(
        {
            CueKind.STOP: ("{name},", "*stop*"),
            CueKind.START_COUNT: ("*{count}*",),
            CueKind.START: ("*go*",),
            CueKind.SWITCH: ("{name},", "*écarte*"),
            CueKind.OFF_NOW: ("{name},", "*sors* maintenant"),
            CueKind.STAY_ON: ("{name},", "*reste* devant,", "{seconds} de plus"),
            CueKind.STAND_BY: ("{name},", "*prochain* relais"),
            CueKind.HOLD: ("{name},", "*{power}*"),
            CueKind.CLOSE_GAP: ("{name},", "*bouche* le trou"),
            CueKind.LATCH_ON: ("{name},", "dans la *roue*"),
            CueKind.EASE: ("{name},", "*mollo*"),
            CueKind.LIFT: ("{name},", "plus *vite*"),
            CueKind.PRESS_ON: ("{name},", "on *passe*"),
            CueKind.WAIT: ("on *attend*", "{name}"),
            CueKind.GO: ("on y *va*", "sans {name}"),
            CueKind.NEW_ORDER: ("nouvel *ordre* :", "{order}"),
            CueKind.ALL_IN: ("{name},", "à *bloc*"),
            CueKind.TERRAIN: ("*{place}*", "dans {distance},", "{name} devant"),
            CueKind.SAY: ("{name},", "*{words}*"),
            CueKind.RESTED: ("{name},", "*sors*,", "les autres ont récupéré"),
            CueKind.ADRIFT: ("{name}", "{order}", "*lâché*"),
            CueKind.OUT: ("{name}", "est *hors* course,", "{needed}"),
            CueKind.TIME: ("*{gap}*",),
            CueKind.SPEND: ("{name},", "*dernier* relais,", "donne tout"),
        }
    ),
    terrain=MappingProxyType({"climb": "montée", "descent": "descente", "flat": "plat"}),
    metres="mètres",
    seconds="secondes",
    minute="une minute",
    minutes="minutes",
    needed="tous à l'arrivée",
    ahead="d'avance",
    behind="de retard",
    on_plan="dans le plan",
)
