"""A race over HTTP: made, set up, planned, opened, joined, rehearsed."""

import io
from collections.abc import Sequence
from dataclasses import fields
from functools import lru_cache
from typing import Annotated
from urllib.parse import unquote

import segno
from fastapi import APIRouter, Body
from starlette.requests import Request
from starlette.responses import PlainTextResponse

from caller.plan import RaceRules
from caller.riders import Rider
from caller.units import RiderId
from server.auth import DIRECTOR, Role, Seat
from server.routes.asking import Parts, director_of, not_too_often, parts_of
from server.runner.draft import DraftRider, roster_of, still_missing
from server.runner.house import Race
from server.wire import http
from server.wire.errors import NotKnown, NotYet, TooLarge
from server.wire.outbound import CourseCard
from server.wire.view import cards_of, course_card, plan_card

__all__ = ["draft_of", "races"]

races = APIRouter()


@races.post("/api/races", status_code=201)
async def make(request: Request, body: http.NewName) -> http.NewRace:
    """A new race. Whoever makes it is its director."""
    parts = parts_of(request)
    not_too_often(parts.makes, request)
    race = await parts.house.create(body.name.strip())
    return http.NewRace(code=race.code, ticket=parts.house.ticket(race, DIRECTOR))


@races.get("/api/races/{code}")
async def read(request: Request, code: str) -> http.Draft:
    """A race as it is set up so far."""
    return draft_of(parts_of(request), await director_of(request, code))


@races.put("/api/races/{code}/name")
async def name(request: Request, code: str, body: http.NewName) -> http.NewName:
    """Another name."""
    race = await director_of(request, code)
    await parts_of(request).house.set_name(race, body.name.strip())
    return http.NewName(name=race.draft.name)


@races.put("/api/races/{code}/course")
async def course(request: Request, code: str) -> CourseCard:
    """The course, as a file's bytes."""
    race = await director_of(request, code)
    house = parts_of(request).house
    most = parts_of(request).settings.limits.upload_bytes
    told = request.headers.get("content-length", "")
    if told.isdigit() and int(told) > most:
        raise TooLarge(f"course file: found {int(told) / 1e6:.1f} MB; expected at most {most / 1e6:.0f} MB")
    file_name = unquote(request.headers.get("x-file-name", "")).strip()[:200] or "course file"
    return course_card(await house.set_course_file(race, await request.body(), file_name))


@races.put("/api/races/{code}/course-table")
async def course_table(request: Request, code: str, body: http.CourseTable) -> CourseCard:
    """The course, typed as a table of distance and height."""
    race = await director_of(request, code)
    return course_card(await parts_of(request).house.set_course_table(race, body.name.strip(), body.rows))


@races.put("/api/races/{code}/riders")
async def riders(
    request: Request, code: str, body: Annotated[list[http.RiderForm], Body(max_length=50)]
) -> list[http.RiderFigures]:
    """All riders. Answers them as they are kept, with the keys they were given."""
    race = await director_of(request, code)
    kept = await parts_of(request).house.set_riders(race, body)
    return list(_figures(kept))


@races.put("/api/races/{code}/rules")
async def rules(request: Request, code: str, body: http.RulesForm) -> http.RulesForm:
    """The rules of the race; what isn't said is as it comes."""
    race = await director_of(request, code)
    await parts_of(request).house.set_rules(race, RaceRules(**dict(body)))
    return _rules(race.draft.rules)


@races.put("/api/races/{code}/course-names")
async def course_names(request: Request, code: str, body: http.CourseNames) -> CourseCard:
    """Other names for the course, its stretches and landmarks; the plan stays."""
    race = await director_of(request, code)
    named = await parts_of(request).house.set_names(race, body.name, body.stretches, body.landmarks)
    return course_card(named)


@races.post("/api/races/{code}/open")
async def open_lobby(request: Request, code: str) -> http.Links:
    """Opens the lobby, or opens it anew with what has changed; answers the links, each time the same."""
    race = await director_of(request, code)
    parts = parts_of(request)
    await parts.house.open(race, DIRECTOR.key)
    return _links(parts, race)


@races.post("/api/races/{code}/riders/{rider}/renew")
async def renew(request: Request, code: str, rider: str) -> http.Links:
    """A new link for a rider, whose old one fell into wrong hands; whoever used that is out."""
    race = await director_of(request, code)
    parts = parts_of(request)
    await parts.house.renew(race, rider)
    return _links(parts, race)


@races.get("/api/races/{code}/log")
async def log(request: Request, code: str) -> PlainTextResponse:
    """The whole log, one entry a line; it replays alone."""
    race = await director_of(request, code)
    lines = await parts_of(request).house.log_lines(race)
    return PlainTextResponse(
        "".join(f"{line}\n" for line in lines),
        media_type="application/x-ndjson",
        headers={"content-disposition": f'attachment; filename="{race.code}.log"'},
    )


@races.get("/api/join/{code}")
async def join_page(request: Request, code: str) -> http.JoinPage:
    """What somebody with the code alone may see: the race's name and its slots."""
    not_too_often(parts_of(request).joins, request)
    race = await _open_race(request, code)
    return http.JoinPage(
        race=race.draft.name,
        riders=tuple(
            http.OpenSlot(id=one.rider.id, name=one.rider.name, claimed=_claimed(race, one.rider.id))
            for one in race.draft.riders
        ),
    )


@races.post("/api/join/{code}")
async def join(request: Request, code: str, body: http.JoinAsk) -> http.Ticket:
    """Takes a slot that nobody has."""
    not_too_often(parts_of(request).joins, request)
    race = await _open_race(request, code)
    return http.Ticket(ticket=await parts_of(request).house.claim(race, body.rider))


@races.get("/api/rehearsals")
async def rehearsals(request: Request) -> list[http.RehearsalCard]:
    """The rehearsals that come along."""
    return [
        http.RehearsalCard(name=file.name, title=file.scenario.title, about=file.scenario.about)
        for file in parts_of(request).house.rehearsals()
    ]


@races.post("/api/rehearsals", status_code=201)
async def rehearse(request: Request, body: http.NewRehearsal) -> http.RehearsalLinks:
    """A race with simulated riders on the start line; the director sets the start."""
    parts = parts_of(request)
    not_too_often(parts.makes, request)
    files = {file.name: file for file in parts.house.rehearsals()}
    if body.name not in files:
        raise NotKnown(f"rehearsal {body.name!r}: expected one of {', '.join(files) or 'none, none came along'}")
    race = await parts.house.create_rehearsal(files[body.name], pace=body.pace, seed=body.seed)
    return http.RehearsalLinks(code=race.code, ticket=parts.house.ticket(race, DIRECTOR), links=_links(parts, race))


async def _open_race(request: Request, code: str) -> Race:
    race = await parts_of(request).house.race(code)
    if race.live is None:
        raise NotYet("the lobby of this race is not open yet; try again when the director says so")
    return race


def _claimed(race: Race, rider: RiderId) -> bool:
    kept = race.seats.get(Seat(role=Role.RIDER, rider=rider).key)
    return kept is not None and kept.claimed


# Cards


def draft_of(parts: Parts, race: Race) -> http.Draft:
    """A race as it is set up so far."""
    draft = race.draft
    return http.Draft(
        code=race.code,
        name=draft.name,
        course=None if draft.course is None else course_card(draft.course),
        riders=_figures(draft.riders),
        rules=_rules(draft.rules),
        plan=None if draft.plan is None else plan_card(draft.plan, roster_of(draft), whole=True),
        phase=race.phase,
        links=None if race.live is None else _links(parts, race),
        refused=still_missing(draft),
    )


def _figures(riders: Sequence[DraftRider]) -> tuple[http.RiderFigures, ...]:
    cards = cards_of([one.rider for one in riders])
    return tuple(
        http.RiderFigures(
            drag_area_estimated=one.estimated,
            height_cm=one.height_cm,
            initials=card.initials,
            mark=card.mark,
            hue=card.hue,
            **{name: getattr(one.rider, name) for name in _RIDER_FIGURES},
        )
        for one, card in zip(riders, cards, strict=True)
    )


_RIDER_FIGURES = frozenset(http.RiderFigures.model_fields) & {one.name for one in fields(Rider)}


def _rules(rules: RaceRules) -> http.RulesForm:
    return http.RulesForm(**{name: getattr(rules, name) for name in http.RulesForm.model_fields})


def _links(parts: Parts, race: Race) -> http.Links:
    def seat_url(page: str, seat: Seat) -> str:
        # Behind the #: browsers keep that part to themselves, so it stands in no request and no log.
        return f"{parts.url}/{page}/{race.code}#{parts.house.ticket(race, seat)}"

    director_url = seat_url("desk", DIRECTOR)
    join_url = f"{parts.url}/join/{race.code}"
    riders = []
    for one in race.draft.riders:
        url = seat_url("lobby", Seat(role=Role.RIDER, rider=one.rider.id))
        riders.append(http.RiderLink(rider=one.rider.id, name=one.rider.name, url=url, qr_svg=_qr(url)))
    return http.Links(
        director=http.LinkCard(url=director_url, qr_svg=_qr(director_url)),
        riders=tuple(riders),
        join=http.JoinLink(url=join_url, qr_svg=_qr(join_url), code=race.code),
    )


@lru_cache(maxsize=1024)
def _qr(url: str) -> str:
    """The square code of an address. Kept: drawing a team's would hold up the loop for a tenth of a second."""
    picture = io.BytesIO()
    # Dark on light whatever the page's colours are: cameras want it so. Four modules of quiet around it, as the
    # standard has it (ISO/IEC 18004).
    segno.make(url, error="m", micro=False).save(
        picture,
        kind="svg",
        border=4,
        dark="#000",
        light="#fff",
        xmldecl=False,
        svgclass=None,
        lineclass=None,
        omitsize=True,
    )
    return picture.getvalue().decode()
