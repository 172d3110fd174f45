"""Sends the core's long questions to worker processes and brings the answers back. Never on the loop.

Two workers: one plans, one reads files, so that a course is read while a plan is being made. A worker may tell how far
it is before it answers. A question that takes too long, or that nobody waits for any more, ends its worker; the next
question starts another.
Must not know of races, disks or sockets.
"""

import asyncio
import contextlib
import json
import os
import pickle
import struct
import sys
from collections.abc import Callable, Mapping
from functools import partial
from typing import IO, Any

from caller.course import Course
from caller.errors import CallerError, NoPlan
from caller.plan import Effect, Plan, RaceRules, Shortfall
from caller.riders import Roster
from caller.units import RiderId

__all__ = [
    "Planning",
    "Report",
    "TooLong",
    "WorkerBroken",
    "WorkerBusy",
    "best_plan",
    "closer_plan",
    "plan_effects",
    "serve_worker",
]

Report = Callable[[str, float], None]
"""Told what is being done, and which share of the whole is behind."""

_HEAD = struct.Struct("!I")
_START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[1]); from server.planning import serve_worker; serve_worker()"
)
_PROOF_TIMES = 6
"""A closer proof may take so many times as long as a plan."""
_NICE = 10
"""Planning gives way to calling: a cue is due, a plan is wished for."""


class TooLong(Exception):
    """The question took longer than it may, and was given up."""


class WorkerBusy(Exception):
    """Too many questions wait already."""


class WorkerBroken(Exception):
    """The worker died or answered nonsense; the next question gets another one."""


class Planning:
    """The way to both workers."""

    def __init__(self, *, planning_s: float, reading_s: float, most_waiting: int) -> None:
        self._planner = _Worker(planning_s, most_waiting)
        self._reader = _Worker(reading_s, most_waiting)

    async def plan(
        self,
        course: Course,
        roster: Roster,
        rules: RaceRules,
        *,
        method: str = "optimised",
        form: str = "memorable",
        order: tuple[RiderId, ...] | None = None,
        report: Report | None = None,
    ) -> Plan:
        """A plan; see best_plan.

        Raises: NoPlan, Refused: as the planner has it. TooLong, WorkerBusy, WorkerBroken.
        """
        plan = await self._planner.ask("plan", course, roster, rules, method, form, order, report=report)
        assert isinstance(plan, Plan)
        return plan

    async def by_hand(
        self,
        course: Course,
        roster: Roster,
        rules: RaceRules,
        plan: Plan,
        *,
        order: tuple[RiderId, ...] | None,
        lengths_s: Mapping[tuple[int, RiderId], float],
    ) -> tuple[Plan, tuple[Shortfall, ...]]:
        """A plan changed by hand, and who would fall short at its old speeds. Raises: as plan."""
        answer: Any = await self._planner.ask("by_hand", course, roster, rules, plan, order, dict(lengths_s))
        return answer  # type: ignore[no-any-return]

    async def proved(
        self, course: Course, roster: Roster, rules: RaceRules, plan: Plan, report: Report | None = None
    ) -> Plan:
        """The plan with a closer proof of how fast any could be. Raises: TooLong, WorkerBusy, WorkerBroken."""
        closer = await self._planner.ask("proved", course, roster, rules, plan, report=report, times=_PROOF_TIMES)
        assert isinstance(closer, Plan)
        return closer

    async def effects_of(self, course: Course, plan: Plan) -> tuple[str, ...]:
        """What can be asked with effect. Raises: RequestRefused: nothing can. TooLong, WorkerBusy, WorkerBroken."""
        keys: Any = await self._planner.ask("effects_of", course, plan)
        return tuple(keys)

    async def effect(
        self, course: Course, roster: Roster, rules: RaceRules, plan: Plan, key: str, report: Report | None = None
    ) -> Effect:
        """What one choice of a plan buys. Raises: as plan."""
        found: Any = await self._planner.ask("effect", course, roster, rules, plan, key, report=report)
        return found  # type: ignore[no-any-return]

    async def read_course(self, data: bytes, file_name: str) -> Course:
        """A course from a file's bytes.

        Raises: FileRefused: it can't be used. TooLong, WorkerBusy, WorkerBroken.
        """
        course = await self._reader.ask("read_course", data, file_name)
        assert isinstance(course, Course)
        return course

    async def read_table(self, name: str, rows: tuple[tuple[float, float], ...]) -> Course:
        """A course from rows of distance and height, metres. Raises: as read_course."""
        course = await self._reader.ask("read_table", name, rows)
        assert isinstance(course, Course)
        return course

    async def close(self) -> None:
        """End both workers."""
        await self._planner.close()
        await self._reader.close()


class _Worker:
    """One process that answers one question at a time."""

    def __init__(self, within_s: float, most_waiting: int) -> None:
        self._within_s = within_s
        self._most_waiting = most_waiting
        self._waiting = 0
        self._one_at_a_time = asyncio.Lock()
        self._process: asyncio.subprocess.Process | None = None

    async def ask(self, question: str, *words: object, report: Report | None = None, times: int = 1) -> object:
        """Its answer, or what it raised; ``report`` hears of it meanwhile. It may take so many times as long."""
        if self._waiting >= self._most_waiting:
            raise WorkerBusy
        self._waiting += 1
        try:
            async with self._one_at_a_time:
                try:
                    # Starting counts: a machine too slow to start a worker is too slow to wait for.
                    async with asyncio.timeout(times * self._within_s):
                        answered, value = await self._exchange((question, words), report)
                except TimeoutError:
                    await self._end()
                    raise TooLong(f"{times * self._within_s:g} s") from None
                except (OSError, EOFError, asyncio.IncompleteReadError, pickle.UnpicklingError) as error:
                    await self._end()
                    raise WorkerBroken(type(error).__name__) from error
                except BaseException:  # cancelled in the middle: its late answer must not meet the next question
                    await self._end()
                    raise
        finally:
            self._waiting -= 1
        if answered:
            return value
        if isinstance(value, CallerError):
            raise value
        raise WorkerBroken(str(value))

    async def close(self) -> None:
        """End the process."""
        await self._end()

    async def _exchange(self, asked: object, report: Report | None) -> tuple[bool, object]:
        process = await self._running()
        assert process.stdin is not None
        assert process.stdout is not None
        packed = pickle.dumps(asked)
        process.stdin.write(_HEAD.pack(len(packed)))
        process.stdin.write(packed)
        await process.stdin.drain()
        while True:
            (length,) = _HEAD.unpack(await process.stdout.readexactly(_HEAD.size))
            kind, value = pickle.loads(await process.stdout.readexactly(length))
            if kind != _MEANWHILE:
                return kind == _ANSWERED, value
            if report is not None:
                report(*value)

    async def _running(self) -> asyncio.subprocess.Process:
        if self._process is not None and self._process.returncode is None:
            return self._process
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-c",
            _START,
            json.dumps(sys.path),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        return self._process

    async def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
        if process.stdin is not None:
            process.stdin.close()
        await process.wait()


_MEANWHILE, _ANSWERED, _REFUSED = "meanwhile", "answered", "refused"

# In the worker


def serve_worker() -> None:
    """Answer questions from standard input until it ends. The whole life of a worker process."""
    asked, answers = sys.stdin.buffer, sys.stdout.buffer
    sys.stdout = sys.stderr  # a stray print must not stand among the answers
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(_NICE)
    with contextlib.suppress(EOFError, BrokenPipeError, KeyboardInterrupt):
        while True:
            question, words = pickle.loads(_read(asked))
            _write(answers, _answer(question, words, partial(_tell, answers)))


def _read(stream: IO[bytes]) -> bytes:
    head = stream.read(_HEAD.size)
    if len(head) < _HEAD.size:
        raise EOFError
    (length,) = _HEAD.unpack(head)
    return stream.read(length)


def _write(stream: IO[bytes], told: tuple[str, object]) -> None:
    packed = pickle.dumps(told)
    stream.write(_HEAD.pack(len(packed)) + packed)
    stream.flush()


def _tell(answers: IO[bytes], what: str, share: float) -> None:
    _write(answers, (_MEANWHILE, (what, share)))


def _answer(question: str, words: tuple[Any, ...], report: Report) -> tuple[str, object]:
    try:
        ask = _QUESTIONS[question]
        return _ANSWERED, ask(*words, report=report) if question in _TELLING else ask(*words)
    except CallerError as refused:
        return _REFUSED, refused
    except (Exception, RecursionError, MemoryError) as bug:
        import traceback

        traceback.print_exc()
        return _REFUSED, f"{type(bug).__name__}: {bug}"


def best_plan(
    course: Course,
    roster: Roster,
    rules: RaceRules,
    method: str = "optimised",
    form: str = "memorable",
    order: tuple[RiderId, ...] | None = None,
    report: Report | None = None,
) -> Plan:
    """A plan, made in this process: for the worker, and for the command line.

    Args:
        method: ``optimised`` searches; ``steady`` is the plain plan at steady power.
        form: of a searched plan: ``memorable`` or ``free``.
        order: of a searched plan, if it is not to be looked for.
        report: told how far it is.
    Raises:
        NoPlan: none holds; what mends it was tried by solving it.
        Refused: as the planner has it.
    """
    planner = _planner()
    try:
        if method == "steady":
            return planner.steady_plan(course, roster, rules)  # type: ignore[no-any-return]
        return planner.optimise(course, roster, rules, form=form, order=order, report=report)  # type: ignore[no-any-return]
    except NoPlan as refused:
        raise planner.mended(course, roster, rules, refused) from refused


def closer_plan(course: Course, roster: Roster, rules: RaceRules, plan: Plan) -> Plan:
    """The plan with a thorough proof, in this process: for the command line."""
    return _planner().proved(course, roster, rules, plan)  # type: ignore[no-any-return]


def plan_effects(
    course: Course, roster: Roster, rules: RaceRules, plan: Plan, report: Report | None = None
) -> tuple[Effect, ...]:
    """Everything that can be told of what a plan's choices buy, in this process: for the command line.

    Raises: RequestRefused: the plan was not searched for.
    """
    planner = _planner()
    keys = planner.effects_of(course, plan)
    return tuple(planner.effect(course, roster, rules, plan, key, report) for key in keys)


def _planner() -> Any:
    """The planner, imported when it is first needed: the server itself never loads the arrays."""
    # Small arrays: a second thread only gets in the way, and a fixed number of them adds in a fixed order.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from caller import planner

    return planner


def _by_hand(
    course: Course,
    roster: Roster,
    rules: RaceRules,
    plan: Plan,
    order: tuple[RiderId, ...] | None,
    lengths_s: dict[tuple[int, RiderId], float],
) -> object:
    return _planner().by_hand(course, roster, rules, plan, order=order, lengths_s=lengths_s)


def _effects_of(course: Course, plan: Plan) -> object:
    return _planner().effects_of(course, plan)


def _effect(course: Course, roster: Roster, rules: RaceRules, plan: Plan, key: str, report: Report) -> object:
    return _planner().effect(course, roster, rules, plan, key, report)


def _proved(course: Course, roster: Roster, rules: RaceRules, plan: Plan, report: Report) -> object:
    return _planner().proved(course, roster, rules, plan, report=report)


def _read_course(data: bytes, file_name: str) -> Course:
    from caller.formats import read_course

    return read_course(data, file_name)


def _read_table(name: str, rows: tuple[tuple[float, float], ...]) -> Course:
    from caller.formats import read_table

    return read_table("\n".join(f"{distance_m!r} {height_m!r}" for distance_m, height_m in rows), name)


_QUESTIONS: dict[str, Callable[..., object]] = {
    "plan": best_plan,
    "by_hand": _by_hand,
    "effects_of": _effects_of,
    "effect": _effect,
    "proved": _proved,
    "read_course": _read_course,
    "read_table": _read_table,
}
_TELLING = frozenset({"plan", "effect", "proved"})
"""Those that tell how far they are."""
