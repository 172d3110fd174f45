"""Clips on disk: what one is, by what name it goes, and a bounded shelf of them that outlives the server.

Must not know how a clip is made.
"""

import contextlib
import hashlib
import json
import os
import re
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType

from caller.errors import Refused

__all__ = [
    "LOUDNESSES",
    "MOST_CHARACTERS",
    "RATES_WPM",
    "Clip",
    "Kept",
    "Shelf",
    "VoiceRefused",
    "VoiceSettings",
    "check_text",
    "clip_id",
    "kept_from",
]

MOST_CHARACTERS = 200
"""The longest text: at 155 words a minute some 15 s, more than anybody listens to on the road."""

_RECIPE = 2
"""Part of every clip's name; to be raised when the worker trims or measures in another way."""

RATES_WPM = (80, 260)
"""Slowest and fastest, words a minute."""

LOUDNESSES = (0.05, 1.0)
"""Softest and loudest, of full scale."""

_VOICE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _+/().-]{0,47}")


class VoiceRefused(Refused):
    """A text or a setting that the voice can't take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceSettings:
    """How it sounds.

    Attributes:
        rate: words a minute, within RATES_WPM. Clear speech is slow, and the slower the louder the wind.
        loudness: of full scale, within LOUDNESSES.
        voices: the engine's voice for a language's code; without one, the voice is called like the language.

    Raises: VoiceRefused: a figure is outside its range, or a voice's name is none.
    """

    rate: int = 155
    loudness: float = 1.0
    # US English: a US recogniser took in 20 % fewer words of the British voice.
    voices: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({"en": "en-us"}))

    def __post_init__(self) -> None:
        if not RATES_WPM[0] <= self.rate <= RATES_WPM[1]:
            allowed = f"expected {RATES_WPM[0]} to {RATES_WPM[1]} words a minute"
            raise VoiceRefused("voice", "rate", f"{self.rate}", allowed)
        if not LOUDNESSES[0] <= self.loudness <= LOUDNESSES[1]:
            allowed = f"expected {LOUDNESSES[0]:g} to {LOUDNESSES[1]:g}"
            raise VoiceRefused("voice", "loudness", f"{self.loudness:g}", allowed)
        for language, name in self.voices.items():
            if not _VOICE_NAME.fullmatch(name):
                raise VoiceRefused("voice", f"voice for {language}", repr(name[:48]), "expected a name from the list")

    def voice_for(self, language: str) -> str:
        """The engine's name of the voice that speaks a language."""
        return self.voices.get(language, language)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """One text as sound, as a listener needs it.

    Attributes:
        id: what it is called in a URL; the same text said in the same way has the same.
        path: the WAV file: mono, 16 bits; 22,050 Hz, or 24,000 of the natural voice.
        starts_ms: where in it the sound begins.
        key_ms: where in it the key word's sound begins.
        length_ms: how long it is; 60 ms of silence at its end are in it.
    """

    id: str
    path: Path
    starts_ms: int
    key_ms: int
    length_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What the shelf knows of a clip.

    Attributes:
        size: bytes of sound.
        words: (character, ms): where each word begins in the text and in the sound, in order.
    """

    id: str
    starts_ms: int
    length_ms: int
    size: int
    words: tuple[tuple[int, int], ...]

    def word_ms(self, character: int) -> int:
        """Where the word sounds that begins at this character, or holds it."""
        return max((ms for at, ms in self.words if at <= character), default=self.starts_ms)


def check_text(text: str) -> None:
    """Refuse what no voice should be given.

    Raises: VoiceRefused: empty, longer than MOST_CHARACTERS, or with characters that aren't printable.
    """
    if not text.strip() or len(text) > MOST_CHARACTERS or not text.isprintable():
        found = repr(text[:40]) + ("…" if len(text) > 40 else "")
        raise VoiceRefused("text for the voice", "", found, f"expected 1 to {MOST_CHARACTERS} printable characters")


@lru_cache(maxsize=8192)
def clip_id(engine: str, voice: str, rate: int, loudness: float, text: str) -> str:
    """A clip's name: 24 hexadecimal digits that stand for all that makes it sound as it does."""
    whole = json.dumps([_RECIPE, engine, voice, rate, loudness, text])
    return hashlib.sha256(whole.encode()).hexdigest()[:24]


class Shelf:
    """The clips in one directory, the ones asked for last at the end.

    Only open, forget and path_of touch the disk.
    """

    def __init__(self, directory: Path, most_bytes: int) -> None:
        self.directory = directory
        self._most_bytes = most_bytes
        self._kept: OrderedDict[str, Kept] = OrderedDict()
        self._bytes = 0

    def __len__(self) -> int:
        return len(self._kept)

    def open(self) -> None:
        """Read what lies there, oldest first; sweep out what was left half-made.

        Raises: OSError: the directory can't be made, read or written.
        """
        self.directory.mkdir(parents=True, exist_ok=True)
        probe = self.directory / f".{os.getpid()}.probe"
        probe.write_bytes(b"")
        probe.unlink()
        found: list[tuple[float, Kept]] = []
        for path in self.directory.iterdir():
            if path.suffix == ".part":
                path.unlink(missing_ok=True)
            elif path.suffix == ".json":
                with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
                    found.append(_read_note(path))
        for _, kept in sorted(found, key=lambda each: each[0]):
            self.add(kept)

    def get(self, clip: str) -> Kept | None:
        """What is known of a clip that is there."""
        kept = self._kept.get(clip)
        if kept is not None:
            self._kept.move_to_end(clip)
        return kept

    def add(self, kept: Kept) -> None:
        """A clip that now lies in the directory."""
        self.drop(kept.id)
        self._kept[kept.id] = kept
        self._bytes += kept.size

    def drop(self, clip: str) -> None:
        """A clip that isn't there any more."""
        gone = self._kept.pop(clip, None)
        self._bytes -= gone.size if gone else 0

    def path_of(self, clip: str) -> Path:
        """Where a clip lies, or would lie."""
        return self.directory / f"{clip}.wav"

    def overfull(self) -> tuple[str, ...]:
        """Drop what was asked for longest ago until nine tenths of the room are enough. Returns: what to forget."""
        gone: list[str] = []
        if self._bytes <= self._most_bytes:
            return ()
        while self._bytes > 0.9 * self._most_bytes and self._kept:
            clip = next(iter(self._kept))
            self.drop(clip)
            gone.append(clip)
        return tuple(gone)

    def forget(self, clips: tuple[str, ...]) -> None:
        """Take clips off the disk."""
        for clip in clips:
            with contextlib.suppress(OSError):
                (self.directory / f"{clip}.json").unlink(missing_ok=True)
                self.path_of(clip).unlink(missing_ok=True)


def _read_note(path: Path) -> tuple[float, Kept]:
    note = json.loads(path.read_text("utf-8"))
    there = path.with_suffix(".wav").stat()
    kept = kept_from(path.stem, note)
    if there.st_size != kept.size:
        raise ValueError(f"{path.stem} is not whole")
    return there.st_mtime, kept


def kept_from(clip: str, note: Mapping[str, object]) -> Kept:
    """A note's figures, from disk or from the worker.

    Raises: KeyError, TypeError, ValueError: they aren't what a note holds.
    """
    starts, length, size, words = note["starts_ms"], note["length_ms"], note["bytes"], note["words"]
    if not (isinstance(starts, int) and isinstance(length, int) and isinstance(size, int) and isinstance(words, list)):
        raise TypeError("a note's figures are whole numbers")
    pairs = tuple((int(at), int(ms)) for at, ms in words)
    return Kept(id=clip, starts_ms=starts, length_ms=length, size=size, words=pairs)
