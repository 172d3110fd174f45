"""server/hub.py: bounded queues, the newest state for the slow."""

import asyncio

from server.hub import Hub, Listener


def listener(seat: str = "director", most_waiting: int = 3) -> Listener:
    return Listener(seat=seat, most_waiting=most_waiting)


async def test_answers_come_all_and_in_order_before_the_newest_state() -> None:
    one = listener()
    one.newest("state", "state 1")
    one.answer("ack 1")
    one.answer("ack 2")
    assert [await one.next() for _ in range(3)] == ["ack 1", "ack 2", "state 1"]


async def test_of_states_only_the_newest_waits() -> None:
    one = listener()
    for number in range(1_000):
        one.newest("state", f"state {number}")
        one.newest("presence", f"presence {number}")
    assert [await one.next(), await one.next()] == ["state 999", "presence 999"]


async def test_what_is_told_anew_leaves_after_what_was_told_before_it() -> None:
    # The near future was told, then the whole one, then the near one anew: a page must end with the newest.
    one = listener()
    for topic, text in (("state", "near 1"), ("whole", "whole 2"), ("state", "near 3")):
        one.newest(topic, text)
    assert [await one.next(), await one.next()] == ["whole 2", "near 3"]


async def test_a_listener_with_too_many_answers_waiting_is_dropped() -> None:
    one, dropped = listener(), []
    one.on_drop = lambda: dropped.append(True)
    for number in range(4):
        one.answer(f"ack {number}")
    assert one.dropped
    assert dropped == [True]
    assert await one.next() is None


async def test_an_answer_may_be_made_when_it_leaves() -> None:
    one = listener()
    made: list[str] = []
    one.answer(lambda: made.append("now") or "pong")  # type: ignore[func-returns-value]
    assert made == []
    assert await one.next() == "pong"
    assert made == ["now"]


async def test_a_listener_that_waits_is_woken() -> None:
    one = listener()
    waiting = asyncio.create_task(one.next())
    await asyncio.sleep(0)
    one.newest("state", "state 1")
    assert await waiting == "state 1"


def test_everybody_gets_what_is_published() -> None:
    hub = Hub()
    ones = [listener(), listener("rider:maya")]
    for one in ones:
        hub.add(one)
    hub.publish("state", "state 1")
    assert [one._newest for one in ones] == [{"state": "state 1"}] * 2
    assert hub.of("rider:maya") == (ones[1],)
    hub.remove(ones[0])
    assert len(hub) == 1


def test_whoever_takes_too_long_over_one_frame_is_dropped_and_nobody_else() -> None:
    hub = Hub()
    quick, slow, stuck = listener(), listener(), listener()
    for one in (quick, slow, stuck):
        hub.add(one)
    slow.sending_since_ms, stuck.sending_since_ms = 9_500, 1_000
    hub.drop_slow(10_000, 5_000)
    assert [one.dropped for one in (quick, slow, stuck)] == [False, False, True]
