"""What the voice is asked to render for a race: first what no plan foretells, then what the plan does, soonest first.

Must not know how a clip is made or played.
"""

from collections.abc import Iterable, Iterator
from typing import Protocol

from caller import race
from caller.cues import Cue
from caller.errors import CallerError
from caller.facts import Entry, StartSet
from caller.riders import LANGUAGES
from caller.speech import Spoken, say, unforeseen
from caller.units import RiderId
from server.voice import Clip
from server.voice import VoiceStatus as EngineStatus
from server.wire.outbound import Said

__all__ = ["Speaker", "Text", "said_of", "vocabulary"]

Text = tuple[str, str, int]
"""What is to be said, in which language, and the character where its key word begins."""

_COUNTDOWN_MS = 90_000


class Speaker(Protocol):
    """As much of the voice as a race needs; see server.voice.Voice."""

    def clip_for(self, text: str, language: str, key_at: int = 0) -> Clip | None:
        """The clip that says a text; None while there is none."""
        ...

    def want(self, texts: Iterable[tuple[str, str] | tuple[str, str, int]]) -> None:
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


def vocabulary(state: race.RaceState) -> tuple[Text, ...]:
    """All that may have to be said in a race, the most urgent first, each once, in every language of the team."""
    roster = state.setup.roster
    names = {rider.id: rider.spoken for rider in roster.riders}
    languages = [language for language in LANGUAGES if any(rider.language == language for rider in roster.riders)]
    return tuple(
        dict.fromkeys(
            (spoken.text, language, spoken.key_at)
            for cue in (*unforeseen(roster.ids), *_foretold(state))
            for language in languages
            for spoken in _spoken(cue, names, language)
        )
    )


def _foretold(state: race.RaceState) -> tuple[Cue, ...]:
    """All that the plan would have called if nothing else happened; in the lobby, as if the start were set now."""
    if state.phase is race.Phase.LOBBY:
        entry = Entry(seq=state.seq + 1, at_ms=-_COUNTDOWN_MS, by="", fact=StartSet(countdown_ms=_COUNTDOWN_MS))
        try:
            state, _ = race.take(state, entry)
        except CallerError:
            return ()
    return race.calls(state)


def _spoken(cue: Cue, names: dict[RiderId, str], language: str) -> Iterator[Spoken]:
    try:
        yield say(cue, names, language)
    except (ValueError, KeyError):
        return
