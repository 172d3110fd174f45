"""The course as riders meet it: distance, height, grade, stretches with names, landmarks.

Must not know of files, riders or time.
"""

from dataclasses import dataclass
from enum import Enum

__all__ = ["Course", "Landmark", "Stretch", "Terrain"]


class Terrain(Enum):
    """What a stretch does to a line."""

    FLAT = "flat"
    CLIMB = "climb"
    DESCENT = "descent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of the course ridden by one rule.

    Attributes:
        name: as it is shown and spoken, such as ``climb 1``.
        terrain: what it is.
        start_m: distance from the start.
        end_m: distance from the start.
        rise_m: height at its end less height at its beginning.
    """

    name: str
    terrain: Terrain
    start_m: float
    end_m: float
    rise_m: float

    @property
    def length_m(self) -> float:
        """From its beginning to its end."""
        return self.end_m - self.start_m

    @property
    def mean_grade(self) -> float:
        """Rise over run; 0.05 is five per cent."""
        return self.rise_m / self.length_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Landmark:
    """A place that a director can see riders pass."""

    name: str
    at_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A course sampled evenly by distance.

    Attributes:
        name: as shown.
        length_m: from start to finish.
        height_m: smoothed heights at equal steps from the start to the finish, both included; at least two.
        stretches: they cover the course without holes, in order.
        landmarks: in order of distance.
        has_height: False where the file told no heights and the course is taken as flat.
    """

    name: str
    length_m: float
    height_m: tuple[float, ...]
    stretches: tuple[Stretch, ...]
    landmarks: tuple[Landmark, ...] = ()
    has_height: bool = True
