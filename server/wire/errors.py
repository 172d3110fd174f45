"""The one table from what went wrong to its status, its close code, its name on the wire and its sentence.

    ServerRefused
    ├─ NotKnown        no such race, clip or page                         (whoever asked: look at the link)
    ├─ NotAllowed      the ticket is missing, or does not open this        (whoever asked: use the right link)
    ├─ NotThese        the page that asks belongs to another site
    ├─ AlreadySo       the seat is taken, the race is under way            (whoever asked)
    ├─ NotYet          the lobby isn't open                                (whoever asked: come again)
    ├─ TooLarge, TooLate, TooOften, TooMany                                (whoever asked: less, or slower)
    ├─ NotUnderstood   bytes that are no message                           (the page's maker)
    └─ NotStored       the disk did not take it: nobody has heard of it    (the host: look at the disk)

Must not know who raises what.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from caller import errors

__all__ = [
    "AlreadySo",
    "NotAllowed",
    "NotKnown",
    "NotStored",
    "NotThese",
    "NotUnderstood",
    "NotYet",
    "Problem",
    "ServerRefused",
    "TooLarge",
    "TooLate",
    "TooMany",
    "TooOften",
    "Unexpected",
    "cut",
    "problem_of",
    "sentence_of",
]

_LONGEST_SENTENCE = 400
_LONGEST_QUOTE = 60


class ServerRefused(Exception):
    """What the server itself says no to; the message is the sentence."""


class NotKnown(ServerRefused):
    """Nothing is there."""


class NotAllowed(ServerRefused):
    """The ticket doesn't open this."""


class NotThese(ServerRefused):
    """Asked under a name, or from a page, that isn't ours."""


class AlreadySo(ServerRefused):
    """Somebody was there before, or it is too late for it."""


class NotYet(ServerRefused):
    """It is too early for it."""


class TooLarge(ServerRefused):
    """More bytes than are taken."""


class TooLate(ServerRefused):
    """It took longer than it may."""


class TooOften(ServerRefused):
    """Again and again in too short a time."""


class TooMany(ServerRefused):
    """More at once than are taken."""


class NotUnderstood(ServerRefused):
    """No message, or none that is known."""


class NotStored(ServerRefused):
    """The disk did not take it; nothing has changed and nobody has heard of it."""


class Unexpected(Exception):
    """Our own fault, told to somebody outside; what it was stands in the server's log alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """A refusal on its way out.

    Attributes:
        status: of an HTTP answer.
        close: of a socket that can't go on. After 1008, 4403 and 4404 coming back is no use; after any other it is.
        code: its name on the wire.
        sentence: for people: what, where, found, allowed.
    """

    status: int
    close: int
    code: str
    sentence: str


_TABLE: tuple[tuple[type[BaseException], int, int, str], ...] = (
    (errors.FileRefused, 422, 1008, "file_refused"),
    (errors.RosterRefused, 422, 1008, "roster_refused"),
    (errors.RulesRefused, 422, 1008, "rules_refused"),
    (errors.PlanRefused, 422, 1008, "plan_refused"),
    (errors.ScenarioRefused, 422, 1008, "scenario_refused"),
    (errors.LogRefused, 500, 1011, "log_refused"),
    (errors.Refused, 422, 1008, "refused"),
    (errors.RequestRefused, 409, 1008, "request_refused"),
    (errors.NoPlan, 422, 1008, "no_plan"),
    (errors.CallerError, 422, 1008, "refused"),
    (NotKnown, 404, 4404, "not_known"),
    (NotAllowed, 403, 4403, "not_allowed"),
    (NotThese, 421, 4403, "not_these"),
    (AlreadySo, 409, 4409, "already_so"),
    (NotYet, 409, 4409, "not_yet"),
    (TooLarge, 413, 1009, "too_large"),
    (TooLate, 408, 4408, "too_late"),
    (TooOften, 429, 4429, "too_often"),
    (TooMany, 503, 1013, "too_many"),
    (NotUnderstood, 400, 1007, "not_understood"),
    (ValidationError, 422, 1007, "not_understood"),
    (NotStored, 503, 1011, "not_stored"),
)
"""The first row that fits counts; whatever fits none is our own fault."""

OUR_FAULT = "something went wrong here that you did not do; nothing has changed, and it stands in the server's log"


def problem_of(error: BaseException) -> Problem:
    """What to tell whoever caused this, or suffers from it."""
    for kind, status, close, code in _TABLE:
        if isinstance(error, kind):
            sentence = sentence_of(error.errors()) if isinstance(error, ValidationError) else str(error)
            return Problem(status=status, close=close, code=code, sentence=cut(sentence, _LONGEST_SENTENCE))
    return Problem(status=500, close=1011, code="our_fault", sentence=OUR_FAULT)


def sentence_of(found: Sequence[Any]) -> str:
    """One sentence from pydantic's findings: where, what was found, what is allowed."""
    if not found:
        return "the message cannot be read"
    first = found[0]
    where = ".".join(str(part) for part in first.get("loc", ()) if part != "body")
    said = str(first.get("msg", "not as expected"))
    said = said[:1].lower() + said[1:]
    quote = "" if first.get("type") == "missing" else f", found {cut(repr(first.get('input')), _LONGEST_QUOTE)}"
    more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
    return f"{where or 'message'}: {said}{quote}{more}"


def cut(text: str, most: int) -> str:
    """Text of at most so many characters, printable, on one line."""
    flat = "".join(character if character.isprintable() else " " for character in text[: most + 1])
    return flat if len(flat) <= most else flat[: most - 1] + "…"
