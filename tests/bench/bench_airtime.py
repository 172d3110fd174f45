"""How one voice does with many cues: what is moved, cut short or left to the screens, and what it was like without.

Rides the demo on virtual time, and a race as busy as nobody rides one: eight riders on turns of eight seconds, and a
fact every four. Every clip is rendered, so lengths are real. "Without" is a voice that says each cue on its instant,
and the page's own rule from before the air was shared out: the more urgent cuts in, the less urgent waits.

python -m tests.bench.bench_airtime
"""

import asyncio
import os
import random
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from caller import race
from caller.airtime import Airing, Utterance, Why, guess
from caller.cues import CUE_TABLE, CueKind
from caller.errors import RequestRefused
from caller.facts import (
    CutTurn,
    Entry,
    Fact,
    FeltEmpty,
    FeltGood,
    GapClosed,
    GapOpened,
    LineBunched,
    LineSurged,
    LostWheel,
    RejoinedAt,
    SwungOff,
)
from caller.planner import steady_plan
from caller.rehearsal import run_fast
from caller.speech import Spoken
from server.runner.airing import Airtime
from server.runner.house import scenario_in
from server.runner.live import AHEAD_MS
from server.runner.voicing import said_of
from server.voice import Voice
from server.wire.outbound import Said
from server.wire.view import Wording, rider_cards
from tests.play import Play, some_race

SHORT = os.environ.get("BENCH_SHORT") == "1"
DEMO = Path(__file__).resolve().parents[2] / "scenarios" / "demo.toml"


def demo() -> tuple[Entry, ...]:
    """The demo's log."""
    scenario = scenario_in(DEMO)
    return run_fast(scenario, planner=steady_plan).entries


def busy(seed: int, seconds: int) -> tuple[Entry, ...]:
    """Eight riders, eight seconds each, and something new every four."""
    chance = random.Random(seed)
    play = Play(some_race(8, turn_s=8, length_m=seconds * 12.5))
    riders = play.opened.roster.ids
    for at_s in range(4, seconds, 4):
        rider = chance.choice(riders)
        facts: list[Fact] = [
            GapOpened(rider=rider), GapClosed(rider=rider), LineSurged(), LineBunched(), FeltGood(rider=rider),
            FeltEmpty(rider=rider), CutTurn(), SwungOff(rider=play.order[0]), LostWheel(rider=rider),
            RejoinedAt(rider=rider, slot=chance.randrange(1, 5)),
        ]  # fmt: skip
        try:
            play.at(at_s + chance.random(), chance.choice(facts))
        except RequestRefused:
            continue
    return tuple(play.entries)


def states(entries: tuple[Entry, ...]) -> Iterator[race.RaceState]:
    """The race at each instant at which something happens, as its live driver sees it."""
    state = race.start(entries[0])
    for entry in entries[1:]:
        while (wake_ms := race.next_wake(state)) is not None and wake_ms <= entry.at_ms:
            state, _ = race.advance(state, wake_ms)
            yield state
        state, _ = race.take(state, entry)
        yield state


async def clips_of(entries: tuple[Entry, ...], voice: Voice) -> None:
    """Have everything rendered that will be said."""
    wording: Wording | None = None
    for state in states(entries):
        wording = wording or Wording(state.setup.roster, lambda *_: None)
        for cue in race.calls(state, state.now_ms + 60_000):
            wording.message(cue, fixed=False)
    assert wording is not None
    for text in wording.silent:
        await voice.render(*text)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ride:
    """What became of a race's cues on the air.

    Attributes:
        fates: by the voice's seat and the cue.
        due: what the team voice had to say, by when it would begin.
        kinds: every cue's.
        took_ms: how long each look took.
    """

    fates: dict[str, dict[str, Airing]]
    due: list[Utterance]
    kinds: dict[str, CueKind]
    took_ms: list[float]


def ride(entries: tuple[Entry, ...], voice: Voice) -> Ride:
    """Share out the air of a race as its live driver does."""

    def clip_for(spoken: Spoken, language: str) -> Said | None:
        clip = voice.clip_for(spoken.text, language, spoken.key_at)
        return None if clip is None else said_of(clip)

    fates: dict[str, dict[str, Airing]] = {}
    due: dict[str, Utterance] = {}
    kinds: dict[str, CueKind] = {}
    took: list[float] = []
    called: set[str] = set()
    wording, air = None, None
    for state in states(entries):
        if wording is None or air is None:
            wording = Wording(state.setup.roster, clip_for)
            air = Airtime(rider_cards(state.setup.roster), wording.team)
        fixed = {cue.id for cue in state.fixed}
        called |= fixed
        cues = race.calls(state, state.now_ms + AHEAD_MS)
        messages = tuple(wording.message(cue, fixed=cue.id in fixed) for cue in cues)
        kinds |= {cue.id: cue.kind for cue in cues}
        began = time.perf_counter()
        air.over(messages, frozenset(), state.now_ms)
        took.append((time.perf_counter() - began) * 1000)
        for seat, airings in air.airings.items():
            for airing in airings:
                if airing.utterance.id in called:
                    fates.setdefault(seat, {})[airing.utterance.id] = airing
        for airing in air.airings["director"]:
            if airing.utterance.id in called:
                due[airing.utterance.id] = airing.utterance
    in_order = sorted(due.values(), key=lambda one: one.due_ms - one.key_ms)
    return Ride(fates=fates, due=in_order, kinds=kinds, took_ms=sorted(took))


def overlaps(spans: Iterable[tuple[int, int]]) -> int:
    """How many pairs are on the air at once."""
    return sum(one[0] < other[1] and other[0] < one[1] for one, other in combinations(spans, 2))


def without(due: list[Utterance], kinds: dict[str, CueKind]) -> Counter[str]:
    """What pages did by themselves: the more urgent cuts in, the less urgent waits until it is too late."""
    air: list[list[int]] = []
    counts: Counter[str] = Counter()
    for one in due:
        wish_ms = start_ms = one.due_ms - one.key_ms
        for taken in air:
            if taken[0] >= start_ms + one.length_ms or taken[1] <= start_ms:
                continue
            if taken[2] > one.priority:
                taken[1] = start_ms
                counts["cut short"] += 1
            else:
                start_ms = taken[1]
        if start_ms - wish_ms > CUE_TABLE[kinds[one.id]].too_late_ms:
            counts["left out"] += 1
            continue
        counts["late"] += start_ms - wish_ms >= 50
        air.append([start_ms, start_ms + one.length_ms, one.priority])
    return counts


def tell(name: str, entries: tuple[Entry, ...], voice: Voice) -> None:
    """Print a race's figures."""
    ridden = ride(entries, voice)
    due, took_ms = ridden.due, ridden.took_ms
    naive = overlaps((one.due_ms - one.key_ms, one.due_ms - one.key_ms + one.length_ms) for one in due)
    before = dict(without(due, ridden.kinds))
    print(f"{name}: {entries[-1].at_ms / 1000:.0f} s, {len(due)} cues, {len(entries)} entries")
    print(f"  each on its instant: {naive} pairs overlap on the team voice; by the pages' own rule: {before}")
    ears = [seat for seat in ridden.fates if seat != "director"]
    for label, seats in (("team voice", ["director"]), (f"{len(ears)} ears", ears)):
        airings = [airing for seat in seats for airing in ridden.fates[seat].values()]
        said = [airing for airing in airings if airing.key_at_ms is not None]
        moved = [airing for airing in said if abs(airing.moved_ms) >= 50]
        spans = [
            [(one.start_ms or 0, one.end_ms or 0) for one in ridden.fates[seat].values() if one.key_at_ms is not None]
            for seat in seats
        ]
        for_another = sorted(abs(one.moved_ms) for one in moved if one.why is Why.TAKEN)
        print(
            f"  {label}: {len(airings)} to say, {len(said) - len(moved)} on their instant, "
            f"{len(for_another)} moved for another, {len(moved) - len(for_another)} not known sooner, "
            f"{len(airings) - len(said)} left to the screens, {sum(one.cut_ms is not None for one in said)} cut short; "
            f"{sum(map(overlaps, spans))} pairs overlap"
        )
        if for_another:
            print(f"    moved by {statistics.median(for_another):.0f} ms at the median, {for_another[-1]} at the most")
        for what, those in (
            ("left to the screens", [one for one in airings if one.key_at_ms is None]),
            ("cut short", [one for one in said if one.cut_ms is not None]),
            ("cut in late", [one for one in said if one.utterance.cuts_in and one.moved_ms]),
        ):
            print(f"    {what}: {dict(Counter(ridden.kinds[one.utterance.id].value for one in those))}")
    p99 = took_ms[int(0.99 * len(took_ms))]
    print(f"  a look: {statistics.median(took_ms):.2f} ms at the median, {p99:.1f} ms at p99")


def whole() -> None:
    """How long sharing out the air of an hour's race takes, when somebody joins."""
    play = Play(some_race(8, length_m=45_000))
    cues = race.calls(play.state)
    wording = Wording(play.opened.roster, lambda *_: None)
    messages = tuple(wording.message(cue, fixed=False) for cue in cues)
    took = []
    for _ in range(5):
        air = Airtime(rider_cards(play.opened.roster), wording.team)
        began = time.perf_counter()
        air.over(messages, frozenset(), play.state.now_ms)
        took.append((time.perf_counter() - began) * 1000)
    print(f"the air of a whole hour, {len(cues)} cues, 9 voices: {min(took):.1f} ms")


async def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        voice = Voice(Path(folder))
        await voice.start()
        races = [("demo", demo()), ("busy", busy(1, 120 if SHORT else 600))]
        for _, entries in races:
            await clips_of(entries, voice)
        for name, entries in races:
            tell(name, entries, voice)
        await guesses(voice)
        await voice.close()
    whole()


async def guesses(voice: Voice) -> None:
    """How well lengths are guessed where nobody has measured the clip."""
    from tests.bench.voice import said

    off_key, off_length = [], []
    for language in ("en",) if SHORT else ("en", "de", "es", "fr", "it", "nl"):
        for spoken in said(language)[:: 8 if SHORT else 3]:
            clip = await voice.render(spoken.text, language, spoken.key_at)
            key_ms, length_ms = guess(spoken.text, spoken.key_at)
            off_key.append(abs(key_ms - clip.key_ms))
            off_length.append(abs(length_ms - clip.length_ms))
    print(
        f"{len(off_key)} clips guessed: key word off by {statistics.median(off_key):.0f} ms at the median, "
        f"{sorted(off_key)[int(0.95 * len(off_key))]} ms at p95; "
        f"length {statistics.median(off_length):.0f} and {sorted(off_length)[int(0.95 * len(off_length))]} ms"
    )


if __name__ == "__main__":
    asyncio.run(main())
