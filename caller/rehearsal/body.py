"""One simulated rider: what the legs have, where the rider is, and how a power becomes speed.

Must not know of scripts, cues or facts.
"""

import math
from dataclasses import dataclass

from caller.course import Course, grade_at
from caller.physics import (
    DRIVETRAIN_EFFICIENCY,
    WHEEL_INERTIA_KG,
    air_density_kg_m3,
    reserve_after_j,
    resistance_n,
    standard_pressure_pa,
)
from caller.plan import RaceRules
from caller.riders import Rider
from caller.rotation import Place
from caller.units import RiderId

__all__ = ["Body", "Road", "body_of"]

_MOST_PUSH_N = 220.0
"""What a rider can push at the wheel from a standstill; keeps power over speed finite there. Our assumption."""

_CRAWL_MPS = 0.5
_MOST_BRAKING_MPS2 = 3.0
_BRISKLY_MPS2 = 0.6
_SETTLES_S = 0.3


@dataclass(frozen=True, slots=True)
class Road:
    """What every rider meets: the course's grade, the air, the tyres."""

    course: Course
    density_kg_m3: float
    wind_mps: float
    rolling: float

    @classmethod
    def of(cls, course: Course, rules: RaceRules) -> "Road":
        """The road of a race: one air for all of it, at the course's mean height."""
        mean_m = math.fsum(course.height_m) / len(course.height_m)
        pressure_pa = standard_pressure_pa(mean_m) if rules.pressure_hpa is None else 100 * rules.pressure_hpa
        density = air_density_kg_m3(rules.temperature_c, pressure_pa, rules.humidity)
        return cls(course, density, rules.wind_mps, rules.rolling)


@dataclass(slots=True)
class Body:
    """One rider on the road. It moves: the only mutable value of a rehearsal, and nobody but its team holds it.

    Attributes:
        rider: who.
        mass_kg: all up.
        drag_area_m2: alone.
        critical_power_w: today's, the day's factor counted in.
        w_prime_j: as the roster says.
        day: what the rider can do today over the roster.
        recovery: the model by which the reserve refills.
        reserve_j: what is left of W′.
        place: where.
        power_w: given at the last step.
        at_m: the front wheel, from the start; negative behind the start line.
        speed_mps: over the ground.
        gap_m: in the wheels: more than the usual room to the wheel ahead; negative while making room.
        turns: how many have begun.
        turn_began_ms: the latest.
        crossed: over the finish line.
        wanted_gap_m: how wide a gap this rider lets grow; 0 for none.
        wanted_slot: where to go into the line, instead of onto the last wheel.
        back_at_ms: adrift: in the line again by then, if legs allow; None leaves it to ``chase``.
        chase: adrift: the share of critical power given to come back.
        fallen: adrift: fell as far as a lost wheel makes one fall.
    """

    rider: RiderId
    mass_kg: float
    drag_area_m2: float
    critical_power_w: float
    w_prime_j: float
    day: float
    recovery: str
    reserve_j: float
    place: Place = Place.FOLLOWING
    power_w: float = 0.0
    at_m: float = 0.0
    speed_mps: float = 0.0
    gap_m: float = 0.0
    turns: int = 0
    turn_began_ms: int = 0
    crossed: bool = False
    wanted_gap_m: float = 0.0
    wanted_slot: int | None = None
    back_at_ms: int | None = None
    chase: float = 1.0
    fallen: bool = False

    @property
    def most_w(self) -> float:
        """What can be held at this moment: anything with reserve left, critical power without. Our simplification."""
        return 1.6 * self.critical_power_w if self.reserve_j > 0 else self.critical_power_w

    def force_n(self, road: Road, share: float) -> float:
        """What this rider has to push against now, in a place that meets this share of solo drag."""
        return resistance_n(
            speed_mps=self.speed_mps,
            grade=grade_at(road.course, self.at_m),
            mass_kg=self.mass_kg,
            drag_area_m2=self.drag_area_m2 * share,
            density_kg_m3=road.density_kg_m3,
            wind_mps=road.wind_mps,
            rolling=road.rolling,
        )

    def needed_w(self, road: Road, share: float, acceleration_mps2: float) -> float:
        """Crank power to ride as fast and accelerate so; 0 where the brakes do it."""
        push_n = self.force_n(road, share) + (self.mass_kg + WHEEL_INERTIA_KG) * acceleration_mps2
        return max(0.0, push_n * self.speed_mps / DRIVETRAIN_EFFICIENCY)

    def acceleration_mps2(self, road: Road, share: float, power_w: float) -> float:
        """What this crank power does to the speed.

        Source: the force balance of Martin et al. 1998, as physics.road_power_w, solved for its kinetic term.
        """
        push_n = min(_MOST_PUSH_N, power_w * DRIVETRAIN_EFFICIENCY / max(self.speed_mps, _CRAWL_MPS))
        return (push_n - self.force_n(road, share)) / (self.mass_kg + WHEEL_INERTIA_KG)

    def ride_towards(self, road: Road, want_mps: float, most_w: float, seconds: float) -> None:
        """Alone in the wind, take the speed wanted as far as so much power allows, and pay for it."""
        want_mps2 = min(_BRISKLY_MPS2, max(-_MOST_BRAKING_MPS2, (want_mps - self.speed_mps) / _SETTLES_S))
        acceleration = min(want_mps2, self.acceleration_mps2(road, 1.0, most_w))
        self.pay(self.needed_w(road, 1.0, acceleration), seconds)
        self.move(acceleration, seconds)

    def move(self, acceleration_mps2: float, seconds: float) -> None:
        """Go on for a moment at a steady acceleration; never backwards."""
        after_mps = max(0.0, self.speed_mps + acceleration_mps2 * seconds)
        self.at_m += 0.5 * (self.speed_mps + after_mps) * seconds
        self.speed_mps = after_mps

    def pay(self, power_w: float, seconds: float) -> None:
        """Give so much power for a moment."""
        self.power_w = power_w
        self.reserve_j = reserve_after_j(
            reserve_j=self.reserve_j,
            power_w=power_w,
            duration_s=seconds,
            critical_power_w=self.critical_power_w,
            w_prime_j=self.w_prime_j,
            recovery=self.recovery,
        )


def body_of(rider: Rider, day: float, rules: RaceRules) -> Body:
    """A rider, fresh, on the start line."""
    return Body(
        rider=rider.id,
        mass_kg=rider.all_up_mass_kg,
        drag_area_m2=rider.drag_area_m2,
        critical_power_w=rider.critical_power_w * day,
        w_prime_j=rider.w_prime_j,
        day=day,
        recovery=rules.recovery,
        reserve_j=rider.w_prime_j,
    )
