"""How fast the voice is, how still it leaves the event loop, where key words land, and what a recogniser makes of them.

The last two need ``pip install pocketsphinx`` (it carries its own model, made from American English) and are left out
without it. The recogniser is an outside listener: it hears words of a fixed grammar, better or worse than riders do.
"""

import asyncio
import importlib
import importlib.util
import os
import statistics
import tempfile
import time
import wave
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from caller.cues import Cue, CueKind
from caller.riders import LANGUAGES
from caller.speech import Spoken, say, unforeseen
from caller.units import RiderId
from server.voice import Clip, Voice

SHORT = os.environ.get("BENCH_SHORT") == "1"
NAMES = {RiderId(name.lower()): name for name in ("Otto", "Maya", "Ana", "Bea", "Karl", "Emma", "Victor", "Julia")}
POWERS_W = range(200, 500, 25)
COUNTS_S = (60, 30, 20, 10, 5, 4, 3, 2, 1)


def cue(kind: CueKind, **fields: Any) -> Cue:
    return Cue(id="b", kind=kind, due_ms=0, **fields)


def vocabulary() -> Iterator[Cue]:
    """What eight riders may hear in a race, but for orders made of it by accident."""
    yield from unforeseen(NAMES)
    yield from (cue(CueKind.START_COUNT, seconds=seconds) for seconds in COUNTS_S)
    yield cue(CueKind.START)
    for rider in NAMES:
        yield from (cue(CueKind.HOLD, rider=rider, power_w=power_w) for power_w in POWERS_W)
        for place in ("climb 1", "descent 1", "flat 2"):
            yield cue(CueKind.TERRAIN, rider=rider, place=place, distance_m=300)
    yield cue(CueKind.NEW_ORDER, order=tuple(NAMES))


def said(language: str) -> list[Spoken]:
    return list({spoken.text: spoken for one in vocabulary() if (spoken := say(one, NAMES, language))}.values())


def percentile(values: Iterable[float], share: float) -> float:
    return float(np.quantile(list(values), share))


class Holds:
    """How long callbacks kept the event loop, ms, while it is watched.

    Counted in the thread's own processor time: on a busy machine the clock on the wall tells of others' work.
    """

    def __init__(self) -> None:
        self.cpu_ms: list[float] = []
        self.late_ms: list[float] = []

    def __enter__(self) -> "Holds":
        usual = self._usual = asyncio.Handle._run

        def timed(handle: asyncio.Handle) -> None:
            began = time.thread_time()
            usual(handle)
            self.cpu_ms.append((time.thread_time() - began) * 1000)

        asyncio.Handle._run = timed  # type: ignore[method-assign,assignment]
        self._ticking = asyncio.create_task(self._tick())
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.Handle._run = self._usual  # type: ignore[method-assign]
        self._ticking.cancel()

    async def _tick(self) -> None:
        while True:
            began = time.perf_counter()
            await asyncio.sleep(0.001)
            self.late_ms.append((time.perf_counter() - began) * 1000 - 1)

    def __str__(self) -> str:
        return (
            f"loop held p99 {percentile(self.cpu_ms, 0.99):.2f} ms, most {max(self.cpu_ms):.1f} ms of processor time; "
            f"late on the wall p99 {percentile(self.late_ms, 0.99):.1f} ms, most {max(self.late_ms):.1f} ms"
        )


async def speed() -> None:
    with tempfile.TemporaryDirectory() as folder:
        everything = asyncio.Event()
        voice = Voice(Path(folder), on_ready=lambda _: everything.set() if voice.waiting == 0 else None)
        began = time.perf_counter()
        await voice.start()
        up = time.perf_counter()
        await voice.render("Otto, switch", "en", 6)
        first = time.perf_counter()
        print(f"worker up after {(up - began) * 1000:.0f} ms, first clip after {(first - began) * 1000:.0f} ms")

        phrases = said("en")
        took = []
        for spoken in phrases[1 : 50 if SHORT else 201]:
            began = time.perf_counter()
            await voice.render(spoken.text + ".", "en", spoken.key_at)
            took.append((time.perf_counter() - began) * 1000)
        print(
            f"one warm phrase on demand: p50 {statistics.median(took):.1f} ms, p99 {percentile(took, 0.99):.1f} ms, "
            f"{len(took)} phrases"
        )

        if hasattr(os, "getloadavg"):
            print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        with Holds() as idle:
            await asyncio.sleep(1)
        print(f"idle: {idle}")
        for language in ("en",) if SHORT else LANGUAGES:
            texts = [(spoken.text, language, spoken.key_at) for spoken in said(language)]
            everything.clear()
            with Holds() as holds:
                began = time.perf_counter()
                voice.want(texts)
                wanted = time.perf_counter()
                await everything.wait()
                done = time.perf_counter()
            clips = [clip for text in texts if (clip := voice.clip_for(*text))]
            print(
                f"{language}: {len(clips)} of {len(texts)} clips of eight riders in {done - began:.1f} s, "
                f"{sum(clip.path.stat().st_size for clip in clips) / 1e6:.0f} MB, "
                f"{statistics.mean(clip.length_ms for clip in clips):.0f} ms each; "
                f"wanting them took {(wanted - began) * 1000:.1f} ms; {holds}"
            )
        began = time.perf_counter()
        voice.want(texts)
        print(f"wanting again what is there: {(time.perf_counter() - began) * 1000:.2f} ms for {len(texts)} texts")
        await voice.close()


# An outside listener

RECOGNISER_HZ = 16_000
LEAD_S = 0.3
"""Quiet noise ahead of the words: without it the recogniser misses the first one."""


def sound_of(clip: Clip) -> NDArray[np.float64]:
    with wave.open(str(clip.path), "rb") as file:
        rate = file.getframerate()
        sound = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / 32768
    from scipy.signal import resample_poly

    return np.asarray(resample_poly(sound, RECOGNISER_HZ * 2, rate * 2))


def pink(count: int, random: np.random.Generator) -> NDArray[np.float64]:
    """Noise whose power falls with frequency, of root mean square 1."""
    spectrum = np.fft.rfft(random.standard_normal(count))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0
    noise = np.fft.irfft(spectrum, count)
    return np.asarray(noise / np.sqrt((noise**2).mean()))


def heard_bytes(sound: NDArray[np.float64], signal_to_noise_db: float, random: np.random.Generator) -> bytes:
    lead = np.zeros(round(LEAD_S * RECOGNISER_HZ))
    whole = np.concatenate([lead, sound, lead])
    level = np.sqrt((sound**2).mean()) * 10 ** (-signal_to_noise_db / 20)
    noisy = whole + level * pink(len(whole), random)
    return bytes((np.clip(noisy * 0.5, -1, 1) * 32767).astype("<i2").tobytes())


def words_of(text: str) -> str:
    return " ".join("".join(c if c.isalpha() or c == "'" else " " for c in text.lower()).split())


def decoder(**options: Any) -> Any:
    pocketsphinx = importlib.import_module("pocketsphinx")
    made = pocketsphinx.Decoder(samprate=RECOGNISER_HZ, loglevel="FATAL", lm=None, **options)
    for word, phones in (("bea", "B IY AH"), ("maya", "M AY AH"), ("otto", "AA T OW")):
        if made.lookup_word(word) is None:
            made.add_word(word, phones, True)
    return made


async def listen() -> None:
    if importlib.util.find_spec("pocketsphinx") is None:
        print("no pocketsphinx: where key words land, and how well they are told apart, was not measured")
        return
    random = np.random.default_rng(1)
    three = dict(list(NAMES.items())[:3])
    cues = [
        one for one in vocabulary() if one.rider in three or (one.rider is None and one.kind is not CueKind.NEW_ORDER)
    ]
    cues = [one for one in cues if one.kind is not CueKind.TERRAIN and one.power_w in (None, 275, 300, 350, 375, 425)]
    with tempfile.TemporaryDirectory() as folder:
        voice = Voice(Path(folder))
        await voice.start()
        clips = []
        for one in cues[:: 8 if SHORT else 1]:
            spoken = say(one, NAMES, "en")
            clips.append((one, spoken, await voice.render(spoken.text, "en", spoken.key_at)))
        where_key_words_land(clips, random)
        for signal_to_noise_db in (30, 20, 10):
            told_apart(clips, signal_to_noise_db, random)
        await voice.close()


def where_key_words_land(clips: list[tuple[Cue, Spoken, Clip]], random: np.random.Generator) -> None:
    """The listener has a word begin some 20 ms before its first sound: what it makes of the first word is taken off.

    Now and then it counts the pause before a word to the word; such a phrase tells nothing and is counted apart.
    """
    off: list[tuple[float, str]] = []
    for _, spoken, clip in clips:
        words = words_of(spoken.text)
        aligner = decoder()
        # A grammar of this one phrase: unlike plain alignment it may find silence between words.
        aligner.add_jsgf_string("one", f"#JSGF V1.0; grammar one; public <one> = {words};")
        aligner.activate_search("one")
        aligner.start_utt()
        aligner.process_raw(heard_bytes(sound_of(clip), 40, random), full_utt=True)
        aligner.end_utt()
        found = [segment for segment in aligner.seg() if segment.word.partition("(")[0] in words.split()]
        place = len(words_of(spoken.text[: spoken.key_at]).split())
        if len(found) == len(words.split()) and place > 0:
            apart_ms = (found[place].start_frame - found[0].start_frame) * 10
            off.append((apart_ms - (clip.key_ms - clip.starts_ms), spoken.text))
    errors = [error for error, _ in off if error > -100]
    print(
        f"key word's onset behind the first word's, a recogniser's alignment (steps of 10 ms) less ours, {len(errors)} "
        f"phrases ({len(off) - len(errors)} more with the pause counted to the word): "
        f"median {statistics.median(errors):+.0f} ms, 5 % {percentile(errors, 0.05):+.0f}, "
        f"95 % {percentile(errors, 0.95):+.0f} ms"
    )


def told_apart(clips: list[tuple[Cue, Spoken, Clip]], signal_to_noise_db: float, random: np.random.Generator) -> None:
    texts = sorted({words_of(spoken.text) for _, spoken, _ in clips})
    listener = decoder()
    listener.add_jsgf_string("cues", f"#JSGF V1.0; grammar cues; public <cue> = {' | '.join(texts)};")
    listener.activate_search("cues")
    whole = kind = 0
    taken_for: Counter[tuple[str, str]] = Counter()
    kinds = {words_of(spoken.text): one.kind.value for one, spoken, _ in clips}
    rounds = 1 if SHORT else 5
    for one, spoken, clip in clips * rounds:
        listener.start_utt()
        listener.process_raw(heard_bytes(sound_of(clip), signal_to_noise_db, random), full_utt=True)
        listener.end_utt()
        heard = listener.hyp().hypstr if listener.hyp() else ""
        whole += heard == words_of(spoken.text)
        kind += kinds.get(heard) == one.kind.value
        if kinds.get(heard) != one.kind.value:
            taken_for[(one.kind.value, kinds.get(heard, "nothing"))] += 1
    count = len(clips) * rounds
    confused = ", ".join(f"{said} for {heard} {times}" for (said, heard), times in taken_for.most_common(8))
    print(
        f"{signal_to_noise_db} dB of pink noise, {len(clips)} phrases {rounds} times: phrase right "
        f"{100 * whole / count:.0f} %, its kind right {100 * kind / count:.0f} %; said, taken for: {confused or 'none'}"
    )


async def main() -> None:
    await speed()
    await listen()


if __name__ == "__main__":
    asyncio.run(main())
