"""What mends a race that no plan holds: each remedy tried by really solving it. Must not know who asks."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from caller.course import Course
from caller.errors import CallerError, NoPlan
from caller.plan import RaceRules
from caller.planner.steady import steady_plan
from caller.riders import Roster
from caller.units import clock_text, ms_from_s

__all__ = ["mended"]

_MOST_TOLD: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Remedy:
    """One change, its kind and itself in words, and the race with it."""

    kind: str
    words: str
    roster: Roster
    rules: RaceRules


def mended(course: Course, roster: Roster, rules: RaceRules, refused: NoPlan) -> NoPlan:
    """The same refusal, its mend replaced by those remedies by which a steady plan really holds, fastest first.

    Tried one at a time: each rider left out, the time counted on fewer, no wishes, a smaller margin, shorter turns,
    more of W′ a turn. Where none holds alone, the refusal says so and keeps its own advice.
    """
    found: list[tuple[float, str]] = []
    tried: list[str] = []
    for remedy in _remedies(roster, rules):
        tried.append(remedy.kind)
        try:
            finish_s = steady_plan(course, remedy.roster, remedy.rules).finish_s
        except CallerError:
            continue
        found.append((finish_s, remedy.words))
    if not found:
        none = f"; tried one at a time, none is enough: {', '.join(dict.fromkeys(tried))}" if tried else ""
        return NoPlan(refused.constraint, refused.short_by, f"{refused.mend}{none}")
    told = "; or ".join(
        f"{words} (solved: about {clock_text(ms_from_s(finish_s))})" for finish_s, words in sorted(found)[:_MOST_TOLD]
    )
    return NoPlan(refused.constraint, refused.short_by, f"this mends it: {told}")


def _remedies(roster: Roster, rules: RaceRules) -> Iterator[_Remedy]:
    riders = roster.riders
    if len(riders) > max(2, rules.counted):
        for rider in riders:
            rest = tuple(one for one in riders if one.id != rider.id)
            yield _Remedy(
                kind="one rider left out", words=f"leave {rider.name} out", roster=Roster(riders=rest), rules=rules
            )
    elif len(riders) > 2 and rules.counted > 1:
        fewer = replace(rules, counted=rules.counted - 1)
        for rider in riders:
            rest = tuple(one for one in riders if one.id != rider.id)
            words = f"count on {fewer.counted} and leave {rider.name} out"
            yield _Remedy(kind="one counted fewer", words=words, roster=Roster(riders=rest), rules=fewer)
    free = tuple(replace(one, on_flat="planned", on_climbs="planned", on_descents="planned") for one in riders)
    if free != riders:
        yield _Remedy(kind="no wishes", words="let everybody lead as planned", roster=Roster(riders=free), rules=rules)
    if rules.reserve_margin > 0:
        half = round(rules.reserve_margin / 2, 3)
        for margin in dict.fromkeys((half, 0.0)):
            words = f"keep {margin * 100:g} % of W′ in reserve"
            yield _Remedy(kind="no margin", words=words, roster=roster, rules=replace(rules, reserve_margin=margin))
    if rules.shortest_turn_s > 5:
        words = "allow turns of 5 s"
        yield _Remedy(kind=words, words=words, roster=roster, rules=replace(rules, shortest_turn_s=5.0))
    if rules.draw_per_turn < 1:
        more = min(1.0, 2 * rules.draw_per_turn)
        words = f"let a turn cost {more * 100:g} % of W′"
        yield _Remedy(kind=words, words=words, roster=roster, rules=replace(rules, draw_per_turn=more))
