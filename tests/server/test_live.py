"""server/runner/live.py and routes/live.py: one race's life over real sockets and real SQLite."""

import asyncio
import json
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import websockets

from server.clock import Clock
from server.store import StoreFailed
from server.voice import Clip, VoiceStatus
from tests.server.serving import Arena, Page, arena, faults


@pytest.fixture
async def here(tmp_path: Path) -> AsyncIterator[Arena]:
    async with arena(tmp_path / "data") as running:
        yield running


async def started(page: Page, countdown_s: int = 5) -> None:
    """The start is set and the gun has not gone."""
    assert (await page.settled(await page.tap("set_start", countdown_s=countdown_s)))["kind"] == "ack"


async def state_where(page: Page, true: Any, within_s: float = 8.0) -> dict[str, Any]:
    """The first state that this holds for."""
    async with asyncio.timeout(within_s):
        while True:
            state = await page.next("state")
            if true(state):
                return state


async def test_a_page_is_welcomed_with_who_it_is_and_the_whole_state(here: Arena) -> None:
    made = await here.opened()
    page = Page(await here.connect(made.code))
    await page.send(kind="hello", ticket=made.ticket_of("otto"))
    welcome = await page.next()
    assert welcome["kind"] == "welcome"
    assert welcome["you"] == {"role": "rider", "rider": "otto"}
    assert [rider["name"] for rider in welcome["roster"]] == ["Maya", "Otto", "Ana", "Jo"]
    assert len({rider["mark"] for rider in welcome["roster"]}) == 4
    state = await page.next("state")
    assert state["phase"] == "lobby"
    assert state["clock"] is None


async def test_a_directors_start_reaches_every_screen_with_the_countdown_ahead(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    rider = await here.page(made.code, made.ticket_of("ana"))
    await started(director)
    for page in (director, rider):
        state = await state_where(page, lambda state: state["phase"] == "countdown")
        assert -5_000 <= state["clock"] < -3_000
        due = {cue["kind"]: cue["due_ms"] for cue in state["cues"]}
        assert due["start"] == 0


async def test_the_race_goes_on_after_the_gun_without_anybody_saying_anything(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director)
    state = await state_where(director, lambda state: state["phase"] == "racing")
    assert state["turn"]["rider"] == state["line"][0]["rider"]


async def test_a_tap_sent_twice_over_two_sockets_counts_once(here: Arena) -> None:
    made = await here.opened()
    one, other = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket)
    await started(one, 60)
    first = await one.settled(await one.tap("order_seen", tap="same-tap-1", order=["otto", "maya", "ana", "jo"]))
    again = await other.settled(await other.tap("order_seen", tap="same-tap-1", order=["otto", "maya", "ana", "jo"]))
    assert first == again == {"kind": "ack", "tap": "same-tap-1", "seq": 3}
    lines = await here.call("GET", f"/api/races/{made.code}/log", ticket=made.ticket)
    assert len(lines.text.splitlines()) == 3


async def test_the_same_key_from_another_seat_is_another_tap(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    rider = await here.page(made.code, made.ticket_of("jo"))
    await started(director, 60)
    assert (await director.settled(await director.tap("retired", tap="shadowed-1", rider="ana")))["seq"] == 3
    assert (await rider.settled(await rider.tap("retired", tap="shadowed-1", rider="jo")))["seq"] == 4


async def test_two_directors_see_what_each_other_said(here: Arena) -> None:
    made = await here.opened()
    one, other = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket)
    await started(one, 60)
    await other.settled(await other.tap("order_seen", order=["jo", "ana", "otto", "maya"]))
    for page in (one, other):
        state = await state_where(page, lambda state: state["line"][0]["rider"] == "jo")
        assert state["log"][-1]["what"] == "order_seen"
        assert state["log"][-1]["by"] == "director 2"


async def test_what_two_directors_call_at_once_is_called_once(here: Arena) -> None:
    made = await here.opened()
    one, other = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket)
    await started(one, 60)
    for page in (one, other):
        assert (await page.settled(await page.tap("call_aloud", aloud="ease")))["kind"] == "ack"
    state = await state_where(
        one, lambda state: len([line for line in state["log"] if line["what"] == "call_aloud"]) == 2
    )
    assert [cue["kind"] for cue in state["cues"]].count("ease") == 1


@pytest.mark.parametrize(
    ("act", "words"),
    [
        ("set_start", {"countdown_s": 10}),
        ("call_off_start", {}),
        ("undo", {}),
        ("cut_turn", {}),
        ("lengthen_turn", {"by_s": 10}),
        ("call_aloud", {"aloud": "stop"}),
        ("race_finished", {}),
        ("order_seen", {"order": ["otto", "maya"]}),
        ("gap_opened", {"rider": "otto"}),
        ("wait_for", {"rider": "otto"}),
        ("lost_wheel", {"rider": "maya"}),  # another rider's
    ],
)
async def test_a_riders_ticket_cannot_do_a_directors_act(here: Arena, act: str, words: dict[str, Any]) -> None:
    made = await here.opened()
    rider = await here.page(made.code, made.ticket_of("otto"))
    answer = await rider.settled(await rider.tap(act, **words))
    assert (answer["kind"], answer["code"]) == ("error", "not_allowed")
    assert answer["sentence"].startswith("a rider's link can")
    log = await here.call("GET", f"/api/races/{made.code}/log", ticket=made.ticket)
    assert len(log.text.splitlines()) == 1


async def test_a_riders_own_acts_count(here: Arena) -> None:
    made = await here.opened()
    director, rider = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket_of("otto"))
    await started(director)
    await state_where(director, lambda state: state["phase"] == "racing")
    assert (await rider.settled(await rider.tap("felt_good", rider="otto")))["kind"] == "ack"
    state = await state_where(director, lambda state: state["log"][-1]["kind"] == "fact" and state["phase"] == "racing")
    assert state["log"][-1]["by"] == "rider:otto"


async def test_a_refused_request_is_told_to_its_sender_alone_and_leaves_no_line(here: Arena) -> None:
    made = await here.opened()
    director, other = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket)
    await other.next("presence")
    answer = await director.settled(await director.tap("call_off_start"))
    assert (answer["kind"], answer["code"]) == ("error", "request_refused")
    assert "no countdown is running" in answer["sentence"]
    await other.send(kind="ping", sent=1)
    assert (await other.next("pong", "error", "state"))["kind"] == "pong"
    log = await here.call("GET", f"/api/races/{made.code}/log", ticket=made.ticket)
    assert len(log.text.splitlines()) == 1


async def test_a_fact_about_nobody_in_this_race_is_refused_by_a_sentence(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director, 60)
    answer = await director.settled(await director.tap("retired", rider="nobody"))
    assert answer["kind"] == "error"
    assert "nobody" in answer["sentence"]


async def test_nothing_is_published_that_is_not_on_disk_and_the_race_lives(
    here: Arena, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = await here.opened()
    director, other = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket)
    await started(director, 60)
    await state_where(other, lambda state: state["phase"] == "countdown")
    race = await here.parts.house.race(made.code)
    store = race.live._store  # type: ignore[union-attr]
    append = store.append

    async def full(*_: Any) -> None:
        raise StoreFailed("database or disk is full")

    monkeypatch.setattr(store, "append", full)
    with faults() as found:
        answer = await director.settled(await director.tap("retired", tap="the-disk-1", rider="jo"))
    assert (answer["kind"], answer["code"]) == ("error", "not_stored")
    assert "database or disk is full" in answer["sentence"]
    assert found.told == [f"race {made.code}: entry 3 could not be written: database or disk is full"]
    await other.send(kind="ping", sent=1)
    async with asyncio.timeout(5):
        while (message := await other.next())["kind"] != "pong":
            assert message["kind"] != "state" or all(line["what"] != "retired" for line in message["log"])

    monkeypatch.setattr(store, "append", append)
    answer = await director.settled(await director.tap("retired", tap="the-disk-1", rider="jo"))
    assert answer == {"kind": "ack", "tap": "the-disk-1", "seq": 3}
    await state_where(other, lambda state: state["log"][-1]["what"] == "retired")


async def test_a_write_that_failed_and_is_there_after_all_counts_once(
    here: Arena, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk may say no and have done it: the log has the word."""
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director, 60)
    race = await here.parts.house.race(made.code)
    store = race.live._store  # type: ignore[union-attr]
    append = store.append

    async def written_but_lost(*words: Any) -> None:
        await append(*words)
        raise StoreFailed("disk I/O error")

    monkeypatch.setattr(store, "append", written_but_lost)
    key = await director.tap("retired", tap="the-disk-2", rider="jo")
    assert (await director.settled(key))["code"] == "not_stored"
    monkeypatch.setattr(store, "append", append)
    again = await director.settled(await director.tap("retired", tap="the-disk-2", rider="jo"))
    assert again == {"kind": "ack", "tap": "the-disk-2", "seq": 3}
    assert (await director.settled(await director.tap("retired", rider="ana")))["seq"] == 4
    log = await here.call("GET", f"/api/races/{made.code}/log", ticket=made.ticket)
    assert [json.loads(line)["kind"] for line in log.text.splitlines()] == [
        "race_opened",
        "start_set",
        "retired",
        "retired",
    ]


async def test_a_fault_in_telling_is_logged_and_the_race_goes_on(here: Arena, monkeypatch: pytest.MonkeyPatch) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)

    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("a bug")

    with faults() as found, monkeypatch.context() as patched:
        patched.setattr("server.runner.live.state_message", broken)
        await started(director, 60)
    assert any("could not tell the state" in text for text in found.told)
    await director.settled(await director.tap("retired", rider="jo"))
    state = await director.next("state")
    assert state["phase"] == "countdown"


async def test_a_fault_in_taking_is_told_to_the_sender_without_its_insides(
    here: Arena, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director, 60)

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("a bug with secrets")

    with faults(), monkeypatch.context() as patched:
        patched.setattr("server.runner.live.race.take", broken)
        answer = await director.settled(await director.tap("retired", rider="jo"))
    assert (answer["kind"], answer["code"]) == ("error", "our_fault")
    assert "secrets" not in answer["sentence"]
    assert (await director.settled(await director.tap("retired", rider="jo")))["kind"] == "ack"


async def test_presence_tells_who_is_here_ready_and_hears(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    rider = await here.page(made.code, made.ticket_of("maya"))
    await rider.send(kind="ready", ready=True)
    await rider.send(kind="sound", heard=True)

    def maya(message: dict[str, Any]) -> dict[str, Any]:
        return next(who for who in message["here"] if who["who"] == "rider:maya")

    async with asyncio.timeout(5):
        while (seen := maya(await director.next("presence"))) != {
            "who": "rider:maya",
            "devices": 1,
            "ready": True,
            "sound": True,
        }:
            assert seen["devices"] <= 1
    await rider.close()
    async with asyncio.timeout(5):
        while maya(await director.next("presence"))["devices"]:
            pass


async def test_a_pong_ties_the_race_clock_to_the_servers_own_which_a_page_learns_before_the_start(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await director.send(kind="ping", sent=1)
    before = await director.next("pong")
    await started(director, 60)
    await director.send(kind="ping", sent=2)
    after = await director.next("pong")
    assert (before["running"], before["gun_ms"]) == (False, None)
    assert before["epoch"] == after["epoch"]
    own_ms = after["received_ms"] + after["gun_ms"]
    assert 0 <= own_ms - before["received_ms"] < 10_000


async def test_the_whole_future_is_told_soon_after_each_fact_so_that_a_page_cut_off_then_holds_it(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director, 60)
    await director.settled(await director.tap("order_seen", order=["otto", "maya", "ana", "jo"]))
    begun_s = time.monotonic()
    whole = await state_where(director, lambda state: state["future"] == 3 and state["cues_until_ms"] > 400_000)
    # A second after the fact; the rest is for a busy machine. A race of nine kilometres lasts twelve minutes or so.
    assert time.monotonic() - begun_s < 4
    assert max(cue["due_ms"] for cue in whole["cues"]) > 400_000


async def test_pong_brings_back_what_was_sent_and_the_clock_of_the_race(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await director.send(kind="ping", sent=12.5)
    pong = await director.next("pong")
    assert (pong["sent"], pong["running"], pong["rate"]) == (12.5, False, 1.0)
    await started(director, 60)
    await director.send(kind="ping", sent=13.5)
    pong = await director.next("pong")
    assert pong["running"]
    assert -60_000 <= pong["received_ms"] <= pong["answered_ms"] < -55_000


async def test_a_start_called_off_stops_the_clock_and_it_can_be_set_again(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director, 60)
    await director.settled(await director.tap("call_off_start"))
    state = await state_where(
        director, lambda state: state["phase"] == "lobby" and state["log"][-1]["what"] != "start_set"
    )
    assert state["clock"] is None
    await started(director, 30)
    state = await state_where(director, lambda state: state["phase"] == "countdown")
    assert -30_000 <= state["clock"] < -25_000


async def test_opening_anew_greets_everybody_anew_and_lets_a_rider_who_is_gone_go(here: Arena) -> None:
    made = await here.opened()
    director, rider = await here.page(made.code, made.ticket), await here.page(made.code, made.ticket_of("jo"))
    draft = (await here.call("GET", f"/api/races/{made.code}", ticket=made.ticket)).json()
    others = [
        {key: rider[key] for key in ("id", "name", "mass_kg", "critical_power_w", "w_prime_j", "drag_area_m2")}
        for rider in draft["riders"]
        if rider["id"] != "jo"
    ]
    for method, path, body in (("PUT", "riders", others), ("POST", "plan", None), ("POST", "open", None)):
        answer = await here.call(method, f"/api/races/{made.code}/{path}", body, made.ticket)
        assert answer.status_code == 200, answer.text
    welcome = await director.next("welcome")
    assert [one["id"] for one in welcome["roster"]] == ["maya", "otto", "ana"]
    with pytest.raises(websockets.ConnectionClosed, match="received 1013"):
        await rider.next("never")


async def test_a_rider_is_adrift_since_first_seen_so_and_saying_it_again_does_not_change_that(here: Arena) -> None:
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    await started(director, 5)
    await state_where(director, lambda state: state["phase"] == "racing")
    since = []
    for act, words in (
        ("lost_wheel", {"rider": "jo"}),
        ("lost_wheel", {"rider": "jo"}),
        ("order_seen", {"order": ["maya", "otto", "ana"]}),
    ):
        await director.settled(await director.tap(act, **words))
        state = await state_where(director, lambda state: bool(state["troubles"]))
        since += [trouble["since_ms"] for trouble in state["troubles"]]
    assert len(since) == 3
    assert len(set(since)) == 1


# After a restart


async def test_after_a_restart_the_clock_runs_on_and_the_state_is_the_same(tmp_path: Path) -> None:
    async with arena(tmp_path / "data") as first:
        made = await first.opened()
        director = await first.page(made.code, made.ticket)
        await started(director, 5)
        await state_where(director, lambda state: state["phase"] == "racing")
        key = await director.tap("rejoined_at", tap="kept-tap-1", rider="jo", slot=1)
        assert (await director.settled(key))["kind"] == "ack"
        before = await director.next("state")
        clock = await _clock(director)
        loop_ms = asyncio.get_running_loop().time() * 1000
    async with arena(tmp_path / "data") as second:
        director = await second.page(made.code, made.ticket)
        after = await director.next("state")
        gone_ms = asyncio.get_running_loop().time() * 1000 - loop_ms
        assert abs(await _clock(director) - clock - gone_ms) < 50
        assert [place["rider"] for place in after["line"]] == [place["rider"] for place in before["line"]]
        assert after["revision"] > before["revision"]
        due = {cue["id"]: cue["due_ms"] for cue in before["cues"] if cue["due_ms"] > after["clock"]}
        assert due
        assert {cue["id"]: cue["due_ms"] for cue in after["cues"] if cue["id"] in due} == due
        again = await director.settled(await director.tap("rejoined_at", tap="kept-tap-1", rider="jo", slot=1))
        assert again["seq"] == 3
        assert (await director.settled(await director.tap("felt_good", rider="jo")))["seq"] == 4


async def _clock(page: Page) -> float:
    await page.send(kind="ping", sent=0)
    pong = await page.next("pong")
    assert pong["running"]
    return float(pong["answered_ms"])


async def test_a_log_line_that_cannot_be_read_is_left_out_and_the_race_comes_back(tmp_path: Path) -> None:
    async with arena(tmp_path / "data") as first:
        made = await first.opened()
        director = await first.page(made.code, made.ticket)
        await started(director, 60)
        await director.settled(await director.tap("retired", rider="jo"))
        await director.settled(await director.tap("retired", rider="ana"))
        store = (await first.parts.house.race(made.code)).live._store  # type: ignore[union-attr]
        await store._write("UPDATE entries SET line = '{\"v\":1,' WHERE race = ? AND seq = 3", (made.code,))
    with faults() as found:
        async with arena(tmp_path / "data") as second:
            director = await second.page(made.code, made.ticket)
            state = await director.next("state")
            assert {place["rider"]: place["place"] for place in state["line"]}["ana"] == "out"
            assert (await director.settled(await director.tap("retired", rider="jo")))["seq"] == 5
    assert any("log line 3 is left out" in text for text in found.told)


# The voice


class Voice:
    """A voice that renders when the test says so."""

    def __init__(self) -> None:
        self.wanted: dict[tuple[str, str, int], None] = {}
        self.rendered: set[str] = set()
        self.status = VoiceStatus(True, "")

    def clip_for(self, text: str, language: str, key_at: int = 0, *, how: Any = None) -> Clip | None:
        if text not in self.rendered:
            return None
        return Clip(id=f"{len(text):024x}", path=Path("none"), starts_ms=5, key_ms=10 * key_at, length_ms=900)

    def want(self, texts: Any, *, how: Any = None) -> None:
        self.wanted = dict.fromkeys((*texts, *self.wanted))


async def test_clips_are_wanted_when_a_race_opens_and_told_when_they_come(here: Arena) -> None:
    voice = Voice()
    here.parts.house._voice = voice
    made = await here.opened()
    assert any(text == "stop" for text, _, _ in voice.wanted)
    director = await here.page(made.code, made.ticket)
    assert (await director.next("state"))["sound_check"][0]["said"]["en"]["clip"] is None
    assert next(iter(voice.wanted))[0] == "Maya, you're next"  # what is told next is wanted first
    voice.rendered.add("Maya, you're next")
    here.parts.house.clip_came(None)
    state = await director.next("state")
    said = state["sound_check"][0]["said"]["en"]
    assert (said["text"], said["clip"]) == ("Maya, you're next", f"/clips/{17:024x}.wav")
    presence = await director.next("presence")
    assert presence["clips_ready"] == 1
    assert presence["clips_wanted"] > 50


async def test_a_voice_that_is_lost_is_told_with_the_sentence_that_mends_it(here: Arena) -> None:
    voice = Voice()
    here.parts.house._voice = voice
    made = await here.opened()
    director = await here.page(made.code, made.ticket)
    assert (await director.next("presence"))["voice_ok"]
    voice.status = VoiceStatus(False, "No speech engine works: install one.")
    presence = await director.next("presence")
    assert (presence["voice_ok"], presence["voice_sentence"]) == (False, "No speech engine works: install one.")


async def test_a_wall_clock_set_back_while_the_server_was_down_does_not_take_the_race_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with arena(tmp_path / "data") as first:
        made = await first.opened()
        director = await first.page(made.code, made.ticket)
        await started(director, 5)
        await state_where(director, lambda state: state["phase"] == "racing")
        await director.settled(await director.tap("felt_good", rider="jo"))
        log = await first.call("GET", f"/api/races/{made.code}/log", ticket=made.ticket)
        newest_ms = json.loads(log.text.splitlines()[-1])["at_ms"]
    monkeypatch.setattr("server.app.Clock", lambda: Clock(lambda: time.time() - 3_600))
    async with arena(tmp_path / "data") as second:
        director = await second.page(made.code, made.ticket)
        state = await director.next("state")
        assert state["phase"] == "racing"
        assert newest_ms <= await _clock(director) < newest_ms + 5_000
        assert (await director.settled(await director.tap("felt_empty", rider="jo")))["kind"] == "ack"
