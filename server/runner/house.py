"""All races on this server: made, set up, opened, found again after a restart.

Routes talk to this. Must not know of requests or sockets.
"""

import asyncio
import contextlib
import json
import logging
import secrets
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from caller.course import Course
from caller.errors import CallerError, FileRefused, RequestRefused, ScenarioRefused
from caller.facts import RaceOpened
from caller.plan import RaceRules
from caller.race import Phase
from caller.rehearsal import Scenario, read_scenario
from caller.units import RiderId
from server.auth import DIRECTOR, Role, Seat, Tickets, join_code
from server.clock import Clock
from server.planning import Planning
from server.runner.draft import (
    Draft,
    DraftRider,
    draft_from_json,
    draft_to_json,
    riders_from_forms,
    roster_of,
    still_missing,
)
from server.runner.live import LiveRace
from server.runner.plans import Plans, Trials, worker
from server.runner.rehearsing import Riders
from server.runner.voicing import Speaker, VoiceChoice
from server.settings import Settings
from server.store import CodeTaken, RaceRow, SeatRow, Store, StoreFailed
from server.wire.errors import AlreadySo, NotKnown, NotStored, Unexpected
from server.wire.http import RiderForm

__all__ = ["House", "Race", "RehearsalFile"]

log = logging.getLogger("swingoff.house")

_TELL_CLIPS_S = 0.5
_SWEEP_S = 1.0
_TRIES = 20


@dataclass(slots=True, kw_only=True, eq=False)
class Race:
    """A race in memory.

    Attributes:
        row: as kept, but for its draft.
        draft: what is set up.
        seats: generation and claim, by the seat's key.
        live: once it is opened.
        riders: of a rehearsal.
        changing: held while the draft, the seats or the opening change.
        asked: questions to the workers that are still open for it.
        trials: what is being worked out about its plan, and what was.
    """

    row: RaceRow
    draft: Draft
    seats: dict[str, SeatRow] = field(default_factory=dict)
    live: LiveRace | None = None
    riders: Riders | None = None
    changing: asyncio.Lock = field(default_factory=asyncio.Lock)
    asked: int = 0
    trials: Trials = field(default_factory=Trials)

    @property
    def code(self) -> str:
        """Its short code."""
        return self.row.code

    @property
    def phase(self) -> str:
        """``draft`` until it is opened, then the race's own."""
        return "draft" if self.live is None else self.live.state.phase.value

    def all_seats(self) -> tuple[tuple[Seat, int], ...]:
        """Every seat with its ticket's generation."""
        riders = dict.fromkeys(one.rider.id for one in self.draft.riders)
        if self.live is not None:  # whoever is in the line rides until the race is opened anew without them
            riders |= dict.fromkeys(self.live.state.setup.roster.ids)
        seats = (DIRECTOR, *(Seat(role=Role.RIDER, rider=rider) for rider in riders))
        return tuple((seat, self.seats.get(seat.key, SeatRow()).generation) for seat in seats)


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsalFile:
    """A scenario that comes along, or one named on the command line."""

    name: str
    path: Path
    scenario: Scenario


class House:
    """The races, and what they share: disk, clock, planner, voice."""

    def __init__(
        self,
        *,
        settings: Settings,
        clock: Clock,
        store: Store,
        tickets: Tickets,
        planner: Planning,
        voice: Speaker,
    ) -> None:
        self.settings = settings
        self.clock = clock
        self._store = store
        self._tickets = tickets
        self._planner = planner
        self.plans = Plans(planner, clock, self._save)
        self._voice = voice
        self._races: OrderedDict[str, Race] = OrderedDict()
        self._loading = asyncio.Lock()
        self._clips_came = asyncio.Event()
        self._chores: list[asyncio.Task[None]] = []

    def start(self) -> None:
        """Begins what goes on beside the races: telling of clips, dropping the slow."""
        loop = asyncio.get_running_loop()
        self._chores = [loop.create_task(self._tell_clips()), loop.create_task(self._sweep())]

    async def close(self) -> None:
        """Stops every race; their logs stay."""
        for chore in self._chores:
            chore.cancel()
        await asyncio.gather(*self._chores, return_exceptions=True)
        for race in self._races.values():
            await self._let_go(race)
        self._races.clear()

    # Finding and making

    async def create(self, name: str, *, rehearsal: str | None = None, rate: float = 1.0) -> Race:
        """A new race with nothing in it. Raises: NotStored."""
        draft = Draft(name=name)
        for _ in range(_TRIES):
            row = RaceRow(
                code=join_code(),
                name=name,
                draft=draft_to_json(draft),
                salt=secrets.token_bytes(16),
                created_ms=int(self.clock.wall_ms()),
                rehearsal=rehearsal,
                rate=rate,
            )
            with _disk():
                try:
                    await self._store.create_race(row)
                except CodeTaken:
                    continue
            race = Race(row=row, draft=draft)
            await self._keep(race)
            return race
        raise Unexpected("no free code in so many tries")

    async def race(self, code: str) -> Race:
        """A race by its code, however typed; read from disk if it isn't in memory. Raises: NotKnown, NotStored."""
        code = code.strip().upper()
        race = self._races.get(code)
        if race is not None:
            self._races.move_to_end(code)
            return race
        async with self._loading:
            return self._races.get(code) or await self._load(code)

    async def _load(self, code: str) -> Race:
        with _disk():
            row = await self._store.race(code) if code.isalnum() and len(code) <= 12 else None
            if row is None:
                raise NotKnown(
                    f"race {code[:12]}: there is none with this code here; look at the link or the code again"
                )
            seats = await self._store.seats(code)
            opened = bool(await self._store.log(code))
        race = Race(row=row, draft=draft_from_json(row.draft), seats=seats)
        if opened:
            live = self._new_live(race)
            riders = self._riders_again(race, live)
            with _disk():
                await live.resume()
            live.want_vocabulary()
            race.live, race.riders = live, riders
            if riders is not None:
                riders.start()
        await self._keep(race)
        return race

    async def _keep(self, race: Race) -> None:
        self._races[race.code] = race
        if len(self._races) > self.settings.limits.loaded_races:
            idle = next((one for one in self._races.values() if one is not race and _idle(one)), None)
            if idle is not None:
                del self._races[idle.code]
                await self._let_go(idle)

    async def _let_go(self, race: Race) -> None:
        self.plans.cancel(race)
        if race.riders is not None:
            await race.riders.close()
        if race.live is not None:
            await race.live.close()

    def _new_live(self, race: Race) -> LiveRace:
        return LiveRace(
            code=race.code,
            store=self._store,
            clock=self.clock,
            limits=self.settings.limits,
            voice=self._voice,
            choice=race.draft.voice,
            rate=race.row.rate,
            rehearsal=None if race.row.rehearsal is None else str(json.loads(race.row.rehearsal)["name"]),
        )

    # Who is who

    def seat(self, race: Race, ticket: str) -> Seat | None:
        """The seat a ticket opens; None if it opens none."""
        return self._tickets.seat(race.code, race.row.salt, race.all_seats(), ticket)

    def ticket(self, race: Race, seat: Seat) -> str:
        """The ticket to a seat."""
        return self._tickets.of(race.code, race.row.salt, seat, race.seats.get(seat.key, SeatRow()).generation)

    async def claim(self, race: Race, rider: str) -> str:
        """Takes a rider's slot for whoever has the code. Answers its ticket. Raises: NotKnown, AlreadySo, NotStored."""
        async with race.changing:
            one = _rider_of(race, rider)
            seat = Seat(role=Role.RIDER, rider=one.rider.id)
            if race.seats.get(seat.key, SeatRow()).claimed:
                raise AlreadySo(
                    f"{one.rider.name}'s slot is taken; if that is you, use your own link, or ask the director for it"
                )
            await self._save_seat(race, seat, claimed=True)
            return self.ticket(race, seat)

    async def note_claimed(self, race: Race, seat: Seat) -> None:
        """Somebody came with this seat's own link: nobody else may take it by the code any more."""
        if seat.role is Role.RIDER and not race.seats.get(seat.key, SeatRow()).claimed:
            async with race.changing:
                await self._save_seat(race, seat, claimed=True)

    async def renew(self, race: Race, rider: str) -> None:
        """A new link for a rider; the old one and whoever used it are out. Raises: NotKnown, NotStored."""
        async with race.changing:
            one = _rider_of(race, rider)
            seat = Seat(role=Role.RIDER, rider=one.rider.id)
            await self._save_seat(race, seat, claimed=False, renew=True)
            if race.live is not None:
                for listener in race.live.hub.of(seat.key):
                    listener.drop()

    async def _save_seat(self, race: Race, seat: Seat, *, claimed: bool, renew: bool = False) -> None:
        before = race.seats.get(seat.key, SeatRow())
        row = SeatRow(generation=before.generation + renew, claimed=claimed)
        with _disk():
            await self._store.save_seat(race.code, seat.key, row)
        race.seats[seat.key] = row

    # Setting up

    async def set_name(self, race: Race, name: str) -> None:
        """Another name. Raises: AlreadySo, NotStored."""
        async with race.changing:
            await self._save(race, replace(race.draft, name=name))

    async def set_course_file(self, race: Race, data: bytes, file_name: str) -> Course:
        """The course a file holds. Raises: FileRefused, AlreadySo, TooLate, TooMany, NotStored."""
        with worker("reading the file", race):
            course = await self._planner.read_course(data, file_name)
        return await self._set_course(race, course)

    async def set_course_table(self, race: Race, name: str, rows: tuple[tuple[float, float], ...]) -> Course:
        """The course that a table describes. Raises: as set_course_file."""
        with worker("reading the table", race):
            course = await self._planner.read_table(name, rows)
        return await self._set_course(race, course)

    async def _set_course(self, race: Race, course: Course) -> Course:
        async with race.changing:
            await self._save(race, race.draft.with_course(course))
        return course

    async def set_riders(self, race: Race, forms: Sequence[RiderForm]) -> tuple[DraftRider, ...]:
        """The riders as typed. Raises: RosterRefused, AlreadySo, NotStored."""
        riders = riders_from_forms(forms)
        async with race.changing:
            await self._save(race, race.draft.with_riders(riders))
        return riders

    async def set_rules(self, race: Race, rules: RaceRules) -> None:
        """The rules of the race. Raises: AlreadySo, NotStored."""
        async with race.changing:
            await self._save(race, race.draft.with_rules(rules))

    async def set_voice(self, race: Race, choice: VoiceChoice) -> None:
        """Another voice, at any time until the race is over. Raises: AlreadySo, NotStored.

        In the middle of a race, too: a director may find it too fast or too soft only then.
        """
        async with race.changing:
            if race.live is not None and race.live.state.phase is Phase.OVER:
                raise AlreadySo("the race is over: its voice stays as it was")
            draft = replace(race.draft, voice=choice)
            with _disk():
                await self._store.save_draft(race.code, draft.name, draft_to_json(draft))
            race.draft = draft
            if race.live is not None:
                race.live.speak_as(choice)

    async def set_names(self, race: Race, name: str, stretches: Sequence[str], landmarks: Sequence[str]) -> Course:
        """Other names for the course and its parts; the plan stays. Raises: FileRefused, AlreadySo, NotStored."""

        def rename(draft: Draft) -> Draft:
            return draft.with_names(name, stretches, landmarks)

        async with race.changing:
            before = race.draft
            await self._save(race, rename(before))
            race.trials.renamed(before, race.draft, rename)
            assert race.draft.course is not None
            return race.draft.course

    async def _save(self, race: Race, draft: Draft) -> None:
        if race.live is not None and race.live.state.phase is not Phase.LOBBY:
            raise AlreadySo(
                "the start is set or the race is over: what it was opened with stays; make a new race instead"
            )
        with _disk():
            await self._store.save_draft(race.code, draft.name, draft_to_json(draft))
        if (draft.course, draft.riders, draft.rules) != (race.draft.course, race.draft.riders, race.draft.rules):
            race.trials.asked_of_another_race()
        race.draft = draft

    # Opening

    async def open(self, race: Race, by: str) -> None:
        """Opens the lobby, or opens it anew with what has changed. Raises: RequestRefused, NotStored."""
        async with race.changing:
            missing = still_missing(race.draft)
            if missing or race.draft.course is None or race.draft.plan is None:
                raise RequestRefused("open the race", "; ".join(missing))
            setup = RaceOpened(
                name=race.draft.name,
                course=race.draft.course,
                roster=roster_of(race.draft),
                rules=race.draft.rules,
                plan=race.draft.plan,
            )
            if race.live is None:
                live = self._new_live(race)
                await live.open(setup, by)
                race.live = live
                live.want_vocabulary()
            elif setup != race.live.state.setup and race.live.state.phase is Phase.LOBBY:
                await race.live.ask(by, setup)
                race.live.want_vocabulary()

    async def log_lines(self, race: Race) -> tuple[str, ...]:
        """The race's log, whole. Raises: NotStored."""
        with _disk():
            return tuple(row.line for row in await self._store.log(race.code))

    # Rehearsals

    def rehearsals(self) -> tuple[RehearsalFile, ...]:
        """Those that come along; one that can't be read is left out and logged."""
        found = []
        for path in sorted(self.settings.scenario_dir.glob("*.toml")):
            try:
                found.append(RehearsalFile(name=path.stem, path=path, scenario=scenario_in(path)))
            except CallerError as refused:
                log.error("%s", refused)
        return tuple(found)

    async def create_rehearsal(self, file: RehearsalFile, *, pace: float, seed: int | None) -> Race:
        """A race with a scenario's course, riders and rules, opened, its riders on the start line.

        Raises: NoPlan, TooLate, TooMany, NotStored.
        """
        scenario = file.scenario
        seed = scenario.seed if seed is None else seed
        with worker("planning"):
            plan = await self._planner.plan(scenario.course, scenario.roster, scenario.rules, method=scenario.plan)
        kept = json.dumps({"name": file.name, "path": str(file.path), "seed": seed})
        race = await self.create(scenario.title, rehearsal=kept, rate=pace)
        async with race.changing:
            await self._save(
                race,
                Draft(
                    name=scenario.title,
                    course=scenario.course,
                    riders=tuple(DraftRider(rider=rider) for rider in scenario.roster.riders),
                    rules=scenario.rules,
                    plan=plan,
                ),
            )
            live = self._new_live(race)
            riders = Riders(live, scenario, plan, seed, self.clock)
            await live.open(
                RaceOpened(
                    name=scenario.title, course=scenario.course, roster=scenario.roster, rules=scenario.rules, plan=plan
                ),
                DIRECTOR.key,
            )
            race.live, race.riders = live, riders
            live.want_vocabulary()
            riders.start()
        return race

    def _riders_again(self, race: Race, live: LiveRace) -> Riders | None:
        """A rehearsal's riders after a restart; None for a race, or if its scenario is gone."""
        if race.row.rehearsal is None or race.draft.plan is None:
            return None
        kept: dict[str, Any] = json.loads(race.row.rehearsal)
        try:
            scenario = scenario_in(Path(kept["path"]))
            return Riders(live, scenario, race.draft.plan, int(kept["seed"]), self.clock)
        except CallerError as refused:
            log.error("race %s: its simulated riders stay away: %s", race.code, refused)
            return None

    # Chores

    def clip_came(self, _: object) -> None:
        """The voice has rendered something."""
        self._clips_came.set()
        for race in self._races.values():
            if race.live is not None:
                race.live.clip_came()

    async def _tell_clips(self) -> None:
        """Tells of clips a few at a time: each one alone would be a message a race and a clip."""
        while True:
            await self._clips_came.wait()
            await self.clock.pause(_TELL_CLIPS_S)
            self._clips_came.clear()
            for race in tuple(self._races.values()):
                if race.live is not None and len(race.live.hub):
                    race.live.clips_came()

    async def _sweep(self) -> None:
        """Drops the slow and what nobody waits for, and tells everybody when the voice is lost or found."""
        status = self._voice.status
        while True:
            await self.clock.pause(_SWEEP_S)
            now_ms = self.clock.wall_ms()
            before, status = status, self._voice.status
            for race in tuple(self._races.values()):
                self.plans.drop_unseen(race)
                if race.live is not None:
                    race.live.hub.drop_slow(now_ms, self.settings.limits.send_s * 1000)
                    if status != before and len(race.live.hub):
                        race.live.publish_presence()


def scenario_in(path: Path) -> Scenario:
    """A scenario from a file and the course file beside it. Raises: ScenarioRefused, FileRefused."""

    def course_beside(name: str) -> Course:
        from caller.formats import read_course  # only a scenario with a course file needs the reader here

        beside = path.parent / Path(name).name
        try:
            return read_course(beside.read_bytes(), beside.name)
        except OSError as error:
            raise FileRefused(
                name, "", error.strerror or "no file", f"expected a course file beside {path.name}"
            ) from error

    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        found = error.strerror if isinstance(error, OSError) and error.strerror else "no UTF-8 text"
        raise ScenarioRefused(str(path), "", found, "expected a scenario in TOML") from error
    return read_scenario(text, called=path.name, course_beside=course_beside)


def _rider_of(race: Race, rider: str) -> DraftRider:
    for one in race.draft.riders:
        if one.rider.id == RiderId(rider):
            return one
    raise NotKnown(f"rider {rider[:24]}: not in this race")


def _idle(race: Race) -> bool:
    return (
        not race.changing.locked()
        and not race.asked
        and not race.trials.busy
        and (race.live is None or not race.live.busy)
    )


@contextlib.contextmanager
def _disk() -> Any:
    """A failing disk, said to whoever waits for it."""
    try:
        yield
    except StoreFailed as failed:
        log.error("the disk failed: %s", failed)
        raise NotStored(f"the server could not use its disk ({failed}); nothing has changed") from failed
