"""What is seen of the line: it is true, it is told once, and what reserves allow of the next turns follows.

Must not decide where a rider is (rotation), nor when a cue is due (calling).
"""

from dataclasses import replace

from caller.calling import LEAST_TURN_MS, News, adrift, gap_opened, out, plan_power_w, ride_on, told_ms
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.estimate import place_m
from caller.facts import CameThrough, Entry, LatchedOn, LostWheel, OrderSeen, RejoinedAt, Retired, SwungOff, Undo
from caller.race.showing import spare_riders
from caller.race.state import Decision, Phase, RaceState, changed, policy_of, still_open, with_reserves
from caller.race.undoing import hold
from caller.rotation import Place, hogs, observe, project, ride_off, same_round, stays_on_front, with_most
from caller.speech.told import says
from caller.units import RiderId

__all__ = ["gap_seen", "nags", "seen", "with_news", "with_open_gaps"]

_NEXT_TURNS_MS = 600_000
"""How far ahead everybody's next turn is looked for: ten riders at a minute each."""


def seen(
    state: RaceState,
    fact: SwungOff | LatchedOn | RejoinedAt | CameThrough | OrderSeen | LostWheel | Retired,
    entry: Entry,
) -> tuple[RaceState, tuple[Cue, ...]]:
    """An observation of the line is true. If it makes another rotation, that is named once."""
    before = state.line
    policy = policy_of(state)
    hogged = isinstance(fact, CameThrough) and hogs(before, fact.rider)
    if hogged:
        assert isinstance(fact, CameThrough)
        line = stays_on_front(before, fact.rider, entry.at_ms, LEAST_TURN_MS, policy)
    else:
        line = observe(before, fact, entry.at_ms, policy)
    if line == before:
        return state, ()
    gone = {member.rider for member in line.apart}
    old = state
    state = changed(
        hold(with_reserves(state, entry.at_ms), entry, "line", "gaps", "decisions"),
        line=line,
        gaps=tuple(gap for gap in state.gaps if gap.rider not in gone),
        decisions=tuple(decision for decision in state.decisions if decision[0] in gone),
    )
    state = changed(state, held=(*state.held[:-1], replace(state.held[-1], turns_begun=line.turns_begun)))
    # Who drifts is expected on the last wheel of those who lead; there it is no news, though riders who only follow
    # are passed over on the way.
    expected = (
        isinstance(fact, LatchedOn | RejoinedAt)
        and before.member(fact.rider).place in (Place.DRIFTING, Place.LATCHING)
        and line.order == observe(before, LatchedOn(rider=fact.rider), entry.at_ms, policy).order
    )
    if not expected:
        state = _with_reserves_heeded(with_news(old, state, entry))
    return state, (*_lost(old, state, entry), *_together(old, state, entry))


def gap_seen(state: RaceState, entry: Entry, rider: RiderId) -> RaceState:
    """A gap that stands already is the same gap, until its rider may be told again."""
    close = CUE_TABLE[CueKind.CLOSE_GAP]
    known = next((gap for gap in state.gaps if gap.rider == rider), None)
    if known is not None and entry.at_ms < known.tell_ms + (close.repeats + 1) * close.again_ms:
        return state
    if state.line.turn is not None and state.line.member(rider).place is not Place.FOLLOWING:
        return state  # before whoever leads, or rides beside the line or behind it, there is no wheel to close up to
    gap = gap_opened(rider, entry.at_ms, entry.seq, state.lately)
    return changed(hold(state, entry, "gaps"), gaps=(*(one for one in state.gaps if one is not known), gap))


def with_news(before: RaceState, after: RaceState, entry: Entry) -> RaceState:
    """The state with its order to be named, if it is another rotation than the line was last told of.

    One rider less is told by itself and makes no other order of those who are left.
    """
    order = after.line.order
    told = before.line.order if before.news is None else before.news.told
    news = None
    if len(order) > 1 and not same_round(tuple(rider for rider in told if rider in order), order):
        undone_ = isinstance(entry.fact, Undo)
        because = "the last tap was taken back" if undone_ else says(entry.fact, after.setup.roster)
        news = News(told=told, order=order, since_ms=entry.at_ms, seq=entry.seq, because=because)
    return changed(after, news=news)


def _lost(before: RaceState, after: RaceState, entry: Entry) -> tuple[Cue, ...]:
    """Who is off the back, and who is out, is told to the line, which rides with its eyes to the front."""
    was = {member.rider: member.place for member in before.line.apart}
    lost = tuple(
        member.rider for member in after.line.apart if member.rider not in was and member.place is Place.ADRIFT
    )
    gone = [
        member.rider
        for member in after.line.apart
        if member.place is Place.OUT and was.get(member.rider) is not Place.OUT
    ]
    cues = [out(rider, spare_riders(after), entry.at_ms, entry.seq) for rider in gone]
    if lost:
        cues.append(adrift(lost, entry.at_ms, entry.seq))
    return tuple(cue for cue in cues if cue.kind is CueKind.OUT or not nags(before, cue))


def _together(before: RaceState, after: RaceState, entry: Entry) -> tuple[Cue, ...]:
    """Once the last rider who was waited for is back, the line is told to ride on."""
    back = [rider for rider, decision in before.decisions if decision is Decision.WAIT and rider in after.line.order]
    if not back or any(decision is Decision.WAIT for _, decision in after.decisions):
        return ()
    name = after.setup.roster[back[0]].name
    return tuple(cue for cue in (ride_on(entry.at_ms, entry.seq, f"{name} is back"),) if not nags(before, cue))


def _with_reserves_heeded(state: RaceState) -> RaceState:
    """The state with next turns no longer than reserves allow, now that the rotation isn't as planned.

    Each rider is taken to follow, in the slot the rider has now, until the rider's next turn begins.
    """
    plan, rules, line = state.setup.plan, state.setup.rules, state.line
    if state.phase is not Phase.RACING or line.turn is None:
        return state
    begins: dict[RiderId, int] = {}
    last_ms = state.now_ms + _NEXT_TURNS_MS
    for change in project(with_most(line, dict.fromkeys(line.order)), policy_of(state), last_ms):
        begins.setdefault(change.begun.rider, change.at_ms)
        if len(begins) >= len(line.members):
            break
    most: dict[RiderId, int | None] = dict.fromkeys(line.order)
    together = with_reserves(state, state.now_ms)
    together = changed(together, line=ride_off(line, state.now_ms, 0))
    for rider, begins_ms in begins.items():
        figures = state.setup.roster[rider]
        power_w = plan_power_w(plan, rider, place_m(plan, state.position, begins_ms))
        if power_w <= figures.critical_power_w:
            continue
        own = tuple([one for one in together.reserves if one.rider == rider])
        (then,) = with_reserves(changed(together, reserves=own), begins_ms).reserves
        spare_j = then.left_j - rules.reserve_margin * figures.w_prime_j
        most[rider] = max(0, 1000 * int(spare_j / (power_w - figures.critical_power_w)))
    return changed(state, line=with_most(line, most))


def with_open_gaps(state: RaceState) -> RaceState:
    gaps = still_open(state)
    return state if gaps is state.gaps else changed(state, gaps=gaps)


def nags(state: RaceState, cue: Cue) -> bool:
    """Whether the same was told to the same rider or line just before; what is seen goes on without being said."""
    last_ms = told_ms(state.lately, cue.kind, cue.rider)
    return last_ms is not None and cue.due_ms < last_ms + CUE_TABLE[cue.kind].again_ms
