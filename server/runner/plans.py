"""A race's long questions: its plan, what if something were otherwise, what each choice buys. One at a time.

Must not know of requests or sockets; how a draft is kept is told.
"""

import contextlib
import logging
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from caller.course import Course
from caller.errors import NoPlan, RequestRefused
from caller.plan import Effect, Plan, Shortfall
from caller.units import RiderId
from server import planning
from server.clock import Clock
from server.planning import Planning, Report
from server.runner.draft import Draft, roster_of, still_missing
from server.runner.variants import MOST_VARIANTS, Variant, changed, columns, form_of, swapped, turns_of
from server.runner.work import UNSEEN_S, Doing, Work
from server.wire.errors import AlreadySo, NotKnown, TooLate, TooMany, Unexpected
from server.wire.http import Columns, WhatIfAsk

if TYPE_CHECKING:
    from server.runner.house import Race

__all__ = ["Plans", "Trials", "worker"]

log = logging.getLogger("swingoff.plans")


class Trials:
    """What is being worked out about one race, and what was. In memory alone: it can be worked out again.

    Attributes:
        work: the long question that is open, or the last one.
        variants: what was tried beside the plan, the oldest first.
        effects: a plan, what its choices buy as far as that is worked out, and whether that is all.
    """

    def __init__(self) -> None:
        self.work: Work | None = None
        self.variants: tuple[Variant, ...] = ()
        self.effects: tuple[Plan, tuple[Effect, ...], bool] | None = None
        self._keys = 0

    @property
    def busy(self) -> bool:
        """Whether a question is open."""
        return self.work is not None and not self.work.over

    def new_key(self) -> str:
        """For another variant."""
        self._keys += 1
        return str(self._keys)

    def asked_of_another_race(self) -> None:
        """Riders, rules or course are others now: how the last question ended says nothing any more."""
        if not self.busy:
            self.work = None

    def renamed(self, before: Draft, now: Draft, rename: Callable[[Draft], Draft]) -> None:
        """The course's names have changed; variants and effects are of the same course still."""
        self.variants = tuple(
            replace(one, draft=rename(one.draft)) for one in self.variants if one.draft.course == before.course
        )
        if self.effects is not None and self.effects[0] == before.plan and now.plan is not None:
            self.effects = (now.plan, *self.effects[1:])


class Plans:
    """Sends a race's long questions to the planner and keeps the answers."""

    def __init__(self, planner: Planning, clock: Clock, save: "Callable[[Race, Draft], Awaitable[None]]") -> None:
        self._planner = planner
        self._clock = clock
        self._save = save

    def begin(self, race: "Race", doing: Doing, run: Callable[[Work], Awaitable[object]]) -> Work:
        """Begins a long question. Raises: AlreadySo: one is open."""
        if race.trials.busy:
            raise AlreadySo("something is being worked out for this race already; wait for it or cancel it")
        work = race.trials.work = Work(doing, self._clock.wall_ms())
        work.start(run)
        return work

    def seen(self, race: "Race") -> Work | None:
        """The long question that is open, or the last one; whoever asks waits for it."""
        if race.trials.work is not None:
            race.trials.work.seen(self._clock.wall_ms())
        return race.trials.work

    def cancel(self, race: "Race") -> None:
        """Breaks off what is being worked out, if anything is."""
        if race.trials.work is not None:
            race.trials.work.cancel()

    def drop_unseen(self, race: "Race") -> None:
        """Breaks off what nobody waits for any more."""
        work = race.trials.work
        if work is not None and not work.over and self._clock.wall_ms() - work.seen_ms > UNSEEN_S * 1000:
            work.cancel()

    # The plan

    async def plan(
        self,
        race: "Race",
        *,
        method: str = "optimised",
        form: str = "memorable",
        order: tuple[RiderId, ...] | None = None,
        report: Report | None = None,
    ) -> Draft:
        """Has a plan made. Answers the draft with it. Raises: NoPlan, RequestRefused, TooLate, TooMany, AlreadySo."""
        asked = race.draft
        course = _plannable(asked)
        with worker("planning", race):
            plan = await self._planner.plan(
                course, roster_of(asked), asked.rules, method=method, form=form, order=order, report=report
            )
        async with race.changing:
            now = race.draft
            if (now.course, now.riders, now.rules) != (asked.course, asked.riders, asked.rules):
                raise AlreadySo("the course, the riders or the rules were changed while planning; make the plan anew")
            await self._save(race, replace(now, plan=plan))
            return race.draft

    async def prove(self, race: "Race", report: Report) -> Draft:
        """Looks for a closer proof of how good the plan is. Raises: RequestRefused, AlreadySo, TooLate, TooMany."""
        own = race.draft
        if own.plan is None:
            raise RequestRefused("prove the plan more closely", "there is no plan yet; have one worked out first")
        course = _plannable(replace(own, plan=None))
        with worker("proving", race):
            plan = await self._planner.proved(course, roster_of(own), own.rules, own.plan, report)
        async with race.changing:
            if race.draft.plan != own.plan:
                raise AlreadySo("the plan was changed while its proof was looked for; look again")
            await self._save(race, replace(race.draft, plan=plan))
            return race.draft

    # What if

    async def what_if(self, race: "Race", ask: WhatIfAsk, report: Report | None = None) -> Variant:
        """Tries a race that is otherwise, beside the others tried; the oldest gives way. Saves nothing.

        Where no plan holds, the variant says so. Raises: RequestRefused, Refused, TooLate, TooMany.
        """
        own = race.draft
        other = changed(own, ask)
        course = _plannable(other)
        turns = turns_of(own, ask) if ask.by_hand else ()
        order = None if ask.order is None else tuple(RiderId(rider) for rider in ask.order)
        short: tuple[Shortfall, ...] = ()
        plan, refused = None, ""
        try:
            with worker("planning", race):
                if ask.by_hand:
                    assert own.plan is not None
                    lengths_s = {(turn.stretch, RiderId(turn.rider)): turn.length_s for turn in ask.turns}
                    plan, short = await self._planner.by_hand(
                        course, roster_of(other), other.rules, own.plan, order=order, lengths_s=lengths_s
                    )
                else:
                    form = ask.form or ("memorable" if own.plan is None else form_of(own.plan))
                    plan = await self._planner.plan(
                        course, roster_of(other), other.rules, form=form, order=order, report=report
                    )
        except NoPlan as none:
            refused = str(none)
        trials = race.trials
        variant = Variant(
            key=trials.new_key(), draft=replace(other, plan=plan), asked=ask, refused=refused, short=short, turns=turns
        )
        trials.variants = (*_variants(race), variant)[-MOST_VARIANTS:]
        return variant

    def columns(self, race: "Race") -> Columns:
        """The race's plan and what was tried beside it."""
        return columns(race.draft, _variants(race))

    def forget(self, race: "Race", key: str) -> None:
        """Lets a variant go. Raises: NotKnown."""
        if all(one.key != key for one in race.trials.variants):
            raise NotKnown(f"variant {key[:12]}: it isn't there any more")
        race.trials.variants = tuple(one for one in race.trials.variants if one.key != key)

    async def take(self, race: "Race", key: str) -> Draft:
        """Makes a variant the race's own: riders, rules and plan. What was before stays as a variant in its place.

        Raises: NotKnown, AlreadySo, RequestRefused, NotStored.
        """
        async with race.changing:
            try:
                taken, rest = swapped(_variants(race), key, race.draft, race.trials.new_key())
            except KeyError:
                raise NotKnown(f"variant {key[:12]}: it isn't there any more; try it again") from None
            if taken.draft.plan is None:
                raise RequestRefused("take this as the plan", "no plan holds with it")
            await self._save(race, replace(taken.draft, name=race.draft.name))
            race.trials.variants = rest
            return race.draft

    # What each choice buys

    async def work_out_effects(self, race: "Race", report: Report) -> None:
        """One search after the other; what is worked out can be read meanwhile. Raises: RequestRefused, TooLate, ..."""
        own = race.draft
        plan = own.plan
        if plan is None:
            raise RequestRefused("work out what each choice buys", "there is no plan yet; have one worked out first")
        course, roster = _plannable(replace(own, plan=None)), roster_of(own)
        rows: tuple[Effect, ...] = ()
        with worker("planning", race):
            keys = await self._planner.effects_of(course, plan)
            for number, key in enumerate(keys):
                race.trials.effects = (plan, rows, False)
                part = _part(report, key, number, len(keys))
                part("", 0.0)
                rows += (await self._planner.effect(course, roster, own.rules, plan, key, part),)
        race.trials.effects = (plan, rows, True)

    def effects(self, race: "Race") -> tuple[tuple[Effect, ...], bool]:
        """What is worked out for the plan as it is now, and whether that is all."""
        if race.trials.effects is None or race.draft.plan is None or race.trials.effects[0] != race.draft.plan:
            return (), False
        return race.trials.effects[1:]


def _part(report: Report, key: str, number: int, of: int) -> Report:
    """How far the whole is while one of so many is being worked out."""

    def tell(_what: str, share: float) -> None:
        report(key, (number + share) / of)

    return tell


def _variants(race: "Race") -> tuple[Variant, ...]:
    """Those that are of the course as it is now."""
    return tuple(one for one in race.trials.variants if one.draft.course == race.draft.course)


def _plannable(draft: Draft) -> Course:
    """The course, if a plan can be asked for. Raises: RequestRefused: what is missing."""
    missing = still_missing(replace(draft, plan=None))
    if draft.course is None or len(missing) > 1 or not missing[0].startswith("plan:"):
        raise RequestRefused("make a plan", "; ".join(one for one in missing if not one.startswith("plan:")))
    return draft.course


@contextlib.contextmanager
def worker(doing: str, race: "Race | None" = None) -> Iterator[None]:
    """A worker that fails, said to whoever waits for it; meanwhile the race stays in memory."""
    if race is not None:
        race.asked += 1
    try:
        yield
    except planning.TooLong as late:
        raise TooLate(f"{doing} took longer than {late} and was given up; try a simpler one") from late
    except planning.WorkerBusy as busy:
        raise TooMany(f"{doing}: too many wait for it already; try again in a minute") from busy
    except planning.WorkerBroken as broken:
        log.error("%s: the worker broke: %s", doing, broken)
        raise Unexpected(str(broken)) from broken
    finally:
        if race is not None:
            race.asked -= 1
