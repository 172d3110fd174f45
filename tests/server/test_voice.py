"""The voice with its real engine and real WAV files. What is heard is measured here by other means than the worker's:
NumPy on the samples, pauses found by themselves, and the same figure said in words."""

import asyncio
import contextlib
import difflib
import importlib.util
import itertools
import os
import re
import shutil
import signal
import subprocess
import sys
import wave
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import server.voice.worker
from caller.cues import Cue, CueKind
from caller.riders import LANGUAGES
from caller.speech import say
from caller.units import RiderId
from server.voice import MOST_CHARACTERS, NATURAL, Clip, NoClip, Voice, VoiceRefused, VoiceSettings

WORKER = server.voice.worker.__file__
GENEROUS_S = 60.0
"""For a busy machine of two cores; the usual is a tenth of a second."""

OTTO = RiderId("otto")


class Ready:
    """Hears of clips; waits for so many."""

    def __init__(self) -> None:
        self.clips: list[Clip] = []
        self._news = asyncio.Event()

    def __call__(self, clip: Clip) -> None:
        self.clips.append(clip)
        self._news.set()

    async def until(self, count: int) -> list[Clip]:
        async with asyncio.timeout(GENEROUS_S):
            while len(self.clips) < count:
                self._news.clear()
                await self._news.wait()
        return self.clips


async def until(condition: Callable[[], bool]) -> None:
    """Wait for something that another process brings about."""
    async with asyncio.timeout(GENEROUS_S):
        while not condition():
            await asyncio.sleep(0.01)


@contextlib.asynccontextmanager
async def speaking(directory: Path, *arguments: Any, **options: Any) -> AsyncIterator[Voice]:
    voice = Voice(directory, *arguments, **options)
    await voice.start()
    try:
        yield voice
    finally:
        await voice.close()


@pytest.fixture
async def voice(tmp_path: Path) -> AsyncIterator[Voice]:
    async with speaking(tmp_path / "clips", on_ready=Ready()) as voice:
        assert voice.status.ok, voice.status.sentence
        yield voice


def samples(clip: Clip) -> tuple[NDArray[np.float64], int]:
    with wave.open(str(clip.path), "rb") as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        raw = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
        return raw.astype(np.float64) / 32768, file.getframerate()


def loudness_by_ms(clip: Clip) -> NDArray[np.float64]:
    """(ms,): root mean square of each millisecond, as a share of the loudest."""
    sound, rate = samples(clip)
    step = rate // 1000
    whole = sound[: len(sound) // step * step].reshape(-1, step)
    rms: NDArray[np.float64] = np.sqrt((whole**2).mean(axis=1))
    # 22,050 / 1000 is no whole number: put the windows back on the clock.
    on_clock = np.interp(np.arange(round(len(sound) * 1000 / rate)), np.arange(len(rms)) * step * 1000 / rate, rms)
    shares: NDArray[np.float64] = on_clock / on_clock.max()
    return shares


def pauses(clip: Clip, at_least_ms: int) -> list[tuple[int, int]]:
    """Silences between sounds, (begin, end) in ms."""
    quiet = loudness_by_ms(clip) < 0.02
    edges = np.flatnonzero(np.diff(np.concatenate([[False], quiet, [False]]).astype(int)))
    spans = [(int(begin), int(end)) for begin, end in zip(edges[::2], edges[1::2], strict=True)]
    return [(b, e) for b, e in spans if e - b >= at_least_ms and b > 0 and e < len(quiet)]


@pytest.mark.parametrize(
    ("text", "language"),
    [("Otto, switch", "en"), ("climb one in three hundred", "en"), ("go", "en"), ("partez", "fr"), ("Vollgas", "de")],
)
async def test_a_clip_starts_where_it_says_and_is_as_long_as_it_says(voice: Voice, text: str, language: str) -> None:
    clip = await voice.render(text, language)
    loud = loudness_by_ms(clip)
    assert loud[: max(0, clip.starts_ms - 2)].max(initial=0) < 0.02
    assert loud[clip.starts_ms : clip.starts_ms + 15].max() > 0.005
    assert clip.starts_ms <= 25
    sound, rate = samples(clip)
    assert clip.length_ms == pytest.approx(len(sound) * 1000 / rate, abs=1)
    # The engine leaves 200 to 500 ms behind the last word.
    assert loud[-100:].max() > 0.01


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", [CueKind.SWITCH, CueKind.CLOSE_GAP, CueKind.EASE, CueKind.HOLD, CueKind.STOP])
async def test_the_key_word_sounds_where_the_pause_after_the_name_ends(
    voice: Voice, kind: CueKind, language: str
) -> None:
    cue = Cue(id="c", kind=kind, due_ms=0, rider=OTTO, power_w=380)
    spoken = say(cue, {OTTO: "Otto"}, language)
    clip = await voice.render(spoken.text, language, spoken.key_at)
    ends = [end for _, end in pauses(clip, at_least_ms=60)]
    assert ends, f"no pause in {spoken.text!r}"
    assert min(abs(end - clip.key_ms) for end in ends) <= 10


async def test_a_key_word_moves_with_the_words_before_it(voice: Voice) -> None:
    short = await voice.render("Bo, switch", "en", 4)
    long = await voice.render("Maximiliana, switch", "en", 13)
    # Behind the key word both say the same: "switch" and 60 ms of silence.
    assert long.length_ms - long.key_ms == pytest.approx(short.length_ms - short.key_ms, abs=25)
    assert long.key_ms > short.key_ms + 300


async def test_one_clip_knows_the_onset_of_each_of_its_words(voice: Voice) -> None:
    text = "climb in three hundred"
    whole = await voice.render(text, "en")
    onsets = [voice.clip_for(text, "en", text.index(word)) for word in text.split()]
    ms = [clip.key_ms for clip in onsets if clip is not None]
    assert ms == sorted(set(ms))
    assert len(ms) == 4
    assert ms[0] == whole.key_ms == whole.starts_ms


PHONEMES = """
import ctypes, sys, espeakng_loader
library = ctypes.CDLL(espeakng_loader.get_library_path())
library.espeak_Initialize(1, 0, espeakng_loader.get_data_path().encode(), 0)
library.espeak_TextToPhonemes.restype = ctypes.c_char_p
for line in sys.argv[1:]:
    voice, text = line.split(":")
    assert library.espeak_SetVoiceByName(voice.encode()) == 0
    rest = ctypes.c_char_p(text.encode())
    while rest.value:
        print(library.espeak_TextToPhonemes(ctypes.byref(rest), 1, 2).decode(), end="")
    print()
"""


@pytest.mark.parametrize(
    ("voice_name", "figure", "words"),
    [
        ("es", 380, "trescientos ochenta"),
        ("fr", 380, "trois cent quatre-vingts"),
        ("de", 380, "dreihundertachtzig"),
        ("it", 380, "trecentottanta"),
        ("nl", 380, "driehonderdtachtig"),
        ("es", 300, "trescientos"),
        ("fr", 300, "trois cents"),
        ("de", 300, "dreihundert"),
        ("it", 300, "trecento"),
        ("nl", 300, "driehonderd"),
    ],
)
def test_the_engine_says_a_figure_as_speakers_write_it_out(voice_name: str, figure: int, words: str) -> None:
    # The words from memory; the engine's own table of sounds tells whether digits come out as they do.
    done = subprocess.run(
        [sys.executable, "-X", "utf8", "-c", PHONEMES, f"{voice_name}:{figure}", f"{voice_name}:{words}"],
        capture_output=True,
        check=True,
        encoding="utf-8",
    )
    digits, written_out = ("".join(c for c in line if c.isalpha()) for line in done.stdout.splitlines())
    assert difflib.SequenceMatcher(None, digits, written_out).ratio() > 0.85, (digits, written_out)


async def test_the_first_clip_of_a_worker_is_as_whole_as_the_next(tmp_path: Path) -> None:
    # The driver doesn't wait for the end of its first sound if it is left as it comes.
    long = "Otto, switch, then Maya leads, then Ana, then Bea, then Otto once more, and all the way to the finish"
    async with speaking(tmp_path / "one") as voice:
        first = await voice.render(long, "en")
    async with speaking(tmp_path / "two") as voice:
        await voice.render("go", "en")
        second = await voice.render(long, "en")
    assert first.length_ms == pytest.approx(second.length_ms, abs=50)
    assert second.length_ms > 4000


async def test_each_clip_has_the_rate_that_was_asked_for_it(voice: Voice) -> None:
    # The engine takes a new rate late if it isn't made to: every other clip would have its neighbour's.
    slow, fast = VoiceSettings(rate=110), VoiceSettings(rate=220)
    lengths: dict[int, list[int]] = {110: [], 220: []}
    for number in range(20):
        how = (slow, fast)[number % 2]
        clip = await voice.render(f"Otto number {number + 20}, close gap", "en", how=how)
        lengths[how.rate].append(clip.length_ms)
    assert min(lengths[110]) > 1.3 * max(lengths[220])


async def test_half_the_loudness_is_half_the_amplitude(voice: Voice) -> None:
    full = np.abs(samples(await voice.render("Otto, switch", "en"))[0]).max()
    half = np.abs(samples(await voice.render("Otto, switch", "en", how=VoiceSettings(loudness=0.5)))[0]).max()
    assert full == pytest.approx(0.89, abs=0.01)
    assert half == pytest.approx(full / 2, rel=0.02)


async def test_an_unknown_voice_is_told_and_silences_no_other(voice: Voice) -> None:
    how = VoiceSettings(voices={"en": "en-us", "es": "es-moon"})
    with pytest.raises(NoClip, match="the engine has no voice 'es-moon'; choose a voice from the list"):
        await voice.render("cambio", "es", how=how)
    assert (await voice.render("switch", "en", how=how)).length_ms > 0
    assert {name for name, *_ in voice.voices} >= {"en-us", "en-gb-x-rp", "es", "fr", "de", "it", "nl"}
    assert voice.status.ok


async def test_every_language_has_a_voice_of_its_own(voice: Voice) -> None:
    # The engine keeps its last voice, silently, when it doesn't know a name; then two of these would be one sound.
    lengths = sorted([(await voice.render("Maya, 1999", language)).length_ms for language in LANGUAGES])
    # One voice says it the same length again, give or take 10 ms.
    assert min(after - before for before, after in itertools.pairwise(lengths)) > 20, lengths


async def test_voices_of_one_language_differ_and_a_made_up_variant_is_told(voice: Voice) -> None:
    for name in ("en-us", "en-gb-x-rp", "en", "fr", "fr-ch"):
        await voice.render("Otto, three eighty", "en", how=VoiceSettings(voices={"en": name}))
    await voice.render("Otto, three eighty", "en", how=VoiceSettings(voices={"en": "en-us+f3"}))
    with pytest.raises(NoClip, match=re.escape("the engine has no voice 'en-us+nobody'")):
        await voice.render("Otto, three eighty", "en", how=VoiceSettings(voices={"en": "en-us+nobody"}))


async def test_what_is_wanted_last_is_rendered_first_in_its_own_order(tmp_path: Path) -> None:
    ready = Ready()
    voice = Voice(tmp_path / "clips", on_ready=ready)
    voice.want([("one", "en"), ("two", "en"), ("three", "en")])
    voice.want([("four", "en", 0), ("two", "en", 0)])
    assert voice.waiting == 4
    assert voice.clip_for("four", "en") is None
    await voice.start()
    await ready.until(4)
    assert [clip.id for clip in ready.clips] == [
        clip.id for text in ("four", "two", "one", "three") if (clip := voice.clip_for(text, "en"))
    ]
    await voice.close()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
async def test_a_worker_killed_in_the_middle_loses_nothing_that_was_wanted(tmp_path: Path) -> None:
    ready = Ready()
    async with speaking(tmp_path / "clips", on_ready=ready) as voice:
        texts = [(f"Otto number {number}, switch", "en") for number in range(40)]
        voice.want(texts)
        killed = set()
        for count in (3, 12, 25):
            await ready.until(count)
            assert voice.worker_pid is not None
            killed.add(voice.worker_pid)
            os.kill(voice.worker_pid, signal.SIGKILL)
        await ready.until(40)
        assert len(killed) == 3
        assert all(voice.clip_for(*text) for text in texts)
        assert len({clip.id for clip in ready.clips}) == 40
        assert voice.status.ok
        assert voice.waiting == 0
        for clip in ready.clips:
            assert samples(clip)[0].size > 0


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no SIGSTOP on this system")
async def test_a_worker_that_hangs_is_replaced(tmp_path: Path) -> None:
    async with speaking(tmp_path / "clips", render_s=1.0, on_ready=(ready := Ready())) as voice:
        hung = voice.worker_pid
        assert hung is not None
        os.kill(hung, signal.SIGSTOP)
        voice.want([("Otto, switch", "en")])
        await ready.until(1)
        assert voice.worker_pid != hung


async def test_a_text_that_fells_the_worker_is_set_aside_and_the_others_arrive(tmp_path: Path) -> None:
    script = (
        f"import sys, os, runpy; sys.path.insert(0, {str(Path(WORKER).parent)!r})\n"
        "import worker\n"
        "usual = worker.render\n"
        "worker.render = lambda engine, order: os._exit(3) if 'poison' in order['text'] else usual(engine, order)\n"
        "worker.main()\n"
    )
    command = (sys.executable, "-c", script)
    async with speaking(tmp_path / "clips", command=command, on_ready=(ready := Ready())) as voice:
        voice.want([("poison", "en"), ("Otto, switch", "en"), ("Ana, on", "en")])
        await ready.until(2)
        await until(lambda: voice.waiting == 0 and voice.status.ok)
        assert voice.clip_for("poison", "en") is None
        voice.want([("poison", "en")])
        assert voice.waiting == 0


async def test_an_engine_that_falls_over_every_text_is_blamed_itself_and_loses_nothing(tmp_path: Path) -> None:
    script = (
        'import sys; print(\'{"hello": true, "voices": []}\', flush=True);'
        "sys.stdin.readline(); sys.exit('out of breath')"
    )
    async with speaking(tmp_path / "clips", command=(sys.executable, "-c", script)) as voice:
        voice.want([("one", "en"), ("two", "en")])
        await until(lambda: not voice.status.ok)
        assert "keeps falling over (its process ended with code 1: out of breath)" in voice.status.sentence
        assert voice.waiting == 2


async def test_without_an_engine_the_status_says_how_to_get_one_and_clips_are_none(tmp_path: Path) -> None:
    # -S leaves out every installed package: the worker is the real one, its engine is missing.
    async with speaking(tmp_path / "clips", command=(sys.executable, "-S", "-P", WORKER)) as voice:
        ok, sentence = voice.status
        assert not ok
        assert "No module named 'pyttsx3'" in sentence
        assert "install pyttsx3 and espeakng-loader with pip" in sentence
        assert sentence.endswith("until then the race goes on, called on the screens alone.")
        voice.want([("Otto, switch", "en")])
        assert voice.clip_for("Otto, switch", "en") is None


async def test_a_worker_that_cannot_be_started_is_a_sentence_too(tmp_path: Path) -> None:
    async with speaking(tmp_path / "clips", command=(str(tmp_path / "nothing"),)) as voice:
        assert not voice.status.ok
        assert "can't be started" in voice.status.sentence


async def test_without_its_data_the_library_ends_its_process_and_not_ours(tmp_path: Path) -> None:
    script = (
        "import espeakng_loader, runpy\n"
        f"espeakng_loader.get_data_path = lambda: {str(tmp_path / 'nowhere')!r}\n"
        f"runpy.run_path({WORKER!r}, run_name='__main__')\n"
    )
    async with speaking(tmp_path / "clips", command=(sys.executable, "-c", script)) as voice:
        assert not voice.status.ok
        assert "phontab" in voice.status.sentence  # the first of its data that it looks for
        assert "anew with pip" in voice.status.sentence


async def test_a_folder_that_cannot_be_written_is_told_and_the_clips_come_once_it_can(tmp_path: Path) -> None:
    # A file stands where the folder should be: true for root as well, unlike a mode without w.
    in_the_way = tmp_path / "data"
    in_the_way.write_text("in the way")
    async with speaking(in_the_way / "clips", on_ready=(ready := Ready())) as voice:
        ok, sentence = voice.status
        assert not ok
        assert str(in_the_way / "clips") in sentence
        assert "make that folder writable" in sentence
        voice.want([("Otto, switch", "en")])
        in_the_way.unlink()
        await ready.until(1)
        await until(lambda: voice.status.ok)


async def test_a_folder_lost_in_the_middle_of_a_race_is_told_and_mended(tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    async with speaking(folder, on_ready=(ready := Ready())) as voice:
        first = await voice.render("Otto, switch", "en", 6)
        shutil.rmtree(folder)
        folder.write_text("in the way")
        voice.want([("Ana, on", "en")])
        await until(lambda: not voice.status.ok)
        assert "can't keep its clips" in voice.status.sentence
        folder.unlink()
        await ready.until(2)
        await until(lambda: voice.status.ok)
        assert voice.path_of(first.id) is None
        assert voice.clip_for("Otto, switch", "en") is None
        voice.want([("Otto, switch", "en")])
        await ready.until(3)


HOSTILE = (
    "<speak><break time='9s'/>stop</speak>",
    "<audio src='/etc/passwd'/>",
    "[[h@l'oU]]",
    "&lt;speak&gt; &amp; &#x41;",
    '"}\\" , {"text": 1}',
    "$(reboot) `reboot` ; reboot | reboot",
    "../../../etc/passwd",
    "%s %n %x {0} {name}",
    "😀 🚴 Zoë Łukasz 日本 ß עברית",
    "x" * MOST_CHARACTERS,
    "9" * MOST_CHARACTERS,
    "- - - - a",
    "\N{COMBINING ACUTE ACCENT}" * 50 + "a",
)


@pytest.mark.parametrize("text", HOSTILE)
async def test_hostile_text_is_read_aloud_or_refused_and_the_next_one_is_said(
    voice: Voice, tmp_path: Path, text: str
) -> None:
    with contextlib.suppress(NoClip):
        clip = await voice.render(text, "en")
        assert clip.length_ms > 0
        assert clip.path.parent.name == "clips"
        assert not pauses(clip, at_least_ms=3000)
    assert (await voice.render("Otto, switch", "en", 6)).key_ms > 0
    assert {path.suffix for path in (tmp_path / "clips").iterdir()} == {".wav", ".json"}
    assert voice.status.ok


async def test_marks_of_markup_and_of_phonemes_are_read_and_not_obeyed(voice: Voice) -> None:
    plain = await voice.render("stop", "en")
    assert (await voice.render("<speak>stop</speak>", "en")).length_ms > 2 * plain.length_ms
    assert (await voice.render("[[st'0p]]", "en")).length_ms > 1.3 * plain.length_ms


@pytest.mark.parametrize("text", ["", "   ", "x" * (MOST_CHARACTERS + 1), "a\nb", "a\0b", "\ud800", "\x1b[31m"])
async def test_a_text_that_no_voice_should_be_given_is_refused_in_a_sentence(voice: Voice, text: str) -> None:
    with pytest.raises(VoiceRefused, match=r"text for the voice: found .*; expected 1 to 200 printable characters"):
        await voice.render(text, "en")
    voice.want([(text, "en"), ("go", "en")])
    assert voice.waiting == 1


async def test_a_text_with_nothing_to_say_is_told(voice: Voice) -> None:
    with pytest.raises(NoClip, match="nothing in it can be spoken"):
        await voice.render("...", "en")


async def test_clips_outlive_the_server_and_halves_do_not(tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    async with speaking(folder) as voice:
        whole = await voice.render("Otto, switch", "en", 6)
        cut = await voice.render("Ana, close gap", "en", 5)
        garbled = await voice.render("Maya next", "en", 5)
    cut.path.write_bytes(cut.path.read_bytes()[:1000])
    garbled.path.with_suffix(".json").write_text('{"starts_ms": "soon"}')
    (folder / "leftover.123.part").write_bytes(b"RIFF")
    before = whole.path.stat().st_mtime_ns
    async with speaking(folder) as again:
        assert again.clip_for("Otto, switch", "en", 6) == whole
        assert again.clip_for("Ana, close gap", "en") is None
        assert again.clip_for("Maya next", "en") is None
        assert not list(folder.glob("*.part"))
        await again.render("Otto, switch", "en", 6)
        assert whole.path.stat().st_mtime_ns == before
        assert (await again.render("Ana, close gap", "en", 5)).id == cut.id


def bytes_in(folder: Path) -> int:
    """How much the clips there take; any of them may be thrown away meanwhile."""
    total = 0
    for path in folder.glob("*.wav"):
        with contextlib.suppress(FileNotFoundError):
            total += path.stat().st_size
    return total


async def test_the_folder_stays_within_its_bounds_and_keeps_what_was_used_last(tmp_path: Path) -> None:
    folder = tmp_path / "clips"
    async with speaking(folder, most_bytes=300_000) as voice:
        await voice.render("Otto, switch", "en")
        for number in range(20, 40):
            assert voice.clip_for("Otto, switch", "en")
            await voice.render(f"number {number}", "en")
        await until(lambda: bytes_in(folder) <= 300_000)
        assert voice.clip_for("Otto, switch", "en")
        assert voice.clip_for("number 39", "en")
        assert voice.clip_for("number 20", "en") is None


async def test_an_id_that_is_a_path_leads_nowhere(voice: Voice) -> None:
    clip = await voice.render("go", "en")
    assert voice.path_of(clip.id) == clip.path
    for made_up in ("../../etc/passwd", "", ".", clip.id + "/..", clip.id.upper() + "0"):
        assert voice.path_of(made_up) is None


async def test_who_waits_for_a_clip_when_the_voice_closes_is_told(tmp_path: Path) -> None:
    voice = Voice(tmp_path / "clips")
    waiting = asyncio.create_task(voice.render("go", "en"))
    await until(lambda: voice.waiting == 1)
    await voice.close()
    with pytest.raises(NoClip, match="The voice was closed"):
        await waiting


@pytest.mark.parametrize(
    ("settings", "sentence"),
    [
        ({"rate": 20}, "voice, rate: found 20; expected 80 to 260 words a minute"),
        ({"loudness": 7.0}, "voice, loudness: found 7; expected 0.05 to 1"),
        ({"voices": {"en": "../x"}}, "voice, voice for en: found '../x'; expected a name from the list"),
    ],
)
def test_settings_out_of_range_are_refused_in_a_sentence(settings: dict[str, Any], sentence: str) -> None:
    with pytest.raises(VoiceRefused) as refused:
        VoiceSettings(**settings)
    assert str(refused.value) == sentence


def pitch_hz(clip: Clip) -> float:
    """The median pitch of what is voiced, by autocorrelation: 60 to 400 Hz is a human's."""
    sound, rate = samples(clip)
    found = []
    for at in range(0, len(sound) - 1024, 512):
        piece = sound[at : at + 1024]
        alike = np.correlate(piece, piece, "full")[1023:]
        low, high = rate // 400, rate // 60
        lag = low + int(alike[low:high].argmax())
        if np.sqrt((piece**2).mean()) > 0.1 and alike[lag] > 0.5 * alike[0]:
            found.append(rate / lag)
    return float(np.median(found))


@pytest.mark.parametrize(("language", "plain"), [("en", "en-us"), ("de", "de"), ("es", "es-419")])
async def test_each_voice_comes_plain_and_higher(voice: Voice, language: str, plain: str) -> None:
    names = [one.name for one in voice.voices if one.language == language]
    assert names.count(plain) == names.count(f"{plain}+f2") == 1
    low = await voice.render("Otto, Maya, Ana", language, how=VoiceSettings(voices={language: plain}))
    high = await voice.render("Otto, Maya, Ana", language, how=VoiceSettings(voices={language: f"{plain}+f2"}))
    assert pitch_hz(high) > 1.5 * pitch_hz(low)


# The natural voice, a package that need not be there

AS_DOCUMENTED = """
import numpy as np

class Hibari:
    def __call__(self, text, speed=1.0, seed=None):
        if any(character in "[]()/" for character in text):
            raise AssertionError("marks of phonemes came through: " + text)
        if "999" in text:
            raise IndexError("list index out of range")
        tone = np.sin(np.arange(int(len(text) * 0.06 / speed * 24_000)) * 0.05)
        return np.concatenate([np.zeros(6_960), tone * 0.8, np.zeros(10_080)]).astype(np.float32)
"""
"""The shape of its API: text to 24 kHz float32 in −1 to 1, with 0.29 s of silence before and 0.42 s behind."""

NATURALLY = VoiceSettings(voices={"en": NATURAL})
HAS_NATURAL = importlib.util.find_spec("hibari") is not None


@pytest.fixture
def as_documented(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A package of its name that makes tones."""
    (tmp_path / "packages").mkdir()
    (tmp_path / "packages" / "hibari.py").write_text(AS_DOCUMENTED, "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "packages"))


async def test_the_natural_voice_is_offered_where_it_is_there_and_its_key_word_is_found(
    as_documented: None, voice: Voice
) -> None:
    assert [one.language for one in voice.voices if one.name == NATURAL] == ["en"]
    clip = await voice.render("Otto, switch [now]", "en", 6, how=NATURALLY)
    sound, rate = samples(clip)
    assert rate == 24_000
    assert clip.length_ms == pytest.approx(len(sound) * 1000 / rate, abs=1)
    ((_, ends),) = pauses(clip, at_least_ms=60)
    assert clip.key_ms == pytest.approx(ends, abs=5)
    assert clip.starts_ms == pytest.approx(20, abs=3)
    assert loudness_by_ms(clip)[-75:].max() > 0.1
    second = voice.clip_for("Otto, switch [now]", "en", 13, how=NATURALLY)
    assert second is not None
    assert clip.key_ms < second.key_ms < clip.length_ms


async def test_a_text_the_natural_voice_stumbles_over_is_told_and_the_plain_one_can_say_it(
    as_documented: None, voice: Voice
) -> None:
    with pytest.raises(NoClip, match=r"the natural voice stumbles over '999' .IndexError.; reword the text"):
        await voice.render("Otto, 999", "en", how=NATURALLY)
    assert (await voice.render("Otto, 999", "en")).length_ms > 0
    assert voice.status.ok


@pytest.mark.skipif(HAS_NATURAL, reason="the natural voice is installed")
async def test_without_its_package_the_natural_voice_is_not_offered_and_choosing_it_is_told(voice: Voice) -> None:
    assert NATURAL not in {one.name for one in voice.voices}
    with pytest.raises(NoClip, match=r"the natural voice can't be loaded .* choose a voice from the list"):
        await voice.render("Otto, switch now", "en", how=NATURALLY)
    assert voice.status.ok


@pytest.mark.skipif(not HAS_NATURAL, reason="the natural voice is an extra: pip install .[natural]")
@pytest.mark.parametrize("text", ["Otto, switch now", "Maya, three eighty", "Ana, close gap", "go on, leave Bea"])
async def test_the_real_natural_voice_begins_and_stops_without_silence(voice: Voice, text: str) -> None:
    key_at = text.index(",") + 2
    clip = await voice.render(text, "en", key_at, how=NATURALLY)
    loud = loudness_by_ms(clip)
    assert loud[: clip.starts_ms - 2].max() < 0.02
    assert loud[-100:].max() > 0.01
    assert clip.starts_ms <= 25
    ends = [end for _, end in pauses(clip, at_least_ms=60)]
    assert min(abs(end - clip.key_ms) for end in ends) <= 10
