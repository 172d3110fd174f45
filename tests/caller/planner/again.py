"""A plan ridden again by other hands: what stands in the plan, the published formulas written anew, scipy's integrator.

Nothing here uses the planner's model or the core's formulas. From the plan come its schedule, its turns and its rules;
from the sources beside them the equation of motion, the air, the shelter and the reserve.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from caller.course import Course
from caller.plan import Plan, RaceRules
from caller.riders import Roster
from caller.units import RiderId

__all__ = ["Again", "ride_again"]

Floats = NDArray[np.float64]

DRAG_AREAS_M2 = {
    1: (0.473,),
    2: (0.461, 0.261),
    3: (0.457, 0.246, 0.213),
    4: (0.457, 0.246, 0.201, 0.196),
    5: (0.454, 0.246, 0.198, 0.185, 0.186),
    6: (0.454, 0.246, 0.196, 0.184, 0.172, 0.175),
    7: (0.454, 0.246, 0.196, 0.182, 0.172, 0.168, 0.173),
    8: (0.454, 0.246, 0.196, 0.179, 0.170, 0.165, 0.164, 0.171),
}
"""By riders in line and slot. Source: van Druenen & Blocken 2021, Sports Eng 24:10, Table 1 (found)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Again:
    """What the second ride comes to: where the line is at the planned finish, and each rider's least reserve."""

    reached_m: float
    least_j: dict[RiderId, float]


def air_kg_m3(rules: RaceRules, height_m: float) -> float:
    """Ideal gas of dry air and vapour, over water by Magnus' formula (within 0.05 % of CIPM-2007, computed)."""
    kelvin = rules.temperature_c + 273.15
    pressure_pa = 101_325 * (1 - 0.0065 * height_m / 288.15) ** 5.25588
    if rules.pressure_hpa is not None:
        pressure_pa = 100 * rules.pressure_hpa
    vapour_pa = rules.humidity * 611.2 * np.exp(17.62 * rules.temperature_c / (243.12 + rules.temperature_c))
    return float((pressure_pa - vapour_pa) / (287.05 * kelvin) + vapour_pa / (461.5 * kelvin))


def lines_of(plan: Plan, rules: RaceRules) -> list[tuple[float, list[RiderId], list[RiderId], list[RiderId]]]:
    """From when on who is on the wheels, front first, who drifts, who latches: read off the planned turns.

    Who leads no more drifts past the line (a bike and its gap are 1.85 m; common practice, no source) and latches on,
    before those who only follow on this stretch.
    """
    wheels, drifting, latching = list(plan.order), list[tuple[float, RiderId]](), list[tuple[float, RiderId]]()
    told = [(0.0, list(wheels), list[RiderId](), list[RiderId]())]
    marks_m, marks_s = (np.array(column) for column in zip(*plan.schedule, strict=True))

    def follows_only(rider: RiderId, at_s: float) -> bool:
        at_m = float(np.interp(at_s, marks_s, marks_m))
        rule = next((rule for rule in plan.rules if rule.start_m <= at_m < rule.end_m), plan.rules[-1])
        return all(turn.rider != rider or turn.length_s == 0 for turn in rule.turns)

    def tell(at_s: float) -> None:
        told.append((at_s, list(wheels), [one for _, one in drifting], [one for _, one in latching]))

    def settle(until_s: float) -> None:
        while drifting or latching:
            at_s = min(one[0] for one in drifting + latching)
            if at_s > until_s:
                break
            if drifting and drifting[0][0] == at_s:
                latching.append((at_s + rules.latch_s, drifting.pop(0)[1]))
            else:
                rider = latching.pop(0)[1]
                slot = len(wheels)
                while slot > 1 and follows_only(wheels[slot - 1], at_s) and not follows_only(rider, at_s):
                    slot -= 1
                wheels.insert(slot, rider)
            tell(at_s)

    for turn in plan.turns[1:]:
        settle(turn.start_s + 0.002)  # planned times are rounded to a millisecond
        leader = wheels.pop(0)
        drifting.append((turn.start_s + 1.85 * (len(wheels) + 1) / rules.closing_mps, leader))
        drifting.sort()
        assert wheels[0] == turn.rider, f"{turn.rider} leads from {turn.start_s} s, {wheels} are on the wheels"
        tell(turn.start_s)
    settle(plan.finish_s)
    return told


def speeds_of(plan: Plan) -> list[float]:
    """Speed at each mark of the schedule, from its times: even change between marks, from a standing start.

    Each mean speed is a sum of two neighbours; taken one after the other, the millisecond to which times are rounded
    would be carried on from mark to mark, up and down by turns, and grow. So all are solved for at once: means as exact
    as that rounding leaves them, and of what fits, the smoothest.
    """
    marks = np.array(plan.schedule)
    lengths, spans = np.diff(marks[:, 0]), np.diff(marks[:, 1])
    count = len(marks)
    cells = np.arange(count - 1)
    means = np.zeros((count - 1, count))
    means[cells, cells] = means[cells, cells + 1] = 1.0
    sure = spans**2 / (2 * lengths * 0.0000004)
    bends = np.zeros((max(count - 3, 0), count))
    for row in range(len(bends)):
        bends[row, row + 1 : row + 4] = (1.0, -2.0, 1.0)
    still = np.zeros((1, count))
    still[0, 0] = 1e6
    left = np.vstack((means * sure[:, None], bends / 0.3, still))
    right = np.concatenate((2 * lengths / spans * sure, np.zeros(len(bends) + 1)))
    solved = np.linalg.lstsq(left, right, rcond=None)[0]
    return [max(0.0, float(speed)) for speed in solved]


def ride_again(plan: Plan, course: Course, roster: Roster, rules: RaceRules, *, even: bool = False) -> Again:
    """Rides a plan by its schedule; speed changes evenly with time between two of its marks, from a standing start.

    With ``even`` the road runs straight from mark to mark: legs stay even where measured heights waver by decimetres
    from sample to sample, and what they waver is borrowed from the energy of motion. Without it each sample's grade is
    paid at once, at a speed held as if on rails.

    Power: Martin et al. 1998, J Appl Biomech 14(3):276-291 (equation second hand), with Fw 0.0044 m², two wheels of
    0.14 kg m² and 0.311 m, 2.4 % drivetrain loss (see facts beside caller.physics); a power below 0 is braking.
    Reserve: above critical power what is over it is drawn; below it, with W the reserve and D what is left to CP,
        Skiba et al. 2015, EJAP 115:703-713:   W' = (W′ - W) D / W′ (form from memory),
        Bartram et al. 2018, IJSPP 13:724-8:   W' = (W′ - W) / (2287.2 D^-0.688) (found),
        Skiba et al. 2012, MSSE 44(8):1526-32: what is drawn decays with tau = 546 exp(-0.01 D) + 316 all the time, D
            the whole ride's mean (second hand), taken as a quarter of CP.
    """
    assert not plan.spent, "here everybody finishes"
    assert rules.shelter_table is None
    mass = np.array([one.all_up_mass_kg for one in roster.riders])
    area = np.array([one.drag_area_m2 for one in roster.riders])
    cp = np.array([one.critical_power_w for one in roster.riders])
    w_prime = np.array([one.w_prime_j for one in roster.riders])
    marks_s = np.array([at_s for _, at_s in plan.schedule])
    speeds = speeds_of(plan)
    gains = np.append(np.diff(speeds) / np.diff(marks_s), 0.0)
    heights = np.array(course.height_m)
    step_m = course.length_m / (len(heights) - 1)
    grades = np.diff(heights) / step_m
    slopes = np.arctan(grades)
    pull = 9.81 * (np.sin(slopes) + rules.rolling * np.cos(slopes))
    density = np.array([air_kg_m3(rules, float(height)) for height in 0.5 * (heights[1:] + heights[:-1])])
    marks_m = np.array([at_m for at_m, _ in plan.schedule])
    at_marks = np.interp(marks_m, np.linspace(0.0, course.length_m, len(heights)), heights)
    mean_slopes = np.arctan(np.diff(at_marks) / np.diff(marks_m))
    mean_pull = 9.81 * (np.sin(mean_slopes) + rules.rolling * np.cos(mean_slopes))
    starts: list[float] = []
    shares, slower = [], []
    for at_s, wheels, drifting, _ in lines_of(plan, rules):
        share, slow = np.ones(len(mass)), np.zeros(len(mass))
        for rider, drag_area in zip(wheels, DRAG_AREAS_M2[len(wheels)], strict=True):
            share[roster.ids.index(rider)] = 1 - rules.shelter_efficiency * (1 - drag_area / 0.473)
        for rider in drifting:
            slow[roster.ids.index(rider)] = rules.closing_mps
        starts.append(at_s)
        shares.append(area * share + 0.0044)
        slower.append(slow)
    tau_s = 546 * np.exp(-0.01 * 0.25 * cp) + 316

    def change(at_s: float, state: Floats) -> Floats:
        piece = min(max(int(state[0] / step_m), 0), len(grades) - 1)
        span = min(int(np.searchsorted(marks_s, at_s, side="right")) - 1, len(gains) - 2)
        phase = int(np.searchsorted(starts, at_s, side="right")) - 1
        speed = speeds[span] + gains[span] * (at_s - marks_s[span])
        uphill = mean_pull[span] if even else pull[piece]
        air = speed + rules.wind_mps - slower[phase]
        force = 0.5 * density[piece] * shares[phase] * air * np.abs(air) + uphill * mass
        force = force + 0.091 + 0.0087 * speed + gains[span] * (mass + 0.14 / 0.311**2)
        over = np.maximum(0.0, force * speed) / 0.976 - cp
        drawn = w_prime - state[1:]
        rest = np.maximum(-over, 1e-9)
        if rules.recovery == "integral-2012":
            rates = drawn / tau_s - np.maximum(over, 0.0)
        else:
            back = drawn * rest / w_prime if rules.recovery == "differential-2015" else drawn * rest**0.688 / 2287.2
            rates = np.where(over > 0, -over, back)
        return np.concatenate(([speed], rates))

    fresh = np.concatenate(([0.0], w_prime))
    solved = solve_ivp(change, (0.0, plan.finish_s), fresh, method="RK23", max_step=0.1, rtol=1e-3, atol=10.0)
    assert solved.success
    least = solved.y[1:].min(axis=1)
    return Again(
        reached_m=float(solved.y[0, -1]),
        least_j={rider: float(left) for rider, left in zip(roster.ids, least, strict=True)},
    )
