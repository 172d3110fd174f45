"""What is asked and answered over HTTP, as pydantic models. Decides nothing."""

from typing import Annotated, Any, Literal

from pydantic import Field

from caller.plan import RaceRules
from server.wire.base import Message, RiderKey
from server.wire.outbound import CourseCard, PlanCard

__all__ = [
    "ChangeCard",
    "Column",
    "Columns",
    "CourseNames",
    "CourseTable",
    "Draft",
    "EffectCard",
    "Effects",
    "JoinAsk",
    "JoinPage",
    "LinkCard",
    "Links",
    "NewName",
    "NewRace",
    "NewRehearsal",
    "OpenSlot",
    "Opened",
    "PlanAsk",
    "RehearsalCard",
    "RehearsalLinks",
    "RiderChange",
    "RiderFigures",
    "RiderForm",
    "RiderPart",
    "RulesForm",
    "ShortCard",
    "Ticket",
    "Trouble",
    "TurnAsk",
    "WhatIfAsk",
    "WorkCard",
]

Name = Annotated[str, Field(min_length=1, max_length=80, pattern=r"\S")]
Figure = Annotated[float, Field(allow_inf_nan=False)]
Wish = Annotated[str, Field(max_length=20)]
"""How a rider is to lead on a terrain: ``planned``, ``short`` or ``none``."""


class Trouble(Message):
    """What was refused, and how to mend it. The answer to every request that cannot be met."""

    code: str
    sentence: str


class NewName(Message):
    """A race's name."""

    name: Name


class NewRace(Message):
    """A race was made. The ticket is the director's; the code is for joining."""

    code: str
    ticket: str


class CourseTable(Message):
    """A course typed as a table: distance and height, metres, from the start on."""

    name: Name
    rows: tuple[tuple[Figure, Figure], ...] = Field(min_length=2, max_length=5_000)


class RiderForm(Message):
    """A rider as the form sends one. Without a drag area, the body's height is needed to estimate one."""

    id: RiderKey | None = None
    name: str = Field(max_length=80)
    spoken: str | None = Field(default=None, max_length=80)
    mass_kg: Figure
    critical_power_w: Figure
    w_prime_j: Figure
    drag_area_m2: Figure | None = None
    height_cm: Figure | None = None
    bike_mass_kg: Figure | None = None
    language: str | None = Field(default=None, max_length=10)
    on_flat: Wish | None = None
    on_climbs: Wish | None = None
    on_descents: Wish | None = None


class RiderFigures(Message):
    """A rider as kept. ``drag_area_estimated`` says that nobody measured it; initials, mark and hue are those that the
    screens of the race show.
    """

    id: str
    name: str
    spoken: str
    mass_kg: float
    critical_power_w: float
    w_prime_j: float
    drag_area_m2: float
    drag_area_estimated: bool
    height_cm: float | None
    bike_mass_kg: float
    language: str
    on_flat: str
    on_climbs: str
    on_descents: str
    initials: str
    mark: str
    hue: int


_STANDARD = RaceRules()


class RulesForm(Message):
    """The rules of a race; what isn't said is as it comes. Units are in the names; shares are of 1."""

    counted: int = _STANDARD.counted
    reserve_margin: Figure = _STANDARD.reserve_margin
    shortest_turn_s: Figure = _STANDARD.shortest_turn_s
    longest_turn_s: Figure = _STANDARD.longest_turn_s
    draw_per_turn: Figure = _STANDARD.draw_per_turn
    temperature_c: Figure = _STANDARD.temperature_c
    pressure_hpa: Figure | None = _STANDARD.pressure_hpa
    humidity: Figure = _STANDARD.humidity
    wind_mps: Figure = _STANDARD.wind_mps
    rolling: Figure = _STANDARD.rolling
    shelter_efficiency: Figure = _STANDARD.shelter_efficiency
    shelter_table: tuple[Figure, ...] | None = Field(default=_STANDARD.shelter_table, max_length=20)
    recovery: str = Field(default=_STANDARD.recovery, max_length=40)
    closing_mps: Figure = _STANDARD.closing_mps
    latch_s: Figure = _STANDARD.latch_s
    all_in_m: Figure = _STANDARD.all_in_m


class LinkCard(Message):
    """A link to share: the address with its ticket, and the same as a picture (SVG)."""

    url: str
    qr_svg: str


class RiderLink(LinkCard):
    """A rider's own link."""

    rider: str
    name: str


class JoinLink(LinkCard):
    """The link without a ticket: whoever opens it picks a slot that nobody has taken."""

    code: str


class Links(Message):
    """Everything a director hands out."""

    director: LinkCard
    riders: tuple[RiderLink, ...]
    join: JoinLink


Opened = Links


class Draft(Message):
    """A race as the director set it up so far. ``refused`` says what is still in the way of a plan or of opening."""

    code: str
    name: str
    course: CourseCard | None
    riders: tuple[RiderFigures, ...]
    rules: RulesForm
    plan: PlanCard | None
    phase: str
    links: Links | None
    refused: tuple[str, ...]


class CourseNames(Message):
    """Names for the course, all its stretches and all its landmarks, in their order."""

    name: str = Field(max_length=200)
    stretches: tuple[Annotated[str, Field(max_length=200)], ...] = Field(max_length=100)
    landmarks: tuple[Annotated[str, Field(max_length=200)], ...] = Field(max_length=100)


class PlanAsk(Message):
    """Which plan: the best that is found, or the plain one at steady power that it must beat; and its form.

    ``memorable`` has one length a rider and stretch in steps a rider can keep in mind; ``free`` has any. ``order`` is
    the line at the gun, if it is not to be looked for.
    """

    method: Literal["optimised", "steady"] = "optimised"
    form: Literal["memorable", "free"] = "memorable"
    order: tuple[RiderKey, ...] | None = Field(default=None, max_length=20)


class WorkCard(Message):
    """What is being worked out for a race. ``over`` once it is; ``trouble`` if it came to nothing."""

    doing: Literal["plan", "what_if", "effects", "proof"] | None
    step: str = ""
    share: float = 0.0
    over: bool = True
    trouble: Trouble | None = None
    revision: int = 0


class RiderChange(Message):
    """A rider otherwise than in the race: by so much stronger (0.05 is five per cent, of critical power and of W′),
    or leading otherwise."""

    rider: RiderKey
    stronger: Figure | None = Field(default=None, ge=-0.5, le=0.5)
    on_flat: Wish | None = None
    on_climbs: Wish | None = None
    on_descents: Wish | None = None


class TurnAsk(Message):
    """A turn set by hand: on which stretch (0 is the first), whose, how long; 0 s is none."""

    stretch: int = Field(ge=0, le=200)
    rider: RiderKey
    length_s: Figure


class WhatIfAsk(Message):
    """What is to be otherwise. ``rules`` holds only the rules that differ.

    With ``by_hand`` nothing is searched for: the plan's own turns are ridden, with ``turns`` and ``order`` in their
    place, at the speeds that holds.
    """

    without: tuple[RiderKey, ...] = Field(default=(), max_length=10)
    riders: tuple[RiderChange, ...] = Field(default=(), max_length=10)
    rules: dict[str, Any] = Field(default_factory=dict, max_length=30)
    order: tuple[RiderKey, ...] | None = Field(default=None, max_length=20)
    form: Literal["memorable", "free"] | None = None
    by_hand: bool = False
    turns: tuple[TurnAsk, ...] = Field(default=(), max_length=400)


class ChangeCard(Message):
    """One thing that differs from the race as it is set up.

    ``kind``: a rider ``without`` or ``with`` (again), a rider's ``figure`` (``key`` as in the form, or ``stronger``: by
    which share critical power and W′ are), a ``rule`` (``key`` as in the rules), the ``order``, the ``form``, a
    ``turn`` (``key`` is the stretch's name; seconds), or the plan's turns ridden ``by_hand``.
    """

    kind: Literal["without", "with", "figure", "rule", "order", "form", "turn", "by_hand"]
    rider: str = ""
    key: str = ""
    before: float | str | None = None
    after: float | str | None = None


class RiderPart(Message):
    """A rider's part in a plan: turns, their sum, mean power there, least reserve as a share of W′ and where."""

    rider: str
    name: str
    turns: int
    front_s: float
    power_w: float
    least: float
    least_j: float
    least_at_m: float | None


class ShortCard(Message):
    """Who would fall below the margin at the plan's old speeds: where, by how much."""

    rider: str
    name: str
    at_m: float
    short_j: float


class Column(Message):
    """A plan beside others: the race's own (``key`` empty), or a variant.

    ``against_s`` is the finish less the race's own; None where one of them is missing. ``refused`` is the sentence if
    no plan holds.
    """

    key: str
    changes: tuple[ChangeCard, ...] = ()
    method: str = ""
    order: tuple[str, ...] = ()
    finish_s: float | None = None
    against_s: float | None = None
    gap: float | None = None
    riders: tuple[RiderPart, ...] = ()
    short: tuple[ShortCard, ...] = ()
    refused: str = ""


class Columns(Message):
    """The race's own plan, None if there is none, and the variants tried, the oldest first."""

    own: Column | None
    variants: tuple[Column, ...]


class EffectCard(Message):
    """What one choice of the plan buys, in seconds; below 0 it costs. ``tells`` is False within the search's scatter.

    ``other_s`` is None where, with the choice made otherwise, nobody holds.
    """

    key: str
    words: str
    otherwise: str
    other_s: float | None
    gain_s: float | None
    tells: bool


class Effects(Message):
    """What the plan's choices buy, as far as it is worked out. ``whole`` once all are."""

    rows: tuple[EffectCard, ...]
    whole: bool


class JoinAsk(Message):
    """Which slot to take."""

    rider: RiderKey


class Ticket(Message):
    """What opens a seat; it belongs behind the ``#`` of an address, nowhere else."""

    ticket: str


class OpenSlot(Message):
    """A rider's slot, and whether somebody has it."""

    id: str
    name: str
    claimed: bool


class JoinPage(Message):
    """What somebody with the code alone may see."""

    race: str
    riders: tuple[OpenSlot, ...]


class RehearsalCard(Message):
    """A rehearsal that comes along."""

    name: str
    title: str
    about: str


class NewRehearsal(Message):
    """Which rehearsal, how fast (1 is riding pace), and the seed of its riders' whims."""

    name: str = Field(min_length=1, max_length=80)
    pace: float = Field(default=1.0, ge=0.25, le=8, allow_inf_nan=False)
    seed: int | None = Field(default=None, ge=0, le=2**31)


class RehearsalLinks(Message):
    """A rehearsal was made; the same as a new race and its links at once."""

    code: str
    ticket: str
    links: Links
