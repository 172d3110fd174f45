"""The voice: texts in, clips out. A worker process renders them; the server goes on without it.

``Voice`` is all that the rest of the server needs.
"""

from server.voice.clips import LOUDNESSES, MOST_CHARACTERS, RATES_WPM, Clip, VoiceRefused, VoiceSettings
from server.voice.voice import NoClip, Voice, VoiceName, VoiceStatus, Wanted
from server.voice.worker import NATURAL

__all__ = [
    "LOUDNESSES",
    "MOST_CHARACTERS",
    "NATURAL",
    "RATES_WPM",
    "Clip",
    "NoClip",
    "Voice",
    "VoiceName",
    "VoiceRefused",
    "VoiceSettings",
    "VoiceStatus",
    "Wanted",
]
