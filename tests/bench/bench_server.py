"""How long a tap takes to be on every screen, with everything real: sockets, disk, race; how many states the server
sends in a second; how much each listener costs; and how long a restarted server takes to be in the race again.

The server is a process of its own; the pages, in this one, take their share of the same machine.
"""

import asyncio
import json
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

import websockets
from websockets.asyncio.client import ClientConnection

from tests.conftest import LiveServer
from tests.server.serving import RIDERS, ROWS, Made

SHORT = os.environ.get("BENCH_SHORT") == "1"
TAPS = 60 if SHORT else 400
PAGES = (2, 10) if SHORT else (2, 10, 50)
RACES = 4 if SHORT else 16
PAGES_A_RACE = 12


def opened(server: LiveServer, riders: int = 4) -> Made:
    """A race, planned and open."""
    made = Made(**server.call("POST", "/api/races", {"name": "Bench"}))
    path = f"/api/races/{made.code}"
    server.call("PUT", f"{path}/course-table", {"name": "Nine", "rows": ROWS}, made.ticket)
    server.call("PUT", f"{path}/riders", RIDERS[:riders], made.ticket)
    server.call("PUT", f"{path}/rules", {"counted": 3}, made.ticket)
    server.call("POST", f"{path}/plan", {"method": "steady"}, made.ticket)
    made.links = server.call("POST", f"{path}/open", ticket=made.ticket)
    return made


async def page_on(server: LiveServer, made: Made, seat: int) -> ClientConnection:
    """A page of the director, or of one of the riders, that has had its first state."""
    tickets = [made.ticket, *(link["url"].partition("#")[2] for link in made.links["riders"])]
    page = await websockets.connect(f"{server.socket_url}/api/races/{made.code}/live", max_size=None, compression=None)
    await page.send(json.dumps({"kind": "hello", "ticket": tickets[seat % len(tickets)]}))
    while json.loads(await page.recv())["kind"] != "state":
        pass
    return page


def taps(number: int) -> str:
    """A tap that changes the line, and can always be taken."""
    order = ["maya", "otto", "ana", "jo"] if number % 2 else ["jo", "maya", "otto", "ana"]
    act = {"act": "order_seen", "order": order}
    return json.dumps({"kind": "tap", "tap": f"bench-{number:06}", "act": act})


async def tap_to_all(server: LiveServer, made: Made, pages: int) -> tuple[list[float], float]:
    """From sending a tap to the last page having its state, ms each; and the size of a state, kB."""
    loop = asyncio.get_running_loop()
    everybody = [await page_on(server, made, seat) for seat in range(pages)]
    director = everybody[0]
    seen: dict[int, asyncio.Future[float]] = {}
    size = 0

    async def watch(page: ClientConnection) -> None:
        nonlocal size
        async for text in page:
            if '"kind":"state"' in text[:20]:
                size = len(text)
                seq = json.loads(text)["log"][-1]["at_ms"]
                seen.setdefault(id(page), loop.create_future())
                if not seen[id(page)].done():
                    seen[id(page)].set_result(seq)

    watching = [asyncio.create_task(watch(page)) for page in everybody]
    took = []
    for number in range(TAPS):
        seen.clear()
        for page in everybody:
            seen[id(page)] = loop.create_future()
        begun = time.perf_counter()
        await director.send(taps(number + 1_000 * pages))
        await asyncio.gather(*seen.values())
        took.append((time.perf_counter() - begun) * 1000)
        await asyncio.sleep(0.03)
    for task in watching:
        task.cancel()
    await asyncio.gather(*watching, return_exceptions=True)
    await asyncio.gather(*(page.close() for page in everybody))
    return took, size / 1000


async def fan_out(server: LiveServer, races: list[Made]) -> tuple[float, float, float]:
    """States a second that arrive while every race's director taps as fast as is acknowledged; taps a second; MB/s."""
    received = taken = length = 0

    async def listen(page: ClientConnection) -> None:
        nonlocal received, length
        async for text in page:
            received += 1
            length += len(text)

    async def drive(page: ClientConnection) -> None:
        nonlocal taken, received, length
        for number in range(TAPS // 2):
            await page.send(taps(number + 500_000))
            while True:
                text = await page.recv()
                received += 1
                length += len(text)
                if '"ack"' in text[:20]:
                    break
            taken += 1
            await asyncio.sleep(0.028)  # no more than a page may send

    directors = [await page_on(server, made, 0) for made in races]
    listeners = [await page_on(server, made, 1 + seat) for made in races for seat in range(PAGES_A_RACE - 1)]
    listening = [asyncio.create_task(listen(page)) for page in listeners]
    received = length = 0
    begun = time.perf_counter()
    await asyncio.gather(*(drive(page) for page in directors))
    took = time.perf_counter() - begun
    for task in listening:
        task.cancel()
    await asyncio.gather(*listening, return_exceptions=True)
    await asyncio.gather(*(page.close() for page in (*directors, *listeners)))
    return received / took, taken / took, length / took / 1e6


def memory_kb(pid: int) -> int | None:
    """What a process holds; None where the system doesn't say."""
    try:
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1])
    except OSError:
        pass
    return None


async def start_race(server: LiveServer, made: Made) -> None:
    """The countdown runs, long enough for everything here."""
    page = await page_on(server, made, 0)
    act = {"act": "set_start", "countdown_s": 600}
    await page.send(json.dumps({"kind": "tap", "tap": "bench-start", "act": act}))
    while json.loads(await page.recv())["kind"] != "ack":
        pass
    await page.close()


def quantiles(values: list[float]) -> str:
    """Median, 95 % and worst."""
    cuts = statistics.quantiles(values, n=100)
    return f"p50 {cuts[49]:.1f}  p95 {cuts[94]:.1f}  p99 {cuts[98]:.1f}  max {max(values):.1f} ms"


async def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        server = LiveServer(Path(folder) / "data")
        os.environ["SWINGOFF_VOICE"] = "off"
        server.start()
        try:
            made = await asyncio.to_thread(opened, server)
            await start_race(server, made)
            for pages in PAGES:
                took, size = await tap_to_all(server, made, pages)
                print(f"tap to the last of {pages:2} screens: {quantiles(took)}; a state is {size:.1f} kB")

            races = [await asyncio.to_thread(opened, server) for _ in range(RACES)]
            for one in races:
                await start_race(server, one)
            before = memory_kb(server.pid)
            many = [await page_on(server, one, seat) for one in races for seat in range(PAGES_A_RACE)]
            after = memory_kb(server.pid)
            await asyncio.gather(*(page.close() for page in many))
            if before is not None and after is not None:
                each = (after - before) / len(many)
                print(f"{len(many)} pages on {RACES} races: {each:.0f} kB a page, {after / 1000:.0f} MB in all")
            sent, taken, rate = await fan_out(server, races)
            print(
                f"{RACES} races, {PAGES_A_RACE} pages each: "
                f"{sent:.0f} messages/s, {taken:.0f} taps/s on disk, {rate:.1f} MB/s"
            )

            server.kill()
            begun = time.perf_counter()
            server.start()
            page = await page_on(server, made, 0)
            print(f"from kill -9 to a page with its state again: {time.perf_counter() - begun:.2f} s")
            await page.close()
        finally:
            server.stop()


if __name__ == "__main__":
    asyncio.run(main())
    sys.exit(0)
