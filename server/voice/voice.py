"""The voice of the server: keeps a worker alive, decides what it renders next, answers at once from the shelf.

The race never waits for it: without an engine every clip is None and the status says in a sentence how to mend it.
Must not know why a text is wanted, nor when it is played.
"""

import asyncio
import contextlib
import logging
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from typing import Any, NamedTuple

from caller.errors import CallerError
from server.clock import Clock
from server.voice.clips import Clip, Kept, Shelf, VoiceRefused, VoiceSettings, check_text, clip_id, kept_from
from server.voice.process import VoiceName, Worker, WorkerDown, started
from server.voice.worker import NATURAL

__all__ = ["MOST_WAITING", "NoClip", "Voice", "VoiceName", "VoiceStatus", "Wanted"]

MOST_WAITING = 5_000
"""Texts that may wait; of more, the least urgent are let go."""

START_S = 20.0
"""Longer nobody waits for the voice before the server opens its doors."""

_WORKER = Path(__file__).with_name("worker.py")
_POISON = 3
"""A text under which the worker fell so often is set aside, so that it can't silence the others."""
_CANARY = ("go", "en")
_PATIENCE = 3
"""Failures in a row before the status says so."""
_SHORTEST_WAIT_S, _LONGEST_WAIT_S = 0.05, 15.0

_SILENT = "the race goes on, called on the screens alone"
_log = logging.getLogger("swingoff.voice")


class NoClip(CallerError):
    """A text could not be rendered now. The sentence says why and what to do."""


class VoiceStatus(NamedTuple):
    """Whether the voice works; if not, one sentence with what is wrong and how to mend it, else an empty one."""

    ok: bool
    sentence: str


class Wanted(NamedTuple):
    """A text somebody will want to hear.

    Attributes:
        text: for the voice.
        language: ISO 639-1.
        key_at: the character where its key word begins.
    """

    text: str
    language: str
    key_at: int = 0


@dataclass(slots=True, kw_only=True)
class _Job:
    wanted: Wanted
    how: VoiceSettings
    falls: int = 0
    waiting: list["asyncio.Future[Clip]"] = field(default_factory=list)


class Voice:
    """Renders texts in the background, most urgent first, and serves them from a directory.

    Args:
        directory: where clips are kept; made if it isn't there.
        settings: how it sounds unless a call says otherwise.
        on_ready: called on the event loop with each clip that has been rendered.
        most_bytes: room for clips; those asked for longest ago go first.
        render_s: a render that takes longer has hung; the usual is 0.01 s.
        clock: to wait with between two attempts at starting the worker.
        command: how to start the worker, for tests.
    """

    def __init__(
        self,
        directory: Path,
        settings: VoiceSettings | None = None,
        *,
        on_ready: Callable[[Clip], None] | None = None,
        most_bytes: int = 200_000_000,
        render_s: float = 5.0,
        clock: Clock | None = None,
        command: Sequence[str] = (sys.executable, "-P", str(_WORKER)),
    ) -> None:
        self.settings = settings or VoiceSettings()
        self.on_ready = on_ready
        self._shelf = Shelf(directory.absolute(), most_bytes)
        self._render_s = render_s
        self._clock = clock or Clock()
        self._command = tuple(command)
        self._engine, self._natural = _version_of("pyttsx3", "espeakng-loader"), _version_of("hibari-tts")
        self._status = VoiceStatus(False, f"The voice has not been started; {_SILENT}.")
        self._voices: tuple[VoiceName, ...] = ()
        self._jobs: dict[str, _Job] = {}
        self._set_aside: dict[str, str] = {}
        self._pid: int | None = None
        self._failures = 0
        self._work = asyncio.Event()
        self._tried = asyncio.Event()
        self._runner: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Read the shelf and bring the worker up.

        Returns: when it speaks, or when it is known that it doesn't, or after START_S; never raises.
        """
        assert self._runner is None, "the voice was started before"
        self._runner = asyncio.create_task(self._run(), name="voice")
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(START_S):
                await self._tried.wait()

    async def close(self) -> None:
        """End the worker. What was wanted and isn't rendered is dropped."""
        if self._runner is not None:
            self._runner.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._runner
            self._runner = None
        for job in self._jobs.values():
            _fail(job, "The voice was closed.")
        self._jobs.clear()
        self._status = VoiceStatus(False, f"The voice was closed; {_SILENT}.")

    @property
    def status(self) -> VoiceStatus:
        """Whether the voice works, and if not, how to mend it."""
        return self._status

    @property
    def voices(self) -> tuple[VoiceName, ...]:
        """The engine's voices; empty until it has started."""
        return self._voices

    @property
    def worker_pid(self) -> int | None:
        """The worker's process, for what only the system tells."""
        return self._pid

    @property
    def waiting(self) -> int:
        """Texts that are wanted and not rendered yet."""
        return len(self._jobs)

    def clip_for(self, text: str, language: str, key_at: int = 0, *, how: VoiceSettings | None = None) -> Clip | None:
        """The clip that says a text, at once; None if it isn't rendered (yet).

        Args:
            text: for the voice.
            language: ISO 639-1.
            key_at: the character where the key word begins, for ``key_ms``.
            how: how it sounds, if not as the settings say.
        """
        kept = self._shelf.get(self._id(text, language, how or self.settings))
        return None if kept is None else self._clip(kept, key_at)

    def path_of(self, clip: str) -> Path | None:
        """The file of a clip by its id; None if there is none, whatever the id holds."""
        if self._shelf.get(clip) is None:
            return None
        path = self._shelf.path_of(clip)
        if not path.is_file():  # somebody tidied up; it will be rendered again when it is wanted again
            self._shelf.drop(clip)
            return None
        return path

    def want(
        self, texts: Iterable[tuple[str, str] | tuple[str, str, int]], *, how: VoiceSettings | None = None
    ) -> None:
        """Have texts rendered in the background, in this order, before whatever was wanted earlier.

        What is there already costs nothing. A text that no voice should be given is left out and logged.
        """
        how = how or self.settings
        fresh: dict[str, _Job] = {}
        for one in texts:
            wanted = Wanted(*one)
            clip = self._id(wanted.text, wanted.language, how)
            if clip in fresh or clip in self._set_aside or self._shelf.get(clip) is not None:
                continue
            try:
                check_text(wanted.text)
            except VoiceRefused as refused:
                self._lay_aside(clip, str(refused))
                continue
            fresh[clip] = self._jobs.get(clip) or _Job(wanted=wanted, how=how)
        if not fresh:
            return
        self._jobs = fresh | self._jobs
        while len(self._jobs) > MOST_WAITING:
            _fail(self._jobs.popitem()[1], "Too much is waiting for the voice; try again in a minute.")
        self._work.set()

    async def render(self, text: str, language: str, key_at: int = 0, *, how: VoiceSettings | None = None) -> Clip:
        """A clip now, before everything else that waits.

        Raises:
            VoiceRefused: no voice should be given this text.
            NoClip: it could not be rendered in time, or not at all.
        """
        check_text(text)
        how = how or self.settings
        clip = self._id(text, language, how)
        self._set_aside.pop(clip, None)
        kept = self._shelf.get(clip)
        if kept is not None:
            return self._clip(kept, key_at)
        self.want([(text, language, key_at)], how=how)
        future: asyncio.Future[Clip] = asyncio.get_running_loop().create_future()
        self._jobs[clip].waiting.append(future)
        try:
            async with asyncio.timeout(2 * self._render_s):
                await future
        except TimeoutError:
            raise NoClip(self._status.sentence or "The voice is busy; try again in a minute.") from None
        kept = self._shelf.get(clip)
        return future.result() if kept is None else self._clip(kept, key_at)

    # What follows runs in the background.

    async def _run(self) -> None:
        while True:
            try:
                await self._open_shelf()
                async with started(self._command) as worker:
                    self._voices, self._pid = worker.voices, worker.pid
                    if not self._failures or not self._jobs:  # else it must first show that it can
                        self._tell(VoiceStatus(True, ""))
                    while True:
                        await self._one(worker)
                        self._failures = 0
                        self._tell(VoiceStatus(True, ""))
            except WorkerDown as down:
                self._failures += 1
                _log.warning("voice worker down (%d in a row): %s", self._failures, down)
                if down.no_engine:
                    self._tell(VoiceStatus(False, _no_engine(str(down))))
                elif self._failures >= _PATIENCE or not self._tried.is_set():
                    self._tell(VoiceStatus(False, _falls(str(down))))
            except OSError as error:
                self._failures += 1
                self._tell(VoiceStatus(False, _no_room(self._shelf.directory, error.strerror or str(error))))
            except Exception:  # a fault of ours must not end the voice for the rest of the race
                self._failures += 1
                _log.exception("the voice stumbled")
                self._tell(VoiceStatus(False, f"The voice stumbled over a fault of its own (see the log); {_SILENT}."))
            await self._clock.pause(min(_SHORTEST_WAIT_S * 2 ** min(self._failures, 16), _LONGEST_WAIT_S))

    def _tell(self, status: VoiceStatus) -> None:
        self._status = status
        self._tried.set()

    async def _open_shelf(self) -> None:
        if not len(self._shelf):
            await asyncio.to_thread(self._shelf.open)
            await self._tidy()

    async def _one(self, worker: Worker) -> None:
        """Render the most urgent text. Raises: WorkerDown; OSError: the directory can't be written."""
        while not self._jobs:
            self._work.clear()
            await worker.or_its_end(self._work.wait())
        clip, job = next(iter(self._jobs.items()))
        if job.falls >= _POISON:
            # Is it the text or the engine? Who can say a plain word is well.
            await self._ask(worker, Wanted(*_CANARY), self.settings)
            self._failures = 0
            self._lay_aside(clip, f"The voice fell over this {job.falls} times; reword the text.")
            return
        try:
            answer = await self._ask(worker, job.wanted, job.how)
        except WorkerDown:
            job.falls += 1
            if clip in self._jobs:
                self._jobs[clip] = self._jobs.pop(clip)  # the others first
            raise
        if answer.get("ok"):
            try:
                kept = kept_from(clip, answer)
            except (KeyError, TypeError, ValueError) as error:
                raise WorkerDown(f"its answer made no sense: {error}") from error
            self._shelf.add(kept)
            self._done(clip, kept)
            await self._tidy()
        elif answer.get("fault") == "disk":
            raise OSError(0, str(answer.get("why")))
        else:
            mend = "choose a voice from the list" if answer.get("fault") == "voice" else "reword the text"
            self._lay_aside(clip, f"The voice can't say this: {answer.get('why')}; {mend}.")

    async def _ask(self, worker: Worker, wanted: Wanted, how: VoiceSettings) -> dict[str, Any]:
        voice = how.voice_for(wanted.language)
        path = self._shelf.path_of(self._id(wanted.text, wanted.language, how))
        order = {"text": wanted.text, "voice": voice, "rate": how.rate, "loudness": how.loudness, "path": str(path)}
        return await worker.ask(order, self._render_s)

    def _done(self, clip: str, kept: Kept) -> None:
        job = self._jobs.pop(clip, None)
        if job is None:
            return
        made = self._clip(kept, job.wanted.key_at)
        for future in job.waiting:
            if not future.done():
                future.set_result(made)
        if self.on_ready is not None:
            try:
                self.on_ready(made)
            except Exception:
                _log.exception("whoever was told of clip %s stumbled", clip)

    def _lay_aside(self, clip: str, sentence: str) -> None:
        _log.warning("%s", sentence)
        while len(self._set_aside) >= MOST_WAITING:
            self._set_aside.pop(next(iter(self._set_aside)))
        self._set_aside[clip] = sentence
        job = self._jobs.pop(clip, None)
        if job is not None:
            _fail(job, sentence)

    async def _tidy(self) -> None:
        gone = self._shelf.overfull()
        if gone:
            await asyncio.to_thread(self._shelf.forget, gone)

    def _id(self, text: str, language: str, how: VoiceSettings) -> str:
        voice = how.voice_for(language)
        engine = self._natural if voice == NATURAL else self._engine
        return clip_id(engine, voice, how.rate, how.loudness, text)

    def _clip(self, kept: Kept, key_at: int) -> Clip:
        return Clip(
            id=kept.id,
            path=self._shelf.path_of(kept.id),
            starts_ms=kept.starts_ms,
            key_ms=kept.word_ms(key_at),
            length_ms=kept.length_ms,
        )


def _fail(job: _Job, sentence: str) -> None:
    for future in job.waiting:
        if not future.done():
            future.set_exception(NoClip(sentence))


def _version_of(*packages: str) -> str:
    """What renders: part of a clip's name, so that a new engine makes new clips."""
    parts = []
    for package in packages:
        try:
            parts.append(f"{package} {metadata.version(package)}")
        except metadata.PackageNotFoundError:
            parts.append(f"no {package}")
    return ", ".join(parts)


def _no_engine(why: str) -> str:
    return (
        f"No speech engine works ({why}): install pyttsx3 and espeakng-loader with pip for {sys.executable}, "
        f"or espeak-ng with the system's package manager; until then {_SILENT}."
    )


def _falls(why: str) -> str:
    return (
        f"The speech engine keeps falling over ({why}): it is started again and again; if it doesn't stay up, install "
        f"pyttsx3 and espeakng-loader anew with pip for {sys.executable}; until then {_SILENT}."
    )


def _no_room(directory: Path, why: str) -> str:
    return (
        f"The voice can't keep its clips in {directory} ({why}): make that folder writable, free some disk, "
        f"or start with --data and another folder; until then {_SILENT}."
    )
