"""What is known of the riders before the gun. Must not know of courses, plans or the race."""

import math
import re
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass

from caller.errors import RosterRefused
from caller.units import RiderId, Slip, looks_like

__all__ = ["FIGURES", "LANGUAGES", "MOST_RIDERS", "WISHES", "Figure", "Rider", "Roster", "check_figure", "rider_key"]

MOST_RIDERS = 10
"""The longest line: national and international rules start teams of two to ten (facts of the trade)."""

_KEY = re.compile(r"[a-z0-9][a-z0-9-]{0,23}")

LANGUAGES = ("en", "es", "fr", "de", "it", "nl")
"""Languages that cues can be spoken in, as ISO 639-1 codes."""

WISHES = ("planned", "short", "none")
"""How a rider leads on one kind of terrain: as the plan finds best, in short turns, or not at all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """The range a rider's figure must lie in, and how to say so.

    Attributes:
        name: as the form shows it.
        unit: as the form shows it.
        least: smallest figure accepted.
        most: largest figure accepted.
        hint: the usual mistake, for the refusal's last words.
        slips: units mistaken for this one.
    """

    name: str
    unit: str
    least: float
    most: float
    hint: str
    slips: tuple[Slip, ...] = ()


FIGURES = {
    "mass_kg": Figure(
        name="body mass",
        unit="kg",
        least=35,
        most=150,
        hint="pounds divided by 2.205 are kilograms",
        slips=(Slip("pounds", 0.45359), Slip("grams", 0.001)),
    ),
    "bike_mass_kg": Figure(
        name="mass of bike and kit",
        unit="kg",
        least=4,
        most=25,
        hint="a race bike with bottles is 8 to 10 kg",
        slips=(Slip("pounds", 0.45359), Slip("grams", 0.001)),
    ),
    "critical_power_w": Figure(
        name="critical power",
        unit="W",
        least=80,
        most=550,
        hint="give watts, not watts per kilogram",
        slips=(Slip("kW", 1_000), Slip("W/kg", least=1.5, most=8)),
    ),
    "w_prime_j": Figure(
        name="W′",
        unit="J",
        least=3_000,
        most=45_000,
        hint="give joules: 20 kJ is 20000",
        slips=(Slip("kJ", 1_000), Slip("J/kg", least=50, most=600)),
    ),
    "drag_area_m2": Figure(
        name="drag area",
        unit="m²",
        least=0.14,
        most=0.6,
        hint="a time-trial position is about 0.20 to 0.30",
        slips=(Slip("cm²", 1e-4),),
    ),
}
"""Sanity ranges, wide enough for juniors and champions; a figure outside is a slip, not a rider."""


def check_figure(key: str, value: float, whose: str) -> None:
    """Refuse a figure that no rider has.

    Args:
        key: one of FIGURES.
        value: in the key's unit.
        whose: for the sentence, such as ``rider Maya``.
    Raises: RosterRefused: value isn't a number inside the figure's range.
    """
    figure = FIGURES[key]
    if not (math.isfinite(value) and figure.least <= value <= figure.most):
        slip = looks_like(value, figure.unit, figure.least, figure.most, figure.slips)
        allowed = f"expected {figure.least:g} to {figure.most:g} {figure.unit} ({figure.hint}{slip})"
        raise RosterRefused(whose, figure.name, f"{value:g} {figure.unit}", allowed)


def rider_key(name: str, taken: Collection[str] = ()) -> RiderId:
    """A key like ``maya`` from a name, another than those taken."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    stem = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:20].strip("-") or "rider"
    key, number = stem, 2
    while key in taken:
        key, number = f"{stem}-{number}", number + 1
    return RiderId(key)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rider:
    """One rider.

    Attributes:
        id: stable key: small letters, digits and hyphens, 24 at most.
        name: as shown, 1 to 24 characters.
        spoken: as the voice says it; often the name, sometimes respelled.
        mass_kg: the body alone.
        critical_power_w: critical power (CP), watts.
        w_prime_j: W′, joules above critical power.
        drag_area_m2: CdA in the position ridden, riding alone.
        bike_mass_kg: bike, bottles and kit.
        language: one of LANGUAGES.
        on_flat: how the rider is to lead on the flat, one of WISHES; somebody who knows the rider wishes it so.
        on_climbs: the same on climbs.
        on_descents: the same on descents.

    Raises: RosterRefused: a figure is outside its sanity range, a name is empty or too long, or the key is none.
    """

    id: RiderId
    name: str
    spoken: str
    mass_kg: float
    critical_power_w: float
    w_prime_j: float
    drag_area_m2: float
    bike_mass_kg: float = 9.0
    language: str = "en"
    on_flat: str = "planned"
    on_climbs: str = "planned"
    on_descents: str = "planned"

    def __post_init__(self) -> None:
        whose = f"rider {self.name or self.id}"
        if not _KEY.fullmatch(self.id):
            allowed = "expected 1 to 24 small letters, digits and hyphens, such as maya"
            raise RosterRefused(whose, "id", repr(self.id[:40]), allowed)
        for field, text in (("name", self.name), ("spoken name", self.spoken)):
            if not 1 <= len(text.strip()) <= 24 or not text.isprintable():
                raise RosterRefused(whose, field, repr(text[:40]), "expected 1 to 24 printable characters")
        if self.language not in LANGUAGES:
            raise RosterRefused(whose, "language", repr(self.language), f"expected one of {', '.join(LANGUAGES)}")
        for field in ("on_flat", "on_climbs", "on_descents"):
            wish = getattr(self, field)
            if wish not in WISHES:
                where = f"leading {field.replace('_', ' ')}"
                raise RosterRefused(whose, where, repr(wish[:40]), f"expected one of {', '.join(WISHES)}")
        for key in FIGURES:
            check_figure(key, getattr(self, key), whose)

    @property
    def all_up_mass_kg(self) -> float:
        """Rider, bike and kit together."""
        return self.mass_kg + self.bike_mass_kg


@dataclass(frozen=True, slots=True, kw_only=True)
class Roster:
    """The riders of one team, in no order that means anything.

    Raises: RosterRefused: fewer than 2 or more than MOST_RIDERS riders, or two with one id or one name.
    """

    riders: tuple[Rider, ...]

    def __post_init__(self) -> None:
        if not 2 <= len(self.riders) <= MOST_RIDERS:
            raise RosterRefused("roster", "", f"{len(self.riders)} riders", f"expected 2 to {MOST_RIDERS}")
        for what, values in (
            ("id", [str(rider.id) for rider in self.riders]),
            ("name", [rider.name.strip().casefold() for rider in self.riders]),
        ):
            twice = sorted({value for value in values if values.count(value) > 1})
            if twice:
                raise RosterRefused("roster", what, f"{twice[0]!r} twice", "each rider needs one of their own")

    @property
    def ids(self) -> tuple[RiderId, ...]:
        """Every rider's key."""
        return tuple(rider.id for rider in self.riders)

    def __getitem__(self, rider: RiderId) -> Rider:
        for candidate in self.riders:
            if candidate.id == rider:
                return candidate
        raise KeyError(rider)
