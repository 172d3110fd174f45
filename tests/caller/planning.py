"""For tests of the planner: a plausible team and a flat road."""

from caller.course import course_from_profile
from caller.riders import Rider, Roster
from caller.units import RiderId


def rider(name: str, mass_kg: float, critical_power_w: float, w_prime_j: float, drag_area_m2: float) -> Rider:
    return Rider(
        id=RiderId(name.lower()),
        name=name,
        spoken=name,
        mass_kg=mass_kg,
        critical_power_w=critical_power_w,
        w_prime_j=w_prime_j,
        drag_area_m2=drag_area_m2,
    )


TEAM = Roster(
    riders=(
        rider("Ana", 62, 290, 16_000, 0.225),
        rider("Bo", 78, 360, 22_000, 0.250),
        rider("Cy", 70, 310, 18_000, 0.240),
        rider("Di", 74, 330, 20_000, 0.245),
    )
)
FLAT = course_from_profile(name="flat", distance_m=(0, 20_000), height_m=(10, 10))
