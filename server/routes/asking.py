"""What every route needs to know of whoever asks. Decides nothing but who that is."""

from dataclasses import dataclass

from starlette.requests import HTTPConnection

from server.auth import DIRECTOR, Allowances, Seat
from server.clock import Clock
from server.runner.house import House, Race
from server.settings import Settings
from server.voice import Voice
from server.wire.errors import NotAllowed, TooOften

__all__ = ["Parts", "address_of", "director_of", "not_too_often", "parts_of", "race_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What the composition root made and routes use.

    Attributes:
        settings, clock, house, voice: as they are named.
        url: how phones reach this server.
        joins: attempts to get in by code, by address.
        makes: races made, by address.
        hears: words tried with a voice, by address.
    """

    settings: Settings
    clock: Clock
    house: House
    voice: Voice
    url: str
    joins: Allowances
    makes: Allowances
    hears: Allowances


def parts_of(connection: HTTPConnection) -> Parts:
    """The parts of the application that was asked."""
    parts = connection.app.state.parts
    assert isinstance(parts, Parts)
    return parts


def address_of(connection: HTTPConnection) -> str:
    """Where the question comes from; the proxy's word for it where a trusted one stands before us."""
    return connection.client.host if connection.client else "nowhere"


def not_too_often(allowances: Allowances, connection: HTTPConnection) -> None:
    """Raises: TooOften: this address has asked too much lately."""
    if not allowances.take(address_of(connection), parts_of(connection).clock.wall_ms()):
        raise TooOften("too many tries from this address; wait a minute and try again")


async def race_of(connection: HTTPConnection, code: str) -> tuple[Race, Seat]:
    """The race that is asked about, and the seat that the ticket opens. Raises: NotKnown, NotAllowed, NotStored."""
    race = await parts_of(connection).house.race(code)
    scheme, _, ticket = connection.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not ticket.strip():
        raise NotAllowed("no ticket came with this; open the page by the link you were given")
    seat = parts_of(connection).house.seat(race, ticket.strip())
    if seat is None:
        raise NotAllowed("this ticket does not open this race; ask the director for a new link")
    return race, seat


async def director_of(connection: HTTPConnection, code: str) -> Race:
    """The race that is asked about by its director. Raises: NotKnown, NotAllowed, NotStored."""
    race, seat = await race_of(connection, code)
    if seat != DIRECTOR:
        raise NotAllowed("a rider's link cannot do this; the director's link can")
    return race
