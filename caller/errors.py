"""All refusals of the core, and who must act on each.

    CallerError
    ├─ Refused             somebody's input is off: what, where, found, allowed
    │  ├─ FileRefused      a course or ride file         (user: mend the file)
    │  ├─ RosterRefused    a rider's figures             (user: mend the figure)
    │  ├─ RulesRefused     the rules of a race           (user: mend the figure)
    │  ├─ PlanRefused      a plan that does not fit      (user: make it anew)
    │  ├─ ScenarioRefused  a rehearsal's script          (user: mend the file)
    │  └─ LogRefused       a log that cannot be replayed (us, or a damaged disk)
    ├─ RequestRefused      a request that cannot be met now; nothing has changed (director)
    └─ NoPlan              a constraint no plan can meet, and by how much        (director)

A bug is an AssertionError or whatever Python raises; nothing that catches CallerError catches it.
"""

__all__ = [
    "CallerError",
    "FileRefused",
    "LogRefused",
    "NoPlan",
    "PlanRefused",
    "Refused",
    "RequestRefused",
    "RosterRefused",
    "RulesRefused",
    "ScenarioRefused",
]


class CallerError(Exception):
    """Whatever the core says no to."""


class Refused(CallerError):
    """Input that cannot be used as it is.

    Attributes:
        what: the thing refused, as its owner knows it: a file's name, ``rider Maya``.
        where: the place in it: ``line 12``, ``critical power``; empty if it is the whole.
        found: what stands there.
        allowed: what may stand there, or how to mend it.
    """

    def __init__(self, what: str, where: str, found: str, allowed: str) -> None:
        super().__init__(what, where, found, allowed)
        self.what = what
        self.where = where
        self.found = found
        self.allowed = allowed

    def __str__(self) -> str:
        place = f", {self.where}" if self.where else ""
        return f"{self.what}{place}: found {self.found}; {self.allowed}"


class FileRefused(Refused):
    """A course or ride file that cannot be read."""


class RosterRefused(Refused):
    """A rider's figures outside what a person can be, or a roster that cannot ride."""


class RulesRefused(Refused):
    """Rules of a race that contradict themselves or each other."""


class PlanRefused(Refused):
    """A plan that does not fit its course or its riders."""


class ScenarioRefused(Refused):
    """A rehearsal's script that cannot be followed."""


class LogRefused(Refused):
    """A log line that cannot be read back."""


class RequestRefused(CallerError):
    """A request that cannot be met in the present state. The state has not changed.

    Attributes:
        request: what was asked, in the trade's words.
        why: why not, and what can be done instead.
    """

    def __init__(self, request: str, why: str) -> None:
        super().__init__(request, why)
        self.request = request
        self.why = why

    def __str__(self) -> str:
        return f"{self.request}: {self.why}"


class NoPlan(CallerError):
    """No plan holds: which constraint, by how much, and what would mend it.

    Attributes:
        constraint: what cannot be met, naming rider and stretch where there is one.
        short_by: by how much, with its unit.
        mend: what would make a plan possible.
    """

    def __init__(self, constraint: str, short_by: str, mend: str) -> None:
        super().__init__(constraint, short_by, mend)
        self.constraint = constraint
        self.short_by = short_by
        self.mend = mend

    def __str__(self) -> str:
        return f"{self.constraint}, short by {self.short_by}; {self.mend}"
