"""The voice: texts in, clips out. A worker process renders them; the server goes on without it.

``Voice`` is all that the rest of the server needs.
"""

from server.voice.clips import MOST_CHARACTERS, Clip, VoiceRefused, VoiceSettings
from server.voice.voice import NoClip, Voice, VoiceName, VoiceStatus, Wanted

__all__ = [
    "MOST_CHARACTERS",
    "Clip",
    "NoClip",
    "Voice",
    "VoiceName",
    "VoiceRefused",
    "VoiceSettings",
    "VoiceStatus",
    "Wanted",
]
