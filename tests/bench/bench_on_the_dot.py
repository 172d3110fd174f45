"""Are cues seen and heard on their instant, on every screen, over a bad line? And is a minute without it survived?

A real server calls a real race with short turns; four bar screens and a desk, each a Chromium of its own with frames of
its own, listen to it through a proxy that delays by 100 ms ± 80 ms each way and now and then stands still for a second.
Beside them, over the same proxy, each cue is also simply pushed at its instant. All figures are of one run.
``BENCH_LONG=1`` watches the clock for ten minutes, on one bar screen and the desk.

What is measured, and against what:

- The truth is the machine's monotonic clock, which server, pages and this bench share. This bench asks the server for
  the race clock over a direct line (good to some tenths of a millisecond); the browser says on that same clock when a
  page's own time began (NavigationStart of its Performance domain).
- On screen: the time of the frame in whose task the page's text changed.
- Heard: each clip is replaced by a marker whose key word begins with a step in loudness. A recorder at the end of the
  audio graph finds the steps in the samples; getOutputTimestamp, read all the while, says when each was put out.
"""

import asyncio
import bisect
import contextlib
import io
import json
import math
import os
import struct
import sys
import tempfile
import time
import wave
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import websockets
from websockets.asyncio.server import ServerConnection

from tests.conftest import CHROMIUM_FLAGS, LiveServer, find_chromium
from tests.web.bad_line import BadLine

SHORT = os.environ.get("BENCH_SHORT") == "1"
LONG = os.environ.get("BENCH_LONG") == "1"
COUNTDOWN_S = 25 if SHORT else 45
TURN_S = 8.137
"""No multiple of a frame, so that cues come at every moment of one."""

WATCHED_S = 16 if SHORT else 600 if LONG else 100
OUTAGE_S = 10 if SHORT else 60
AFTER_S = 6 if SHORT else 12
RIDERS = ("Otto", "Maya", "Ana", "Ida")
STEP = 0.3
"""A sample louder than this is the beginning of a marker's key word; the rest of a marker is far softer."""

RECORDER = """
window.rec = { told: [], clock: [], ties: [], steps: [], pushed: [], late: [], frames: [], spoken: [] }
"""

WATCH = """async ([pushUrl, worklet]) => {
  const rec = window.rec
  const { context } = live.voice
  // What was shown, and in which frame
  const before = live.player.onCue
  live.player.onCue = (cue) => {
    const selector = '.verb, .called'
    const old = document.querySelector(selector)?.textContent
    const at = [document.timeline.currentTime, performance.now()]
    before(cue)
    queueMicrotask(() => {
      const text = document.querySelector(selector)?.textContent
      rec.told.push({ id: cue.id, due: cue.due_ms, frame: at[0], at: at[1], shown: text !== old })
    })
  }
  const { speak } = live.voice
  live.voice.speak = (said, when) => {
    const clip = speak.call(live.voice, said, when)
    rec.spoken.push([said.text, when.keyAt, clip && clip.start, context.currentTime])
    return clip
  }
  const missed = live.player.onMissed
  live.player.onMissed = (cue) => { rec.late.push(cue.id); missed(cue) }
  // The clock
  setInterval(() => {
    const at = performance.now()
    rec.clock.push([at, live.clock.at(at), live.clock.error])
  }, 250)
  // The sound card's clock, and what leaves the graph
  setInterval(() => {
    const { contextTime, performanceTime } = context.getOutputTimestamp()
    rec.ties.push([contextTime, performanceTime])
  }, 50)
  await context.audioWorklet.addModule(URL.createObjectURL(new Blob([worklet], { type: 'text/javascript' })))
  const tap = new AudioWorkletNode(context, 'step-finder')
  tap.port.onmessage = ({ data }) => rec.steps.push(data)
  live.voice.out.connect(tap).connect(context.destination)
  // The rival: shown in the first frame after its message
  const push = new WebSocket(pushUrl)
  push.onmessage = ({ data }) => requestAnimationFrame((at) => rec.pushed.push([data, at]))
  const on = (at) => { rec.frames.push(at); requestAnimationFrame(on) }
  requestAnimationFrame(on)
  window.same = true
}"""

WORKLET = """
registerProcessor('step-finder', class extends AudioWorkletProcessor {
  quiet = 1e9
  process([input]) {
    const samples = input[0] ?? []
    for (let i = 0; i < samples.length; i++) {
      if (Math.abs(samples[i]) < STEP) this.quiet++
      else {
        if (this.quiet > sampleRate * 0.1) this.port.postMessage((currentFrame + i) / sampleRate)
        this.quiet = 0
      }
    }
    if (!samples.length) this.quiet += 128
    return true
  }
})
""".replace("STEP", str(STEP))


@dataclass(slots=True)
class Watched:
    """One page under watch."""

    name: str
    page: Any
    began_ms: float = 0.0
    """Its own clock's zero on the machine's monotonic clock."""
    seen: dict[str, Any] = field(default_factory=dict)


class Truth:
    """The race clock on the machine's monotonic clock, and the cues as the server tells them to a direct line."""

    def __init__(self, socket: Any) -> None:
        self._socket = socket
        self.ahead_ms = 0.0
        self.cues: dict[str, dict[str, Any]] = {}
        self.clips: dict[str, dict[str, Any]] = {}
        self.state: dict[str, Any] = {}
        self.called: dict[str, dict[str, Any]] = {}
        """Lines of the log view, by the cue that was called."""

        self._best_ms = math.inf

    def race_ms(self, monotonic_ms: float) -> float:
        return monotonic_ms + self.ahead_ms

    @property
    def now_ms(self) -> float:
        return self.race_ms(time.monotonic() * 1000)

    async def ask(self) -> None:
        await self._socket.send(json.dumps({"kind": "ping", "sent": time.monotonic() * 1000}))

    async def listen(self) -> None:
        async for text in self._socket:
            came_ms = time.monotonic() * 1000
            message = json.loads(text)
            if message["kind"] == "pong" and message["running"]:
                trip_ms = came_ms - message["sent"]
                if trip_ms < self._best_ms:
                    self._best_ms = trip_ms
                    self.ahead_ms = (message["received_ms"] + message["answered_ms"] - message["sent"] - came_ms) / 2
            if message["kind"] == "state":
                self.state = message
                self.called |= {line["cue"]: line for line in message["log"] if line["kind"] == "cue"}
                for cue in message["cues"]:
                    self.cues[cue["id"]] = cue
                    for said in cue["said"].values():
                        if said["clip"]:
                            self.clips[said["clip"]] = said


def prepare(server: LiveServer) -> tuple[str, str, dict[str, str]]:
    """A race with short turns, open. Returns: its code, the director's ticket, each link by name."""
    made = server.call("POST", "/api/races", {"name": "On the dot"})
    code, ticket = made["code"], made["ticket"]
    rows = [[at_m, 20 + at_m % 3_000 / 1_000] for at_m in range(0, 30_001, 1_500)]
    server.call("PUT", f"/api/races/{code}/course-table", {"name": "Lakeside", "rows": rows}, ticket)
    riders = [
        {"name": name, "mass_kg": 70, "critical_power_w": 300, "w_prime_j": 20_000, "drag_area_m2": 0.25}
        for name in RIDERS
    ]
    server.call("PUT", f"/api/races/{code}/riders", riders, ticket)
    server.call("PUT", f"/api/races/{code}/rules", {"shortest_turn_s": TURN_S, "longest_turn_s": TURN_S}, ticket)
    server.call("POST", f"/api/races/{code}/plan", {"method": "steady"}, ticket)
    opened = server.call("POST", f"/api/races/{code}/open", None, ticket)
    links = {rider["name"]: rider["url"] for rider in opened["riders"]} | {"Desk": opened["director"]["url"]}
    return code, ticket, links


def marker(key_ms: int, length_ms: int, rate_hz: int = 22_050) -> bytes:
    """A clip that is soft but for a loud piece where its key word begins, 120 ms of a square wave."""
    key, loud, count = (round(ms * rate_hz / 1000) for ms in (key_ms, 120, max(length_ms, key_ms + 150)))
    samples = [
        (25_000 if i // 8 % 2 else -25_000) if key <= i < key + loud else round(800 * math.sin(i / 10))
        for i in range(count)
    ]
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(struct.pack(f"<{count}h", *samples))
    return out.getvalue()


async def open_pages(
    launch: Callable[[], Any], links: dict[str, str], port: int, push_port: int, truth: Truth
) -> list[Watched]:
    """A page a link, over the bad line, under watch."""

    async def clip(route: Any) -> None:
        said = truth.clips.get("/clips/" + route.request.url.rsplit("/", 1)[1], {"key_ms": 0, "length_ms": 300})
        await asyncio.sleep(0.3)
        await route.fulfill(body=marker(said["key_ms"], said["length_ms"]), content_type="audio/wav")

    async def open_one(name: str, link: str) -> Watched:
        size = {"width": 1440, "height": 900} if name == "Desk" else {"width": 390, "height": 844}
        context = await (await launch()).new_context(viewport=size, bypass_csp=True)
        page = await context.new_page()
        await page.add_init_script(RECORDER)
        await page.route("**/clips/*.wav", clip)
        scheme, _, rest = link.partition("://")
        path = rest.partition("/")[2]
        await page.goto(f"{scheme}://127.0.0.1:{port}/{path}", timeout=60_000)
        await page.wait_for_selector(".desk, .bars", timeout=60_000)
        await page.evaluate(WATCH, [f"ws://127.0.0.1:{push_port}/", WORKLET])
        devtools = await context.new_cdp_session(page)
        await devtools.send("Performance.enable")
        metrics = (await devtools.send("Performance.getMetrics"))["metrics"]
        began_s = next(each["value"] for each in metrics if each["name"] == "NavigationStart")
        return Watched(name, page, began_s * 1000)

    return list(await asyncio.gather(*(open_one(name, link) for name, link in links.items())))


class Pusher:
    """The rival: says each cue's name to everybody at its instant."""

    def __init__(self, truth: Truth) -> None:
        self._truth = truth
        self._listeners: set[ServerConnection] = set()
        self._pushed: set[str] = set()

    async def accept(self, socket: ServerConnection) -> None:
        self._listeners.add(socket)
        with contextlib.suppress(websockets.ConnectionClosed):
            await socket.wait_closed()
        self._listeners.discard(socket)

    async def run(self) -> None:
        while True:
            for cue in list(self._truth.cues.values()):
                wait_ms = cue["due_ms"] - self._truth.now_ms
                if cue["id"] not in self._pushed and wait_ms < 300:
                    self._pushed.add(cue["id"])
                    if wait_ms > 0:
                        asyncio.get_running_loop().call_later(wait_ms / 1000, self._say, cue["id"])
            await asyncio.sleep(0.1)

    def _say(self, cue: str) -> None:
        websockets.broadcast(self._listeners, cue)


async def until(race_ms: float, truth: Truth) -> None:
    while truth.now_ms < race_ms:
        await asyncio.sleep(min(0.5, max(0.01, (race_ms - truth.now_ms) / 1000)))


async def main() -> None:
    from playwright.async_api import async_playwright

    chromium = find_chromium()
    if chromium is None:
        print("no Chromium found: nothing to measure")
        return
    flags = [*CHROMIUM_FLAGS, *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else [])]
    with tempfile.TemporaryDirectory() as folder:
        server = LiveServer(Path(folder) / "data")
        server.start()
        line = BadLine()
        try:
            async with async_playwright() as playwright:
                browsers = []

                async def launch() -> Any:
                    browsers.append(await playwright.chromium.launch(executable_path=chromium, args=flags))
                    return browsers[-1]

                try:
                    await bench(server, line, launch)
                finally:
                    await asyncio.gather(*(browser.close() for browser in browsers))
        finally:
            await line.close()
            server.stop()


async def bench(server: LiveServer, line: BadLine, launch: Callable[[], Any]) -> None:
    code, ticket, links = await asyncio.to_thread(prepare, server)
    if LONG:
        links = {name: links[name] for name in ("Otto", "Desk")}
    direct = await websockets.connect(f"{server.socket_url}/api/races/{code}/live", max_size=None, compression=None)
    await direct.send(json.dumps({"kind": "hello", "ticket": ticket}))
    truth = Truth(direct)
    tasks = [asyncio.create_task(truth.listen())]
    start = {"act": "set_start", "countdown_s": COUNTDOWN_S}
    await direct.send(json.dumps({"kind": "tap", "tap": "bench-start", "act": start}))
    await asyncio.sleep(0.5)
    for _ in range(100):
        await truth.ask()
        await asyncio.sleep(0.005)
    pusher = Pusher(truth)
    rival = await websockets.serve(pusher.accept, "127.0.0.1", 0, compression=None)
    tasks.append(asyncio.create_task(pusher.run()))
    port, push_port = await line.to(server.port), await line.to(rival.sockets[0].getsockname()[1])
    pages = await open_pages(launch, links, port, push_port, truth)
    # The first cues come right after the watch began; what comes in the first seconds of a page is told apart.
    begun_ms = truth.now_ms + 10_000
    print(
        f"{len(pages)} pages watch from {begun_ms / 1000:.0f} s on; clock by direct line ± {truth._best_ms / 2:.2f} ms"
    )

    dead_ms = max(begun_ms, 0) + WATCHED_S * 1000
    await until(dead_ms, truth)
    line.go_dead()
    marked = 0
    await until(dead_ms + 1000 * OUTAGE_S / 2, truth)
    for each in pages:
        marked += await each.page.get_by_text("calling on alone").count()
    await until(dead_ms + 1000 * OUTAGE_S, truth)
    line.come_back()
    back_ms = truth.now_ms
    for each in pages:
        await each.page.wait_for_function("() => live.socket.link === 'open'", timeout=15_000)
    joined_ms = truth.now_ms - back_ms
    await until(back_ms + 1000 * AFTER_S, truth)
    while not 3_000 < truth.now_ms % (1000 * TURN_S) < 6_000:
        await asyncio.sleep(0.1)  # in the middle of a turn, all should know the same one
    taken = "() => ({ ...rec, same: window.same, turn: live.state.turn?.number })"
    for each, seen in zip(pages, await asyncio.gather(*(each.page.evaluate(taken) for each in pages)), strict=True):
        each.seen = seen
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    rival.close()
    report(pages, truth, begun_ms, dead_ms, back_ms, marked, joined_ms)


# Figures


def share(values: Sequence[float], part: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, math.ceil(part * len(ordered)) - 1)] if ordered else math.nan


def line_of(name: str, values: Iterable[float]) -> str:
    sizes = [abs(value) for value in values]
    if not sizes:
        return f"{name:<58} nothing"
    cuts = "  ".join(f"p{part * 100:.0f} {share(sizes, part):6.1f}" for part in (0.5, 0.95, 0.99))
    return f"{name:<58} {cuts}  max {max(sizes):6.1f} ms  of {len(sizes)}"


def report(
    pages: list[Watched], truth: Truth, begun_ms: float, dead_ms: float, back_ms: float, marked: int, joined_ms: float
) -> None:
    def race_ms(watched: Watched, page_ms: float) -> float:
        return truth.race_ms(watched.began_ms + page_ms)

    end_ms = back_ms + 1000 * AFTER_S - 1000
    wanted = {key: cue for key, cue in truth.cues.items() if begun_ms <= cue["due_ms"] <= end_ms}

    shown: list[float] = []
    best: list[float] = []
    frames: dict[str, list[float]] = {}
    pushed: list[float] = []
    pushed_at: dict[str, list[float]] = {}
    heard: list[tuple[float, str, str]] = []
    heard_at: dict[str, list[float]] = {}
    crowded = unheard = 0
    for watched in pages:
        for told in watched.seen["told"]:
            if told["id"] not in wanted:
                continue
            at = race_ms(watched, told["frame"])
            if watched.name != "Desk":
                frames.setdefault(told["id"], []).append(at)
            if told["shown"]:
                shown.append(at - told["due"])
                best.append(nearest(watched, told["due"], race_ms))
        for cue, frame in watched.seen["pushed"]:
            if cue in wanted and wanted[cue]["due_ms"] < dead_ms - 2_000:
                at = race_ms(watched, frame)
                pushed.append(at - wanted[cue]["due_ms"])
                if watched.name != "Desk":
                    pushed_at.setdefault(cue, []).append(at)
        found, many, none = onsets(watched, wanted, race_ms)
        crowded += many
        unheard += len(none)
        heard += [(off, watched.name, cue) for cue, off in found.items()]
        for cue, off in found.items():
            heard_at.setdefault(cue, []).append(off)
        for cue in none:
            print(f"   {watched.name} was not heard to say {cue}; handed over: {handed(watched, wanted[cue], race_ms)}")

    bars = len(pages) - 1
    four = [max(ats) - min(ats) for ats in frames.values() if len(ats) == bars]
    print(line_of("on screen, frame less due", shown))
    print(line_of("   the nearest frame that the browser drew, less due", best))
    print(line_of("pushed at due over the same line, frame less due", pushed))
    ratio = share([abs(each) for each in pushed], 0.95) / share([abs(each) for each in shown], 0.95)
    print(f"{'pushed against scheduled, p95':<58} {ratio:.0f} times")
    print(line_of(f"skew of the {bars} bar screens", four))
    print(line_of("the same, pushed", [max(ats) - min(ats) for ats in pushed_at.values() if len(ats) == bars]))
    print(line_of("heard: key word's onset less due", [off for off, *_ in heard]))
    print(
        line_of(
            "skew of sound, pages that say the same cue",
            [max(ats) - min(ats) for ats in heard_at.values() if len(ats) > 1],
        )
    )
    print(f"   {crowded} left to the screens, where the air was taken; {unheard} not heard that should have been")
    for off, name, cue in sorted(heard, key=lambda each: -abs(each[0]))[:3]:
        watched = next(each for each in pages if each.name == name)
        slip_ms = slipped(watched, wanted[cue]["due_ms"] + off, race_ms)
        print(
            f"   furthest off in sound: {off:+.1f} ms, {cue} on {name}; in the second before, the sound card fell "
            f"behind by {slip_ms:.1f} ms; handed over: {handed(watched, wanted[cue], race_ms)}"
        )
    clocks(pages, race_ms)
    outage(pages, wanted, dead_ms, back_ms, marked, joined_ms)


def slipped(watched: Watched, at_ms: float, race_ms: Callable[[Watched, float], float]) -> float:
    """How much longer the sound card took than it should have for the second before an instant: it was starved."""
    second = [
        page_ms - context_s * 1000
        for context_s, page_ms in watched.seen["ties"]
        if page_ms > 0 and at_ms - 1_000 <= race_ms(watched, page_ms) <= at_ms + 50
    ]
    return second[-1] - second[0] if second else math.nan


def handed(watched: Watched, cue: dict[str, Any], race_ms: Callable[[Watched, float], float]) -> str:
    """What became of a cue's clip as the page's own books have it; only to explain what is odd."""
    tries = [
        f"{'refused' if start is None else f'to begin in {(start - now_s) * 1000:.0f} ms'}"
        for text, key_at, start, now_s in watched.seen["spoken"]
        if abs(race_ms(watched, key_at) - cue["due_ms"]) < 100 and text == cue["said"]["en"]["text"]
    ]
    return f"{len(tries)} tries, the last {tries[-1]}" if tries else "never"


def nearest(watched: Watched, due_ms: float, race_ms: Callable[[Watched, float], float]) -> float:
    """How far the nearest of all frames was: a browser short of processor time leaves frames out."""
    frames = watched.seen["frames"]
    after = bisect.bisect_left(frames, due_ms, key=lambda at: race_ms(watched, at))
    return min((race_ms(watched, at) - due_ms for at in frames[max(0, after - 1) : after + 1]), key=abs)


def onsets(
    watched: Watched, wanted: dict[str, dict[str, Any]], race_ms: Callable[[Watched, float], float]
) -> tuple[dict[str, float], int, list[str]]:
    """How far each key word was off, by cue; how many are left to the screens; which were to be heard and weren't.

    A cue that has to share the air is due when the server moved it to.
    """
    rider = None if watched.name == "Desk" else watched.name.lower()
    seat = "director" if rider is None else f"rider:{rider}"
    ties = [tie for tie in watched.seen["ties"] if tie[1] > 0]
    steps = []
    for at_s in watched.seen["steps"]:
        context_s, page_ms = min(ties, key=lambda tie: abs(tie[0] - at_s))
        steps.append(race_ms(watched, page_ms + (at_s - context_s) * 1000))
    found, left, unheard = {}, 0, []
    for key, cue in wanted.items():
        if (rider and cue["to"] and rider not in cue["to"]) or not any(said["clip"] for said in cue["said"].values()):
            continue
        air = cue["air"].get(seat, {"said": True, "moved_ms": 0})
        if not air["said"]:
            left += 1
            continue
        off = min((step - cue["due_ms"] - air["moved_ms"] for step in steps), key=abs, default=math.inf)
        if abs(off) < 500:
            found[key] = off
        else:
            unheard.append(key)
    return found, left, unheard


def clocks(pages: list[Watched], race_ms: Callable[[Watched, float], float]) -> None:
    """The race clock on each page against the truth."""
    for least_s, most_s in ((10, 60), (60, 1e9)):
        off, outside, widest = [], 0, 0.0
        for watched in pages:
            first = next(at for at, now, _ in watched.seen["clock"] if now is not None)
            for at, now, error in watched.seen["clock"]:
                if now is None or not least_s <= (at - first) / 1000 < most_s:
                    continue
                off.append(now - race_ms(watched, at))
                outside += abs(off[-1]) > (error or math.inf)
                widest = max(widest, error or 0)
        until_s = "on" if most_s > 1e6 else f"to {most_s:.0f} s"
        print(line_of(f"race clock off, from {least_s} s {until_s}", off))
        print(f"   beyond the error shown: {outside} times; the error shown was {widest:.0f} ms at the most")
    lasts = [max(at for at, *_ in watched.seen["clock"]) / 1000 for watched in pages]
    last = [watched.seen["clock"][-1] for watched in pages]
    ends = [now - race_ms(watched, at) for watched, (at, now, _) in zip(pages, last, strict=True)]
    print(f"   at the end, after {min(lasts):.0f} s: off by {max(map(abs, ends)):.1f} ms at the most")


def outage(
    pages: list[Watched], wanted: dict[str, Any], dead_ms: float, back_ms: float, marked: int, joined_ms: float
) -> None:
    """What each page told while the line was dead, and after it was back."""
    due = [key for key, cue in wanted.items() if dead_ms <= cue["due_ms"] <= back_ms]
    missed = twice = 0
    for watched in pages:
        times = Counter(told["id"] for told in watched.seen["told"])
        missed += sum(1 for key in due if times[key] == 0)
        twice += sum(1 for key, count in times.items() if count > 1)
        if watched.seen["late"]:
            print(f"   {watched.name} let go by: {watched.seen['late']}")
    turns = {watched.seen["turn"] for watched in pages}
    print(
        f"{(back_ms - dead_ms) / 1000:.0f} s without the line: {len(due)} cues due on each of {len(pages)} pages, "
        f"{missed} missed, {twice} told twice; {marked} pages marked as calling on alone; all back after "
        f"{joined_ms / 1000:.1f} s; {'one turn' if len(turns) == 1 else 'turns ' + str(turns)} on all; "
        f"{sum(1 for watched in pages if watched.seen['same'])} never loaded anew"
    )


if __name__ == "__main__":
    asyncio.run(main())
    sys.exit(0)
