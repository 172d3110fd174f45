"""The voice of a race over HTTP: what there is to choose from, what is chosen, and words to try it with.

Decides nothing: what a voice can do is for the voice to say.
"""

from typing import Annotated

from pydantic import Field

from server.wire.base import Message

__all__ = ["HearAsk", "LanguageOffer", "VoiceCard", "VoiceForm", "VoiceOffer"]

Figure = Annotated[float, Field(allow_inf_nan=False)]
Language = Annotated[str, Field(max_length=40)]


class VoiceForm(Message):
    """How a race is spoken: the team voice's language (null: the one most riders hear), words a minute, loudness as a
    share of full scale, and a voice for each language where it isn't the usual one.
    """

    language: Language | None = None
    rate: int = 155
    loudness: Figure = 1.0
    voices: dict[Language, Annotated[str, Field(max_length=80)]] = Field(default_factory=dict, max_length=20)


class VoiceOffer(Message):
    """One voice of the engine."""

    name: str
    title: str


class LanguageOffer(Message):
    """A language that cues are spoken in: who hears it, its voices, the usual one first, and the one that is chosen."""

    language: str
    riders: tuple[str, ...]
    voice: str
    voices: tuple[VoiceOffer, ...]


class VoiceCard(Message):
    """All that there is to choose from, and what is chosen.

    ``team`` is the language the team voice speaks now. ``languages`` holds those that somebody hears first.
    ``natural`` says whether the more natural voice is installed. ``ready`` of ``wanted`` clips are rendered; both are 0
    before the lobby is open. ``ok`` says whether the voice works, ``sentence`` how to mend it.
    """

    choice: VoiceForm
    team: str
    languages: tuple[LanguageOffer, ...]
    rates: tuple[int, int]
    loudnesses: tuple[float, float]
    natural: bool
    ready: int
    wanted: int
    ok: bool
    sentence: str


class HearAsk(Message):
    """What to hear: a few cues in a language, or with ``spoken`` a name as it will be called. ``choice`` tries a voice
    that isn't chosen yet.
    """

    language: Language
    spoken: str | None = None
    choice: VoiceForm | None = None
