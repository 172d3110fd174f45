"""What is worked out about a race over HTTP: its plan, what if something were otherwise, what each choice buys.

Whoever asks waits for the answer; how far it is can be asked meanwhile. A page that leaves may come back to it: a
question is broken off when it is cancelled, or when nobody has asked after it for a while.
"""

from collections.abc import Awaitable, Callable
from dataclasses import asdict

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from caller.units import RiderId
from server.routes.asking import director_of, parts_of
from server.routes.races import draft_of
from server.runner.draft import roster_of
from server.runner.house import Race
from server.runner.work import Doing, Work
from server.wire import http
from server.wire.errors import AlreadySo, NotYet
from server.wire.outbound import PlanCard
from server.wire.view import plan_card

__all__ = ["plans"]

plans = APIRouter()

_WATCH_S = 10.0
_LOOK_S = 0.5
"""How often it is seen whether whoever asked still waits."""


@plans.post("/api/races/{code}/plan")
async def plan(request: Request, code: str, body: http.PlanAsk | None = None) -> PlanCard:
    """Has a plan made; it takes a while."""
    race = await director_of(request, code)
    asked = body or http.PlanAsk()
    order = None if asked.order is None else tuple(RiderId(rider) for rider in asked.order)

    async def run(work: Work) -> object:
        return await parts_of(request).house.plans.plan(
            race, method=asked.method, form=asked.form, order=order, report=work.tell
        )

    await _waited_for(request, race, "plan", run)
    draft = race.draft
    if draft.plan is None:
        raise AlreadySo("the course, the riders or the rules were changed while planning; make the plan anew")
    return plan_card(draft.plan, roster_of(draft), whole=True)


@plans.post("/api/races/{code}/proof")
async def proof(request: Request, code: str) -> PlanCard:
    """Has a closer proof looked for of how much faster any plan could be; it takes longer than the plan."""
    race = await director_of(request, code)

    async def run(work: Work) -> object:
        return await parts_of(request).house.plans.prove(race, work.tell)

    await _waited_for(request, race, "proof", run)
    draft = race.draft
    if draft.plan is None:
        raise AlreadySo("the course, the riders or the rules were changed meanwhile; make the plan anew")
    return plan_card(draft.plan, roster_of(draft), whole=True)


@plans.post("/api/races/{code}/what-if")
async def what_if(request: Request, code: str, body: http.WhatIfAsk) -> http.Columns:
    """Tries the race with something otherwise, and puts it beside what was tried before. Saves nothing."""
    race = await director_of(request, code)

    async def run(work: Work) -> object:
        return await parts_of(request).house.plans.what_if(race, body, work.tell)

    await _waited_for(request, race, "what_if", run)
    return parts_of(request).house.plans.columns(race)


@plans.get("/api/races/{code}/what-if")
async def tried(request: Request, code: str) -> http.Columns:
    """The race's plan, and what was tried beside it."""
    race = await director_of(request, code)
    return parts_of(request).house.plans.columns(race)


@plans.delete("/api/races/{code}/what-if/{key}")
async def forget(request: Request, code: str, key: str) -> http.Columns:
    """Lets a variant go."""
    race = await director_of(request, code)
    parts_of(request).house.plans.forget(race, key)
    return parts_of(request).house.plans.columns(race)


@plans.post("/api/races/{code}/what-if/{key}/take")
async def take(request: Request, code: str, key: str) -> http.Draft:
    """Makes a variant the race's own, with its riders and rules. What was stays as a variant in its place."""
    race = await director_of(request, code)
    await parts_of(request).house.plans.take(race, key)
    return draft_of(parts_of(request), race)


@plans.post("/api/races/{code}/effects")
async def work_out_effects(request: Request, code: str) -> http.Effects:
    """Works out what each choice of the plan buys; it takes as long as several plans."""
    race = await director_of(request, code)

    async def run(work: Work) -> object:
        await parts_of(request).house.plans.work_out_effects(race, work.tell)
        return None

    await _waited_for(request, race, "effects", run)
    return _effects(request, race)


@plans.get("/api/races/{code}/effects")
async def effects(request: Request, code: str) -> http.Effects:
    """What is worked out of it for the plan as it is now."""
    return _effects(request, await director_of(request, code))


@plans.get("/api/races/{code}/work")
async def work(request: Request, code: str, after: int = -1) -> http.WorkCard:
    """What is being worked out and how far it is, or how the last of it ended. Asking keeps it going.

    With ``after``, the revision known so far, the answer waits for another one, ten seconds at most.
    """
    race = await director_of(request, code)
    now = parts_of(request).house.plans.seen(race)
    if now is None:
        return http.WorkCard(doing=None)
    await now.changed(after, _WATCH_S)
    problem = now.trouble
    trouble = None if problem is None else http.Trouble(code=problem.code, sentence=problem.sentence)
    return http.WorkCard(
        doing=now.doing, step=now.step, share=now.share, over=now.over, trouble=trouble, revision=now.revision
    )


@plans.delete("/api/races/{code}/work", status_code=204)
async def cancel(request: Request, code: str) -> Response:
    """Breaks it off."""
    race = await director_of(request, code)
    parts_of(request).house.plans.cancel(race)
    return Response(status_code=204)


async def _waited_for(request: Request, race: Race, doing: Doing, run: Callable[[Work], Awaitable[object]]) -> object:
    """Begins a question and waits for its answer. Raises: what it raises; AlreadySo: cancelled, or another is open."""
    house = parts_of(request).house
    begun = house.plans.begin(race, doing, run)
    while not await begun.ended(_LOOK_S):
        if await request.is_disconnected():
            raise NotYet("whoever asked has left; the question goes on for a while, in case they come back")
        house.plans.seen(race)
    if begun.broken_off:
        raise AlreadySo("it was cancelled; nothing has changed")
    return begun.result()


def _effects(request: Request, race: Race) -> http.Effects:
    rows, whole = parts_of(request).house.plans.effects(race)
    return http.Effects(rows=tuple(http.EffectCard(**asdict(row)) for row in rows), whole=whole)
