"""server/clock.py: a wall nobody can set back, and the race clock hung on it."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.clock import Clock, RaceClock


class Hands:
    """A clock's two readings, set by the test."""

    def __init__(self) -> None:
        self.wall_s = 1_000.0
        self.steady_s = 50.0

    def clock(self) -> Clock:
        return Clock(lambda: self.wall_s, lambda: self.steady_s)


def test_setting_the_machines_time_moves_nothing() -> None:
    hands = Hands()
    clock = hands.clock()
    assert clock.wall_ms() == 1_000_000
    hands.steady_s += 2
    hands.wall_s -= 3_600  # somebody sets it back an hour
    assert clock.wall_ms() == 1_002_000
    hands.wall_s += 7_200
    assert clock.wall_ms() == 1_002_000


def test_after_a_restart_the_wall_is_read_anew() -> None:
    hands = Hands()
    hands.clock()
    hands.wall_s, hands.steady_s = 1_010.0, 3.0  # another boot, ten seconds later
    assert hands.clock().wall_ms() == 1_010_000


@given(gun=st.floats(1e12, 2e12), race=st.integers(-600_000, 36_000_000), rate=st.sampled_from([0.5, 1.0, 4.0, 8.0]))
def test_a_race_clock_shows_what_it_was_told_to_and_there_and_back_is_the_same(
    gun: float, race: int, rate: float
) -> None:
    clock = RaceClock.showing(race, gun, rate)
    assert clock.race_ms(gun) == pytest.approx(race, abs=0.01)
    assert clock.race_ms(clock.wall_ms(race + 5_000)) == pytest.approx(race + 5_000, abs=0.01)
    assert clock.race_ms(gun + 1_000) - clock.race_ms(gun) == pytest.approx(1_000 * rate, abs=0.01)


async def test_get_gives_what_is_there_before_it_looks_at_the_time() -> None:
    clock = Clock()
    inbox: asyncio.Queue[str] = asyncio.Queue()
    inbox.put_nowait("a fact")
    assert await clock.get(inbox, clock.wall_ms() - 1) == "a fact"


async def test_get_gives_none_at_the_instant_and_not_before() -> None:
    clock = Clock()
    inbox: asyncio.Queue[str] = asyncio.Queue()
    until_ms = clock.wall_ms() + 30
    assert await clock.get(inbox, until_ms) is None
    assert clock.wall_ms() >= until_ms


async def test_get_loses_nothing_that_comes_at_the_very_instant() -> None:
    clock = Clock()
    inbox: asyncio.Queue[int] = asyncio.Queue()
    heard: list[int] = []

    async def listen() -> None:
        while len(heard) < 200:
            got = await clock.get(inbox, clock.wall_ms() + 1)
            if got is not None:
                heard.append(got)

    async def talk() -> None:
        for number in range(200):
            inbox.put_nowait(number)
            await asyncio.sleep(0.001)

    async with asyncio.timeout(10):
        await asyncio.gather(listen(), talk())
    assert heard == list(range(200))
