"""The line as a state machine: who is where, whose turn it is, and what each observation makes of it.

Rule 1: everything that decides where a rider is, or who leads, lives in this file. First the table of what an
observation does to a rider in each place, then the moves themselves, then what time alone does.
Must not know how long a turn ought to be (a Policy is passed in), where the line is, or what is told to anybody.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from types import MappingProxyType
from typing import Protocol

from caller.facts import (
    CameThrough,
    LatchedOn,
    LostWheel,
    OrderSeen,
    RejoinedAt,
    Retired,
    SwungOff,
)
from caller.units import RiderId

__all__ = [
    "TRANSITIONS",
    "Change",
    "Length",
    "Line",
    "Member",
    "Move",
    "Place",
    "Policy",
    "RiderSeen",
    "Turn",
    "advance_line",
    "begin",
    "form_line",
    "hogs",
    "next_change_ms",
    "observe",
    "project",
    "ride_off",
    "same_round",
    "stays_on_front",
    "switch_ms",
    "with_most",
    "with_turn_end",
]


class Place(Enum):
    """Where a rider is; exactly one at a time."""

    __hash__ = object.__hash__  # see cues.CueKind

    FOLLOWING = "following"
    LEADING = "leading"
    DRIFTING = "drifting"
    LATCHING = "latching"
    ADRIFT = "adrift"
    OUT = "out"


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One rider's place.

    Attributes:
        rider: who.
        place: where.
        until_ms: when drifting or latching is expected to be over; None in every other place.
        rest_ms: front time that others were planned to ride since this rider's own turn; None before the first turn.
            Counted in planned lengths, not in real ones: if a turn cut short shortened everybody's rest, each turn
            would shorten the next and the line would spin ever faster.
        most_ms: the longest next turn that the rider's reserve allows, worked out when something went otherwise than
            planned; None if nothing did, or it allows any.
    """

    rider: RiderId
    place: Place
    until_ms: int | None = None
    rest_ms: int | None = None
    most_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A stay on the front.

    Attributes:
        number: 1 for the first of a race; never used twice.
        rider: who leads.
        began_ms: when it began.
        ends_ms: when the leader is to swing off.
        planned_ms: how long the plan would have it.
        because: why it is not as long as planned; empty if it is.
        cut: it was cut short by a request, so its end is called as such.
        hogged: the rider stayed on unasked and is to make way for those who are rested; its end is called as such.
        granted_ms: how long it was to be when it began.
        rest_ms: what the rider had rested when it began; see Member.
    """

    number: int
    rider: RiderId
    began_ms: int
    ends_ms: int
    planned_ms: int
    because: str = ""
    cut: bool = False
    hogged: bool = False
    granted_ms: int = 0
    rest_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """All riders of a race.

    Attributes:
        members: those in the rotation, front first; those drifting come last, in the order they swung off.
        apart: those adrift or out, in the order they came to be so.
        turn: the turn on the front; None before the gun, or when nobody is left.
        turns_begun: how many turns there have been; the next one's number is one more.
    """

    members: tuple[Member, ...]
    apart: tuple[Member, ...] = ()
    turn: Turn | None = None
    turns_begun: int = 0

    @property
    def order(self) -> tuple[RiderId, ...]:
        """Those in the rotation, front first."""
        return tuple(member.rider for member in self.members)

    def member(self, rider: RiderId) -> Member:
        """Where a rider is. Raises: KeyError: no such rider in this race."""
        for member in self.members + self.apart:
            if member.rider == rider:
                return member
        raise KeyError(rider)


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """How long a turn is to be: planned and granted, in ms, and why they differ. Planned 0: this rider only follows."""

    planned_ms: int
    granted_ms: int
    because: str = ""


class Policy(Protocol):
    """What the line asks of whoever made the plan."""

    def turn(
        self, rider: RiderId, began_ms: int, rest_ms: int | None, rotation: tuple[RiderId, ...], most_ms: int | None
    ) -> Length:
        """How long a turn that begins then is to be, for a rider who has had that rest, in that rotation.

        ``most_ms`` is what the rider's reserve allows; None if that is more than any turn.
        """
        ...

    def only_follows(self, rider: RiderId, at_ms: int) -> bool:
        """Whether this rider is planned to take no turn where the line is then."""
        ...

    def drift_ms(self, passed: int) -> int:
        """How long it takes to drift back beside so many riders."""
        ...

    def latch_ms(self) -> int:
        """How long the acceleration onto the last wheel takes."""
        ...


class Move(Enum):
    """What an observation does to the rider it names."""

    KEEP = "is there already"
    SWING_OFF = "leaves the front and drifts; the next one leads"
    PULL_OUT = "was on the front unnoticed, and drifts now"
    LATCH = "follows, on the last wheel"
    INSERT = "follows, in the slot seen"
    TAKE_FRONT = "leads; who led is on this rider's wheel"
    LOSE = "is adrift"
    LEAVE = "is out"


RiderSeen = SwungOff | LatchedOn | RejoinedAt | CameThrough | LostWheel | Retired

TRANSITIONS = MappingProxyType(
    {
        (Place.FOLLOWING, SwungOff): Move.PULL_OUT,
        (Place.LEADING, SwungOff): Move.SWING_OFF,
        (Place.DRIFTING, SwungOff): Move.KEEP,
        (Place.LATCHING, SwungOff): Move.KEEP,
        (Place.ADRIFT, SwungOff): Move.PULL_OUT,
        (Place.OUT, SwungOff): Move.PULL_OUT,
        (Place.FOLLOWING, LatchedOn): Move.KEEP,
        (Place.LEADING, LatchedOn): Move.LATCH,
        (Place.DRIFTING, LatchedOn): Move.LATCH,
        (Place.LATCHING, LatchedOn): Move.LATCH,
        (Place.ADRIFT, LatchedOn): Move.LATCH,
        (Place.OUT, LatchedOn): Move.LATCH,
        (Place.FOLLOWING, RejoinedAt): Move.INSERT,
        (Place.LEADING, RejoinedAt): Move.INSERT,
        (Place.DRIFTING, RejoinedAt): Move.INSERT,
        (Place.LATCHING, RejoinedAt): Move.INSERT,
        (Place.ADRIFT, RejoinedAt): Move.INSERT,
        (Place.OUT, RejoinedAt): Move.INSERT,
        (Place.FOLLOWING, CameThrough): Move.TAKE_FRONT,
        (Place.LEADING, CameThrough): Move.KEEP,
        (Place.DRIFTING, CameThrough): Move.TAKE_FRONT,
        (Place.LATCHING, CameThrough): Move.TAKE_FRONT,
        (Place.ADRIFT, CameThrough): Move.TAKE_FRONT,
        (Place.OUT, CameThrough): Move.TAKE_FRONT,
        (Place.FOLLOWING, LostWheel): Move.LOSE,
        (Place.LEADING, LostWheel): Move.LOSE,
        (Place.DRIFTING, LostWheel): Move.LOSE,
        (Place.LATCHING, LostWheel): Move.LOSE,
        (Place.ADRIFT, LostWheel): Move.KEEP,
        (Place.OUT, LostWheel): Move.KEEP,
        (Place.FOLLOWING, Retired): Move.LEAVE,
        (Place.LEADING, Retired): Move.LEAVE,
        (Place.DRIFTING, Retired): Move.LEAVE,
        (Place.LATCHING, Retired): Move.LEAVE,
        (Place.ADRIFT, Retired): Move.LEAVE,
        (Place.OUT, Retired): Move.KEEP,
    }
)
"""What each observation does in each place. No hole: a bad tap can never stop a race."""

_IN_THE_WHEELS = (Place.LEADING, Place.FOLLOWING)


def form_line(order: tuple[RiderId, ...]) -> Line:
    """The line before the gun, front first; nobody leads yet."""
    return Line(members=tuple(Member(rider=rider, place=Place.FOLLOWING) for rider in order))


def begin(line: Line, at_ms: int, policy: Policy) -> Line:
    """The gun: the first rider's turn begins."""
    return _lead(line, line.members, at_ms, policy)


def ride_off(line: Line, at_ms: int, left_ms: int) -> Line:
    """The line after it stood still: nobody drifts any more, and whoever leads has so much of the turn left.

    The turn has a new number, for the calls of the old one were broken off.
    """
    if line.turn is None:
        return line
    number = line.turns_begun + 1
    leading, *others = line.members
    return replace(
        line,
        members=(leading, *(replace(other, place=Place.FOLLOWING, until_ms=None) for other in others)),
        turn=replace(line.turn, number=number, began_ms=at_ms, ends_ms=at_ms + left_ms, cut=False),
        turns_begun=number,
    )


def observe(line: Line, seen: RiderSeen | OrderSeen, at_ms: int, policy: Policy) -> Line:
    """The line as it is known to be once something was seen.

    Never refuses, whatever the order was believed to be. Before the gun the front rider doesn't lead yet.
    Raises: KeyError: a rider is named who isn't in this race.
    """
    if isinstance(seen, OrderSeen):
        return _reorder(line, seen.order, at_ms, policy)
    member = line.member(seen.rider)
    match TRANSITIONS[member.place, type(seen)]:
        case Move.KEEP:
            return line
        case Move.SWING_OFF | Move.PULL_OUT:
            return _drift(line, member, at_ms, policy)
        case Move.LATCH:
            return _latch(line, member, at_ms, policy)
        case Move.INSERT:
            assert isinstance(seen, RejoinedAt)
            return _insert(line, member, seen.slot, at_ms, policy)
        case Move.TAKE_FRONT:
            return _insert(line, member, 0, at_ms, policy)
        case Move.LOSE:
            return _set_apart(line, member, Place.ADRIFT, at_ms, policy)
        case Move.LEAVE:
            return _set_apart(line, member, Place.OUT, at_ms, policy)


def hogs(line: Line, rider: RiderId) -> bool:
    """Whether this rider, seen on the front, never left it: believed to have swung off just now, and drifting yet."""
    return (
        line.turn is not None
        and line.turn.rider != rider
        and bool(line.members)
        and line.members[-1].rider == rider
        and line.members[-1].place is Place.DRIFTING
    )


def stays_on_front(line: Line, rider: RiderId, at_ms: int, stays_ms: int, policy: Policy) -> Line:
    """The line once a rider who hogs the front was seen there: the believed turn of the next one never began.

    The one who waits keeps the rest had before; the one who hogs is to swing off so soon.
    """
    waiting = line.turn
    assert waiting is not None
    line = _insert(line, line.member(rider), 0, at_ms, policy)
    assert line.turn is not None
    members = tuple(
        _with_rest(member, waiting.rest_ms) if member.rider == waiting.rider else member for member in line.members
    )
    turn = replace(
        line.turn, ends_ms=at_ms + stays_ms, because="stays on; the others are rested", cut=True, hogged=True
    )
    return replace(line, members=members, turn=turn)


def with_most(line: Line, most_ms: Mapping[RiderId, int | None]) -> Line:
    """The same line with what reserves allow of next turns, of those riders who are named."""
    members = tuple(
        replace(member, most_ms=most_ms[member.rider]) if member.rider in most_ms else member for member in line.members
    )
    return line if members == line.members else _with_members(line, members)


def with_turn_end(line: Line, ends_ms: int, because: str, *, cut: bool = False) -> Line:
    """The same line with the present turn ending at another instant."""
    assert line.turn is not None, "nobody leads"
    return replace(line, turn=replace(line.turn, ends_ms=ends_ms, because=because, cut=cut))


def switch_ms(line: Line, latch_ms: int) -> int | None:
    """When the leader will swing off: the turn's end, or later if the next one isn't on the wheel by then.

    None if nobody leads, or nobody is there to relieve the leader.
    """
    if line.turn is None or len(line.members) < 2:
        return None
    following = line.members[1]
    if following.until_ms is None:
        return line.turn.ends_ms
    on_the_wheel_ms = following.until_ms + (latch_ms if following.place is Place.DRIFTING else 0)
    return max(line.turn.ends_ms, on_the_wheel_ms)


def next_change_ms(line: Line, latch_ms: int) -> int | None:
    """The next instant at which the line changes with nothing being seen; None if it never does."""
    change_ms = switch_ms(line, latch_ms)
    for member in reversed(line.members):
        if member.until_ms is None:
            break  # those who drift are the last
        if change_ms is None or member.until_ms < change_ms:
            change_ms = member.until_ms
    return change_ms


def advance_line(line: Line, at_ms: int, policy: Policy) -> Line:
    """What time alone makes of the line at the instant of its next change: riders do as they were told.

    One change a call, the earliest first; drifting and latching come before a switch at the same instant, so that
    whoever reaches the wheel at that instant may lead from it.
    """
    member, until_ms = None, at_ms + 1
    for other in line.members:
        if other.until_ms is not None and other.until_ms < until_ms:
            member, until_ms = other, other.until_ms
    if member is not None:
        if member.place is Place.DRIFTING:
            latching = Member(
                rider=member.rider,
                place=Place.LATCHING,
                until_ms=until_ms + policy.latch_ms(),
                rest_ms=member.rest_ms,
                most_ms=member.most_ms,
            )
            return _with_members(line, _swapped(line.members, latching))
        latched = _latch(line, member, at_ms, policy)
        if latched.turn is not None and latched.turn.ends_ms < at_ms:
            return with_turn_end(latched, at_ms, "the next wheel was late", cut=latched.turn.cut)
        return latched
    switch = switch_ms(line, policy.latch_ms())
    if switch is not None and switch <= at_ms:
        return _drift(line, line.members[0], at_ms, policy)
    return line


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A switch to come: who goes off, who comes on and for how long, and the drift that follows.

    Attributes:
        at_ms: the instant.
        ended: the turn that ends.
        begun: the turn that begins.
        drift_over_ms: when the one who swung off will be beside the last wheel.
    """

    at_ms: int
    ended: Turn
    begun: Turn
    drift_over_ms: int


def project(line: Line, policy: Policy, until_ms: int) -> Iterator[Change]:
    """Every switch to come up to an instant, if nothing else happens. Lazy: stop asking when you know enough."""
    latch_ms = policy.latch_ms()
    while True:
        at_ms = next_change_ms(line, latch_ms)
        if at_ms is None or at_ms > until_ms:
            return
        before = line.turn
        line = advance_line(line, at_ms, policy)
        if before is not None and line.turn is not None and line.turn.number != before.number:
            drift_over_ms = line.member(before.rider).until_ms
            yield Change(
                at_ms=at_ms,
                ended=before,
                begun=line.turn,
                drift_over_ms=at_ms if drift_over_ms is None else drift_over_ms,
            )


def same_round(one: tuple[RiderId, ...], other: tuple[RiderId, ...]) -> bool:
    """Whether two orders are the same rotation, at whatever point of it."""
    if len(one) != len(other):
        return False
    twice = one + one
    return any(twice[start : start + len(other)] == other for start in range(len(one) or 1))


# Moves


def _drift(line: Line, member: Member, at_ms: int, policy: Policy) -> Line:
    """A rider goes from the front, or from wherever believed to be, to drift beside the line."""
    others = tuple(other for other in line.members if other.rider != member.rider)
    if not others:
        return line  # one rider alone has nobody to drift past
    passed = sum(1 for other in others if other.place in _IN_THE_WHEELS)
    drifting = Member(rider=member.rider, place=Place.DRIFTING, until_ms=at_ms + policy.drift_ms(passed), rest_ms=0)
    return _lead(_not_apart(line, member), (*others, drifting), at_ms, policy)


def _latch(line: Line, member: Member, at_ms: int, policy: Policy) -> Line:
    """A rider follows on the last wheel: before those still drifting, and before those at the back who only follow."""
    others = tuple([other for other in line.members if other.rider != member.rider])
    slot = sum([other.place in _IN_THE_WHEELS for other in others])
    if slot > 1 and policy.only_follows(others[slot - 1].rider, at_ms) and not policy.only_follows(member.rider, at_ms):
        slot -= 1
        while slot > 1 and policy.only_follows(others[slot - 1].rider, at_ms):
            slot -= 1
    return _insert(line, member, slot, at_ms, policy)


def _insert(line: Line, member: Member, slot: int, at_ms: int, policy: Policy) -> Line:
    """A rider follows in a slot, counted among all in the rotation; nobody in the wheels is behind one who drifts."""
    others = tuple([other for other in line.members if other.rider != member.rider])
    in_the_wheels = sum([other.place in _IN_THE_WHEELS for other in others])
    slot = min(slot, in_the_wheels)
    rest_ms = member.rest_ms if member.place in (Place.FOLLOWING, Place.DRIFTING, Place.LATCHING) else 0
    following = _following(member, rest_ms)
    if member.place is Place.LEADING and slot == 0:
        return line
    return _lead(_not_apart(line, member), (*others[:slot], following, *others[slot:]), at_ms, policy)


def _not_apart(line: Line, member: Member) -> Line:
    """The line with this rider neither adrift nor out."""
    if not line.apart:
        return line
    apart = tuple(other for other in line.apart if other.rider != member.rider)
    return line if len(apart) == len(line.apart) else replace(line, apart=apart)


# These are written out, for dataclasses.replace costs five times as much and a race is little else than moves of lines.


def _with_members(line: Line, members: tuple[Member, ...]) -> Line:
    return Line(members=members, apart=line.apart, turn=line.turn, turns_begun=line.turns_begun)


def _following(member: Member, rest_ms: int | None) -> Member:
    return Member(rider=member.rider, place=Place.FOLLOWING, rest_ms=rest_ms, most_ms=member.most_ms)


def _with_rest(member: Member, rest_ms: int | None) -> Member:
    return Member(
        rider=member.rider, place=member.place, until_ms=member.until_ms, rest_ms=rest_ms, most_ms=member.most_ms
    )


def _set_apart(line: Line, member: Member, place: Place, at_ms: int, policy: Policy) -> Line:
    """A rider is adrift or out."""
    others = tuple(other for other in line.members if other.rider != member.rider)
    if place is Place.ADRIFT and not others:
        return line  # whoever is left is the line: there is no wheel to lose
    apart = (
        *(other for other in line.apart if other.rider != member.rider),
        Member(rider=member.rider, place=place, rest_ms=member.rest_ms),
    )
    return _lead(replace(line, apart=apart), others, at_ms, policy)


def _reorder(line: Line, order: tuple[RiderId, ...], at_ms: int, policy: Policy) -> Line:
    """The whole line was seen in this order.

    Whoever drifts and is named behind all those in the wheels goes on drifting; whoever was in the wheels and isn't
    named has lost them.
    """
    known = {member.rider: member for member in line.members + line.apart}
    named = [known[rider] for rider in dict.fromkeys(order)]
    in_the_wheels = 1 + max(
        (slot for slot, member in enumerate(named) if member.until_ms is None), default=len(named) - 1
    )
    members = [
        Member(
            rider=member.rider,
            place=Place.FOLLOWING,
            rest_ms=0 if member.place in (Place.ADRIFT, Place.OUT, Place.LEADING) else member.rest_ms,
        )
        for member in named[:in_the_wheels]
    ]
    if members and line.turn is not None and members[0].rider == line.turn.rider:
        members[0] = known[line.turn.rider]
    tail = [*named[in_the_wheels:], *(m for m in line.members if m.until_ms is not None and m not in named)]
    lost = [m for m in line.members if m.until_ms is None and m not in named]
    apart = (
        *(member for member in line.apart if member not in named),
        *(Member(rider=member.rider, place=Place.ADRIFT, rest_ms=member.rest_ms) for member in lost),
    )
    return _lead(replace(line, apart=apart), (*members, *tail), at_ms, policy)


def _lead(line: Line, members: tuple[Member, ...], at_ms: int, policy: Policy) -> Line:
    """The line with these members; if another rider is at its front, the old turn is over and a new one begins."""
    if not members:
        return replace(line, members=(), turn=None)
    front = members[0]
    if line.turn is not None and front.rider == line.turn.rider:
        return _with_members(line, members)
    if line.turn is None and line.turns_begun == 0 and not _racing(at_ms):
        return _with_members(line, members)
    if line.turn is not None:
        members = _rested(members, line.turn, at_ms)
        front = members[0]
    order = tuple(member.rider for member in members)
    length = policy.turn(front.rider, at_ms, front.rest_ms, order, front.most_ms)
    number = line.turns_begun + 1
    turn = Turn(
        number=number,
        rider=front.rider,
        began_ms=at_ms,
        ends_ms=at_ms + length.granted_ms,
        planned_ms=length.planned_ms,
        because=length.because,
        granted_ms=length.granted_ms,
        rest_ms=front.rest_ms,
    )
    leading = Member(rider=front.rider, place=Place.LEADING, rest_ms=0)
    followers = tuple(
        _following(member, member.rest_ms) if member.place is Place.LEADING else member for member in members[1:]
    )
    return Line(members=(leading, *followers), apart=line.apart, turn=turn, turns_begun=number)


def _racing(at_ms: int) -> bool:
    """Whether turns are ridden yet: from the gun on."""
    return at_ms >= 0


def _rested(members: tuple[Member, ...], ended: Turn, at_ms: int) -> tuple[Member, ...]:
    """Members once a turn is over: everyone but its rider has rested through it, by its planned length.

    A turn broken off before its half counts with what was ridden: nobody rests while a leader loses the wheel. One that
    was short for a short rest counts whole, or a round in which all are short would be followed by another for ever.
    """
    ridden_ms = at_ms - ended.began_ms
    credit_ms = ended.planned_ms if 2 * ridden_ms >= min(ended.granted_ms, ended.planned_ms) else ridden_ms
    return tuple(
        _with_rest(member, 0)
        if member.rider == ended.rider
        else member
        if member.rest_ms is None
        else _with_rest(member, member.rest_ms + credit_ms)
        for member in members
    )


def _swapped(members: tuple[Member, ...], changed: Member) -> tuple[Member, ...]:
    return tuple(changed if member.rider == changed.rider else member for member in members)
