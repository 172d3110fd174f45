"""server/routes/live.py against whatever comes: strangers, nonsense, floods, pages that don't read."""

import asyncio
import json
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import websockets
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from websockets.asyncio.client import ClientConnection

from server.wire.inbound import inbound_adapter
from tests.server.serving import Arena, Page, arena, faults


@pytest.fixture
async def here(tmp_path: Path) -> AsyncIterator[Arena]:
    async with arena(tmp_path / "data", hello_s=0.3, send_s=0.5) as running:
        yield running


async def farewell(connection: ClientConnection, within_s: float = 8.0) -> tuple[list[dict[str, Any]], int]:
    """All that is still said, and the close code."""
    said: list[dict[str, Any]] = []
    async with asyncio.timeout(within_s):
        try:
            while True:
                said.append(json.loads(await connection.recv()))
        except websockets.ConnectionClosed as closed:
            return said, closed.rcvd.code if closed.rcvd else 1006


# Who may listen


async def test_a_wrong_ticket_is_told_so_and_sent_off_for_good(here: Arena) -> None:
    made = await here.opened()
    page = Page(await here.connect(made.code))
    await page.send(kind="hello", ticket="x" * 32)
    said, code = await farewell(page.connection)
    assert [message["code"] for message in said] == ["not_allowed"]
    assert code == 4403


async def test_a_ticket_of_another_race_opens_nothing(here: Arena) -> None:
    made, other = await here.opened("One"), await here.opened("Other")
    page = Page(await here.connect(made.code))
    await page.send(kind="hello", ticket=other.ticket)
    assert (await farewell(page.connection))[1] == 4403


async def test_a_race_that_is_not_there_is_told_so(here: Arena) -> None:
    page = Page(await here.connect("ZZZZZZ"))
    await page.send(kind="hello", ticket="x" * 32)
    said, code = await farewell(page.connection)
    assert (said[0]["code"], code) == ("not_known", 4404)


async def test_a_lobby_that_is_not_open_yet_lets_the_page_come_back(here: Arena) -> None:
    made = await here.set_up()
    page = Page(await here.connect(made.code))
    await page.send(kind="hello", ticket=made.ticket)
    said, code = await farewell(page.connection)
    assert (said[0]["code"], code) == ("not_yet", 4409)


async def test_a_socket_that_says_nothing_is_closed(here: Arena) -> None:
    made = await here.opened()
    said, code = await farewell(await here.connect(made.code))
    assert (said[0]["code"], code) == ("too_late", 4408)


async def test_the_first_frame_must_be_hello(here: Arena) -> None:
    made = await here.opened()
    page = Page(await here.connect(made.code))
    await page.send(kind="ping", sent=1)
    said, code = await farewell(page.connection)
    assert said[0]["sentence"] == "first frame: found ping; expected hello with a ticket"
    assert code == 1007


async def test_a_page_of_another_site_gets_no_socket(here: Arena) -> None:
    made = await here.opened()
    with pytest.raises(websockets.InvalidStatus) as refused:
        await websockets.connect(here.socket_url(made.code), origin=websockets.Origin("https://elsewhere.example"))
    assert refused.value.response.status_code == 403
    own = await websockets.connect(here.socket_url(made.code), origin=websockets.Origin(here.url))
    await own.close()


async def test_a_host_name_that_is_not_ours_gets_no_socket(here: Arena) -> None:
    made = await here.opened()
    with pytest.raises(websockets.InvalidStatus) as refused:
        await websockets.connect(
            f"ws://rebound.example:{here.port}/api/races/{made.code}/live", host="127.0.0.1", port=here.port
        )
    assert refused.value.response.status_code == 403


# Nonsense

AWKWARD = [
    "",
    "{",
    "null",
    "[]",
    '"hello"',
    "[" * 50_000,
    '{"kind":' * 5_000,
    '{"kind":"hello","ticket":"' + "x" * 60_000 + '"}',
    '{"kind":"tap","tap":"12345678","act":{"act":"swung_off"}}',
    '{"kind":"tap","tap":"12345678","act":{"act":"swung_off","rider":"maya","extra":1}}',
    '{"kind":"tap","tap":"12345678","act":{"act":"no_such_act"}}',
    '{"kind":"tap","tap":"12345678","seen_ms":1e400,"act":{"act":"undo"}}',
    '{"kind":"tap","tap":"12345678","act":{"act":"landmark_passed","at_m":NaN}}',
    '{"kind":"tap","tap":"12345678","act":{"act":"landmark_passed","at_m":-1}}',
    '{"kind":"tap","tap":"12345678","act":{"act":"rejoined_at","rider":"maya","slot":99999999999999999999999}}',
    '{"kind":"tap","tap":"\\ud800\\ud800\\ud800\\ud800\\ud800\\ud800\\ud800\\ud800","act":{"act":"undo"}}',
    '{"kind":"tap","tap":"\\u0000\\u0000\\u0000\\u0000\\u0000\\u0000\\u0000\\u0000","act":{"act":"undo"}}',
    '{"kind":"ping","sent":"soon"}',
    '{"kind":"ping","sent":Infinity}',
    '{"kind":"ready","ready":null}',
    '{"kind":"welcome"}',
    '{"kind":1}',
    '{"act":"undo"}',
]


async def _answered(page: Page) -> None:
    """The socket lives: a ping is answered; whatever else was said came before it."""
    await page.send(kind="ping", sent=4711.0)
    async with asyncio.timeout(5):
        while True:
            message = await page.next("pong", "error", "ack")
            if message["kind"] == "pong" and message["sent"] == 4711.0:
                return


@pytest.mark.parametrize("frame", AWKWARD, ids=range(len(AWKWARD)))
async def test_an_awkward_frame_is_answered_by_a_sentence_and_harms_nobody(here: Arena, frame: str) -> None:
    made = await here.opened()
    page = await here.page(made.code, made.ticket)
    with faults() as found:
        await page.connection.send(frame)
        message = await page.next("error")
        assert message["code"] in {"not_understood", "request_refused", "not_allowed"}
        assert 0 < len(message["sentence"]) <= 400
        assert message["sentence"].isprintable()
        await _answered(page)
    assert found.told == []


async def test_bytes_are_answered_by_a_sentence(here: Arena) -> None:
    made = await here.opened()
    page = await here.page(made.code, made.ticket)
    await page.connection.send(b"\x00\xff")
    assert "found bytes" in (await page.next("error"))["sentence"]
    await _answered(page)


async def test_a_frame_larger_than_64_kb_is_closed_with_1009(here: Arena) -> None:
    made = await here.opened()
    page = await here.page(made.code, made.ticket)
    with faults() as found:
        await page.connection.send("x" * 65_537)
        assert (await farewell(page.connection))[1] == 1009
    assert found.told == []


async def test_text_that_is_no_utf_8_is_closed_with_1007_and_is_no_fault_of_ours(here: Arena) -> None:
    made = await here.opened()
    page = await here.page(made.code, made.ticket)
    with faults() as found:
        await page.connection.send(b"\xff\xfe\xfd", text=True)
        assert (await farewell(page.connection))[1] == 1007
        other = await here.page(made.code, made.ticket)
        await _answered(other)
    assert found.told == []


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["kind", "act", "tap", "rider", "slot", "ticket", "sent"]) | st.text(max_size=5),
            inner,
            max_size=5,
        )
    ),
    max_leaves=12,
)
tap_like = st.fixed_dictionaries(
    {
        "kind": st.just("tap"),
        "tap": st.text(min_size=6, max_size=70),
        "act": st.fixed_dictionaries(
            {
                "act": st.sampled_from(
                    ["swung_off", "rejoined_at", "order_seen", "undo", "landmark_passed", "cut_turn", "set_start"]
                )
            },
            optional={
                "rider": st.sampled_from(["maya", "otto", "nobody", ""]) | st.text(max_size=5),
                "slot": st.integers(-2, 12),
                "order": st.lists(st.sampled_from(["maya", "otto", "ana", "jo", "nobody"]), max_size=12),
                "at_m": st.floats(),
                "countdown_s": st.integers(-10, 700),
            },
        ),
    },
    optional={"seen_ms": st.integers() | st.floats()},
)
frames = st.text(max_size=200) | st.binary(max_size=200) | json_like.map(json.dumps) | tap_like.map(json.dumps)


async def test_whatever_bytes_come_the_answer_is_a_message_or_a_close_never_a_fault_never_a_hang(
    tmp_path: Path,
) -> None:
    async with arena(tmp_path / "data", frames_per_s=1e6, frames_burst=1e6) as here:
        made = await here.opened()
        director = await here.page(made.code, made.ticket)
        pages = [director, await here.page(made.code, made.ticket_of("maya"))]
        loop = asyncio.get_running_loop()
        tried: list[list[str | bytes]] = []

        @settings(max_examples=150, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        @given(st.lists(frames, min_size=1, max_size=5))
        def gather(batch: list[str | bytes]) -> None:
            tried.append(batch)

        await loop.run_in_executor(None, gather)
        with faults() as found:
            for number, batch in enumerate(tried):
                page = pages[number % 2]
                for frame in batch:
                    await page.connection.send(
                        frame.encode("utf-8", "replace").decode() if isinstance(frame, str) else frame
                    )
                await _answered(page)
        assert found.told == []
        assert len(tried) >= 100
        # Whatever was taken replays.
        await here.parts.house._let_go(await here.parts.house.race(made.code))
        here.parts.house._races.clear()
        again = await here.page(made.code, made.ticket)
        await _answered(again)


@settings(max_examples=300, deadline=None)
@given(frames)
def test_the_parser_says_no_with_one_kind_of_error(frame: str | bytes) -> None:
    from pydantic import ValidationError

    from server.wire.errors import problem_of

    try:
        inbound_adapter.validate_json(frame)
    except ValidationError as error:
        problem = problem_of(error)
        assert problem.code == "not_understood"
        assert 0 < len(problem.sentence) <= 400


# Floods and pages that don't read


async def test_a_page_that_floods_is_sent_off_and_the_others_go_on(here: Arena) -> None:
    made = await here.opened()
    flood, other = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket)
    with faults() as found:
        for _ in range(2_000):
            try:
                await flood.send(kind="ping", sent=1)
            except websockets.ConnectionClosed:
                break
        assert (await farewell(flood.connection))[1] in (4429, 1013)
        await _answered(other)
    assert found.told == []


async def test_a_page_that_does_not_read_holds_up_nobody_and_is_let_go(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    # A page that reads nothing: its receive window closes, then the server's own buffer fills.
    reader, writer = await asyncio.open_connection("127.0.0.1", here.port, limit=1_024)
    writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
    writer.write(
        f"GET /api/races/{made.code}/live HTTP/1.1\r\nHost: 127.0.0.1:{here.port}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()  # the key of RFC 6455, 1.3
    )
    await reader.readuntil(b"\r\n\r\n")
    hello = json.dumps({"kind": "hello", "ticket": made.ticket_of("maya")}).encode()
    writer.write(bytes([0x81, 0x80 | len(hello)]) + bytes(4) + hello)  # masked with zeros
    await writer.drain()
    race = await here.parts.house.race(made.code)
    assert race.live is not None
    async with asyncio.timeout(5):
        while not race.live.hub.of("rider:maya"):
            await asyncio.sleep(0.01)
    reader._transport.pause_reading()  # type: ignore[attr-defined]

    await director.settled(await director.tap("set_start", countdown_s=120))
    slowest_s = 0.0
    loop = asyncio.get_running_loop()
    dropped_after = None
    for number in range(400):
        begun = loop.time()
        order = ["maya", "otto", "ana", "jo"] if number % 2 else ["jo", "maya", "otto", "ana"]
        await director.settled(await director.tap("order_seen", order=order))
        slowest_s = max(slowest_s, loop.time() - begun)
        if not race.live.hub.of("rider:maya"):
            dropped_after = number
            break
        await asyncio.sleep(0.02)
    assert dropped_after is not None, "the page that does not read was never let go"
    assert slowest_s < 1.0
    assert len(race.live.hub) == 1
    writer.close()


async def test_a_race_bears_only_so_many_pages(tmp_path: Path) -> None:
    async with arena(tmp_path / "data", listeners=3) as here:
        made = await here.opened()
        for _ in range(3):
            await here.page(made.code, made.ticket)
        page = Page(await here.connect(made.code))
        await page.send(kind="hello", ticket=made.ticket)
        said, code = await farewell(page.connection)
        assert (said[0]["code"], code) == ("too_many", 1013)
