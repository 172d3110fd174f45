"""A minute of the team voice, recorded at the end of a desk's audio graph and checked by measure, not by ear.

A real race is called with real clips while a director sees and asks for things at bad moments. Each clip is looked for
in the recording by correlation: when its key word sounded, whether it was said to its end, whether two were said at
once, and what is left of the recording once all that was found is taken away. ``KEEP=path.wav`` keeps the recording.
"""

import asyncio
import base64
import json
import os
import sys
import tempfile
import time
import wave
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import websockets
from numpy.typing import NDArray

from tests.bench.bench_on_the_dot import Truth, line_of, prepare, until
from tests.conftest import CHROMIUM_FLAGS, LiveServer, find_chromium

SHORT = os.environ.get("BENCH_SHORT") == "1"
RECORDED_S = 20 if SHORT else 60
Samples = NDArray[np.float64]

ACTS: tuple[tuple[float, dict[str, Any]], ...] = (
    (6.9, {"act": "line_bunched"}),
    (11.5, {"act": "gap_opened", "rider": "ida"}),
    (15.8, {"act": "line_surged"}),
    (16.1, {"act": "call_aloud", "aloud": "lift", "rider": None}),
    (22.0, {"act": "gap_closed", "rider": "ida"}),
    (23.9, {"act": "felt_good", "rider": "ana"}),
    (30.3, {"act": "lost_wheel", "rider": "ida"}),
    (31.0, {"act": "wait_for", "rider": "ida"}),
    (38.4, {"act": "latched_on", "rider": "ida"}),
    (39.0, {"act": "call_aloud", "aloud": "ease", "rider": "otto"}),
    (47.6, {"act": "cut_turn"}),
    (55.2, {"act": "call_aloud", "aloud": "stop", "rider": None}),
)
"""What the director tells, seconds after the recording began."""

RECORD = """async (worklet) => {
  const { context } = live.voice
  await context.audioWorklet.addModule(URL.createObjectURL(new Blob([worklet], { type: 'text/javascript' })))
  const tap = new AudioWorkletNode(context, 'recorder')
  window.recorded = { from: null, blocks: [], ties: [] }
  tap.port.onmessage = ({ data }) => {
    recorded.from ??= data.from
    recorded.blocks.push(data.samples)
  }
  setInterval(() => {
    const { contextTime, performanceTime } = context.getOutputTimestamp()
    recorded.ties.push([contextTime, performanceTime])
  }, 50)
  live.voice.out.connect(tap).connect(context.destination)
}"""

WORKLET = """
registerProcessor('recorder', class extends AudioWorkletProcessor {
  held = new Int16Array(4096)
  count = 0
  process([input]) {
    const samples = input[0]
    for (let i = 0; i < 128; i++) {
      this.held[this.count++] = Math.max(-1, Math.min(1, samples ? samples[i] : 0)) * 32767
    }
    if (this.count < this.held.length) return true
    this.port.postMessage({ from: (currentFrame + 128 - this.held.length) / sampleRate, samples: this.held })
    this.held = new Int16Array(4096)
    this.count = 0
    return true
  }
})
"""

BYTES = """
window.base64 = (bytes) => {
  let text = ''
  for (let at = 0; at < bytes.length; at += 32768) text += String.fromCharCode(...bytes.subarray(at, at + 32768))
  return btoa(text)
}
"""

TAKE = """() => {
  const all = new Int16Array(recorded.blocks.length * 4096)
  recorded.blocks.forEach((block, index) => all.set(block, index * 4096))
  const { sampleRate: rate } = live.voice.context
  return { rate, from: recorded.from, ties: recorded.ties, samples: base64(new Uint8Array(all.buffer)) }
}"""

DECODE = """async (clip) => {
  const buffer = await live.voice.context.decodeAudioData(await (await fetch(clip)).arrayBuffer())
  const samples = Int16Array.from(buffer.getChannelData(0), (one) => Math.max(-1, Math.min(1, one)) * 32767)
  return base64(new Uint8Array(samples.buffer))
}"""


@dataclass(slots=True)
class Heard:
    """A clip that was found in the recording.

    Attributes:
        start: sample at which it began.
        likeness: 1 if what was recorded there is just this clip, with nothing missing and nothing over it.
        until: share of the clip that was said before it was cut; 1 if all of it.
    """

    cue: dict[str, Any]
    said: dict[str, Any]
    clip: Samples
    start: int
    likeness: float
    until: float


def samples_of(text: str) -> Samples:
    return np.frombuffer(base64.b64decode(text), np.int16).astype(np.float64)


def found(recording: Samples, cue: dict[str, Any], said: dict[str, Any], clip: Samples, due: int, rate: int) -> Heard:
    """Where in the recording this clip lies best, within a second of where it should."""
    should = due - round(said["key_ms"] * rate / 1000)
    first, last = max(0, should - rate), min(len(recording), should + rate + len(clip))
    part = recording[first:last]
    begins = clip[: round(said["starts_ms"] * rate / 1000) + round(0.35 * rate)]
    start = first + best(part, begins)
    there = recording[start : start + len(clip)]
    whole = clip[: len(there)]
    size = float(np.linalg.norm(there)) * float(np.linalg.norm(whole))
    likeness = float(there @ whole) / max(1.0, size)
    return Heard(cue, said, clip, start, likeness, until_where(there, whole, rate))


def best(part: Samples, piece: Samples) -> int:
    """The place at which a piece is most alike, by normalised correlation."""
    size = 1 << (len(part) + len(piece)).bit_length()
    products = np.fft.irfft(np.fft.rfft(part, size) * np.conj(np.fft.rfft(piece, size)), size)[: len(part) - len(piece)]
    sums = np.concatenate(([0.0], np.cumsum(part**2)))
    energies = sums[len(piece) :][: len(products)] - sums[: len(products)]
    floor = 1e-3 * (len(piece) + float(energies.max()))
    return int(np.argmax(products / np.sqrt(energies + floor)))


def until_where(there: Samples, clip: Samples, rate: int) -> float:
    """The share of a clip up to which it is to be heard, in steps of 30 ms."""
    step = round(0.03 * rate)
    loud = np.abs(clip).max() * 0.05
    heard = 0
    for at in range(0, len(clip) - step, step):
        piece, got = clip[at : at + step], there[at : at + step]
        if np.sqrt(np.mean(piece**2)) < loud:
            continue
        if np.linalg.norm(got - piece) > 0.7 * np.linalg.norm(piece):
            return heard / len(clip)
        heard = at + step
    return 1.0


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
        try:
            async with async_playwright() as playwright:
                browser = await playwright.chromium.launch(executable_path=chromium, args=flags)
                try:
                    await bench(server, browser)
                finally:
                    await browser.close()
        finally:
            server.stop()


async def bench(server: LiveServer, browser: Any) -> None:
    code, ticket, links = await asyncio.to_thread(prepare, server)
    path = f"{server.socket_url}/api/races/{code}/live"
    async with websockets.connect(path, max_size=None, compression=None, close_timeout=1) as direct:
        await direct.send(json.dumps({"kind": "hello", "ticket": ticket}))
        truth = Truth(direct)
        listening = asyncio.create_task(truth.listen())
        context = await browser.new_context(bypass_csp=True)
        page = await context.new_page()
        await page.add_init_script(BYTES)
        await page.goto(links["Desk"])
        await page.wait_for_function("() => globalThis.live?.voice.open")
        await asyncio.sleep(5)  # what no plan foretells is rendered in the lobby
        await direct.send(
            json.dumps({"kind": "tap", "tap": "bench-start", "act": {"act": "set_start", "countdown_s": 10}})
        )
        await page.wait_for_selector(".desk")
        await page.evaluate(RECORD, WORKLET)
        for _ in range(50):
            await truth.ask()
            await asyncio.sleep(0.01)
        devtools = await context.new_cdp_session(page)
        await devtools.send("Performance.enable")
        metrics = (await devtools.send("Performance.getMetrics"))["metrics"]
        began_ms = next(each["value"] for each in metrics if each["name"] == "NavigationStart") * 1000
        from_ms = truth.now_ms
        for after_s, act in ACTS:
            if after_s >= RECORDED_S:
                break
            await until(from_ms + after_s * 1000, truth)
            await direct.send(json.dumps({"kind": "tap", "tap": f"bench-{after_s}-{time.monotonic()}", "act": act}))
        await until(from_ms + RECORDED_S * 1000, truth)
        taken = await page.evaluate(TAKE)
        wanted = [
            (cue, said)
            for cue in sorted(truth.cues.values(), key=lambda cue: cue["due_ms"])
            if from_ms + 1_000 < cue["due_ms"] < from_ms + RECORDED_S * 1000 - 2_500
            for said in (cue["said"]["en"],)
            if said["clip"] and cue["id"] in truth.called
        ]
        clips = {clip: samples_of(await page.evaluate(DECODE, clip)) for clip in {said["clip"] for _, said in wanted}}
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
    report(taken, wanted, clips, truth, began_ms)


def report(
    taken: dict[str, Any],
    wanted: list[tuple[dict[str, Any], dict[str, Any]]],
    clips: dict[str, Samples],
    truth: Truth,
    began_ms: float,
) -> None:
    rate = int(taken["rate"])
    recording = samples_of(taken["samples"])
    keep = os.environ.get("KEEP")
    if keep:
        with wave.open(keep, "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(rate)
            file.writeframes(recording.astype(np.int16).tobytes())
    ties = [tie for tie in taken["ties"] if tie[1] > 0]

    def sample_at(race_ms: float) -> int:
        page_ms = race_ms - truth.ahead_ms - began_ms
        context_s, at_ms = min(ties, key=lambda tie: abs(tie[1] - page_ms))
        return round(float(context_s + (page_ms - at_ms) / 1000 - taken["from"]) * rate)

    heard: list[Heard] = []
    silent: list[Heard] = []
    for cue, said in wanted:
        moved_ms = cue["air"].get("director", {}).get("moved_ms", 0)
        one = found(recording, cue, said, clips[said["clip"]], sample_at(cue["due_ms"] + moved_ms), rate)
        (heard if one.likeness > 0.6 or one.until > 0.25 else silent).append(one)
    heard.sort(key=lambda one: one.start)
    rest = recording.copy()
    overlaps, end, offs = 0, 0.0, []
    for one in heard:
        overlaps += one.start + one.said["starts_ms"] * rate / 1000 < end
        # What is cut fades for 20 ms; each clip ends in 60 ms of silence.
        end = max(end, one.start + (one.until * len(one.clip) if one.until < 1 else len(one.clip) - 0.06 * rate))
        there = rest[one.start : one.start + round(one.until * len(one.clip))]
        there -= one.clip[: len(there)]
        off_ms = (one.start - sample_at(one.cue["due_ms"])) / rate * 1000 + one.said["key_ms"]
        off_ms -= one.cue["air"].get("director", {}).get("moved_ms", 0)
        offs.append(off_ms)
        air = why_of(one.cue)
        cut = "" if one.until == 1 else f", cut after {one.until:.0%}"
        print(f"   {one.cue['due_ms'] / 1000:7.2f} s {off_ms:+8.1f} ms  {one.said['text']}{cut}{air and '  · ' + air}")
    for one in silent:
        air = why_of(one.cue) or "no reason is told"
        print(f"   {one.cue['due_ms'] / 1000:7.2f} s   not said   {one.said['text']}  · {air}")
    left_db = 10 * np.log10(np.mean(rest**2) / np.mean(recording**2))
    cuts = [one for one in heard if one.until < 1]
    print(f"{len(heard)} cues said in {len(recording) / rate:.0f} s, {len(silent)} left to the screens")
    unexplained = sum(1 for one in cuts if not why_of(one.cue))
    print(f"said over another: {overlaps}; cut: {len(cuts)}, without a reason told: {unexplained}")
    print(f"left of the recording once all that was found is taken away: {left_db:.0f} dB")
    print(line_of("key word less due, or less where the cue was moved to", offs))


def why_of(cue: dict[str, Any]) -> str:
    """What the server tells of a cue that the team voice doesn't say whole and on its instant."""
    return str(cue["air"].get("director", {}).get("because", ""))


if __name__ == "__main__":
    asyncio.run(main())
    sys.exit(0)
