"""The append-only logs of all races on disk, and the drafts that races are opened from. Nothing else is the truth.

Must not know what a fact means: a log line is text here.
"""

import asyncio
import os
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

__all__ = ["CodeTaken", "LogRow", "RaceRow", "SeatRow", "Store", "StoreFailed"]

_SCHEMA_VERSION = 1
_SCHEMA = """
CREATE TABLE races (
    code TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    draft TEXT NOT NULL,
    salt BLOB NOT NULL,
    created_ms INTEGER NOT NULL,
    rehearsal TEXT,
    rate REAL NOT NULL DEFAULT 1
) STRICT, WITHOUT ROWID;
CREATE TABLE entries (
    race TEXT NOT NULL REFERENCES races (code),
    seq INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    wall_ms REAL NOT NULL,
    by TEXT NOT NULL,
    tap TEXT,
    line TEXT NOT NULL,
    PRIMARY KEY (race, seq),
    UNIQUE (race, tap)
) STRICT, WITHOUT ROWID;
CREATE TABLE seats (
    race TEXT NOT NULL REFERENCES races (code),
    seat TEXT NOT NULL,
    generation INTEGER NOT NULL DEFAULT 0,
    claimed INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (race, seat)
) STRICT, WITHOUT ROWID;
"""

T = TypeVar("T")


class StoreFailed(Exception):
    """The disk did not take it, or would not give it back. Whether it is there after all has to be looked up."""


class CodeTaken(Exception):
    """A race has this code already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RaceRow:
    """A race as it is kept.

    Attributes:
        code: its short code.
        name: as shown.
        draft: course, riders, rules and plan as JSON.
        salt: random bytes that its tickets are made with.
        created_ms: wall time.
        rehearsal: the scenario's name or path and its seed, as JSON; None for a race.
        rate: race time over wall time.
    """

    code: str
    name: str
    draft: str
    salt: bytes
    created_ms: int
    rehearsal: str | None = None
    rate: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRow:
    """A log line with what the runner needs to go on from it.

    Attributes:
        seq: 1 for the first of a race.
        at_ms: on the race clock.
        wall_ms: the wall's time of the same instant.
        by: who said it.
        tap: the page's own key of the tap; None for what no page tapped.
        line: the entry itself; the whole log is these lines and nothing else.
    """

    seq: int
    at_ms: int
    wall_ms: float
    by: str
    tap: str | None
    line: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatRow:
    """What is remembered of a seat: its ticket's generation, and whether somebody has taken it."""

    generation: int = 0
    claimed: bool = False


class Store:
    """One SQLite file, written by one thread, each write on disk before it is answered.

    A write-ahead log with full synchronisation: an answered write outlives a kill and a power cut. One server alone may
    hold the file: two that append to one race would disagree about it.
    """

    def __init__(self, path: Path) -> None:
        """Opens or makes the file.

        Raises: StoreFailed: it can't be opened, another server holds it, or a newer swingoff wrote it.
        """
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="swingoff-store")
        try:
            self._db = self._thread.submit(_opened, path).result()
        except sqlite3.Error as error:
            self._thread.shutdown(wait=False)
            if "locked" in str(error):
                raise StoreFailed(f"{path.parent}: another swingoff is running on this data directory") from error
            raise StoreFailed(f"{path}: {error}") from error
        except StoreFailed:
            self._thread.shutdown(wait=False)
            raise

    async def create_race(self, row: RaceRow) -> None:
        """Keeps a new race.

        Raises: CodeTaken, StoreFailed.
        """
        try:
            await self._write(
                "INSERT INTO races (code, name, draft, salt, created_ms, rehearsal, rate) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (row.code, row.name, row.draft, row.salt, row.created_ms, row.rehearsal, row.rate),
            )
        except StoreFailed as error:
            if isinstance(error.__cause__, sqlite3.IntegrityError):
                raise CodeTaken(row.code) from error
            raise

    async def race(self, code: str) -> RaceRow | None:
        """A race, or None. Raises: StoreFailed."""
        rows = await self._read(
            "SELECT code, name, draft, salt, created_ms, rehearsal, rate FROM races WHERE code = ?", (code,)
        )
        for code_, name, draft, salt, created_ms, rehearsal, rate in rows:
            return RaceRow(
                code=code_, name=name, draft=draft, salt=salt, created_ms=created_ms, rehearsal=rehearsal, rate=rate
            )
        return None

    async def codes(self) -> tuple[str, ...]:
        """The codes of all races with a log, newest first. Raises: StoreFailed."""
        rows = await self._read(
            "SELECT code FROM races WHERE code IN (SELECT race FROM entries) ORDER BY created_ms DESC", ()
        )
        return tuple(code for (code,) in rows)

    async def save_draft(self, code: str, name: str, draft: str) -> None:
        """Keeps a race's draft. Raises: StoreFailed."""
        await self._write("UPDATE races SET name = ?, draft = ? WHERE code = ?", (name, draft, code))

    async def append(self, code: str, row: LogRow) -> None:
        """Adds a line to a race's log; it is on disk when this returns.

        Raises: StoreFailed: it isn't, or nobody knows; read the log to find out.
        """
        await self._write(
            "INSERT INTO entries (race, seq, at_ms, wall_ms, by, tap, line) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (code, row.seq, row.at_ms, row.wall_ms, row.by, row.tap, row.line),
        )

    async def log(self, code: str, after_seq: int = 0) -> tuple[LogRow, ...]:
        """A race's log in order, from the line after ``after_seq``. Raises: StoreFailed."""
        rows = await self._read(
            "SELECT seq, at_ms, wall_ms, by, tap, line FROM entries WHERE race = ? AND seq > ? ORDER BY seq",
            (code, after_seq),
        )
        return tuple(
            LogRow(seq=seq, at_ms=at_ms, wall_ms=wall_ms, by=by, tap=tap, line=line)
            for seq, at_ms, wall_ms, by, tap, line in rows
        )

    async def seats(self, code: str) -> dict[str, SeatRow]:
        """What is remembered of a race's seats, by the seat's key. Raises: StoreFailed."""
        rows = await self._read("SELECT seat, generation, claimed FROM seats WHERE race = ?", (code,))
        return {seat: SeatRow(generation=generation, claimed=bool(claimed)) for seat, generation, claimed in rows}

    async def save_seat(self, code: str, seat: str, row: SeatRow) -> None:
        """Remembers a seat. Raises: StoreFailed."""
        await self._write(
            "INSERT INTO seats (race, seat, generation, claimed) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (race, seat) DO UPDATE SET generation = excluded.generation, claimed = excluded.claimed",
            (code, seat, row.generation, int(row.claimed)),
        )

    def close(self) -> None:
        """Writes what is left and lets the file go."""
        self._thread.submit(self._db.close)
        self._thread.shutdown(wait=True)

    async def _write(self, sql: str, values: tuple[object, ...]) -> None:
        def write() -> None:
            with self._db:
                self._db.execute(sql, values)

        await self._in_thread(write)

    async def _read(self, sql: str, values: tuple[object, ...]) -> list[tuple[Any, ...]]:
        return await self._in_thread(lambda: self._db.execute(sql, values).fetchall())

    async def _in_thread(self, work: Callable[[], T]) -> T:
        try:
            # Shielded: a page that goes away in the middle must not leave a write that nobody waited for.
            return await asyncio.shield(asyncio.get_running_loop().run_in_executor(self._thread, work))
        except sqlite3.Error as error:
            raise StoreFailed(str(error)) from error
        except RuntimeError as error:  # the thread is gone: the server is going down
            raise StoreFailed(str(error)) from error


def _opened(path: Path) -> sqlite3.Connection:
    try:
        # Before SQLite makes it with whatever mode is usual here: riders' figures are nobody else's business. The files
        # beside it get its mode.
        os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    except OSError as error:
        raise StoreFailed(f"{path}: {error.strerror}") from error
    db = sqlite3.connect(path, timeout=1.0, check_same_thread=True)
    try:
        # Exclusive before the write-ahead log is entered: then no shared memory is needed, and a second server is told.
        db.execute("PRAGMA locking_mode = EXCLUSIVE")
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA fullfsync = ON")  # on macOS only this reaches the platter; elsewhere it does nothing
        db.execute("PRAGMA foreign_keys = ON")
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if version == 0:
            db.executescript(f"BEGIN; {_SCHEMA} PRAGMA user_version = {_SCHEMA_VERSION}; COMMIT;")
        elif version != _SCHEMA_VERSION:
            raise StoreFailed(f"{path}: written by a newer swingoff (form {version}); expected form {_SCHEMA_VERSION}")
        else:
            db.execute("BEGIN IMMEDIATE")  # takes the lock now, not at the first tap
            db.rollback()
    except BaseException:
        db.close()
        raise
    return db
