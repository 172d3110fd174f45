"""A race while the director sets it up: course, riders, rules, plan; each may still be missing.

Must not know of sockets, disks or who may change it.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import cattrs

from caller.course import Course
from caller.errors import CallerError, FileRefused, LogRefused, RosterRefused
from caller.physics import drag_area_estimate_m2
from caller.plan import Plan, RaceRules
from caller.riders import Rider, Roster, rider_key
from caller.units import RiderId
from server.runner.voicing import VoiceChoice
from server.wire.http import RiderForm

__all__ = ["Draft", "DraftRider", "draft_from_json", "draft_to_json", "riders_from_forms", "roster_of", "still_missing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftRider:
    """A rider, and how the drag area came about.

    Attributes:
        rider: as the core knows one.
        height_cm: the body's, if told.
        estimated: the drag area was estimated from height and mass.
    """

    rider: Rider
    height_cm: float | None = None
    estimated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """What is set up so far. A plan is there only as long as it fits everything else."""

    name: str
    course: Course | None = None
    riders: tuple[DraftRider, ...] = ()
    rules: RaceRules = field(default_factory=RaceRules)
    plan: Plan | None = None
    voice: VoiceChoice = field(default_factory=VoiceChoice)

    def with_course(self, course: Course) -> "Draft":
        """Another course; the plan is gone."""
        return replace(self, course=course, plan=None)

    def with_names(self, name: str, stretches: Sequence[str], landmarks: Sequence[str]) -> "Draft":
        """Other names for the course and its parts; the plan stays, with them.

        Raises: FileRefused: there is no course, a name is none, or there are more or fewer than parts.
        """
        course = self.course
        if course is None:
            raise FileRefused("course", "names", "no course", "upload a file or type a table first")
        for what, names, parts in (
            ("stretches", stretches, course.stretches),
            ("landmarks", landmarks, course.landmarks),
        ):
            if len(names) != len(parts):
                raise FileRefused("course", what, f"{len(names)} names", f"expected {len(parts)}, one for each")
        named = replace(
            course,
            name=_name(name, "course"),
            stretches=tuple(
                replace(part, name=_name(text, part.name))
                for part, text in zip(course.stretches, stretches, strict=True)
            ),
            landmarks=tuple(
                replace(mark, name=_name(text, mark.name))
                for mark, text in zip(course.landmarks, landmarks, strict=True)
            ),
        )
        if self.plan is None:
            return replace(self, course=named)
        # A plan kept from elsewhere may be cut otherwise than the course: then its own names stay.
        renamed = {part.start_m: part.name for part in named.stretches}
        rules = tuple(replace(rule, name=renamed.get(rule.start_m, rule.name)) for rule in self.plan.rules)
        return replace(self, course=named, plan=replace(self.plan, rules=rules))

    def with_riders(self, riders: tuple[DraftRider, ...]) -> "Draft":
        """Other riders; the plan is gone."""
        return self if riders == self.riders else replace(self, riders=riders, plan=None)

    def with_rules(self, rules: RaceRules) -> "Draft":
        """Other rules; the plan is gone."""
        return self if rules == self.rules else replace(self, rules=rules, plan=None)


def _name(text: str, of: str) -> str:
    name = " ".join(text.split())
    if not 1 <= len(name) <= LONGEST_NAME or not name.isprintable():
        raise FileRefused(of, "name", repr(text[:40]), f"expected 1 to {LONGEST_NAME} printable characters")
    return name


def still_missing(draft: Draft) -> tuple[str, ...]:
    """What is in the way of opening the race, one sentence each; nothing if it can be opened."""
    sentences = []
    if draft.course is None:
        sentences.append("course: none yet; upload a file or type a table of distance and height")
    try:
        roster_of(draft)
    except CallerError as error:
        sentences.append(str(error))
    if draft.rules.counted > len(draft.riders) >= 2:
        sentences.append(
            f"race rules, counted: found {draft.rules.counted} with {len(draft.riders)} riders; "
            "expected no more than there are riders"
        )
    if draft.plan is None and not sentences:
        sentences.append("plan: none yet for this course, these riders and these rules; make one")
    return tuple(sentences)


def roster_of(draft: Draft) -> Roster:
    """The riders as a team. Raises: RosterRefused: too few, too many, or two alike."""
    return Roster(riders=tuple(one.rider for one in draft.riders))


def riders_from_forms(forms: Sequence[RiderForm]) -> tuple[DraftRider, ...]:
    """Riders from what was typed; keys are made from names where there are none.

    Raises: RosterRefused: a figure or a name is off; the sentence names the rider.
    """
    taken = {form.id for form in forms if form.id is not None}
    riders = tuple(_rider(form, taken) for form in forms)
    if len(riders) >= 2:
        Roster(riders=tuple(one.rider for one in riders))
    return riders


def _rider(form: RiderForm, taken: set[str]) -> DraftRider:
    name = " ".join(form.name.split())
    key = form.id
    if key is None:
        key = rider_key(name, taken)
        taken.add(key)
    drag_area_m2, estimated = form.drag_area_m2, False
    if drag_area_m2 is None:
        drag_area_m2, estimated = _estimated_drag_area_m2(form, name), True
    rider = Rider(
        id=RiderId(key),
        name=name,
        spoken=" ".join((form.spoken or "").split()) or name,
        mass_kg=form.mass_kg,
        critical_power_w=form.critical_power_w,
        w_prime_j=form.w_prime_j,
        drag_area_m2=drag_area_m2,
        bike_mass_kg=_BIKE_MASS_KG if form.bike_mass_kg is None else form.bike_mass_kg,
        language=form.language or "en",
        on_flat=form.on_flat or "planned",
        on_climbs=form.on_climbs or "planned",
        on_descents=form.on_descents or "planned",
    )
    return DraftRider(rider=rider, height_cm=form.height_cm, estimated=estimated)


def _estimated_drag_area_m2(form: RiderForm, name: str) -> float:
    whose = f"rider {name}"
    if form.height_cm is None:
        raise RosterRefused(whose, "drag area", "none", "give it in m², or give the height in cm to have it estimated")
    try:
        return round(drag_area_estimate_m2(height_m=form.height_cm / 100, mass_kg=form.mass_kg), 3)
    except ValueError:
        raise RosterRefused(
            whose,
            "height and mass",
            f"{form.height_cm:g} cm and {form.mass_kg:g} kg",
            "expected 120 to 220 cm and 30 to 150 kg to estimate a drag area from",
        ) from None


LONGEST_NAME = 40
"""Of a stretch or landmark: as long as a scenario's."""

_BIKE_MASS_KG = 9.0
"""Where nobody told it, as in caller.riders."""

_CONVERTER = cattrs.Converter()


def draft_to_json(draft: Draft) -> str:
    """As it is kept on disk."""
    return json.dumps(_CONVERTER.unstructure(draft), separators=(",", ":"), ensure_ascii=False)


def draft_from_json(text: str) -> Draft:
    """As it was kept. Raises: LogRefused: it can't be read back."""
    try:
        return _CONVERTER.structure(json.loads(text), Draft)
    except (ValueError, KeyError, CallerError, cattrs.BaseValidationError) as error:
        raise LogRefused("race", "draft", f"{type(error).__name__}", "expected what this swingoff wrote") from error
