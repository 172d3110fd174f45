"""What each voice of a race says when: the team voice at the desk, and each rider's own ear.

One voice a seat. Whatever isn't said whole and on its instant is told with its cue, and in words with its log line.
Must not know how air is shared out (caller.airtime), nor how anything is played.
"""

from collections.abc import Mapping, Sequence
from functools import lru_cache

from caller.airtime import Airing, Utterance, Why, look, utterance
from caller.cues import Cue, CueKind
from server.auth import DIRECTOR
from server.wire import outbound
from server.wire.outbound import CueMessage, RiderCard

__all__ = ["Airtime"]

_WORTH_TELLING_MS = 250
"""Moved by less, it isn't told in the log view: nobody hears it as late."""

_KEPT = 400
"""Cues whose fate on the air is remembered after they are gone; the log view goes back no further."""


class Airtime:
    """The air of one race.

    Args:
        roster: whose ears there are, and in which language each is spoken to.
        team_language: of the team voice.
        rate: race milliseconds a wall millisecond; speech doesn't hurry with a hurried rehearsal.
    """

    def __init__(self, roster: Sequence[RiderCard], team_language: str, rate: float = 1.0) -> None:
        self._rate = rate
        self._languages: Mapping[str, str] = {
            DIRECTOR.key: team_language,
            **{f"rider:{card.id}": card.language for card in roster},
        }
        self._names = {f"rider:{card.id}": f"{card.name}’s ear" for card in roster} | {DIRECTOR.key: "Team voice"}
        self._airings: dict[str, tuple[Airing, ...]] = {}
        self._asked: tuple[Sequence[CueMessage], frozenset[str]] | None = None
        self._answer: tuple[CueMessage, ...] = ()
        self._words: dict[str, str] = {}

    def over(self, cues: Sequence[CueMessage], out: frozenset[str], now_ms: int) -> tuple[CueMessage, ...]:
        """The same cues, each with how voices say it where that isn't whole and on its instant.

        Args:
            cues: all that is known.
            out: riders who are out of the race: their ears are told to stop and nothing else.
            now_ms: the race clock.
        """
        # With nothing new the air is shared out as it was.
        if self._asked is not None and self._asked[1] == out and list(self._asked[0]) == list(cues):
            return self._answer
        told: dict[str, dict[str, outbound.Airing]] = {}
        texts = {cue.id: cue for cue in cues}
        words: dict[str, list[str]] = {}
        for seat, language in self._languages.items():
            rider = seat.removeprefix("rider:") if seat != DIRECTOR.key else None
            wanted = [
                _utterance(
                    cue.id, cue.kind, cue.due_ms, round(said.key_ms * self._rate), round(said.length_ms * self._rate)
                )
                for cue in cues
                if rider is None or _is_for(cue, rider, out)
                for said in (_said(cue, language),)
            ]
            self._airings[seat] = airings = look(self._airings.get(seat, ()), wanted, now_ms)
            for airing in airings:
                if airing.key_at_ms != airing.utterance.due_ms or airing.cut_ms is not None:
                    id_ = airing.utterance.id
                    message = _told(airing, texts, language)
                    told.setdefault(id_, {})[seat] = message
                    if _is_worth_telling(airing):
                        words.setdefault(id_, []).append(f"{self._names[seat]}: {message.because}")
        self._words = {id_: said for id_, said in self._words.items() if id_ not in texts}
        self._words |= {id_: ". ".join(parts) + "." for id_, parts in words.items()}
        while len(self._words) > _KEPT:
            self._words.pop(next(iter(self._words)))
        self._asked = cues, out
        self._answer = tuple(cue.model_copy(update={"air": told[cue.id]}) if cue.id in told else cue for cue in cues)
        return self._answer

    @property
    def airings(self) -> Mapping[str, tuple[Airing, ...]]:
        """What each voice says of all that is known, by its seat."""
        return self._airings

    def words(self, cue: str) -> str:
        """What became of a cue on the air, for people; empty if it was said as it should be, or isn't known."""
        return self._words.get(cue, "")


def _is_for(cue: CueMessage, rider: str, out: frozenset[str]) -> bool:
    """Whether a rider's own ear is told; as the rider's page has it."""
    return (not cue.to or rider in cue.to) and (rider not in out or cue.kind == CueKind.STOP.value)


def _said(cue: CueMessage, language: str) -> outbound.Said:
    return cue.said[language] if language in cue.said else next(iter(cue.said.values()))


@lru_cache(maxsize=8192)
def _utterance(id_: str, kind: str, due_ms: int, key_ms: int, length_ms: int) -> Utterance:
    return utterance(Cue(id=id_, kind=CueKind(kind), due_ms=due_ms), key_ms=key_ms, length_ms=length_ms)


def _is_worth_telling(airing: Airing) -> bool:
    return airing.key_at_ms is None or airing.cut_ms is not None or abs(airing.moved_ms) >= _WORTH_TELLING_MS


def _told(airing: Airing, texts: Mapping[str, CueMessage], language: str) -> outbound.Airing:
    """An airing in words."""

    def text(cue: str | None) -> str:
        known = None if cue is None else texts.get(cue)
        return "another cue" if known is None else f"“{_said(known, language).text}”"

    match airing.why:
        case Why.SILENCE:
            reason = f"the air was kept after {text(airing.other)}"
        case Why.TAKEN:
            reason = f"{text(airing.other)} had the air"
        case _:
            reason = "it was not known sooner"
    if airing.key_at_ms is None:
        return outbound.Airing(said=False, moved_ms=0, because=f"left to the screens, {reason}")
    parts = []
    if airing.moved_ms:
        when = f"{abs(airing.moved_ms) / 1000:.1f} s {'later' if airing.moved_ms > 0 else 'sooner'}"
        parts.append(f"{when}, {reason}")
    if airing.cut_ms is not None:
        parts.append(f"cut short by {text(airing.cut_by)}")
    return outbound.Airing(said=True, moved_ms=airing.moved_ms, because="; ".join(parts))
