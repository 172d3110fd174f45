"""server/store.py against the SQLite that is installed."""

import asyncio
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from server.store import CodeTaken, LogRow, RaceRow, SeatRow, Store, StoreFailed


def race(code: str = "ABCDEF") -> RaceRow:
    return RaceRow(code=code, name="Evening race", draft="{}", salt=b"salt", created_ms=1)


def row(seq: int, tap: str | None = None) -> LogRow:
    return LogRow(seq=seq, at_ms=seq * 10, wall_ms=seq + 0.5, by="director", tap=tap, line=f'{{"seq":{seq}}}')


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store(tmp_path / "races.sqlite")
    yield opened
    opened.close()


@pytest.mark.skipif(os.name != "posix", reason="elsewhere files have no modes")
async def test_what_is_kept_of_riders_is_for_the_owners_eyes_alone(store: Store, tmp_path: Path) -> None:
    await store.create_race(race())
    assert {path.name: path.stat().st_mode & 0o077 for path in tmp_path.iterdir()} == {
        "races.sqlite": 0,
        "races.sqlite-wal": 0,
    }


async def test_what_was_appended_comes_back_in_order_and_outlives_the_store(tmp_path: Path) -> None:
    first = Store(tmp_path / "races.sqlite")
    await first.create_race(race())
    for seq in (1, 2, 3):
        await first.append("ABCDEF", row(seq, f"tap {seq}"))
    first.close()
    second = Store(tmp_path / "races.sqlite")
    assert await second.log("ABCDEF") == (row(1, "tap 1"), row(2, "tap 2"), row(3, "tap 3"))
    assert await second.log("ABCDEF", 2) == (row(3, "tap 3"),)
    assert await second.race("ABCDEF") == race()
    assert await second.codes() == ("ABCDEF",)
    second.close()


async def test_a_number_or_a_tap_is_never_kept_twice(store: Store) -> None:
    await store.create_race(race())
    await store.append("ABCDEF", row(1, "tap"))
    for again in (row(1, "other"), row(2, "tap")):
        with pytest.raises(StoreFailed, match="UNIQUE"):
            await store.append("ABCDEF", again)
    assert await store.log("ABCDEF") == (row(1, "tap"),)


async def test_a_tap_belongs_to_its_race(store: Store) -> None:
    for code in ("ABCDEF", "GHJKMN"):
        await store.create_race(race(code))
        await store.append(code, row(1, "tap"))
        await store.append(code, row(2))
        await store.append(code, row(3))


async def test_a_code_is_given_once(store: Store) -> None:
    await store.create_race(race())
    with pytest.raises(CodeTaken):
        await store.create_race(race())


async def test_an_entry_of_no_race_is_not_kept(store: Store) -> None:
    with pytest.raises(StoreFailed, match="FOREIGN KEY"):
        await store.append("ABCDEF", row(1))


async def test_every_write_is_synchronised_with_the_disk_before_it_is_answered(store: Store) -> None:
    """SQLite's documentation (pragma.html): synchronous 2 is FULL; in WAL mode FULL syncs the log after each commit."""
    assert (await store._read("PRAGMA journal_mode", ()))[0] == ("wal",)
    assert (await store._read("PRAGMA synchronous", ()))[0] == (2,)


async def test_a_second_store_on_the_same_file_is_refused_with_a_sentence(tmp_path: Path) -> None:
    first = Store(tmp_path / "races.sqlite")
    try:
        with pytest.raises(StoreFailed, match="another swingoff is running on this data directory"):
            await asyncio.to_thread(Store, tmp_path / "races.sqlite")
    finally:
        first.close()


def test_a_file_of_a_newer_swingoff_is_refused(tmp_path: Path) -> None:
    Store(tmp_path / "races.sqlite").close()
    db = sqlite3.connect(tmp_path / "races.sqlite")
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(StoreFailed, match="written by a newer swingoff"):
        Store(tmp_path / "races.sqlite")


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    (tmp_path / "races.sqlite").write_bytes(b"not a database, but long enough to be looked at" * 100)
    with pytest.raises(StoreFailed, match="not a database"):
        Store(tmp_path / "races.sqlite")


async def test_seats_remember_generation_and_claim(store: Store) -> None:
    await store.create_race(race())
    await store.save_seat("ABCDEF", "rider:maya", SeatRow(generation=0, claimed=True))
    await store.save_seat("ABCDEF", "rider:maya", SeatRow(generation=1, claimed=False))
    assert await store.seats("ABCDEF") == {"rider:maya": SeatRow(generation=1, claimed=False)}


async def test_writes_after_the_end_fail_with_our_own_error(tmp_path: Path) -> None:
    store = Store(tmp_path / "races.sqlite")
    store.close()
    with pytest.raises(StoreFailed):
        await store.race("ABCDEF")
