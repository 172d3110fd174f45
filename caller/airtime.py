"""One voice, many cues: when each is said, moved within its window, cut short, or left to the screens.

A voice says one thing at a time. The cue that ranks first is said on its instant; each after it as near to its own as
the air is free, within its window, or not at all. What is being said is let finish, unless a stop, a switch or the gun
comes, or unless a more urgent cue would otherwise go unsaid.

Must not know in which words anything is said, nor what plays it.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import Enum

from caller.cues import CUE_TABLE, Cue, CueKind

__all__ = ["BREATH_MS", "REACH_MS", "Airing", "Utterance", "Why", "guess", "look", "utterance"]

BREATH_MS = 150
"""Between two utterances; with the 60 ms of silence at a clip's end, what is heard as a pause. Listeners take 200 to
250 ms for the least pause (Goldman-Eisler 1968, from memory)."""

REACH_MS = 100
"""What just became known is on a page by then, on a network of this day; until then nobody can say it."""

_LETTER_MS, _DIGIT_MS, _PAUSE_MS, _END_MS = 60, 480, 310, 260
_GUESS_RATE = 155
"""Fitted to 960 clips in six languages at 155 words a minute; ``tests/bench/bench_airtime.py`` says how well."""


class Why(Enum):
    """Why a cue isn't said whole and on its instant."""

    ON_TIME = "on_time"
    TAKEN = "taken"
    SILENCE = "silence"
    NOT_YET_SURE = "not_yet_sure"


@dataclass(frozen=True, slots=True, kw_only=True)
class Utterance:
    """What one voice is to say of one cue.

    Attributes:
        id: the cue's.
        priority: smaller is more urgent.
        due_ms: when its key word is wished, on the race clock.
        soonest_ms: when it can begin, because it isn't known sooner; None if it is known long ahead.
        sooner_ms, later_ms: its window, see CueRow.
        cuts_in, keeps_air_ms: see CueRow.
        ends_silence: it ends the silence that a stop keeps.
        key_ms: where in it its key word begins.
        length_ms: how long it is.
    """

    id: str
    priority: int
    due_ms: int
    soonest_ms: int | None = None
    sooner_ms: int
    later_ms: int
    cuts_in: bool = False
    keeps_air_ms: int = 0
    ends_silence: bool = False
    key_ms: int
    length_ms: int

    @property
    def wish_ms(self) -> int:
        """When its key word is wished, if not before it can be said."""
        return self.due_ms if self.soonest_ms is None else max(self.due_ms, self.soonest_ms + self.key_ms)

    @property
    def first_ms(self) -> int:
        """The soonest its key word may be heard."""
        first_ms = self.due_ms - self.sooner_ms
        return first_ms if self.soonest_ms is None else max(first_ms, self.soonest_ms + self.key_ms)

    @property
    def last_ms(self) -> int:
        """The latest its key word may be heard; its window opens no sooner than it can be said."""
        return self.wish_ms + self.later_ms

    @property
    def rank(self) -> tuple[int, int, int, str]:
        """Who goes first: the more urgent, then who can be moved less, then who is due sooner."""
        return (self.priority, self.sooner_ms + self.later_ms, self.due_ms, self.id)


@dataclass(frozen=True, slots=True, kw_only=True)
class Airing:
    """How a voice says an utterance.

    Attributes:
        key_at_ms: when its key word is heard, on the race clock; None if it isn't said.
        why: why that isn't on its instant.
        other: the cue that had the air; None if none had.
        cut_ms: when it is silenced; None if it is said whole.
        cut_by: the cue that silences it.
    """

    utterance: Utterance
    key_at_ms: int | None
    why: Why = Why.ON_TIME
    other: str | None = None
    cut_ms: int | None = None
    cut_by: str | None = None

    @property
    def moved_ms(self) -> int:
        """How much later than due its key word is heard, negative if sooner; 0 if it isn't said."""
        return 0 if self.key_at_ms is None else self.key_at_ms - self.utterance.due_ms

    @property
    def start_ms(self) -> int | None:
        """When it begins; None if it isn't said."""
        return None if self.key_at_ms is None else self.key_at_ms - self.utterance.key_ms

    @property
    def end_ms(self) -> int | None:
        """When the air is free again; None if it isn't said."""
        if self.key_at_ms is None:
            return None
        whole_ms = self.key_at_ms - self.utterance.key_ms + self.utterance.length_ms
        return whole_ms if self.cut_ms is None else min(self.cut_ms, whole_ms)


def utterance(cue: Cue, *, key_ms: int, length_ms: int) -> Utterance:
    """What a voice is to say of a cue; its window and manners are its kind's.

    It is moved sooner only as far as it is fixed by then: what is being said should not be withdrawn.

    Args:
        key_ms: where in the clip its key word begins.
        length_ms: how long the clip is.
    """
    row = CUE_TABLE[cue.kind]
    return Utterance(
        id=cue.id,
        priority=row.priority,
        due_ms=cue.due_ms,
        sooner_ms=min(row.sooner_ms, max(0, row.commit_ms - REACH_MS - key_ms)),
        later_ms=row.later_ms,
        cuts_in=row.cuts_in,
        keeps_air_ms=row.keeps_air_ms,
        ends_silence=cue.kind is CueKind.START,
        key_ms=key_ms,
        length_ms=length_ms,
    )


def guess(text: str, key_at: int, rate: int = _GUESS_RATE) -> tuple[int, int]:
    """Where the key word begins and how long a text is, ms, for as long as nobody has measured its clip.

    Args:
        text: what is said.
        key_at: the character where its key word begins.
        rate: words a minute.
    """
    slower = _GUESS_RATE / rate
    return round(_spoken_ms(text[:key_at]) * slower), round((_spoken_ms(text) + _END_MS) * slower)


def _spoken_ms(text: str) -> int:
    letters = sum(character.isalpha() for character in text)
    digits = sum(character.isdigit() for character in text)
    pauses = sum(character in ",;:." for character in text)
    return _LETTER_MS * letters + _DIGIT_MS * digits + _PAUSE_MS * pauses


def look(before: Iterable[Airing], utterances: Iterable[Utterance], now_ms: int) -> tuple[Airing, ...]:
    """What one voice says of all that is known now, in the order given; then what is still on the air and isn't known.

    Looking again with nothing new changes nothing, but that air is used which a cut has set free. What has begun is
    never unsaid; it may be cut short.

    Args:
        before: what the last look answered; nothing at first.
        utterances: all that is known, each with its own id.
        now_ms: the race clock.
    """
    wanted = tuple(utterances)
    known = {airing.utterance.id: airing for airing in before}
    ids = {one.id for one in wanted}
    air = _Air()
    answers: dict[str, Airing] = {}
    waiting: list[Utterance] = []
    for airing in _begun(known.values(), now_ms):
        if airing.utterance.id in ids or _is_felt(airing, now_ms):
            answers[airing.utterance.id] = airing
            air.take(airing)
    for one in wanted:
        if one.id in answers:
            continue
        earlier = known.get(one.id)
        if earlier is not None and earlier.utterance.due_ms == one.due_ms:
            again = replace(one, soonest_ms=earlier.utterance.soonest_ms)
            if now_ms + again.key_ms <= again.last_ms:
                waiting.append(again)
            elif earlier.key_at_ms is None:
                answers[one.id] = replace(earlier, utterance=again)
            else:  # its clip turned out longer than was guessed
                waiting.append(replace(again, soonest_ms=now_ms + REACH_MS))
        elif one.due_ms < now_ms:  # its instant was over before anybody asked
            answers[one.id] = Airing(utterance=one, key_at_ms=one.due_ms)
            air.take(answers[one.id])
        elif one.due_ms - one.key_ms - one.sooner_ms < now_ms + REACH_MS:
            waiting.append(replace(one, soonest_ms=now_ms + REACH_MS))
        else:
            waiting.append(one)
    for one in sorted(waiting, key=lambda each: each.rank):
        airing, earlier = air.place(one, now_ms), known.get(one.id)
        stays = earlier is not None and airing.key_at_ms is not None and airing.key_at_ms == earlier.key_at_ms
        if earlier is not None and earlier.other is not None and (stays or airing.why is Why.NOT_YET_SURE):
            airing = replace(airing, why=earlier.why, other=earlier.other)  # though what had the air may be gone
        answers[one.id] = airing
        if airing.key_at_ms is not None:
            for cut in air.take(airing):
                answers[cut.utterance.id] = cut
    return tuple(answers.pop(one.id) for one in wanted) + tuple(answers.values())


def _begun(airings: Iterable[Airing], now_ms: int) -> list[Airing]:
    """What has begun, by its beginning; not yet cut short by what still comes."""
    begun = [airing for airing in airings if airing.start_ms is not None and airing.start_ms < now_ms]
    return sorted(
        (
            replace(airing, cut_ms=None, cut_by=None)
            if airing.cut_ms is not None and airing.cut_ms >= now_ms
            else airing
            for airing in begun
        ),
        key=lambda airing: (airing.start_ms or 0, airing.utterance.rank),
    )


def _is_felt(airing: Airing, now_ms: int) -> bool:
    """Whether it is still on the air, or the silence after it is kept."""
    return airing.end_ms is not None and airing.end_ms + airing.utterance.keeps_air_ms > now_ms


class _Taken:
    """A piece of air that has been given away; silence is kept until ``kept_ms``."""

    __slots__ = ("airing", "begun", "end_ms", "kept_ms", "start_ms")

    def __init__(self, airing: Airing, start_ms: int, end_ms: int, begun: bool) -> None:
        self.airing = airing
        self.start_ms = start_ms
        self.end_ms = end_ms
        self.kept_ms = end_ms + airing.utterance.keeps_air_ms
        self.begun = begun

    def until_ms(self, priority: int) -> int:
        """When the air is free again for one of this priority."""
        return self.kept_ms if priority > self.airing.utterance.priority else self.end_ms


class _Air:
    """The air that has been given away so far, by its beginning."""

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._taken: list[_Taken] = []
        self._longest_ms = 0
        self._placing = False

    def take(self, airing: Airing) -> list[Airing]:
        """Give it away; answers those already begun that are thereby cut short."""
        start_ms, end_ms = airing.start_ms, airing.end_ms
        assert start_ms is not None
        assert end_ms is not None
        new = _Taken(airing, start_ms, end_ms, begun=not self._placing)
        cut = []
        if self._placing:
            for taken in self._near(start_ms, start_ms):
                if taken.start_ms < start_ms < taken.end_ms:
                    taken.airing = replace(taken.airing, cut_ms=start_ms, cut_by=airing.utterance.id)
                    taken.end_ms = taken.kept_ms = start_ms
                    cut.append(taken.airing)
        if airing.utterance.ends_silence:
            for taken in self._near(start_ms, start_ms):
                taken.kept_ms = min(taken.kept_ms, max(start_ms, taken.end_ms))
        at = bisect_right(self._starts, start_ms)
        self._starts.insert(at, start_ms)
        self._taken.insert(at, new)
        self._longest_ms = max(self._longest_ms, new.kept_ms - start_ms)
        return cut

    def place(self, one: Utterance, now_ms: int) -> Airing:
        """Where it goes. Whatever is placed once this was asked has not begun."""
        self._placing = True
        first_ms, wish_ms, last_ms = max(one.first_ms, now_ms + one.key_ms), one.wish_ms, one.last_ms
        near = self._near(
            min(first_ms, wish_ms) - one.key_ms - BREATH_MS, last_ms - one.key_ms + one.length_ms + BREATH_MS
        )
        if one.ends_silence:
            blocked = [(taken, taken.end_ms) for taken in near]
        else:
            blocked = [(taken, taken.until_ms(one.priority)) for taken in near]
        unyielding = [
            each for each in blocked if not (each[0].begun and each[0].airing.utterance.priority > one.priority)
        ]
        at_ms = None if one.cuts_in else _nearest(one, wish_ms, first_ms, last_ms, blocked)
        if at_ms is None:
            at_ms = _nearest(one, wish_ms, first_ms, last_ms, unyielding)
        if at_ms == one.due_ms:
            return Airing(utterance=one, key_at_ms=at_ms)
        other = _blocker(one, wish_ms, blocked if at_ms is None or not one.cuts_in else unyielding)
        if other is None:
            return Airing(utterance=one, key_at_ms=at_ms, why=Why.NOT_YET_SURE)
        silenced = wish_ms - one.key_ms >= other.end_ms + BREATH_MS
        why = Why.SILENCE if silenced else Why.TAKEN
        return Airing(utterance=one, key_at_ms=at_ms, why=why, other=other.airing.utterance.id)

    def _near(self, from_ms: int, to_ms: int) -> list[_Taken]:
        """Whatever may reach into this stretch of time."""
        first = bisect_left(self._starts, from_ms - self._longest_ms)
        return self._taken[first : bisect_right(self._starts, to_ms)]


def _nearest(
    one: Utterance, wish_ms: int, first_ms: int, last_ms: int, blocked: list[tuple[_Taken, int]]
) -> int | None:
    """The instant for its key word that is nearest to the wish and free; None if there is none."""
    edges = [wish_ms, first_ms]
    for taken, until_ms in blocked:
        edges.append(until_ms + BREATH_MS + one.key_ms)
        edges.append(taken.start_ms - BREATH_MS - one.length_ms + one.key_ms)
    edges.sort(key=lambda at_ms: (abs(at_ms - wish_ms), at_ms))
    for at_ms in edges:
        if first_ms <= at_ms <= last_ms and not any(_meets(one, at_ms, *each) for each in blocked):
            return at_ms
    return None


def _blocker(one: Utterance, at_ms: int, blocked: list[tuple[_Taken, int]]) -> _Taken | None:
    """Of those that have the air at an instant, the one that ranks first."""
    met = [taken for taken, until_ms in blocked if _meets(one, at_ms, taken, until_ms)]
    return min(met, key=lambda taken: taken.airing.utterance.rank, default=None)


def _meets(one: Utterance, at_ms: int, taken: _Taken, until_ms: int) -> bool:
    start_ms = at_ms - one.key_ms
    return start_ms < until_ms + BREATH_MS and taken.start_ms < start_ms + one.length_ms + BREATH_MS
