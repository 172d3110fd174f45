"""One open race: inbox or wake, stamp, take, store, publish. If this ever needs an ``if`` about racing, the rule
belongs in the core.

Must not know who may say what (routes and auth see to that), nor how anything looks.
"""

import asyncio
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

from caller import race
from caller.cues import Cue
from caller.errors import CallerError
from caller.facts import Entry, Fact, RaceOpened, StartCalledOff, StartSet
from caller.log import KINDS, dump, load
from caller.rotation import Place
from caller.speech import Spoken
from caller.speech.told import says
from caller.units import LOBBY_MS, RiderId
from server.auth import DIRECTOR, Role, Seat
from server.clock import Clock, RaceClock
from server.hub import Hub, Listener
from server.runner.airing import Airtime
from server.runner.voicing import Speaker, Text, VoiceChoice, said_of, vocabulary
from server.settings import Limits
from server.store import LogRow, Store, StoreFailed
from server.wire.errors import NotStored, TooMany
from server.wire.outbound import (
    LogLine,
    Pong,
    Presence,
    PresenceMessage,
    StateMessage,
    Welcome,
)
from server.wire.outbound import Said as SaidAloud
from server.wire.view import Wording, rider_cards, state_message, welcome

__all__ = ["Companion", "LiveRace", "Outcome", "Said"]

log = logging.getLogger("swingoff.race")

AHEAD_MS = 180_000
"""How far ahead cues are told at each change. The whole future goes to whoever joins, and to all after each fact."""

_WHOLE_AFTER_MS = 1_000
"""The whole future is told so long after a fact, not at once: it is large, and the next fact may be on its way."""

_WHOLE_AT_LEAST_MS = 5_000
"""However fast facts come in, nobody waits longer for the whole future."""

_LOG_LINES = 60
_CALLED_AFTER_MS = 300
"""A cue stands in the log view just after it was due, so that drawing the log disturbs nobody's sound."""

_HOLD_OFF_MS = 500
"""After a fault of ours, before the next wake: a rule that fails at every wake must not eat the machine."""

_KIND_NAMES = {kind: name for name, kind in KINDS.items()}

Outcome = int | Exception
"""What became of something said: its number in the log, or why it isn't there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What somebody says to a race, on its way to become an entry.

    Attributes:
        by: the seat's key.
        fact: what.
        tap: the page's own key of it; None where it can't come twice.
        seen_ms: the tapper's own reading of the race clock.
        settled: tells the sender, and nobody else, what became of it.
    """

    by: str
    fact: Fact
    tap: str | None = None
    seen_ms: int | None = None
    settled: Callable[[Outcome], None] = lambda _: None


class Companion(Protocol):
    """Somebody who rides along with a live race: the simulated riders of a rehearsal, the voice."""

    def told(self, cues: Iterable[Cue], now_ms: int) -> None:
        """These cues became fixed at this instant of the race clock."""
        ...


class LiveRace:
    """The driver of one race. Make it with ``opened`` or ``resumed``, then ``run``."""

    def __init__(
        self,
        *,
        code: str,
        store: Store,
        clock: Clock,
        limits: Limits,
        voice: Speaker,
        choice: VoiceChoice | None = None,
        rate: float = 1.0,
        rehearsal: str | None = None,
    ) -> None:
        self.code = code
        self.hub = Hub()
        self.companions: list[Companion] = []
        self.simulated: frozenset[str] = frozenset()
        self.resumed_to_ms = LOBBY_MS
        self._store = store
        self._clock = clock
        self._limits = limits
        self._voice = voice
        self._choice = choice or VoiceChoice()
        self._how, self._how_before = self._choice.how, self._choice.how
        self._vocabulary: tuple[Text, ...] = ()
        self._clips_ready = 0
        self._missing: set[Text] = set()
        self._urgent: set[Text] = set()
        self._rate = rate
        self._rehearsal = rehearsal
        self._inbox: asyncio.Queue[Said] = asyncio.Queue(limits.inbox)
        self._state: race.RaceState | None = None
        self._race_clock: RaceClock | None = None
        self._wording: Wording | None = None
        self._air: Airtime | None = None
        self._taps: dict[str, int] = {}
        self._lines: list[LogLine] = []
        self._fixed_ahead: list[Cue] = []
        self._adrift_since: dict[RiderId, int] = {}
        self._ready: dict[str, bool] = {}
        self._sound: dict[str, bool] = {}
        self._behind = False
        self._hold_off_until_ms = 0.0
        self._revision = int(clock.wall_ms())  # rises over a restart too
        self._epoch = self._revision  # our wall clock was read anew
        self._whole_at_ms: float | None = None
        self._whole_by_ms = 0.0
        self._task: asyncio.Task[None] | None = None

    # A race's life

    @property
    def state(self) -> race.RaceState:
        """The race as it is. Raises AssertionError before it is opened or resumed."""
        assert self._state is not None, "not opened yet"
        return self._state

    @property
    def busy(self) -> bool:
        """Whether somebody listens or its clock runs: not to be let go from memory."""
        return len(self.hub) > 0 or bool(self.companions and self.running) or not self._inbox.empty()

    @property
    def running(self) -> bool:
        """Whether the race clock runs."""
        return self.state.phase in (race.Phase.COUNTDOWN, race.Phase.RACING, race.Phase.HALTED)

    async def open(self, fact: RaceOpened, by: str) -> None:
        """Opens the race with its first entry. Raises: LogRefused, RequestRefused, NotStored."""
        entry = Entry(seq=1, at_ms=LOBBY_MS, by=by, fact=fact)
        state = race.start(entry)
        row = _row(entry, self._clock.wall_ms(), None)
        await self._append(row)
        self._enter(row, entry, state, ())
        self._begin()

    async def resume(self) -> None:
        """Goes on from the log on disk. Raises: LogRefused: it doesn't begin as a log does. StoreFailed."""
        rows = await self._store.log(self.code)
        self.resumed_to_ms = rows[-1].at_ms if rows else LOBBY_MS
        for row in rows:
            self._retake(row)
        if self._state is None:
            race.replay(())  # says what is wrong with an empty log
        self._mend_clock(rows[-1])
        self._begin()
        self._look()

    def _begin(self) -> None:
        self._task = asyncio.get_running_loop().create_task(self._run(), name=f"race {self.code}")

    async def close(self) -> None:
        """Stops calling and lets every listener go. The log stays."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        for listener in self.hub:
            listener.drop()

    # What pages and companions say

    def say(self, said: Said) -> None:
        """Puts something into the inbox. Raises: TooMany: the inbox is full."""
        try:
            self._inbox.put_nowait(said)
        except asyncio.QueueFull:
            raise TooMany("too much is being said at once; say it again in a moment") from None

    async def ask(self, by: str, fact: Fact) -> None:
        """Says something and waits until it is on disk. Raises: what refused it."""
        done: asyncio.Future[Outcome] = asyncio.get_running_loop().create_future()

        def settled(outcome: Outcome) -> None:
            if not done.done():
                done.set_result(outcome)

        self.say(Said(by=by, fact=fact, settled=settled))
        outcome = await done
        if isinstance(outcome, Exception):
            raise outcome

    def join(self, listener: Listener, seat: Seat) -> None:
        """A page listens: it gets who it is, the whole known future, and who is here. Raises: TooMany."""
        if len(self.hub) >= self._limits.listeners or len(self.hub.of(seat.key)) >= self._limits.devices:
            raise TooMany("too many pages are open on this race; close some that nobody looks at")
        listener.who = self._who(seat)
        listener.answer(self._welcome(seat).model_dump_json())
        listener.newest("state", self._message(whole=True).model_dump_json())
        self.hub.add(listener)  # last: if one of these fails, nobody is left listening who isn't there
        self._want()
        self.publish_presence()

    def _who(self, seat: Seat) -> str:
        """How what is tapped on a page of this seat is signed: what two directors ask at once is meant once."""
        if seat.role is not Role.DIRECTOR:
            return seat.key
        taken = {one.who for one in self.hub.of(seat.key)}
        names = (seat.key, *(f"{seat.key} {number}" for number in range(2, len(taken) + 2)))
        return next(name for name in names if name not in taken)

    def leave(self, listener: Listener) -> None:
        """A page is gone."""
        self.hub.remove(listener)
        self.publish_presence()

    def set_ready(self, seat: str, ready: bool) -> None:
        """Somebody is ready to start, or not any more."""
        self._ready[seat] = ready
        self.publish_presence()

    def set_sound(self, seat: str, heard: bool) -> None:
        """Somebody heard the sound check, or didn't."""
        self._sound[seat] = heard
        self.publish_presence()

    def pong(self, sent: float) -> Callable[[], str]:
        """The clock's answer to a ping received now; to be asked for when it leaves."""
        received_wall_ms = self._clock.wall_ms()

        def answer() -> str:
            race_clock = self._race_clock
            running = race_clock is not None
            return Pong(
                sent=sent,
                received_ms=race_clock.race_ms(received_wall_ms) if race_clock else received_wall_ms,
                answered_ms=race_clock.race_ms(self._clock.wall_ms()) if race_clock else self._clock.wall_ms(),
                running=running,
                rate=self._rate,
                gun_ms=race_clock.gun_wall_ms if race_clock else None,
                epoch=self._epoch,
            ).model_dump_json()

        return answer

    def clock_ms(self) -> float | None:
        """The race clock; None while it stands still."""
        return None if self._race_clock is None else self._race_clock.race_ms(self._clock.wall_ms())

    # What pages are told

    def publish_presence(self) -> None:
        """Tells everybody who is here."""
        self.hub.publish("presence", self._presence().model_dump_json())

    def clips_came(self) -> None:
        """Clips were rendered: tells everybody how many, and where those are that were missing from what was told."""
        if self._wording is None:
            return
        self._count_clips()
        if any(self._voice.clip_for(*text, how=self._how) is not None for text in self._missing):
            self._missing.clear()
            self._urgent.clear()
            self._wording.forget()
            self._publish()
        self.publish_presence()

    def clip_came(self) -> None:
        """A clip was rendered: if it is one that is called any moment, everybody is told at once."""
        if any(self._voice.clip_for(*text, how=self._how) is not None for text in self._urgent):
            self.clips_came()

    def want_vocabulary(self) -> None:
        """Has everything rendered that may have to be said. A fault in it is ours and leaves clips missing."""
        try:
            self._vocabulary = vocabulary(self.state, self._choice.language)
            self._voice.want(self._vocabulary, how=self._how)
            self._count_clips()
        except Exception:
            log.exception("race %s: could not foresee what has to be said; the race goes on", self.code)

    def speak_as(self, choice: VoiceChoice) -> None:
        """From now on the race is spoken so. What isn't rendered anew yet is said as before until it is."""
        if choice == self._choice:
            return
        language_was, self._choice = self._choice.language, choice
        self._how_before, self._how = self._how, choice.how
        self._word_anew()
        if choice.language != language_was:
            self._welcome_all()
        self.want_vocabulary()
        self._publish()
        self.publish_presence()

    @property
    def clips(self) -> tuple[int, int]:
        """How many of the clips are ready that may be wanted, and how many those are."""
        self._count_clips()
        return self._clips_ready, len(self._vocabulary)

    def _word_anew(self) -> None:
        """Riders, names, languages or the voice are others."""
        roster = self.state.setup.roster
        self._wording = Wording(roster, self._clip_for, self._choice.language)
        self._air = Airtime(rider_cards(roster), self._wording.team, self._rate)
        self._missing.clear()
        self._urgent.clear()

    def _count_clips(self) -> None:
        clips = (self._voice.clip_for(*text, how=self._how) for text in self._vocabulary)
        self._clips_ready = sum(1 for clip in clips if clip is not None)

    def _want(self) -> None:
        """Has rendered first what is told next and has no clip yet."""
        assert self._wording is not None
        if self._wording.silent:
            self._urgent.update(text for text, at_once in self._wording.silent.items() if at_once)
            # What is wanted last is rendered first: what is called any moment must not fall behind the rest.
            self._voice.want(dict.fromkeys((*self._urgent, *self._wording.silent)), how=self._how)
            self._missing.update(self._wording.silent)
            self._wording.silent.clear()

    def _clip_for(self, spoken: Spoken, language: str) -> SaidAloud | None:
        text = (spoken.text, language, spoken.key_at)
        clip = self._voice.clip_for(*text, how=self._how)
        if clip is None and self._how_before != self._how:
            clip = self._voice.clip_for(*text, how=self._how_before)
            if clip is not None and self._wording is not None:
                self._wording.silent.setdefault(text, False)  # to be said anew
        return None if clip is None else said_of(clip)

    def _welcome(self, seat: Seat) -> Welcome:
        return welcome(
            self.state,
            code=self.code,
            role=seat.role.value,
            rider=seat.rider,
            rehearsal=self._rehearsal,
            language=self._choice.language,
        )

    def _welcome_all(self) -> None:
        """Riders, course or plan are others: everybody is greeted anew, each as who they are."""
        seats = {seat.key: seat for seat in self._seats()}
        for listener in self.hub:
            if listener.seat in seats:
                listener.newest("welcome", self._welcome(seats[listener.seat]).model_dump_json())
            else:
                listener.drop()  # this rider rides no more

    def _seats(self) -> tuple[Seat, ...]:
        return (DIRECTOR, *(Seat(role=Role.RIDER, rider=rider) for rider in self.state.setup.roster.ids))

    def _presence(self) -> PresenceMessage:
        status = self._voice.status
        return PresenceMessage(
            here=tuple(
                Presence(
                    who=seat.key,
                    devices=len(self.hub.of(seat.key)) + (seat.key in self.simulated),
                    ready=self._ready.get(seat.key, False) or seat.key in self.simulated,
                    sound=self._sound.get(seat.key, False) or seat.key in self.simulated,
                )
                for seat in self._seats()
            ),
            voice_ok=status.ok,
            voice_sentence=status.sentence,
            clips_ready=self._clips_ready,
            clips_wanted=len(self._vocabulary),
        )

    def _publish(self) -> None:
        """Tells everybody how the race is. A fault in the telling is ours and stops nothing."""
        try:
            whole = self._whole_at_ms is not None and self._clock.wall_ms() >= self._whole_at_ms
            if whole:
                self._whole_at_ms = None
            if len(self.hub):
                # A slow page gets the newest of each: the near future doesn't push out the whole one.
                self.hub.publish("whole" if whole else "state", self._message(whole=whole).model_dump_json())
                self._want()
        except Exception:
            log.exception("race %s: could not tell the state; the race goes on", self.code)

    def _message(self, *, whole: bool) -> StateMessage:
        assert self._wording is not None
        assert self._air is not None
        self._revision += 1
        clock_ms = self.clock_ms()
        clock = None if clock_ms is None else int(clock_ms)
        if self.state.phase is race.Phase.OVER:
            clock = self.state.now_ms
        message = state_message(
            self.state,
            self._wording,
            revision=self._revision,
            clock=clock,
            until_ms=None if whole else self.state.now_ms + AHEAD_MS,
            log=(),
            adrift_since=self._adrift_since,
        )
        out = frozenset(place.rider for place in message.line if place.place == "out")
        cues = self._air.over(message.cues, out, self.state.now_ms)
        self._note_air()
        return message.model_copy(update={"cues": cues, "log": tuple(self._lines[-_LOG_LINES:])})

    # The loop

    async def _run(self) -> None:
        while True:
            try:
                said = await self._clock.get(self._inbox, self._wake_wall_ms())
                if said is None:
                    self._look()
                else:
                    await self._take(said)
            except asyncio.CancelledError:
                raise
            except Exception:
                log.exception("race %s: a fault of ours; the race goes on", self.code)
                self._hold_off_until_ms = self._clock.wall_ms() + _HOLD_OFF_MS

    def _wake_wall_ms(self) -> float | None:
        wakes = (self._race_wake_wall_ms(), self._whole_at_ms if self._race_clock else None)
        known = [wake_ms for wake_ms in wakes if wake_ms is not None]
        return max(self._hold_off_until_ms, min(known)) if known else None

    def _race_wake_wall_ms(self) -> float | None:
        if self._race_clock is None:
            return None
        instants = [cue.due_ms + _CALLED_AFTER_MS for cue in self._fixed_ahead]
        wake_ms = race.next_wake(self.state)
        if wake_ms is not None:
            instants.append(wake_ms)
        return self._race_clock.wall_ms(min(instants)) if instants else None

    def _now_ms(self, wall_ms: float) -> int:
        """The stamp for what happens at this wall time; never before what happened before."""
        if self._race_clock is None:
            return self.state.now_ms
        return max(self.state.now_ms, int(self._race_clock.race_ms(wall_ms) // 1))

    def _look(self) -> None:
        """Time has passed."""
        now_ms = self._now_ms(self._clock.wall_ms())
        self._step_towards(now_ms)
        self._state, fixed = race.advance(self.state, now_ms)
        self._note_cues(fixed)
        self._note_called(now_ms)
        self._publish()

    async def _take(self, said: Said) -> None:
        """Something was said."""
        try:
            if self._behind:
                await self._catch_up()
            if said.tap is not None and said.tap in self._taps:
                said.settled(self._taps[said.tap])
                return
            entry, row = self._stamped(said)
            state, fixed = race.take(self.state, entry)
            await self._append(row)
        except (CallerError, NotStored) as refused:
            said.settled(refused)
            return
        except Exception as fault:
            said.settled(fault)
            raise
        self._enter(row, entry, state, fixed)
        said.settled(entry.seq)
        self._publish()

    def _stamped(self, said: Said) -> tuple[Entry, LogRow]:
        wall_ms = self._clock.wall_ms()
        at_ms = -said.fact.countdown_ms if isinstance(said.fact, StartSet) else self._now_ms(wall_ms)
        entry = Entry(seq=self.state.seq + 1, at_ms=at_ms, by=said.by, fact=said.fact, seen_ms=said.seen_ms)
        return entry, _row(entry, wall_ms, said.tap)

    async def _append(self, row: LogRow) -> None:
        """On disk before anybody hears of it. Raises: NotStored."""
        try:
            await self._store.append(self.code, row)
        except StoreFailed as failed:
            # It may lie on the disk all the same; before anything else is said, the log has the word.
            self._behind = True
            log.error("race %s: entry %d could not be written: %s", self.code, row.seq, failed)
            raise NotStored(
                f"the server could not write it down ({failed}); nothing has changed: mend the disk, then say it again"
            ) from failed

    async def _catch_up(self) -> None:
        """Takes what the log holds beyond the state. Raises: NotStored: the log can't be read either."""
        try:
            rows = await self._store.log(self.code, self.state.seq)
        except StoreFailed as failed:
            raise NotStored(f"the server cannot read its log ({failed}); nothing has changed") from failed
        for row in rows:
            self._retake(row)
        self._behind = False

    def _retake(self, row: LogRow) -> None:
        """Takes an entry from the log. One that can't be taken any more is left out: the others still count."""
        try:
            entry = load(row.line)
            if self._state is None:
                state, fixed = race.start(entry), tuple[Cue, ...]()
            else:
                self._step_towards(entry.at_ms)
                state, fixed = race.take(self._state, entry)
        except CallerError as refused:
            if self._state is None:
                raise
            log.error("race %s: log line %d is left out: %s", self.code, row.seq, refused)
            return
        self._enter(row, entry, state, fixed)

    def _step_towards(self, at_ms: int) -> None:
        """Time passes as it did: companions hear each cue at the instant at which it became fixed."""
        while self.companions:
            wake_ms = race.next_wake(self.state)
            if wake_ms is None or wake_ms > at_ms:
                break
            self._state, fixed = race.advance(self.state, wake_ms)
            self._note_cues(fixed)
            self._note_called(wake_ms)

    def _enter(self, row: LogRow, entry: Entry, state: race.RaceState, fixed: tuple[Cue, ...]) -> None:
        """The entry is on disk and counts from here on."""
        before, self._state = self._state, state
        if row.tap is not None:
            self._taps[row.tap] = entry.seq
        if isinstance(entry.fact, StartSet):
            self._race_clock = RaceClock.showing(entry.at_ms, row.wall_ms, self._rate)
        elif isinstance(entry.fact, StartCalledOff | RaceOpened):
            self._race_clock = None
            self._fixed_ahead.clear()
        if before is None or before.setup is not state.setup:
            self._word_anew()
            self._vocabulary = ()
            self._welcome_all()
        self._owe_whole()
        self._note_cues(fixed)
        self._note_called(entry.at_ms)
        self._note_fact(entry)

    def _owe_whole(self) -> None:
        """A fact has made another future: pages know the near part at once, and are owed the rest."""
        now_ms = self._clock.wall_ms()
        if self._whole_at_ms is None:
            self._whole_by_ms = now_ms + _WHOLE_AT_LEAST_MS
        self._whole_at_ms = min(now_ms + _WHOLE_AFTER_MS, self._whole_by_ms)

    def _mend_clock(self, newest: LogRow) -> None:
        """A wall clock that was set back while the server was down must not take the race back."""
        clock_ms = self.clock_ms()
        if clock_ms is not None and clock_ms < newest.at_ms:
            log.warning(
                "race %s: this machine's clock was set back by %.1f s or more; the race goes on from its last entry",
                self.code,
                (newest.at_ms - clock_ms) / 1000,
            )
            self._race_clock = RaceClock.showing(newest.at_ms, self._clock.wall_ms(), self._rate)

    # The log view

    def _note_cues(self, fixed: tuple[Cue, ...]) -> None:
        self._fixed_ahead.extend(fixed)
        if not fixed:
            return
        for companion in self.companions:
            try:
                companion.told(fixed, self.state.now_ms)
            except Exception:
                log.exception("race %s: a companion failed; the race goes on", self.code)

    def _note_called(self, now_ms: int) -> None:
        """Cues whose instant is over stand in the log view as called."""
        called = sorted((cue for cue in self._fixed_ahead if cue.due_ms <= now_ms), key=lambda cue: cue.due_ms)
        if not called:
            return
        self._fixed_ahead = [cue for cue in self._fixed_ahead if cue.due_ms > now_ms]
        assert self._wording is not None
        for cue in called:
            self._lines.append(
                LogLine(
                    at_ms=cue.due_ms,
                    kind="cue",
                    what=cue.kind.value,
                    text=self._wording.line(cue),
                    by="",
                    because=cue.because,
                    cue=cue.id,
                )
            )
        self._tidy_lines()

    def _note_air(self) -> None:
        """What became of the latest cues on the air; one that was moved may still be silenced after it is noted."""
        assert self._air is not None
        for at in range(max(0, len(self._lines) - _LOG_LINES), len(self._lines)):
            line = self._lines[at]
            air = self._air.words(line.cue) if line.cue else ""
            if air and air != line.air:
                self._lines[at] = line.model_copy(update={"air": air})

    def _note_fact(self, entry: Entry) -> None:
        fact = entry.fact
        adrift = (member.rider for member in self.state.line.apart if member.place is Place.ADRIFT)
        self._adrift_since = {rider: self._adrift_since.get(rider, entry.at_ms) for rider in adrift}
        self._lines.append(
            LogLine(
                at_ms=entry.at_ms,
                kind="fact",
                what=_KIND_NAMES[type(fact)],
                text=says(fact, self.state.setup.roster),
                by=entry.by,
                because="",
            )
        )
        self._tidy_lines()

    def _tidy_lines(self) -> None:
        del self._lines[: -4 * _LOG_LINES]


def _row(entry: Entry, wall_ms: float, tap: str | None) -> LogRow:
    return LogRow(seq=entry.seq, at_ms=entry.at_ms, wall_ms=wall_ms, by=entry.by, tap=tap, line=dump(entry))
