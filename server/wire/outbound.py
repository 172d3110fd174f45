"""What the server tells a page over its socket. Made from the state of the race; decides nothing."""

from typing import Annotated, Literal

from pydantic import Field

from server.wire.base import Message

__all__ = ["Outbound"]


class RiderCard(Message):
    """A rider as screens show one. ``mark`` is a shape, ``hue`` a number: identity never hangs on colour alone."""

    id: str
    name: str
    initials: str
    mark: Literal["circle", "square", "triangle", "diamond", "hexagon", "star", "cross", "drop", "bar", "ring"]
    hue: int
    language: str


class StretchCard(Message):
    """A stretch of the course with the plan's rule for it: who pulls how long and how hard."""

    name: str
    terrain: Literal["flat", "climb", "descent"]
    start_m: float
    end_m: float
    rise_m: float
    mean_grade: float


class LandmarkCard(Message):
    """A place to tap when it is passed."""

    name: str
    at_m: float


class CourseCard(Message):
    """The silhouette: (distance, height) pairs, at most 400 of them. ``notes`` says what was filled in or chosen."""

    name: str
    length_m: float
    profile: tuple[tuple[float, float], ...]
    stretches: tuple[StretchCard, ...]
    landmarks: tuple[LandmarkCard, ...]
    has_height: bool
    notes: tuple[str, ...] = ()


class TurnCard(Message):
    """How a rider leads on a stretch; a length of 0 means the rider only follows there."""

    rider: str
    length_s: float
    power_w: float


class RuleCard(Message):
    """How the line rides a part of the course."""

    name: str
    start_m: float
    end_m: float
    speed_mps: float
    turns: tuple[TurnCard, ...]


class ReserveCard(Message):
    """What the plan expects a rider to have left, as shares of W′.

    ``least_at_m`` is where it is least; None in plans from before that was noted. ``curve`` is (distance, share) along
    the course; it comes only with the draft, not with the welcome to a socket.
    """

    rider: str
    least: float
    at_stretch_end: tuple[float, ...]
    w_prime_j: float = 0.0
    least_at_m: float | None = None
    curve: tuple[tuple[float, float], ...] = ()


class StayCard(Message):
    """One stay on the front as the plan expects it."""

    rider: str
    start_s: float
    start_m: float
    end_m: float
    length_s: float
    power_w: float
    speed_mps: float


class PlanCard(Message):
    """The plan as pages show it. ``turns``, each stay on the front, come only with the draft. ``spent`` is who is used
    up, and from where on (metres): after that turn the rider lets the line go.
    """

    method: str
    order: tuple[str, ...]
    finish_s: float
    bound_s: float | None
    equal_turns_s: float | None
    rules: tuple[RuleCard, ...]
    reserves: tuple[ReserveCard, ...]
    schedule: tuple[tuple[float, float], ...]
    turns: tuple[StayCard, ...] = ()
    spent: tuple[tuple[str, float], ...] = ()


class You(Message):
    """Whom the server takes this page for."""

    role: Literal["director", "rider"]
    rider: str | None


class Welcome(Message):
    """The answer to hello, and again whenever riders, course, plan or the team voice's language change.

    ``language`` is the team voice's; a rider's own ear hears the rider's, see the roster.
    """

    kind: Literal["welcome"] = "welcome"
    you: You
    code: str
    race: str
    rehearsal: str | None
    language: str = "en"
    counted: int
    roster: tuple[RiderCard, ...]
    course: CourseCard
    plan: PlanCard


class Said(Message):
    """A cue's words in one language, and the clip that says them; no clip while it is being rendered, or no engine.

    ``key_ms`` and ``length_ms`` are a guess as long as there is no clip.
    """

    text: str
    clip: str | None
    starts_ms: int
    key_ms: int
    length_ms: int


class Airing(Message):
    """How a voice says a cue that it doesn't say whole and on its instant: moved by so much, cut short, or not at all.

    ``moved_ms`` is how much later than due its key word is heard, negative if sooner; ``because`` says why, for people.
    """

    said: bool
    moved_ms: int
    because: str


class CueMessage(Message):
    """One cue of the known future. ``to`` names whose device speaks it; empty means the whole line.

    ``air`` holds how voices say it that don't say it whole and on its instant, by their seat: ``director`` is the team
    voice, ``rider:maya`` Maya's own ear.
    """

    id: str
    kind: str
    due_ms: int
    fixed: bool
    priority: int
    too_late_ms: int
    to: tuple[str, ...]
    rider: str | None
    power_w: int | None
    seconds: int | None
    distance_m: int | None
    place: str | None
    order: tuple[str, ...]
    words: str | None = None
    because: str
    said: dict[str, Said]
    air: dict[str, Airing] = Field(default_factory=dict)


class PlaceMessage(Message):
    """Where a rider is. ``slot`` counts from 0 at the front; None apart from the line. ``until_ms`` ends the state."""

    rider: str
    place: Literal["following", "leading", "drifting", "latching", "adrift", "out"]
    slot: int | None
    until_ms: int | None


class TurnMessage(Message):
    """A turn: now, or to come. ``because`` says why it is not as long as planned; empty if it is."""

    number: int
    rider: str
    began_ms: int
    ends_ms: int | None
    planned_ms: int
    power_w: int
    because: str


class PositionMessage(Message):
    """Where the front of the line is believed to be: (ms, m) pairs ahead of now, and the error now, metres."""

    track: tuple[tuple[int, float], ...]
    error_m: float
    pace: float
    finish_ms: int
    against_plan_ms: int


class ReserveMessage(Message):
    """What a rider is believed to have left, a share of W′."""

    rider: str
    share: float


class TroubleMessage(Message):
    """Something wrong with the line that stands until it is mended."""

    kind: Literal["gap", "adrift"]
    rider: str
    since_ms: int
    decided: Literal["", "wait", "go"]


class LogLine(Message):
    """One line of what was called and what was told, newest last.

    ``air`` says of a cue what became of it on the air, if it wasn't said whole and on its instant.
    """

    at_ms: int
    kind: Literal["cue", "fact"]
    what: str
    text: str
    by: str
    because: str
    cue: str = ""
    air: str = ""


class ResultMessage(Message):
    """How a race ended. ``text`` says it for people; riders by their keys, times in ms; None where it isn't known."""

    text: str
    finish_ms: int
    against_plan_ms: int
    counted: str | None
    line: tuple[str, ...]
    adrift: tuple[str, ...]
    out: tuple[str, ...]
    turns: int
    order_changes: int


class StateMessage(Message):
    """All that a page shows, complete in itself.

    ``clock`` is the race clock when the message was made, ``None`` while it stands still in the lobby.
    ``cues`` is the whole known future up to ``cues_until_ms``; what isn't in it and isn't fixed is withdrawn. What lies
    beyond stands as it was told before, if that was of the same ``future``; each fact makes another one.
    ``may`` names the director's acts that would be accepted now; ``undo`` says what undo would take back, or nothing.
    ``sound_check`` is there in the lobby alone: one cue a rider, for that rider's device to speak when it is asked to.
    ``result`` is there once the counted rider is across the line.
    """

    kind: Literal["state"] = "state"
    revision: int
    phase: Literal["lobby", "countdown", "racing", "halted", "over"]
    clock: int | None
    line: tuple[PlaceMessage, ...]
    turn: TurnMessage | None
    upcoming: tuple[TurnMessage, ...]
    position: PositionMessage | None
    reserves: tuple[ReserveMessage, ...]
    troubles: tuple[TroubleMessage, ...]
    cues: tuple[CueMessage, ...]
    cues_until_ms: int
    future: int = 0
    spare: int
    may: tuple[str, ...]
    undo: str = ""
    sound_check: tuple[CueMessage, ...] = ()
    result: ResultMessage | None = None
    log: tuple[LogLine, ...]


class Presence(Message):
    """One rider's or the director's devices."""

    who: str
    devices: int
    ready: bool
    sound: bool


class PresenceMessage(Message):
    """Who is here, and whether the voice works; with the sentence that says how to mend it if it doesn't."""

    kind: Literal["presence"] = "presence"
    here: tuple[Presence, ...]
    voice_ok: bool
    voice_sentence: str
    clips_ready: int
    clips_wanted: int


class Pong(Message):
    """The clock's answer: the page's own reading, and the race clock on receipt and on sending, in float ms.

    ``running`` is False while the clock stands still; then the readings are of the server's own clock. ``rate`` is race
    milliseconds a wall millisecond: 1 but in a rehearsal at another pace. ``gun_ms`` is what the server's own clock
    showed at the gun: with it, what a page learns of that clock in the lobby holds in the race. ``epoch`` names the
    server's own clock: readings of two epochs can't be compared.
    """

    kind: Literal["pong"] = "pong"
    sent: float
    received_ms: float
    answered_ms: float
    running: bool
    rate: float = 1.0
    gun_ms: float | None = None
    epoch: int = 0


class Ack(Message):
    """A tap was accepted and is on disk under ``seq``."""

    kind: Literal["ack"] = "ack"
    tap: str
    seq: int


class ErrorMessage(Message):
    """To one sender alone: what was refused and how to mend it. ``tap`` names the tap if there was one."""

    kind: Literal["error"] = "error"
    tap: str | None
    code: str
    sentence: str


Outbound = Annotated[Welcome | StateMessage | PresenceMessage | Pong | Ack | ErrorMessage, Field(discriminator="kind")]
