"""Who somebody is, what they may say, and how often. Must not know what follows from what they say.

Tickets are worked out, not kept: an HMAC of the race, the seat and the seat's generation under the server's own secret.
So a director can be shown the links again at any time, the database holds nothing that opens a race, and a seat is
renewed by counting its generation up. The secret lies beside the database, readable by its owner alone.
"""

import base64
import hashlib
import hmac
import os
import secrets
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from caller.units import RiderId

__all__ = ["DIRECTOR", "Allowance", "Allowances", "Role", "Seat", "Tickets", "join_code", "read_secret", "why_not"]

CODE_ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""No 0 and O, no 1, I and L, no U beside V: a code is read aloud and typed with cold thumbs."""

CODE_LENGTH = 6

_SECRET_BYTES = 32
_TICKET_CHARACTERS = 32
"""Of base64: 192 bits, not to be guessed."""


class Role(Enum):
    """What somebody is in a race."""

    DIRECTOR = "director"
    RIDER = "rider"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """A place in a race that a ticket opens. Two directors are two pages on one seat.

    Attributes:
        role: director or rider.
        rider: whose seat; None for the director's.
    """

    role: Role
    rider: RiderId | None = None

    @property
    def key(self) -> str:
        """How it stands in the log and on the wire: ``director``, ``rider:maya``."""
        return self.role.value if self.rider is None else f"{self.role.value}:{self.rider}"


DIRECTOR = Seat(role=Role.DIRECTOR)


class Tickets:
    """Makes and knows the tickets of every race on this server."""

    def __init__(self, secret: bytes) -> None:
        self._secret = secret

    def of(self, code: str, salt: bytes, seat: Seat, generation: int) -> str:
        """The ticket to a seat.

        Args:
            code: the race's.
            salt: the race's own random bytes.
            seat: whose.
            generation: 0 at first; another one makes the old ticket worthless.
        """
        text = "\n".join(("swingoff ticket 1", code, seat.key, str(generation))).encode()
        digest = hmac.new(self._secret, salt + text, hashlib.sha256).digest()
        return base64.urlsafe_b64encode(digest).decode()[:_TICKET_CHARACTERS]

    def seat(self, code: str, salt: bytes, seats: Iterable[tuple[Seat, int]], ticket: str) -> Seat | None:
        """The seat a ticket opens among those of a race, with their generations; None if it opens none."""
        found = None
        given = ticket.encode("utf-8", "replace")
        for seat, generation in seats:
            # No early way out: how long it takes tells nothing about which seat came close.
            if hmac.compare_digest(self.of(code, salt, seat, generation).encode(), given):
                found = seat
        return found


def read_secret(path: Path) -> bytes:
    """The server's secret, made on first use.

    Raises: OSError: the file can't be read or written.
    """
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(secrets.token_bytes(_SECRET_BYTES))
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError:
        pass
    secret = path.read_bytes()
    if len(secret) < _SECRET_BYTES:
        raise OSError(f"{path} is cut short; put it back from a backup, or delete it and share every link anew")
    return secret


def join_code() -> str:
    """A race's short code: six characters that aren't mistaken for each other."""
    return "".join(secrets.choice(CODE_ALPHABET) for _ in range(CODE_LENGTH))


def why_not(seat: Seat, act: str, of_rider: str | None, rider_acts: Collection[str]) -> str | None:
    """Why this seat may not say this; None if it may.

    Args:
        seat: who speaks.
        act: the act's name on the wire.
        of_rider: whom the act names; None if nobody.
        rider_acts: what a rider may say, and only of that rider.
    """
    if seat.role is Role.DIRECTOR:
        return None
    if act not in rider_acts:
        return f"a rider's link cannot say {act.replace('_', ' ')}; the director's link can"
    if of_rider != seat.rider:
        return "a rider's link can speak of that rider only"
    return None


class Allowance:
    """So many in the long run, so many at once: a bucket that fills with time."""

    __slots__ = ("_at_ms", "_left", "_most", "_per_ms")

    def __init__(self, *, per_s: float, burst: float, now_ms: float) -> None:
        self._per_ms = per_s / 1000
        self._most = burst
        self._left = burst
        self._at_ms = now_ms

    def take(self, now_ms: float) -> bool:
        """Whether one more is allowed at this instant."""
        self._left = min(self._most, self._left + (now_ms - self._at_ms) * self._per_ms)
        self._at_ms = now_ms
        if self._left < 1:
            return False
        self._left -= 1
        return True

    def full(self, now_ms: float) -> bool:
        """Whether it is as if nobody had ever asked."""
        return self._left + (now_ms - self._at_ms) * self._per_ms >= self._most


class Allowances:
    """One allowance for each address or whoever is counted; forgets those that have filled up again."""

    _MANY = 10_000

    def __init__(self, *, per_min: float, burst: float) -> None:
        self._per_s = per_min / 60
        self._burst = burst
        self._of: dict[str, Allowance] = {}

    def take(self, who: str, now_ms: float) -> bool:
        """Whether this one may once more."""
        if len(self._of) > self._MANY:
            self._of = {key: one for key, one in self._of.items() if not one.full(now_ms)}
        one = self._of.get(who)
        if one is None:
            if len(self._of) > self._MANY:
                return False
            one = self._of[who] = Allowance(per_s=self._per_s, burst=self._burst, now_ms=now_ms)
        return one.take(now_ms)
