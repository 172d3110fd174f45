"""What-if: the race with something otherwise, what differs, plans side by side. Must not know of requests or disks."""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

from caller.errors import PlanRefused, RulesRefused
from caller.plan import Plan, RaceRules, Shortfall
from caller.riders import Rider
from caller.units import RiderId
from server.runner.draft import Draft, roster_of
from server.wire import http

__all__ = ["MOST_VARIANTS", "Variant", "changed", "columns", "form_of", "swapped", "turns_of"]

MOST_VARIANTS = 3
"""Beside the race's own plan no more columns fit a page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One race tried.

    Attributes:
        key: tells it from others of this race.
        draft: its course, riders, rules and plan; the plan is None if none holds.
        asked: what was asked for.
        refused: why there is no plan.
        short: who would fall short at the plan's old speeds, where turns were set by hand.
        turns: (stretch's name, rider, before, after) of turns set by hand.
    """

    key: str
    draft: Draft
    asked: http.WhatIfAsk = field(default_factory=http.WhatIfAsk)
    refused: str = ""
    short: tuple[Shortfall, ...] = ()
    turns: tuple[tuple[str, str, float, float], ...] = ()


def changed(draft: Draft, ask: http.WhatIfAsk) -> Draft:
    """The race with what is asked for; it has no plan yet.

    Raises:
        PlanRefused: a rider who isn't there, turns by hand without a plan to begin from.
        RosterRefused, RulesRefused: as changed, a figure is out of its range.
    """
    known = {one.rider.id: one for one in draft.riders}
    for rider in (*ask.without, *(change.rider for change in ask.riders), *(turn.rider for turn in ask.turns)):
        if rider not in known:
            raise PlanRefused("what-if", "rider", rider, f"expected one of {', '.join(known) or 'nobody yet'}")
    if ask.by_hand and draft.plan is None:
        raise PlanRefused("what-if", "turns by hand", "no plan", "have a plan worked out first")
    changes = {change.rider: change for change in ask.riders}
    if len(changes) < len(ask.riders):
        twice = next(one.rider for one in ask.riders if sum(one.rider == other.rider for other in ask.riders) > 1)
        raise PlanRefused("what-if", "rider", f"{twice} twice", "expected each rider once, with all that is otherwise")
    riders = tuple(
        replace(one, rider=_changed_rider(one.rider, changes.get(one.rider.id)))
        for one in draft.riders
        if one.rider.id not in ask.without
    )
    unknown = sorted(set(ask.rules) - set(http.RulesForm.model_fields))
    if unknown:
        raise RulesRefused("race rules", unknown[0][:40], "no such rule", "expected one of the rules' own names")
    now = {one.name: getattr(draft.rules, one.name) for one in fields(RaceRules)}
    rules = RaceRules(**dict(http.RulesForm.model_validate(now | ask.rules)))
    other = replace(draft, riders=riders, rules=rules, plan=None)
    roster_of(other)
    return other


def _changed_rider(rider: Rider, change: http.RiderChange | None) -> Rider:
    if change is None:
        return rider
    factor = 1 + (change.stronger or 0.0)
    return replace(
        rider,
        critical_power_w=round(rider.critical_power_w * factor, 1),
        w_prime_j=round(rider.w_prime_j * factor, 0),
        on_flat=change.on_flat or rider.on_flat,
        on_climbs=change.on_climbs or rider.on_climbs,
        on_descents=change.on_descents or rider.on_descents,
    )


def turns_of(draft: Draft, ask: http.WhatIfAsk) -> tuple[tuple[str, str, float, float], ...]:
    """(stretch's name, rider, before, after) of the turns set by hand that differ from the plan's."""
    assert draft.plan is not None
    told = []
    for turn in ask.turns:
        if turn.stretch >= len(draft.plan.rules):
            raise PlanRefused(
                "what-if", "turn", f"stretch {turn.stretch + 1}", f"expected 1 to {len(draft.plan.rules)}"
            )
        rule = draft.plan.rules[turn.stretch]
        before = rule.turn_of(RiderId(turn.rider))
        before_s = before.length_s if before else 0.0
        if before_s != turn.length_s:
            told.append((rule.name, str(turn.rider), before_s, turn.length_s))
    return tuple(told)


# Side by side


def columns(own: Draft, variants: Sequence[Variant]) -> http.Columns:
    """The race's own plan and the variants, each with what differs."""
    base = None if own.plan is None else _column("", own, own.plan, None)
    return http.Columns(own=base, variants=tuple(_variant_column(own, variant) for variant in variants))


def _variant_column(own: Draft, variant: Variant) -> http.Column:
    changes = (*_changes(own, variant.draft), *_asked(own, variant))
    if variant.draft.plan is None:
        return http.Column(key=variant.key, changes=changes, refused=variant.refused)
    column = _column(variant.key, variant.draft, variant.draft.plan, own.plan)
    names = {one.rider.id: one.rider.name for one in variant.draft.riders}
    short = tuple(
        http.ShortCard(rider=one.rider, name=names.get(one.rider, one.rider), at_m=one.at_m, short_j=one.short_j)
        for one in variant.short
    )
    return column.model_copy(update={"changes": changes, "short": short})


def _column(key: str, draft: Draft, plan: Plan, own: Plan | None) -> http.Column:
    return http.Column(
        key=key,
        method=plan.method,
        order=plan.order,
        finish_s=plan.finish_s,
        against_s=None if own is None else round(plan.finish_s - own.finish_s, 3),
        gap=None if plan.bound_s is None else plan.finish_s / plan.bound_s - 1,
        riders=_parts(draft, plan),
    )


def _parts(draft: Draft, plan: Plan) -> tuple[http.RiderPart, ...]:
    riders = {one.rider.id: one.rider for one in draft.riders}
    reserves = {reserve.rider: reserve for reserve in plan.reserves}
    parts = []
    for rider in plan.order:
        stays = [turn for turn in plan.turns if turn.rider == rider]
        front_s = sum(turn.length_s for turn in stays)
        reserve = reserves.get(rider)
        least_j = 0.0 if reserve is None else reserve.least_j
        parts.append(
            http.RiderPart(
                rider=rider,
                name=riders[rider].name,
                turns=len(stays),
                front_s=round(front_s, 1),
                power_w=round(sum(turn.power_w * turn.length_s for turn in stays) / front_s, 1) if front_s else 0.0,
                least=round(least_j / riders[rider].w_prime_j, 4),
                least_j=least_j,
                least_at_m=None if reserve is None else reserve.least_at_m,
            )
        )
    return tuple(parts)


_FIGURES = (
    "mass_kg",
    "critical_power_w",
    "w_prime_j",
    "drag_area_m2",
    "bike_mass_kg",
    "on_flat",
    "on_climbs",
    "on_descents",
)


def _changes(own: Draft, other: Draft) -> tuple[http.ChangeCard, ...]:
    """What differs in riders and rules."""
    before, after = _riders(own), _riders(other)
    found = [http.ChangeCard(kind="without", rider=one.name) for key, one in before.items() if key not in after]
    found += [http.ChangeCard(kind="with", rider=one.name) for key, one in after.items() if key not in before]
    for key, one in after.items():
        stronger = _stronger(before.get(key, one), one)
        if stronger:
            found.append(http.ChangeCard(kind="figure", rider=one.name, key="stronger", before=0.0, after=stronger))
        for figure in _FIGURES:
            old, new = getattr(before.get(key, one), figure), getattr(one, figure)
            if old != new and not (stronger and figure in ("critical_power_w", "w_prime_j")):
                found.append(http.ChangeCard(kind="figure", rider=one.name, key=figure, before=old, after=new))
    for rule in fields(RaceRules):
        old, new = getattr(own.rules, rule.name), getattr(other.rules, rule.name)
        if old != new:
            found.append(http.ChangeCard(kind="rule", key=rule.name, before=_plain(old), after=_plain(new)))
    return tuple(found)


def _stronger(before: Rider, after: Rider) -> float:
    """By which share a rider is stronger in critical power and W′ alike; 0 if it isn't so."""
    share = after.critical_power_w / before.critical_power_w - 1
    alike = abs(after.w_prime_j / before.w_prime_j - 1 - share) < 2e-3
    return round(share, 3) if alike else 0.0


def _riders(draft: Draft) -> dict[RiderId, Rider]:
    return {one.rider.id: one.rider for one in draft.riders}


def _plain(value: object) -> float | str | None:
    if isinstance(value, tuple):
        return " ".join(f"{share:g}" for share in value)
    assert value is None or isinstance(value, float | int | str)
    return value


def _asked(own: Draft, variant: Variant) -> tuple[http.ChangeCard, ...]:
    """What differs in how the plan was asked for."""
    found = []
    ask = variant.asked
    if ask.form is not None and (own.plan is None or ask.form != form_of(own.plan)):
        before = None if own.plan is None else form_of(own.plan)
        found.append(http.ChangeCard(kind="form", before=before, after=ask.form))
    if ask.order is not None:
        names = {one.rider.id: one.rider.name for one in variant.draft.riders}
        found.append(http.ChangeCard(kind="order", after=", ".join(names.get(RiderId(one), one) for one in ask.order)))
    if ask.by_hand:
        found.append(http.ChangeCard(kind="by_hand"))
    names = {one.rider.id: one.rider.name for one in own.riders}
    for stretch, rider, before_s, after_s in variant.turns:
        name = names.get(RiderId(rider), rider)
        found.append(http.ChangeCard(kind="turn", rider=name, key=stretch, before=before_s, after=after_s))
    return tuple(found)


def form_of(plan: Plan) -> str:
    """The form a plan was searched for in."""
    return "free" if plan.method.endswith("free") else "memorable"


def swapped(variants: Sequence[Variant], key: str, own: Draft, new_key: str) -> tuple[Variant, tuple[Variant, ...]]:
    """The variant to be taken, and the others with the race's own plan in its place.

    Raises: KeyError: there is none of this key.
    """
    taken = next((one for one in variants if one.key == key), None)
    if taken is None:
        raise KeyError(key)
    before = Variant(key=new_key, draft=own)
    kept = tuple(before if one.key == key else one for one in variants)
    return taken, kept if own.plan is not None else tuple(one for one in kept if one is not before)
