"""The process that speaks: one JSON line in, one clip on disk and one JSON line out.

A process of its own, because a speech library can take its process down with it. It is started by its path and imports
nothing of ours, so that it is up in an instant. It decides where a clip's sound and each of its words begin; it must
not know why anything is said, nor what is said next.

First line out: ``{"hello": true, "voices": [[name, title], …]}``, or ``{"hello": false, "why": …}`` and it ends.
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
"""

from __future__ import annotations  # array.array[int] is not known to Python 3.11 at run time

import array
import contextlib
import ctypes
import json
import os
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
WINDOW = 55
"""Samples a window: 2.5 ms."""
LONGEST_ONSET_MS = 120
"""How far behind the engine's word mark its first sound is looked for: closures of plosives last about 50 ms."""
PEAK = 0.89
"""Full loudness: −1 dB below clipping."""
MOST_CHARACTERS = 400

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
        self.titles = {file.rpartition("/")[2].lower(): title.strip() for file, title in sorted(voices)}

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


def measure(
    sound: array.array[int], marks: list[tuple[int, int]], loudness: float
) -> tuple[array.array[int], dict[str, Any]]:
    """Trim the silence, set the loudness, and say where the sound and its words begin.

    Raises: Fault: nothing is heard.
    """
    peaks = [max(map(abs, sound[at : at + WINDOW])) for at in range(0, len(sound), WINDOW)]
    peak = max(peaks, default=0)
    floor = max(1, peak * AUDIBLE)
    heard = [index for index, window in enumerate(peaks) if window > floor]
    if not heard:
        raise Fault("text", "nothing in it can be spoken")
    begin = max(0, heard[0] * WINDOW - LEAD_MS * RATE_HZ // 1000)
    end = min(len(sound), (heard[-1] + 1) * WINDOW + TAIL_MS * RATE_HZ // 1000)
    gain = loudness * PEAK * 32_767 / peak
    clip = array.array("h", map(int, map(gain.__mul__, sound[begin:end])))  # twice as fast as a loop

    def ms(sample: int) -> int:
        return max(0, round((sample - begin) * 1000 / RATE_HZ))

    words = []
    for character, sample in marks:
        last = (sample + LONGEST_ONSET_MS * RATE_HZ // 1000) // WINDOW
        onset = next((at for at in heard if sample // WINDOW <= at <= last), None)
        words.append([character, ms(sample if onset is None else max(sample, onset * WINDOW))])
    return clip, {"starts_ms": ms(heard[0] * WINDOW), "length_ms": ms(end), "words": words}


def render(engine: Engine, order: dict[str, Any]) -> dict[str, Any]:
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
        clip, figures = measure(sound, marks, float(order["loudness"]))
        with wave.open(str(clip_part), "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(RATE_HZ)
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
    _tell(answers, {"hello": True, "voices": list(engine.titles.items())})
    for line in sys.stdin.buffer:
        try:
            _tell(answers, {"ok": True, **render(engine, json.loads(line))})
        except Fault as fault:
            _tell(answers, {"ok": False, "fault": fault.kind, "why": str(fault)})
    answers.flush()
    os._exit(0)  # the library asserts when it is torn down


def _tell(answers: BinaryIO, answer: dict[str, Any]) -> None:
    answers.write(json.dumps(answer).encode() + b"\n")
    answers.flush()


if __name__ == "__main__":
    main()
