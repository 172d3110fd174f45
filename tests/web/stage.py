"""A page with no server: files from disk, and a scripted other end of its socket that speaks the wire's own models.

stage = await Stage.open(browser, "/desk/TEST23", scene("racing"), viewport=DESK)
await stage.tell(state)          # what the server would send
stage.taps                       # what the page has told
"""

import itertools
import json
import mimetypes
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from server.wire.outbound import (
    Ack,
    CourseCard,
    CueMessage,
    LandmarkCard,
    LogLine,
    PlaceMessage,
    PlanCard,
    Pong,
    PositionMessage,
    Presence,
    PresenceMessage,
    ReserveMessage,
    RiderCard,
    RuleCard,
    Said,
    StateMessage,
    StretchCard,
    TroubleMessage,
    TurnCard,
    TurnMessage,
    Welcome,
    You,
)

WEB = Path(__file__).parents[2] / "web"
ORIGIN = "http://swingoff.test"
PHONE = {"width": 390, "height": 844}
PHONE_ACROSS = {"width": 844, "height": 390}
DESK = {"width": 1440, "height": 900}
TABLET = {"width": 820, "height": 1180}

RIDERS = (
    ("maya", "Maya", "MA", "circle", 0),
    ("otto", "Otto", "OT", "square", 1),
    ("ana", "Ana", "AN", "triangle", 2),
    ("ben", "Ben", "BE", "diamond", 3),
    ("lio", "Lio", "LI", "hexagon", 4),
    ("ines", "Ines", "IN", "star", 5),
)
MAY = (
    *("swung_off", "latched_on", "rejoined_at", "came_through", "order_seen", "lost_wheel", "retired", "gap_opened"),
    *("gap_closed", "line_bunched", "line_surged", "landmark_passed", "felt_good", "felt_empty", "race_finished"),
    *("lengthen_turn", "shorten_turn", "cut_turn", "call_aloud", "stop", "say_aloud", "undo"),
)
"""What a director may do in the middle of a race while nobody is adrift."""


def roster(count: int = 6, language: str = "en") -> tuple[RiderCard, ...]:
    """So many of the made-up riders."""
    return tuple(
        RiderCard(id=key, name=name, initials=initials, mark=mark, hue=hue, language=language)  # type: ignore[arg-type]
        for key, name, initials, mark, hue in RIDERS[:count]
    )


def course() -> CourseCard:
    """Eighteen made-up kilometres: flat, a climb, a descent, flat again."""
    knots = ((0, 40), (6_000, 52), (9_600, 218), (10_400, 221), (13_200, 70), (18_000, 46))
    profile: list[tuple[float, float]] = []
    for (from_m, low), (to_m, high) in itertools.pairwise(knots):
        steps = int((to_m - from_m) / 200)
        profile += [(from_m + 200 * i, low + (high - low) * i / steps + 3 * ((i * 7) % 5) / 5) for i in range(steps)]
    profile.append((18_000.0, 46.0))
    stretches = (
        ("flat 1", "flat", 0, 6_000, 12),
        ("climb 1", "climb", 6_000, 9_600, 166),
        ("descent 1", "descent", 9_600, 13_200, -148),
        ("flat 2", "flat", 13_200, 18_000, -24),
    )
    return CourseCard(
        name="Mill Road and back",
        length_m=18_000,
        profile=tuple(profile),
        stretches=tuple(
            StretchCard(
                name=name,
                terrain=terrain,  # type: ignore[arg-type]
                start_m=start,
                end_m=end,
                rise_m=rise,
                mean_grade=rise / (end - start),
            )
            for name, terrain, start, end, rise in stretches
        ),
        landmarks=(
            LandmarkCard(name="Water tower", at_m=3_900),
            LandmarkCard(name="Chapel", at_m=9_600),
            LandmarkCard(name="Mill bridge", at_m=15_500),
        ),
        has_height=True,
    )


def welcome(rider: str | None = None, *, count: int = 6, language: str = "en") -> Welcome:
    """For the director, or for a rider."""
    return Welcome(
        you=You(role="director" if rider is None else "rider", rider=rider),
        code="TEST23",
        race="Thursday on Mill Road",
        rehearsal=None,
        language=language,
        counted=4,
        roster=roster(count, language),
        course=course(),
        plan=PlanCard(
            method="steady",
            order=tuple(key for key, *_ in RIDERS[:count]),
            finish_s=1_452,
            bound_s=None,
            equal_turns_s=None,
            rules=(
                RuleCard(
                    name="flat 1",
                    start_m=0,
                    end_m=18_000,
                    speed_mps=12.4,
                    turns=tuple(TurnCard(rider=key, length_s=30, power_w=360) for key, *_ in RIDERS[:count]),
                ),
            ),
            reserves=(),
            schedule=((0, 0), (18_000, 1_452)),
        ),
    )


def cue(kind: str, due_ms: int, rider: str | None = None, **more: Any) -> CueMessage:
    """A cue; its words are made here, so that a page that made up its own would be found out."""
    names = {key: name for key, name, *_ in RIDERS}
    text = more.pop("text", f"{names.get(rider or '', 'Line')}, {kind.replace('_', ' ')}")
    values: dict[str, Any] = {
        "id": f"{kind}-{rider}-{due_ms}",
        "fixed": False,
        "priority": 4,
        "too_late_ms": 2_000,
        "to": () if rider is None else (rider,),
        "power_w": None,
        "seconds": None,
        "distance_m": None,
        "place": None,
        "order": (),
        "because": "",
        "said": {"en": Said(text=text, clip=None, starts_ms=0, key_ms=300, length_ms=900)},
    }
    return CueMessage(kind=kind, due_ms=due_ms, rider=rider, **(values | more))


def turn(number: int, rider: str, began_ms: int, seconds: int = 30, because: str = "") -> TurnMessage:
    """A turn of so many seconds."""
    return TurnMessage(
        number=number,
        rider=rider,
        began_ms=began_ms,
        ends_ms=began_ms + seconds * 1_000,
        planned_ms=30_000,
        power_w=380 - 5 * number % 40,
        because=because,
    )


def place(rider: str, where: str, slot: int | None = None, until_ms: int | None = None) -> PlaceMessage:
    """Where a rider is."""
    return PlaceMessage(rider=rider, place=where, slot=slot, until_ms=until_ms)  # type: ignore[arg-type]


def racing(clock: int = 300_000, *, revision: int = 20, **more: Any) -> StateMessage:
    """Five minutes in: Otto leads with 18 s to go, Maya has swung off and drifts, Ana is next."""
    began = clock - 12_000
    order = ("otto", "ana", "ben", "lio", "ines", "maya")
    turns = tuple(turn(10 + i, order[i % 6], began + 30_000 * i) for i in range(8))
    switches = [
        c
        for t, n in itertools.pairwise(turns)
        for c in (
            cue("stand_by", n.began_ms - 10_000, n.rider, text=f"{n.rider.title()} next", because="leads next"),
            cue(
                "switch",
                n.began_ms,
                t.rider,
                text=f"{t.rider.title()}, switch",
                to=(t.rider, n.rider),
                priority=1,
                too_late_ms=700,
                because="the turn is over",
            ),
            cue("hold", n.began_ms + 2_000, n.rider, text=f"{n.rider.title()}, three sixty", power_w=360),
        )
    ]
    values: dict[str, Any] = {
        "revision": revision,
        "phase": "racing",
        "clock": clock,
        "line": (
            place("otto", "leading", 0),
            place("ana", "following", 1),
            place("ben", "following", 2),
            place("lio", "following", 3),
            place("ines", "following", 4),
            place("maya", "drifting", 5, clock + 9_000),
        ),
        "turn": turns[0],
        "upcoming": turns[1:],
        "position": PositionMessage(
            track=((clock, 3_620.0), (clock + 60_000, 4_364.0)),
            error_m=64,
            pace=1.0,
            finish_ms=1_455_000,
            against_plan_ms=3_000,
        ),
        "reserves": tuple(
            ReserveMessage(rider=key, share=share)
            for key, share in zip(order, (0.42, 0.95, 0.81, 1.0, 0.66, 0.3), strict=True)
        ),
        "troubles": (),
        "cues": tuple(sorted(switches, key=lambda c: c.due_ms)),
        "cues_until_ms": clock + 240_000,
        "spare": 2,
        "may": MAY,
        "log": (
            LogLine(at_ms=clock - 14_000, kind="cue", what="stand_by", text="Otto next", by="", because="leads next"),
            LogLine(
                at_ms=clock - 13_000, kind="fact", what="felt_good", text="Ben has more", by="rider:ben", because=""
            ),
            LogLine(
                at_ms=clock - 12_000, kind="cue", what="switch", text="Maya, switch", by="", because="the turn is over"
            ),
            LogLine(at_ms=clock - 10_000, kind="cue", what="hold", text="Otto, 380 W", by="", because=""),
        ),
    }
    return StateMessage(**(values | more))


def troubled(clock: int = 300_000, **more: Any) -> StateMessage:
    """The same, with Lio adrift and a gap before Ben."""
    line = (
        place("otto", "leading", 0),
        place("ana", "following", 1),
        place("ben", "following", 2),
        place("ines", "following", 3),
        place("maya", "drifting", 4, clock + 9_000),
        place("lio", "adrift"),
    )
    troubles = (
        TroubleMessage(kind="adrift", rider="lio", since_ms=clock - 23_000, decided=""),
        TroubleMessage(kind="gap", rider="ben", since_ms=clock - 5_000, decided=""),
    )
    return racing(clock, revision=21, line=line, troubles=troubles, may=(*MAY, "wait_for", "go_without"), **more)


def lobby(**more: Any) -> StateMessage:
    """Before the start: the clock stands still."""
    values: dict[str, Any] = {
        "revision": 1,
        "phase": "lobby",
        "clock": None,
        "line": tuple(place(key, "following", i) for i, (key, *_) in enumerate(RIDERS)),
        "turn": None,
        "upcoming": tuple(turn(1 + i, RIDERS[i][0], 30_000 * i) for i in range(6)),
        "position": None,
        "troubles": (),
        "cues": (),
        "may": ("set_start",),
        "log": (),
    }
    return racing().model_copy(update=values | more)


def countdown(clock: int = -14_000, **more: Any) -> StateMessage:
    """The clock runs up to the gun."""
    return lobby(**({"phase": "countdown", "clock": clock, "may": ("call_off_start", "undo")} | more))


def here(ready: Sequence[str] = ("maya", "ana", "ben"), *, voice_ok: bool = True) -> PresenceMessage:
    """All but Ines are here."""
    seats = ("director", *(f"rider:{key}" for key, *_ in RIDERS))
    return PresenceMessage(
        here=tuple(
            Presence(
                who=who,
                devices=0 if who.endswith("ines") else 1,
                ready=who.split(":")[-1] in ready,
                sound=who.split(":")[-1] in ready,
            )
            for who in seats
        ),
        voice_ok=voice_ok,
        voice_sentence=""
        if voice_ok
        else "The voice does not start: install espeakng-loader, then start swingoff anew.",
        clips_ready=10,
        clips_wanted=10,
    )


class Stage:
    """One page, opened, with us at the other end of its socket."""

    def __init__(self, page: Any, first: Sequence[Any], clock_ms: int | None) -> None:
        self.page = page
        self.first = list(first)
        self.taps: list[dict[str, Any]] = []
        self.told: list[dict[str, Any]] = []
        self.errors: list[str] = []
        self.hellos = 0
        self.acknowledges = True
        self.answers = True
        self._socket: Any = None
        self._started = time.monotonic()
        self._clock_ms = clock_ms

    @classmethod
    async def open(
        cls,
        browser: Any,
        path: str,
        first: Sequence[Any],
        *,
        viewport: dict[str, int] = DESK,
        clock_ms: int | None = None,
        before: Any = None,
        **context: Any,
    ) -> "Stage":
        """Open a page; ``first`` is what it is sent after its hello, ``clock_ms`` what the race clock shows then.

        ``before`` is called with the page, and waited for, before anything is loaded.
        """
        where = await browser.new_context(viewport=viewport, **context)
        page = await where.new_page()
        stage = cls(page, first, clock_ms)
        page.on("pageerror", lambda error: stage.errors.append(str(error)))
        page.on("console", stage._note)
        await page.route(f"{ORIGIN}/**", stage._file)
        await page.route_web_socket(lambda url: True, stage._accept)
        if before is not None:
            await before(page)
        await page.goto(f"{ORIGIN}{path}#ticket-of-the-tests")
        return stage

    @property
    def race_ms(self) -> float:
        """What the scripted server's race clock shows."""
        return (self._clock_ms or 0) + (time.monotonic() - self._started) * 1_000

    async def restart(self, clock_ms: int | None) -> None:
        """Let the race clock show this from now on; None lets it stand still."""
        self._clock_ms = clock_ms
        self._started = time.monotonic()

    async def tell(self, message: Any) -> None:
        """Send the page one message."""
        self._socket.send(message.model_dump_json())

    async def drop(self) -> None:
        """Break the connection off, as a server that dies does."""
        await self._socket.close()

    def _note(self, line: Any) -> None:
        # Recorded streams name clips that nobody here has; a page must bear that too.
        if line.type == "error" and "/clips/" not in line.location["url"]:
            self.errors.append(line.text)

    async def _file(self, route: Any) -> None:
        path = route.request.url.removeprefix(ORIGIN).split("?")[0].split("#")[0]
        screens = {"lobby", "desk", "bars"}
        name = path.split("/")[1]
        file = WEB / "pages" / f"{name}.html" if name in screens else WEB.parent / path.lstrip("/")
        if not file.is_file() or WEB not in file.resolve().parents:
            await route.fulfill(status=404, body="")
            return
        kind = mimetypes.guess_type(file.name)[0] or "text/javascript"
        await route.fulfill(body=file.read_bytes(), content_type=kind, headers={"Content-Security-Policy": POLICY})

    def _accept(self, socket: Any) -> None:
        self._socket = socket
        socket.on_message(lambda text: self._hear(socket, json.loads(text)))

    def _hear(self, socket: Any, message: dict[str, Any]) -> None:
        if not self.answers:
            return
        match message["kind"]:
            case "hello":
                self.hellos += 1
                for one in self.first:
                    socket.send(one.model_dump_json())
            case "ping":
                now = self.race_ms
                pong = Pong(sent=message["sent"], received_ms=now, answered_ms=now, running=self._clock_ms is not None)
                socket.send(pong.model_dump_json())
            case "tap":
                self.taps.append(message)
                if self.acknowledges:
                    socket.send(Ack(tap=message["tap"], seq=len(self.taps)).model_dump_json())
            case _:
                self.told.append(message)

    @property
    def acts(self) -> list[dict[str, Any]]:
        """The acts told so far, without their envelopes."""
        return [tap["act"] for tap in self.taps]


POLICY = "default-src 'self'; img-src 'self' data:; connect-src 'self' ws: wss:"
"""As strict as the real server's: a page that needs an inline script or style would fail here."""
