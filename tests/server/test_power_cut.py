"""The server killed in the middle of a race, as by ``kill -9``, and started again on the same data."""

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

import pytest
import websockets

from tests.conftest import LiveServer
from tests.server.serving import RIDERS, ROWS, Made, Page


def opened(server: LiveServer) -> Made:
    """A race by HTTP alone, planned by the real worker, and open."""
    made = Made(**server.call("POST", "/api/races", {"name": "Evening race"}))
    path = f"/api/races/{made.code}"
    server.call("PUT", f"{path}/course-table", {"name": "Nine", "rows": ROWS}, made.ticket)
    server.call("PUT", f"{path}/riders", RIDERS, made.ticket)
    server.call("PUT", f"{path}/rules", {"counted": 3}, made.ticket)
    server.call("POST", f"{path}/plan", {"method": "steady"}, made.ticket)
    made.links = server.call("POST", f"{path}/open", ticket=made.ticket)
    return made


Join = Callable[[LiveServer, str, str], Awaitable[Page]]


@pytest.fixture
async def page_on() -> AsyncIterator[Join]:
    """Opens a page on a server; all of them are closed afterwards."""
    pages: list[Page] = []

    async def join(server: LiveServer, code: str, ticket: str) -> Page:
        page = Page(await websockets.connect(f"{server.socket_url}/api/races/{code}/live", max_size=None))
        pages.append(page)
        await page.send(kind="hello", ticket=ticket)
        await page.next("welcome", within_s=15)
        return page

    yield join
    await asyncio.gather(*(page.close() for page in pages), return_exceptions=True)


async def race_clock(page: Page) -> tuple[float, float]:
    """The race clock and this test's own, both in ms, read together."""
    loop = asyncio.get_running_loop()
    before = loop.time()
    await page.send(kind="ping", sent=0)
    pong = await page.next("pong")
    assert pong["running"]
    return float(pong["answered_ms"]), (before + loop.time()) * 500


def due(state: dict[str, Any], from_ms: float) -> dict[str, int]:
    return {cue["id"]: cue["due_ms"] for cue in state["cues"] if cue["due_ms"] > from_ms}


async def test_a_race_goes_on_after_kill_9_same_state_same_cues_same_instants(
    live_server: LiveServer, page_on: Join
) -> None:
    made = await asyncio.to_thread(opened, live_server)
    director = await page_on(live_server, made.code, made.ticket)
    rider = await page_on(live_server, made.code, made.ticket_of("otto"))
    assert (await director.settled(await director.tap("set_start", countdown_s=5)))["kind"] == "ack"
    while (await director.next("state", within_s=10))["phase"] != "racing":
        pass
    assert (await rider.settled(await rider.tap("felt_good", tap="before-the-cut", rider="otto")))["seq"] == 3
    key = await director.tap("rejoined_at", tap="wrong-slot-1", rider="jo", slot=1)
    assert (await director.settled(key))["seq"] == 4
    director = await page_on(live_server, made.code, made.ticket)  # joining tells the whole future
    before = await director.next("state")
    clock_ms, own_ms = await race_clock(director)

    live_server.kill()
    await asyncio.to_thread(live_server.start)

    director = await page_on(live_server, made.code, made.ticket)
    after = await director.next("state")
    clock_after_ms, own_after_ms = await race_clock(director)
    assert abs((clock_after_ms - clock_ms) - (own_after_ms - own_ms)) < 100  # two processes read one wall clock
    assert after["phase"] == "racing"
    assert [place["rider"] for place in after["line"]] == [place["rider"] for place in before["line"]]
    assert after["turn"]["number"] == before["turn"]["number"]
    ahead = due(before, after["clock"])
    assert len(ahead) > 20
    assert due(after, after["clock"]) == ahead

    again = await director.settled(await director.tap("rejoined_at", tap="wrong-slot-1", rider="jo", slot=1))
    assert again == {"kind": "ack", "tap": "wrong-slot-1", "seq": 4}
    rider = await page_on(live_server, made.code, made.ticket_of("otto"))
    assert (await rider.settled(await rider.tap("felt_good", tap="before-the-cut", rider="otto")))["seq"] == 3
    lines = await asyncio.to_thread(_log, live_server, made)
    assert [json.loads(line)["kind"] for line in lines] == ["race_opened", "start_set", "felt_good", "rejoined_at"]


def _log(server: LiveServer, made: Made) -> list[str]:
    import urllib.request

    request = urllib.request.Request(
        f"{server.url}/api/races/{made.code}/log", headers={"Authorization": f"Bearer {made.ticket}"}
    )
    with urllib.request.urlopen(request, timeout=10) as answer:
        return list(answer.read().decode().splitlines())


async def test_every_tap_that_was_acknowledged_is_there_after_kill_9(live_server: LiveServer, page_on: Join) -> None:
    """Killed while taps are pouring in: what was acknowledged is on disk, in the order acknowledged, once."""
    made = await asyncio.to_thread(opened, live_server)
    director = await page_on(live_server, made.code, made.ticket)
    await director.settled(await director.tap("set_start", countdown_s=600))
    acknowledged: dict[int, str] = {}

    async def hear() -> None:
        try:
            while True:
                message = await director.next("ack")
                acknowledged[message["seq"]] = message["tap"]
        except (websockets.ConnectionClosed, TimeoutError):
            return

    hearing = asyncio.create_task(hear())
    try:
        for number in range(100):
            order = ["maya", "otto", "ana", "jo"] if number % 2 else ["jo", "maya", "otto", "ana"]
            await director.tap("order_seen", tap=f"pouring-{number:04}", order=order)
            await asyncio.sleep(0.005)  # no more than a page may send
            if len(acknowledged) > 30:
                break
    finally:
        live_server.kill()
    await hearing
    assert len(acknowledged) > 30
    await asyncio.to_thread(live_server.start)
    director = await page_on(live_server, made.code, made.ticket)
    for seq, tap in acknowledged.items():
        order = ["maya", "otto", "ana", "jo"] if int(tap[-4:]) % 2 else ["jo", "maya", "otto", "ana"]
        assert await director.settled(await director.tap("order_seen", tap=tap, order=order)) == {
            "kind": "ack",
            "tap": tap,
            "seq": seq,
        }
        await asyncio.sleep(0.03)  # slower than a flood


async def test_a_second_server_on_the_same_data_is_told_so(live_server: LiveServer) -> None:
    await asyncio.to_thread(opened, live_server)
    second = LiveServer(live_server.data)
    try:
        with pytest.raises(AssertionError, match=r"code 2(.|\n)*another swingoff is running on this data directory"):
            await asyncio.to_thread(second.start)
    finally:
        second.stop()
