"""The process that speaks: one JSON line in, one clip on disk and one JSON line out.

A process of its own, because a speech library can take its process down with it. It is started by its path and imports
nothing of ours, so that it is up in an instant. It decides where a clip's sound and each of its words begin; it must
not know why anything is said, nor what is said next.

First line out: ``{"hello": true, "voices": [[name, title, language], …]}``, or ``{"hello": false, "why": …}`` and it
ends.
In:   ``{"text": …, "voice": …, "rate": words/min, "loudness": 0–1, "path": where the clip goes, ending in .wav}``
Out:  ``{"ok": true, "starts_ms": …, "length_ms": …, "words": [[character, ms], …]}`` or
      ``{"ok": false, "fault": "text" | "voice" | "disk", "why": …}``
Beside the clip lies a note with the same figures; it is written last, so a clip without one is not whole.

What is odd here was measured, with pyttsx3 2.99 and espeakng-loader 0.2.4:

- the driver finds pip's library only if it is loaded for it, and without a data path the library ends the process;
- one engine a process, one thread; one ``save_to_file`` a ``runAndWait``; the driver prints on standard output;
- a rate is applied late unless the driver synchronises; an unknown voice leaves the last one in place, silently, and so
  do some known ones by their language's name;
- an unwritable path fails silently; an empty text never comes back;
- 0.2 to 0.5 s of silence follow the last word, and up to 55 ms lie before one that begins with a plosive.

A second engine may be there, with a more natural voice: ``hibari-tts``, measured at 0.2.1. It is loaded at its first
word, 0.9 s late; it makes no pause where a comma stands, lays 0.2 to 0.35 s of silence before and 0.2 to 0.45 s behind,
and marks no words. So each part between commas is rendered by itself: where a call begins after the name is then exact,
at a price (of 48 calls in pink noise of 20 dB a recogniser takes in 35, rendered whole 45). It obeys marks of phonemes
in brackets and stumbles over figures of many digits.
"""

from __future__ import annotations  # array.array[int] is not known to Python 3.11 at run time

import array
import contextlib
import ctypes
import importlib
import importlib.util
import json
import os
import re
import signal
import sys
import wave
from pathlib import Path
from typing import Any, BinaryIO

RATE_HZ = 22_050
LEAD_MS = 20
"""Silence kept before the first sound: enough for a fade-in of the player."""
TAIL_MS = 60
"""Silence kept after the last."""
AUDIBLE = 0.02
"""Share of the clip's peak above which a window is sound: −34 dB, below the weakest fricative seen."""
WINDOWS_PER_S = 400
"""2.5 ms a window."""
LONGEST_ONSET_MS = 120
"""How far behind the engine's word mark its first sound is looked for: closures of plosives last about 50 ms."""
PEAK = 0.89
"""Full loudness: −1 dB below clipping."""
MOST_CHARACTERS = 400

HIGHER = "f2"
"""The variant that is offered of each voice: an outside listener takes it in as well as the plain voice (99 and 94 % of
phrases at 20 and 10 dB of pink noise, plain 100 and 95 %); five others that were tried it takes in worse."""

NATURAL, NATURAL_TITLE, NATURAL_LANGUAGE = "natural-us", "English (America), natural", "en"
NATURAL_RATE = 175
"""Words a minute at its own speed. It then speaks an eighth faster than the plain voice at the same figure; slowed down
to be as slow it is taken in worse."""
NATURAL_PAUSE_S = 0.09
"""Between a name and what follows: the plain voice's."""

_EVENT_END, _EVENT_WORD = 0, 1


class Fault(Exception):
    """This one text cannot be made into a clip.

    Attributes:
        kind: ``text``, ``voice`` or ``disk``.
    """

    def __init__(self, kind: str, why: str) -> None:
        super().__init__(why)
        self.kind = kind


class Engine:
    """pyttsx3's espeak driver, and the marks of words which it doesn't pass on."""

    rate_hz = RATE_HZ

    def __init__(self) -> None:
        with _pips_library():
            from pyttsx3.engine import Engine as Pyttsx3

            self._engine = Pyttsx3("espeak")
        from pyttsx3.drivers import _espeak

        # The driver begins as busy: what is set before the first loop would wait for it, and that loop would not wait
        # for its sound. From here on it does both.
        self._engine.proxy.setBusy(False)
        self._espeak = _espeak
        self._marks: list[tuple[int, int]] = []
        self._now: tuple[str, int] | None = None
        driver = self._engine.proxy._driver

        def note_words(sound: Any, count: int, events: Any) -> int:
            index = 0
            while events[index].type != _EVENT_END:
                if events[index].type == _EVENT_WORD:
                    self._marks.append((events[index].text_position - 1, events[index].sample))
                index += 1
            return int(driver._onSynth(sound, count, events))

        _espeak.SetSynthCallback(note_words)
        voices = [(_text(voice.identifier), _text(voice.name)) for voice in _espeak.ListVoices(None)]
        self._files = {file.rpartition("/")[2].lower(): file for file, _ in voices}
        self.voices = tuple(
            (name + variant, title.strip() + words, name.partition("-")[0])
            for file, title in sorted(voices)
            for name in (file.rpartition("/")[2].lower(),)
            for variant, words in (("", ""), (f"+{HIGHER}", ", higher"))
        )

    def speak(self, text: str, voice: str, rate: int, raw: Path) -> tuple[array.array[int], list[tuple[int, int]]]:
        """The sound, and for each word where it begins in the text (characters) and in the sound (samples)."""
        if (voice, rate) != self._now:
            self._set(voice, rate)
        self._marks.clear()
        raw.unlink(missing_ok=True)
        self._engine.save_to_file(text, str(raw))
        self._engine.runAndWait()
        try:
            with wave.open(str(raw), "rb") as file:
                sound = array.array("h", file.readframes(file.getnframes()))
        except FileNotFoundError:
            raise Fault("disk", f"the engine could not write {raw}") from None
        raw.unlink(missing_ok=True)
        if sys.byteorder == "big":
            sound.byteswap()
        return sound, list(self._marks)

    def _set(self, voice: str, rate: int) -> None:
        self._now = None
        name, plus, variant = voice.lower().partition("+")
        file = self._files.get(name, "no such file") + plus + variant
        # By its file's name: by a language's the engine keeps its last voice for some (fr-fr, en-gb), and says nothing.
        self._engine.setProperty("voice", file)
        self._engine.setProperty("rate", rate)
        self._espeak.Synchronize()
        if str(self._engine.getProperty("voice")).lower() != file.lower():
            raise Fault("voice", f"the engine has no voice {voice!r}")
        self._now = (voice, rate)


class Natural:
    """hibari-tts, of which the one voice is used that lies in its wheel: the others would have to be fetched."""

    rate_hz = 24_000

    def __init__(self) -> None:
        try:
            self._say = importlib.import_module("hibari").Hibari()
        except Exception as error:  # whatever stands in the way is told in its own words
            raise Fault("voice", f"the natural voice can't be loaded ({type(error).__name__}: {error})") from error

    def speak(self, text: str, voice: str, rate: int, raw: Path) -> tuple[array.array[int], list[tuple[int, int]]]:
        """As Engine.speak. Where each part between commas begins is exact; words inside are placed by their letters."""
        if voice != NATURAL:
            raise Fault("voice", f"the engine has no voice {voice!r}")
        sound: array.array[int] = array.array("h")
        marks: list[tuple[int, int]] = []
        for part in re.finditer(r"[^,:;]+", text):
            words = list(re.finditer(r"\S+", part[0]))
            spoken = self._part(part[0], rate / NATURAL_RATE) if words else array.array("h")
            if not spoken:
                continue
            if sound:
                sound.frombytes(bytes(2 * round(NATURAL_PAUSE_S * self.rate_hz)))
            letters = sum(len(word[0]) for word in words)
            before = 0
            for word in words:
                marks.append((part.start() + word.start(), len(sound) + len(spoken) * before // letters))
                before += len(word[0])
            sound.extend(spoken)
        return sound, marks

    def _part(self, text: str, speed: float) -> array.array[int]:
        """One part without the silence around it."""
        plain = " ".join(re.sub(r"[\[\]()/\\|<>{}]", " ", text).split())
        if not any(character.isalnum() for character in plain):
            return array.array("h")
        try:
            heard = self._say(plain, speed=speed, seed=0)
        except Exception as error:  # it is built for prose, and a name may be anything
            raise Fault("text", f"the natural voice stumbles over {plain[:40]!r} ({type(error).__name__})") from error
        whole = array.array("h", (heard.clip(-1, 1) * 32_767).astype("int16").tobytes())
        window, (loud, _) = self.rate_hz // WINDOWS_PER_S, _loud_windows(whole, self.rate_hz)
        return whole[loud[0] * window : (loud[-1] + 1) * window] if loud else array.array("h")


@contextlib.contextmanager
def _pips_library() -> Any:
    """Let the driver find pip's library under every name it tries; without one, let it look in the system.

    pip's comes first, so that what is heard is the same everywhere and a library of the system hides no fault of ours.
    """
    try:
        import espeakng_loader

        os.environ["ESPEAK_DATA_PATH"] = espeakng_loader.get_data_path()
        library = ctypes.CDLL(espeakng_loader.get_library_path(), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError, RuntimeError):
        os.environ.pop("ESPEAK_DATA_PATH", None)
        yield
        return

    class PipsLibrary:
        def LoadLibrary(self, name: str) -> ctypes.CDLL:  # noqa: N802 (ctypes' own name)
            return library

    usual, ctypes.cdll = ctypes.cdll, PipsLibrary()  # type: ignore[assignment]
    try:
        yield
    finally:
        ctypes.cdll = usual


def _text(name: bytes | None) -> str:
    return (name or b"").decode("utf-8", "replace")


def _loud_windows(sound: array.array[int], rate_hz: int) -> tuple[list[int], int]:
    """Which windows of a sound can be heard, and its loudest sample."""
    window = rate_hz // WINDOWS_PER_S
    peaks = [max(map(abs, sound[at : at + window])) for at in range(0, len(sound), window)]
    loudest = max(peaks, default=0)
    floor = max(1, loudest * AUDIBLE)
    return [index for index, peak in enumerate(peaks) if peak > floor], loudest


def measure(
    sound: array.array[int], marks: list[tuple[int, int]], loudness: float, rate_hz: int = RATE_HZ
) -> tuple[array.array[int], dict[str, Any]]:
    """Trim the silence, set the loudness, and say where the sound and its words begin.

    Raises: Fault: nothing is heard.
    """
    window = rate_hz // WINDOWS_PER_S
    heard, loudest = _loud_windows(sound, rate_hz)
    if not heard:
        raise Fault("text", "nothing in it can be spoken")
    begin = heard[0] * window - LEAD_MS * rate_hz // 1000
    if begin < 0:  # the engine left less silence than is kept
        sound = array.array("h", bytes(-2 * begin)) + sound
        marks = [(character, sample - begin) for character, sample in marks]
        heard, begin = _loud_windows(sound, rate_hz)[0], 0
    end = (heard[-1] + 1) * window + TAIL_MS * rate_hz // 1000
    gain = loudness * PEAK * 32_767 / loudest
    clip = array.array("h", map(int, map(gain.__mul__, sound[begin:end])))  # twice as fast as a loop
    clip.frombytes(bytes(2 * (end - begin - len(clip))))

    def ms(sample: int) -> int:
        return max(0, round((sample - begin) * 1000 / rate_hz))

    words = []
    for character, sample in marks:
        last = (sample + LONGEST_ONSET_MS * rate_hz // 1000) // window
        onset = next((at for at in heard if sample // window <= at <= last), None)
        words.append([character, ms(sample if onset is None else max(sample, onset * window))])
    return clip, {"starts_ms": ms(heard[0] * window), "length_ms": ms(end), "words": words}


def render(engine: Engine | Natural, order: dict[str, Any]) -> dict[str, Any]:
    """One clip and its note on disk, whole or not at all.

    Raises: Fault: it can't be made.
    """
    text, path = str(order["text"]), Path(order["path"])
    if not text.strip() or len(text) > MOST_CHARACTERS or "\0" in text:
        raise Fault("text", f"expected 1 to {MOST_CHARACTERS} characters")
    clip_part = path.with_suffix(f".{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        clip_part.touch()  # the driver is silent about a path it can't write
        sound, marks = engine.speak(text, order["voice"], int(order["rate"]), clip_part)
        clip, figures = measure(sound, marks, float(order["loudness"]), engine.rate_hz)
        with wave.open(str(clip_part), "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(engine.rate_hz)
            file.writeframes(clip.tobytes() if sys.byteorder == "little" else _swapped(clip))
        figures["bytes"] = clip_part.stat().st_size
        clip_part.replace(path)
        note_part = path.with_suffix(f".{os.getpid()}.note.part")
        note_part.write_text(json.dumps(figures), "utf-8")
        note_part.replace(path.with_suffix(".json"))
    except OSError as error:
        raise Fault("disk", error.strerror or str(error)) from error
    finally:
        with contextlib.suppress(OSError):
            clip_part.unlink(missing_ok=True)
    return figures


def _swapped(sound: array.array[int]) -> bytes:
    little = array.array("h", sound)
    little.byteswap()
    return little.tobytes()


def main() -> None:
    """Answer orders until nobody gives any."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the end of the orders ends us
    with contextlib.suppress(AttributeError, OSError):  # not on Windows
        os.nice(5)  # the server's own loop comes first
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what the driver prints is no answer
    sys.stdout = sys.stderr
    try:
        engine = Engine()
    except Exception as error:  # whatever stands in the way is told in its own words
        _tell(answers, {"hello": False, "why": f"{type(error).__name__}: {error}"})
        return
    natural: Natural | None = None
    more = [] if importlib.util.find_spec("hibari") is None else [(NATURAL, NATURAL_TITLE, NATURAL_LANGUAGE)]
    _tell(answers, {"hello": True, "voices": [*engine.voices, *more]})
    for line in sys.stdin.buffer:
        try:
            order = json.loads(line)
            if order["voice"] == NATURAL and natural is None:
                natural = Natural()
            chosen = natural if order["voice"] == NATURAL and natural is not None else engine
            _tell(answers, {"ok": True, **render(chosen, order)})
        except Fault as fault:
            _tell(answers, {"ok": False, "fault": fault.kind, "why": str(fault)})
    answers.flush()
    os._exit(0)  # the library asserts when it is torn down


def _tell(answers: BinaryIO, answer: dict[str, Any]) -> None:
    answers.write(json.dumps(answer).encode() + b"\n")
    answers.flush()


if __name__ == "__main__":
    main()
