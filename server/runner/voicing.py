"""How a race is spoken, and what the voice is asked to render for it: first what no plan foretells, then what the plan
does, soonest first.

Must not know how a clip is made or played.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from caller import race
from caller.cues import Cue, CueKind
from caller.errors import CallerError
from caller.facts import Entry, StartSet
from caller.riders import LANGUAGES, Rider
from caller.speech import Spoken, say, unforeseen
from caller.units import RiderId
from server.voice import Clip, VoiceName, VoiceRefused, VoiceSettings
from server.voice import VoiceStatus as EngineStatus
from server.wire.outbound import Said
from server.wire.view import heard_in, team_language

__all__ = [
    "Speaker",
    "Text",
    "VoiceChoice",
    "check_voices",
    "name_to_hear",
    "offered",
    "said_of",
    "sample",
    "vocabulary",
]

Text = tuple[str, str, int]
"""What is to be said, in which language, and the character where its key word begins."""

_COUNTDOWN_MS = 90_000
_SAMPLE_POWER_W = 320
_TO_ONE = frozenset(
    {
        *(CueKind.STOP, CueKind.EASE, CueKind.LIFT, CueKind.PRESS_ON),
        *(CueKind.STAND_BY, CueKind.LATCH_ON, CueKind.CLOSE_GAP, CueKind.STAY_ON),
    }
)
"""Only the own ear of who is named in these says them; the others are for the whole line, or for who is next too."""

_UNREADABLE = ("en-shaw",)
"""Voices of the engine that read another alphabet than riders are written in."""

_STANDARD = VoiceSettings()


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceChoice:
    """How a race is spoken, as its director chose it; kept with the race.

    Attributes:
        language: the team voice's; None is the one that most riders hear.
        rate: words a minute.
        loudness: of full scale.
        voices: (language, name of the engine's voice), where it isn't the usual one.

    Raises: VoiceRefused: a figure is out of range, a language is none, or a voice's name is none.
    """

    language: str | None = None
    rate: int = _STANDARD.rate
    loudness: float = _STANDARD.loudness
    voices: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        spoken = [] if self.language is None else [("language of the team voice", self.language)]
        for where, language in (*spoken, *(("voices", language) for language, _ in self.voices)):
            if language not in LANGUAGES:
                raise VoiceRefused("voice", where, repr(language[:40]), f"expected one of {', '.join(LANGUAGES)}")
        assert self.how  # refuses the rest

    @property
    def how(self) -> VoiceSettings:
        """The same as the voice needs it."""
        return VoiceSettings(rate=self.rate, loudness=self.loudness, voices={**_STANDARD.voices, **dict(self.voices)})


class Speaker(Protocol):
    """As much of the voice as a race needs; see server.voice.Voice."""

    def clip_for(self, text: str, language: str, key_at: int = 0, *, how: VoiceSettings | None = None) -> Clip | None:
        """The clip that says a text; None while there is none."""
        ...

    def want(
        self, texts: Iterable[tuple[str, str] | tuple[str, str, int]], *, how: VoiceSettings | None = None
    ) -> None:
        """Have these rendered, in this order, before what was wanted earlier."""
        ...

    @property
    def status(self) -> EngineStatus:
        """Whether the voice works, and if not, how to mend it."""
        ...


def said_of(clip: Clip) -> Said:
    """A clip as pages play it, its text still empty."""
    return Said(
        text="", clip=f"/clips/{clip.id}.wav", starts_ms=clip.starts_ms, key_ms=clip.key_ms, length_ms=clip.length_ms
    )


# What can be chosen


def offered(voices: Iterable[VoiceName], language: str) -> tuple[VoiceName, ...]:
    """The engine's voices that speak a language, the usual one first."""
    usual = _STANDARD.voice_for(language)
    fitting = [voice for voice in voices if voice.language == language and voice.name.split("+")[0] not in _UNREADABLE]
    return tuple(sorted(fitting, key=lambda voice: (voice.name.split("+")[0] != usual, voice.title)))


def check_voices(choice: VoiceChoice, voices: Sequence[VoiceName]) -> None:
    """Refuse a voice that the engine doesn't have for the language; without an engine nobody can tell.

    Raises: VoiceRefused.
    """
    for language, name in choice.voices:
        names = [voice.name for voice in offered(voices, language)]
        if voices and name not in names:
            allowed = f"expected one of {', '.join(names) or 'none: there is none'}"
            raise VoiceRefused("voice", f"voice for {language}", repr(name), allowed)


# What is to be heard before the race


def sample(language: str, riders: Sequence[Rider]) -> str:
    """What a voice is tried with: three cues to three riders, those first who will hear this language.

    Args:
        riders: may be none; then nobody is called by name.
    """
    mine = sorted(riders, key=lambda rider: rider.language != language)
    kinds = (CueKind.STAND_BY, CueKind.SWITCH, CueKind.HOLD)
    cues = []
    for place, kind in enumerate(kinds):
        rider = mine[place % len(mine)].id if mine else None
        cues.append(Cue(id="", kind=kind, due_ms=0, rider=rider, power_w=_SAMPLE_POWER_W))
    names = {rider.id: rider.spoken for rider in riders}
    return ". ".join(say(cue, names, language).text for cue in cues)


def name_to_hear(spoken: str, language: str) -> Spoken:
    """A name as it will be called. Raises: VoiceRefused: it is empty, too long or can't be printed."""
    # As caller.riders.Rider has it.
    if not 1 <= len(spoken.strip()) <= 24 or not spoken.isprintable():
        raise VoiceRefused("spoken name", "", repr(spoken[:40]), "expected 1 to 24 printable characters")
    rider = RiderId("rider")
    return say(Cue(id="", kind=CueKind.STAND_BY, due_ms=0, rider=rider), {rider: spoken}, language)


# What is rendered ahead


def vocabulary(state: race.RaceState, language: str | None = None) -> tuple[Text, ...]:
    """All that may have to be said in a race, the most urgent first, each once.

    The team voice says everything in its language; a rider's own ear says in the rider's what is for that rider.

    Args:
        language: of the team voice; None is the one that most riders hear.
    """
    roster = state.setup.roster
    names = {rider.id: rider.spoken for rider in roster.riders}
    ears = {rider.id: rider.language for rider in roster.riders}
    team = team_language(roster.riders, language)
    return tuple(
        dict.fromkeys(
            (spoken.text, one, spoken.key_at)
            for cue in (*map(_addressed, unforeseen(roster.ids)), *_foretold(state))
            for one in heard_in(cue, ears, team)
            for spoken in _spoken(cue, names, one)
        )
    )


def _addressed(cue: Cue) -> Cue:
    """A cue that may be wanted at once, meant for whom it then will be."""
    return replace(cue, to=(cue.rider,)) if cue.rider is not None and cue.kind in _TO_ONE else cue


def _foretold(state: race.RaceState) -> tuple[Cue, ...]:
    """All that the plan would have called if nothing else happened; in the lobby, as if the start were set now."""
    if state.phase is race.Phase.LOBBY:
        entry = Entry(seq=state.seq + 1, at_ms=-_COUNTDOWN_MS, by="", fact=StartSet(countdown_ms=_COUNTDOWN_MS))
        try:
            state, _ = race.take(state, entry)
        except CallerError:
            return ()
    return race.calls(state)


def _spoken(cue: Cue, names: Mapping[RiderId, str], language: str) -> Iterator[Spoken]:
    try:
        yield say(cue, names, language)
    except (ValueError, KeyError):
        return
