"""Forces, speed for power, air, shelter and reserve: pure formulas, each with its source.

Must not know of riders, lines, plans or time of day: numbers in, numbers out.
What a source says is marked found (read in a stored text), computed (worked out from a found formula) or from memory.
"""

import math
from collections.abc import Sequence

__all__ = [
    "BIKE_SPACING_M",
    "DRIVETRAIN_EFFICIENCY",
    "GRAVITY_MPS2",
    "LONGEST_LINE",
    "USUAL_BELOW",
    "WHEEL_DRAG_AREA_M2",
    "WHEEL_INERTIA_KG",
    "air_density_kg_m3",
    "critical_power_fit",
    "drag_area_estimate_m2",
    "drift_s",
    "kinetic_energy_j",
    "latch_energy_j",
    "power_for_duration_w",
    "recovery_tau_s",
    "reserve_after_j",
    "resistance_n",
    "road_power_w",
    "road_speed_mps",
    "shelter_shares",
    "standard_pressure_pa",
    "standard_temperature_k",
    "time_to_exhaustion_s",
]

GRAVITY_MPS2 = 9.81
WHEEL_DRAG_AREA_M2 = 0.0044
"""Fw, the turning wheels' own drag. Source: Table 1 of van Druenen & Blocken 2021, Sports Eng 24:10 (found)."""
DRIVETRAIN_EFFICIENCY = 0.976
"""Ec: about 2.4 % of what the legs give is lost; the source beside WHEEL_DRAG_AREA_M2 uses 0.98. From memory."""
WHEEL_INERTIA_KG = 0.14 / 0.311**2
"""I/r² of two wheels: 0.14 kg m² at a radius of 0.311 m. From memory, medium confidence."""
BIKE_SPACING_M = 1.85
"""From one front wheel to the next: a bike of 1.7 m and a gap of 0.15 m. Common practice, no source."""
LONGEST_LINE = 10
FASTEST_MPS = 200.0
"""Nothing on wheels coasts faster; the bracket in which road_speed_mps searches."""


# ---------------------------------------------------------------------------------------------------------------- air


def standard_temperature_k(height_m: float) -> float:
    """Temperature of the standard atmosphere, K, below 11 km. Source: ISA, 288.15 K less 6.5 K a km (found)."""
    return 288.15 - 0.0065 * height_m


def standard_pressure_pa(height_m: float) -> float:
    """Pressure of the standard atmosphere.

    Args:
        height_m: above sea level, -500 to 11 000.
    Returns: pascals.
    Raises: ValueError: height_m is outside its range.
    Source: ISA, p = p₀ (T/T₀)^5.2558798 (constants found; exponent computed from them).
    """
    if not -500 <= height_m <= 11_000:
        raise ValueError(f"height {height_m:g} m; expected -500 to 11000")
    return float(101_325.0 * (standard_temperature_k(height_m) / 288.15) ** 5.2558798)


def air_density_kg_m3(temperature_c: float, pressure_pa: float, humidity: float) -> float:
    """Density of moist air.

    Args:
        temperature_c: -40 to 60.
        pressure_pa: of the air at the place, not reduced to sea level; 20 000 to 120 000.
        humidity: relative, 0 to 1.
    Returns: kg/m³.
    Raises: ValueError: a figure is outside its range, or not a number.
    Source: CIPM-2007, Picard et al., Metrologia 2008;45:149-155, with 0.04 % carbon dioxide (coefficients second hand).
        The standard atmosphere's dry air is a shade lighter: 1.2250 against 1.2255 at 15 °C.
    """
    if not (-40 <= temperature_c <= 60 and 20_000 <= pressure_pa <= 120_000 and 0 <= humidity <= 1):
        raise ValueError(f"air of {temperature_c:g} °C, {pressure_pa:g} Pa, humidity {humidity:g}")
    t, p = temperature_c, pressure_pa
    kelvin = t + 273.15
    saturated_pa = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    vapour = humidity * enhancement * saturated_pa / p
    virial = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * vapour
        + (1.9898e-4 - 2.376e-6 * t) * vapour**2
    )
    compressibility = 1 - p / kelvin * virial + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * vapour**2)
    return 3.483740e-3 * p / (compressibility * kelvin) * (1 - 0.3780 * vapour)


# ------------------------------------------------------------------------------------------------------------- forces


def resistance_n(
    *,
    speed_mps: float,
    grade: float,
    mass_kg: float,
    drag_area_m2: float,
    density_kg_m3: float,
    wind_mps: float = 0.0,
    rolling: float = 0.004,
) -> float:
    """What a rider at a steady speed has to push against; negative where the road pushes.

    Args: as road_power_w.
    Returns: newtons at the wheel; it never falls as speed rises.
    """
    slope = math.atan(grade)
    air_mps = speed_mps + wind_mps
    # Va·|Va|: a tail wind faster than the rider pushes. The square of the printed form would lose the sign.
    return (
        0.5 * density_kg_m3 * (drag_area_m2 + WHEEL_DRAG_AREA_M2) * air_mps * abs(air_mps)
        + rolling * mass_kg * GRAVITY_MPS2 * math.cos(slope)
        + (0.091 + 0.0087 * speed_mps)
        + mass_kg * GRAVITY_MPS2 * math.sin(slope)
    )


def road_power_w(
    *,
    speed_mps: float,
    grade: float,
    mass_kg: float,
    drag_area_m2: float,
    density_kg_m3: float,
    wind_mps: float = 0.0,
    rolling: float = 0.004,
    acceleration_mps2: float = 0.0,
) -> float:
    """Power at the crank to ride at a speed.

    Args:
        speed_mps: over the ground, 0 or more.
        grade: rise over run.
        mass_kg: rider, bike and kit.
        drag_area_m2: CdA in the slot ridden: solo drag area times its share.
        density_kg_m3: of the air.
        wind_mps: positive in the face.
        rolling: coefficient of rolling resistance.
        acceleration_mps2: of the rider.
    Returns: watts. Negative: what the brakes must take off; no drivetrain loss then, as the legs do nothing.
    Raises: ValueError: speed_mps is negative.
    Source: Martin et al. 1998, J Appl Biomech 14(3):276-291: air with turning wheels, rolling, bearings, slope,
        kinetic energy with turning wheels, drivetrain (equation from a transcription; standard error 2.7 W, found).
        On an open road expect 3 %.
    """
    if speed_mps < 0:
        raise ValueError(f"speed {speed_mps:g} m/s; expected 0 or more")
    force_n = resistance_n(
        speed_mps=speed_mps,
        grade=grade,
        mass_kg=mass_kg,
        drag_area_m2=drag_area_m2,
        density_kg_m3=density_kg_m3,
        wind_mps=wind_mps,
        rolling=rolling,
    )
    force_n += (mass_kg + WHEEL_INERTIA_KG) * acceleration_mps2
    wheel_w = speed_mps * force_n
    return wheel_w / DRIVETRAIN_EFFICIENCY if wheel_w > 0 else wheel_w


def road_speed_mps(
    *,
    power_w: float,
    grade: float,
    mass_kg: float,
    drag_area_m2: float,
    density_kg_m3: float,
    wind_mps: float = 0.0,
    rolling: float = 0.004,
) -> float:
    """The steady speed that a power at the crank holds.

    Resistance never falls as speed rises, so where it is positive so is the slope of power over speed: there is one
    speed for a power, and halving the bracket cannot miss it. At 0 W it is the coasting speed, 0 where nothing pulls.

    Args: power_w: 0 or more; the others as road_power_w.
    Returns: m/s, 0 to 200, to about 1e-9.
    Raises: ValueError: power_w is negative or not a number.
    """
    if not 0 <= power_w < math.inf:
        raise ValueError(f"power {power_w:g} W; expected 0 or more")
    wheel_w = power_w * DRIVETRAIN_EFFICIENCY
    low_mps, high_mps = 0.0, FASTEST_MPS
    for _ in range(60):
        mid_mps = 0.5 * (low_mps + high_mps)
        force_n = resistance_n(
            speed_mps=mid_mps,
            grade=grade,
            mass_kg=mass_kg,
            drag_area_m2=drag_area_m2,
            density_kg_m3=density_kg_m3,
            wind_mps=wind_mps,
            rolling=rolling,
        )
        if force_n * mid_mps <= wheel_w and (power_w > 0 or force_n < 0):
            low_mps = mid_mps
        else:
            high_mps = mid_mps
        if high_mps - low_mps < 1e-10:
            break
    return low_mps


def kinetic_energy_j(*, mass_kg: float, speed_mps: float) -> float:
    """Energy of motion, wheels' turning included; joules at the wheel. Source: as road_power_w."""
    return 0.5 * (mass_kg + WHEEL_INERTIA_KG) * speed_mps * speed_mps


def drag_area_estimate_m2(*, height_m: float, mass_kg: float) -> float:
    """Drag area of a rider in a time-trial position, from body size, where nothing better is known.

    Args:
        height_m: 1.2 to 2.2.
        mass_kg: the body alone, 30 to 150.
    Returns: CdA, m²; good to about a tenth either way.
    Raises: ValueError: a figure is outside its range.
    Source: frontal area 0.0293 h^0.725 m^0.425 + 0.0604 m², the form of Bassett et al. 1999, MSSE 31(11):1665-76, and a
        drag coefficient of 0.70 (all three constants from memory). Found beside it: Heil 2002, Eur J Appl Physiol
        87:520-8, area of bike and rider grows with mass to the power 0.594 (95 % 0.468 to 0.720) without aero bars.
    """
    if not (1.2 <= height_m <= 2.2 and 30 <= mass_kg <= 150):
        raise ValueError(f"height {height_m:g} m, mass {mass_kg:g} kg; expected 1.2 to 2.2 m, 30 to 150 kg")
    return float(0.70 * (0.0293 * height_m**0.725 * mass_kg**0.425 + 0.0604))


# ------------------------------------------------------------------------------------------------------------ shelter

_SOLO_DRAG_AREA_M2 = 0.473
_DRAG_AREAS_M2 = (
    (0.473,),
    (0.461, 0.261),
    (0.457, 0.246, 0.213),
    (0.457, 0.246, 0.201, 0.196),
    (0.454, 0.246, 0.198, 0.185, 0.186),
    (0.454, 0.246, 0.196, 0.184, 0.172, 0.175),
    (0.454, 0.246, 0.196, 0.182, 0.172, 0.168, 0.173),
    (0.454, 0.246, 0.196, 0.179, 0.170, 0.165, 0.164, 0.171),
)
"""Drag area by line length and slot. Source: van Druenen & Blocken 2021, Sports Eng 24:10, Table 1 (found)."""
_MIDDLE_OF_EIGHT = 5
"""Nine and ten riders were not published: the line of eight with its sixth slot once or twice more. Our own rule."""


def shelter_shares(line_riders: int, efficiency: float, table: Sequence[float] | None = None) -> tuple[float, ...]:
    """The share of solo drag that each slot of a line meets.

    Args:
        line_riders: 1 to 10.
        efficiency: how much of the published shelter is got, 0 to 1.5; 0.9 fits a time-trial position, the published
            figures being of an upright one that shelters more. 0: no shelter at all.
        table: the user's own shares, front first; taken as they are, the last one repeated for a longer line.
    Returns: one share a slot, front first.
    Raises: ValueError: line_riders or efficiency is outside its range, or table is empty.
    Source: table of van Druenen & Blocken 2021 (see _DRAG_AREAS_M2). With 0.9 and four riders 0.970, 0.568, 0.482,
        0.473; beside it the wind tunnel of Barry et al. 2015 has 0.95, 0.55, 0.45, 0.43. Single file without a cross
        wind only.
    """
    if not 1 <= line_riders <= LONGEST_LINE:
        raise ValueError(f"{line_riders} riders in the line; expected 1 to {LONGEST_LINE}")
    if table is not None:
        if not table:
            raise ValueError("an empty shelter table")
        # A rider alone is the definition of 1.
        return tuple(table[min(slot, len(table) - 1)] for slot in range(line_riders)) if line_riders > 1 else (1.0,)
    if not 0 <= efficiency <= 1.5:
        raise ValueError(f"shelter efficiency {efficiency:g}; expected 0 to 1.5")
    longest = len(_DRAG_AREAS_M2)
    areas_m2: tuple[float, ...] = _DRAG_AREAS_M2[min(line_riders, longest) - 1]
    if line_riders > longest:
        more = (areas_m2[_MIDDLE_OF_EIGHT],) * (line_riders - longest)
        areas_m2 = (*areas_m2[:_MIDDLE_OF_EIGHT], *more, *areas_m2[_MIDDLE_OF_EIGHT:])
    return tuple(1 - efficiency * (1 - area_m2 / _SOLO_DRAG_AREA_M2) for area_m2 in areas_m2)


def drift_s(line_riders: int, closing_mps: float) -> float:
    """How long a rider who swung off stays beside the line.

    Args:
        line_riders: everybody, the drifting rider included.
        closing_mps: how much slower than the line the rider goes.
    Returns: seconds until level with the place behind the last wheel.
    Raises: ValueError: no riders, or closing_mps isn't positive.
    Source: line length over closing speed; six riders at 1 m/s about 11 s (computed, no published measurement found).
    """
    if line_riders < 1 or not closing_mps > 0:
        raise ValueError(f"{line_riders} riders, closing at {closing_mps:g} m/s")
    return line_riders * BIKE_SPACING_M / closing_mps


def latch_energy_j(*, mass_kg: float, speed_mps: float, closing_mps: float) -> float:
    """What the legs give to come back from drifting speed to the line's; joules at the crank.

    Source: kinetic energy; 80 kg from 11.5 to 12.5 m/s about 960 J at the wheel without its turning (computed).
    """
    slow_mps = max(0.0, speed_mps - closing_mps)
    gain_j = kinetic_energy_j(mass_kg=mass_kg, speed_mps=speed_mps) - kinetic_energy_j(
        mass_kg=mass_kg, speed_mps=slow_mps
    )
    return gain_j / DRIVETRAIN_EFFICIENCY


# ------------------------------------------------------------------------------------------------------------ reserve


def time_to_exhaustion_s(*, power_w: float, critical_power_w: float, w_prime_j: float) -> float:
    """How long a power can be held from fresh; infinite at or below critical power.

    Source: Monod & Scherrer 1965, t = W′ / (P - CP). Fits 2 to 15 minutes; for an hour it promises too much.
    """
    return w_prime_j / (power_w - critical_power_w) if power_w > critical_power_w else math.inf


def power_for_duration_w(*, duration_s: float, critical_power_w: float, w_prime_j: float) -> float:
    """The best constant power for a duration. Source: as time_to_exhaustion_s. Raises: ValueError: duration_s ≤ 0."""
    if not duration_s > 0:
        raise ValueError(f"duration {duration_s:g} s; expected more than 0")
    return critical_power_w + w_prime_j / duration_s


def critical_power_fit(efforts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Critical power and W′ from efforts to exhaustion, by least squares of work over time.

    Args: efforts: (power_w, duration_s), at least two durations.
    Returns: (critical_power_w, w_prime_j).
    Raises: ValueError: fewer than two different durations.
    Source: Moritani et al. 1981, W = W′ + CP · t.
    """
    if len({duration_s for _, duration_s in efforts}) < 2:
        raise ValueError("expected efforts of at least two durations")
    count = len(efforts)
    mean_s = sum(duration_s for _, duration_s in efforts) / count
    mean_j = sum(power_w * duration_s for power_w, duration_s in efforts) / count
    spread = sum((duration_s - mean_s) ** 2 for _, duration_s in efforts)
    shared = sum((duration_s - mean_s) * (power_w * duration_s - mean_j) for power_w, duration_s in efforts)
    critical_power_w = shared / spread
    return critical_power_w, mean_j - critical_power_w * mean_s


USUAL_BELOW = 0.75
"""Mean of all power below critical power, as a share of it, where the whole ride isn't known. Our assumption."""


def recovery_tau_s(recovery: str, *, below_w: float, w_prime_j: float) -> float:
    """Time constant with which what was drawn from W′ comes back.

    Args:
        recovery: ``differential-2015``, ``elite-2018`` or ``integral-2012``.
        below_w: how far below critical power: at this moment; for ``integral-2012`` the mean of all power
            below critical power over the whole ride. Putting the moment's value into the integral's formula is
            the often copied hybrid of two papers, and no published model.
        w_prime_j: W′.
    Returns: seconds; infinite where nothing comes back.
    Raises: ValueError: an unknown recovery.
    Sources: Skiba et al. 2015, EJAP 115:703-713, τ = W′/(CP - P) (form from memory); Bartram et al. 2018,
        IJSPP 13:724-8, τ = 2287.2 (CP - P)^-0.688 (found; four elite riders); Skiba et al. 2012, MSSE 44(8):1526-32,
        τ = 546 exp(-0.01 D) + 316 (second hand). They disagree by a factor of two; none predicts collapse.
    """
    if recovery == "integral-2012":
        return 546.0 * math.exp(-0.01 * below_w) + 316.0
    if recovery == "differential-2015":
        return w_prime_j / below_w if below_w > 0 else math.inf
    if recovery == "elite-2018":
        return float(2287.2 * below_w**-0.688) if below_w > 0 else math.inf
    raise ValueError(f"recovery {recovery!r}; expected differential-2015, elite-2018 or integral-2012")


def reserve_after_j(
    *,
    reserve_j: float,
    power_w: float,
    duration_s: float,
    critical_power_w: float,
    w_prime_j: float,
    recovery: str,
    mean_below_w: float | None = None,
) -> float:
    """What is left of W′ after a while at one power; exact, whatever the duration.

    Args:
        reserve_j: left before; may be negative, as models allow what bodies may not.
        power_w: held.
        duration_s: 0 or more.
        critical_power_w: the rider's.
        w_prime_j: the rider's, and the most that can be left.
        recovery: see recovery_tau_s.
        mean_below_w: for ``integral-2012`` only: critical power less the mean of all power below it over the whole
            ride; None takes a quarter of critical power, a ride on wheels at 75 %.
    Returns: joules.
    Raises: ValueError: duration_s is negative, or an unknown recovery.
    Source: see recovery_tau_s. The integral lets what was drawn come back while working too: it never shows
        the full draw.
    """
    if duration_s < 0:
        raise ValueError(f"duration {duration_s:g} s; expected 0 or more")
    below_w = critical_power_w - power_w
    if recovery == "integral-2012":
        ride_below_w = (1 - USUAL_BELOW) * critical_power_w if mean_below_w is None else mean_below_w
        tau_s = recovery_tau_s(recovery, below_w=ride_below_w, w_prime_j=w_prime_j)
        level_j = max(0.0, -below_w) * tau_s
    elif below_w <= 0:
        recovery_tau_s(recovery, below_w=1.0, w_prime_j=w_prime_j)
        return reserve_j + below_w * duration_s
    else:
        tau_s = recovery_tau_s(recovery, below_w=below_w, w_prime_j=w_prime_j)
        level_j = 0.0
    drawn_j = level_j + (w_prime_j - reserve_j - level_j) * math.exp(-duration_s / tau_s)
    return min(w_prime_j, w_prime_j - drawn_j)
