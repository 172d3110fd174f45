"""The live pages with no server: a scripted other end plays messages in, and the screens must come out right.

If a page worked something out by itself, it could not pass for a state it does not understand.
"""

import io
import json
import math
import struct
import wave
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import TypeAdapter

from caller.facts import MOST_SAID
from server.wire.inbound import Act
from server.wire.outbound import LogLine, Outbound, PositionMessage, Said, StateMessage
from tests.web.stage import (
    DESK,
    MAY,
    PHONE,
    Stage,
    countdown,
    cue,
    here,
    lobby,
    place,
    racing,
    roster,
    troubled,
    turn,
    welcome,
)

STREAMS = Path(__file__).parent / "streams"


async def desk(browser: Any, *first: Any, **more: Any) -> Stage:
    """The director's desk, five minutes into the race unless told otherwise."""
    messages = first or (welcome(), racing(), here())
    stage = await Stage.open(browser, "/desk/TEST23", messages, **({"clock_ms": 300_000} | more))
    await stage.page.wait_for_selector(".desk director-keys button")
    return stage


async def bars(browser: Any, rider: str, *first: Any, **more: Any) -> Stage:
    """A rider's bar screen."""
    messages = (welcome(rider), *(first or (racing(),)))
    stage = await Stage.open(browser, "/bars/TEST23", messages, **({"clock_ms": 300_000, "viewport": PHONE} | more))
    await stage.page.wait_for_selector("big-cue .verb span")
    return stage


async def told(stage: Stage, count: int = 1) -> list[dict[str, Any]]:
    """The acts, once there are so many."""
    await until(stage, lambda: len(stage.taps) >= count, "the page told nothing")
    return stage.acts


async def until(stage: Stage, true: Any, why: str) -> None:
    """Let the page run until something is true of us at the other end."""
    for _ in range(200):
        if true():
            return
        await stage.page.evaluate("() => new Promise(requestAnimationFrame)")
        await stage.page.evaluate("() => new Promise((done) => setTimeout(done, 25))")
    raise AssertionError(why)


async def reads(stage: Stage, selector: str, text: str) -> None:
    """Wait until an element's text is this."""
    await stage.page.wait_for_function(
        "([selector, text]) => document.querySelector(selector)?.textContent.trim() === text", arg=[selector, text]
    )


def in_need(rider: str, by: str, at_ms: int = 299_000) -> StateMessage:
    """One rider out of the race, told by somebody."""
    now = racing()
    line = tuple(
        one.model_copy(update={"place": "out", "slot": None}) if one.rider == rider else one for one in now.line
    )
    word = LogLine(at_ms=at_ms, kind="fact", what="retired", text=f"{rider.title()} is out", by=by, because="")
    return now.model_copy(update={"revision": 21, "line": line, "log": (*now.log, word)})


# The desk


async def test_a_rider_who_must_stop_is_told_to_the_desk_above_all_else_until_put_away(browser: Any) -> None:
    stage = await desk(browser)
    await stage.tell(in_need("ben", "rider:ben"))
    banner = stage.page.locator("link-strip li", has_text="Ben must stop.")
    await banner.wait_for()
    assert await banner.evaluate("one => parseFloat(getComputedStyle(one).fontSize)") >= 24
    assert (await banner.bounding_box())["y"] == 0
    await banner.get_by_role("button").click()
    await stage.tell(in_need("ben", "rider:ben").model_copy(update={"revision": 22, "clock": 301_000}))
    assert await banner.count() == 0


async def test_a_rider_whom_the_desk_itself_took_out_rings_no_alarm(browser: Any) -> None:
    stage = await desk(browser)
    await stage.tell(in_need("ben", "director"))
    await stage.page.wait_for_selector("team-line .bead.out")
    assert await stage.page.locator("link-strip li", has_text="must stop").count() == 0


async def test_nothing_is_called_on_the_sheet_over_a_stop(browser: Any) -> None:
    cues = (cue("stop", 301_000, text="Stop", priority=0), cue("ease", 301_800, "otto", text="Ease"))
    stage = await desk(browser, welcome(), racing(cues=cues))
    await reads(stage, "call-sheet .called", "Stop")
    await stage.page.wait_for_function("() => live.clock.now > 302200")
    assert await stage.page.locator("call-sheet .called").inner_text() == "Stop"


async def test_a_race_that_is_over_has_nothing_to_be_called_and_nothing_to_be_decided(browser: Any) -> None:
    stage = await desk(browser, welcome(), troubled())
    await stage.page.wait_for_selector("trouble-strip >> text=Lio is adrift")
    await stage.tell(troubled().model_copy(update={"revision": 30, "phase": "over", "may": ()}))
    await reads(stage, ".phase", "Over")
    assert await stage.page.locator("call-sheet .coming li").count() == 0
    assert await stage.page.locator("trouble-strip button").count() == 0


async def test_the_desk_shows_whose_turn_it_is_and_who_is_next_and_then(browser: Any) -> None:
    stage = await desk(browser)
    await reads(stage, "turn-board .front .who", "Otto")
    await reads(stage, "turn-board .next .who", "Ana")
    await reads(stage, "turn-board .then", "then Ben, Lio, Ines, Maya")
    assert stage.errors == []


async def test_the_time_left_is_the_turns_end_less_the_race_clock(browser: Any) -> None:
    stage = await desk(browser)
    await reads(stage, "turn-board .figure", "16")  # 18 s at 5:00; it reads 16 when 15 to 16 s are left
    assert 302_000 <= stage.race_ms <= 303_200


async def test_a_turn_that_is_not_as_planned_says_why(browser: Any) -> None:
    now = turn(10, "otto", 288_000, 45, because="15 s longer: the director")
    stage = await desk(browser, welcome(), racing(turn=now))
    await stage.page.wait_for_selector("text=15 s longer: the director")


async def test_a_rider_who_only_follows_but_is_first_goes_straight_through(browser: Any) -> None:
    now = racing()
    nothing = now.upcoming[0].model_copy(update={"planned_ms": 0})
    stage = await desk(browser, welcome(), racing(upcoming=(nothing, *now.upcoming[1:])))
    note = stage.page.locator("turn-board .next .note").first
    await note.filter(has_text="straight through").wait_for()
    assert " 0 s" not in await note.inner_text()


async def test_the_front_is_at_the_right_and_who_drifts_is_below_the_line(browser: Any) -> None:
    stage = await desk(browser)
    middle = """(rider) => {
      const box = document.querySelector(`team-line .bead[data-key=${rider}] .shape`).getBoundingClientRect()
      return [box.x + box.width / 2, box.y + box.height / 2]
    }"""
    otto, ana, ines, maya = [await stage.page.evaluate(middle, rider) for rider in ("otto", "ana", "ines", "maya")]

    assert ines[0] < ana[0] < otto[0]
    assert ines[1] == pytest.approx(otto[1], abs=5)  # shapes differ in height
    assert maya[1] > otto[1] + 30

    later = await stage.page.evaluate(
        f"(rider) => new Promise((done) => setTimeout(() => done(({middle})(rider)), 500))", "maya"
    )
    assert later[0] < maya[0], "who drifts goes back"


async def test_who_is_adrift_hangs_behind_the_last_wheel_with_the_gap_drawn(browser: Any) -> None:
    stage = await desk(browser, welcome(), troubled())
    left = "(rider) => document.querySelector(`team-line .bead[data-key=${rider}] .shape`).getBoundingClientRect().x"
    assert await stage.page.evaluate(left, "lio") < await stage.page.evaluate(left, "ines")
    await stage.page.wait_for_function(
        "() => /^adrift 2\\d$/.test(document.querySelector('team-line .notes text')?.textContent)"
    )
    await stage.page.wait_for_selector("trouble-strip >> text=Lio is adrift")
    await stage.page.wait_for_selector("trouble-strip >> text=Gap before Ben")


async def test_what_is_to_be_called_stands_soonest_last_just_above_now(browser: Any) -> None:
    stage = await desk(browser)
    texts = await stage.page.locator("call-sheet .coming .text").all_inner_texts()
    assert texts[-3:] == ["Ana, three sixty", "Otto, switch", "Ana next"]


async def test_what_was_called_and_told_stands_below_with_its_reason(browser: Any) -> None:
    stage = await desk(browser)
    log = await stage.page.locator("call-sheet .log li").all_inner_texts()
    assert "Otto, 380 W" in log[0]
    assert "the turn is over" in log[1]
    assert "told by Ben" in log[2]


async def test_us_on_the_course_is_as_wide_as_we_may_be_wrong(browser: Any) -> None:
    position = PositionMessage(
        track=((300_000, 9_000.0), (360_000, 9_000.0)), error_m=450, pace=1, finish_ms=1_455_000, against_plan_ms=0
    )
    stage = await desk(browser, welcome(), racing(position=position))
    await stage.page.wait_for_selector("text=9.0 km ± 450 m · 9.0 km to go")
    band, sky, us = [
        await stage.page.evaluate(
            """(selector) => {
              const { x, width } = document.querySelector(selector).getBoundingClientRect()
              return [x, width]
            }""",
            f"course-strip {selector}",
        )
        for selector in (".error", ".sky", ".us")
    ]
    assert band[1] / sky[1] == pytest.approx(900 / 18_000, rel=0.05)  # 450 m either way, of 18 km
    assert (us[0] + us[1] / 2 - sky[0]) / sky[1] == pytest.approx(0.5, abs=0.005)


async def test_a_rider_called_like_markup_is_only_text(browser: Any) -> None:
    evil = "<img src=x onerror=alert(1)>"
    named = roster()[0].model_copy(update={"name": evil, "initials": "<b>"})
    hello = welcome().model_copy(update={"roster": (named, *roster()[1:]), "race": evil})
    stage = await desk(browser, hello, racing(line=(place("maya", "leading", 0),), turn=turn(1, "maya", 290_000)))
    await reads(stage, "turn-board .front .who", evil)
    assert await stage.page.locator("main img").count() == 0


# Everything by hand and by key


ACTS = {act.model_fields["act"].annotation.__args__[0] for act in get_args(get_args(Act)[0])}
ELSEWHERE = {"set_start", "call_off_start", "resume", "say_aloud"}
"""Told in the lobby, from the strip on top, by a line that stands, and in words: tested by themselves below."""

KEYS_NEEDING_A_RIDER = ("ArrowUp", "t", "x", "g", "c", "+", "-", "o", "2")
KEYS = ("ArrowLeft", "ArrowRight", "ArrowDown", "Space", "b", "r", "e", "l", "p", "a", "k", "w", "d", "u", "s")


async def test_every_act_of_a_director_has_a_key(browser: Any) -> None:
    stage = await desk(browser, welcome(), troubled())
    for key in KEYS:
        await stage.page.keyboard.press(key)
    for key in KEYS_NEEDING_A_RIDER:
        await stage.page.keyboard.press("3")
        await stage.page.keyboard.press(key)
    await stage.page.keyboard.press("f")
    await stage.page.keyboard.press("Enter")
    await told(stage, len(KEYS) + len(KEYS_NEEDING_A_RIDER) + 1)
    for key in ("n", "2", "3", "4", "6", "1"):
        await stage.page.keyboard.press(key)
    acts = await told(stage, len(KEYS) + len(KEYS_NEEDING_A_RIDER) + 2)

    assert {act["act"] for act in acts} == ACTS - ELSEWHERE
    assert {"act": "swung_off", "rider": "otto"} in acts
    assert {"act": "rejoined_at", "rider": "ana", "slot": 1} in acts
    assert {"act": "wait_for", "rider": "lio"} in acts
    assert {"act": "landmark_passed", "at_m": 3_900} in acts
    assert {"act": "order_seen", "order": ["otto", "ana", "ben", "ines", "maya"]} in acts
    assert {"act": "call_aloud", "aloud": "stop", "rider": None} in acts


async def test_every_key_is_written_on_a_button_that_does_the_same(browser: Any) -> None:
    stage = await desk(browser, welcome(), troubled())
    buttons = stage.page.locator("director-keys button")
    for index in range(await buttons.count()):
        button = buttons.nth(index)
        key = await button.get_attribute("data-key")
        assert (await button.locator("kbd").inner_text()).strip(), f"no key is shown for {key}"
        if key in ("f", "n", "y", "v", "k"):
            continue  # four ask for more, see above; the last offers the next landmark each time, see below
        await stage.page.keyboard.press("3")
        already = len(stage.taps)
        await stage.page.keyboard.press("Space" if key == " " else str(key))
        await told(stage, already + 1)
        await stage.page.keyboard.press("3")
        await button.click()
        by_key, by_hand = (await told(stage, already + 2))[-2:]
        assert by_key == by_hand


async def test_a_key_held_down_counts_once(browser: Any) -> None:
    stage = await desk(browser)
    for _ in range(3):
        await stage.page.keyboard.down("ArrowRight")
    await stage.page.keyboard.up("ArrowRight")
    await stage.page.keyboard.press("u")
    assert [act["act"] for act in await told(stage, 2)] == ["lengthen_turn", "undo"]


async def test_a_button_the_race_would_refuse_tells_nothing_and_says_why(browser: Any) -> None:
    stage = await desk(browser, welcome(), racing(may=tuple(act for act in MAY if act != "cut_turn")))
    await stage.page.keyboard.press("ArrowDown")
    await stage.page.wait_for_selector("link-strip >> text=Off now: Only while somebody is on the front")
    button = stage.page.locator("director-keys button[data-act=cut_turn]")
    assert await button.get_attribute("aria-disabled") == "true"
    await stage.page.keyboard.press("u")
    assert [act["act"] for act in await told(stage)] == ["undo"]


async def test_what_needs_a_rider_says_so_until_one_is_chosen(browser: Any) -> None:
    stage = await desk(browser)
    await stage.page.keyboard.press("x")
    await stage.page.wait_for_selector("link-strip >> text=Choose a rider first")
    await stage.page.get_by_role("button", name="Ben, following, key 4").click()
    await stage.page.get_by_role("button", name="Lost").click()
    assert await told(stage) == [{"act": "lost_wheel", "rider": "ben"}]


async def test_a_bead_dragged_to_a_slot_is_told_as_seen_there(browser: Any) -> None:
    stage = await desk(browser)
    await drag(stage, "maya", "ben")
    assert await told(stage) == [{"act": "rejoined_at", "rider": "maya", "slot": 2}]


async def test_a_chosen_bead_goes_to_the_slot_that_is_touched(browser: Any) -> None:
    stage = await desk(browser, viewport=PHONE, has_touch=True)
    await stage.page.locator("team-line .bead[data-key=ben] .shape").tap()
    slot = stage.page.get_by_role("button", name="Seen in slot 5")
    area = await slot.bounding_box()
    # Fingers: 44 CSS px is the target size of WCAG 2.2, success criterion 2.5.5 (AAA).
    assert area["height"] >= 44
    assert area["width"] >= 44
    await slot.tap()
    assert await told(stage) == [{"act": "rejoined_at", "rider": "ben", "slot": 4}]


async def test_a_landmark_once_told_is_not_offered_again_unless_it_is_undone(browser: Any) -> None:
    stage = await desk(browser)  # at 3.6 km, close to the water tower at 3.9 km
    key = stage.page.locator("director-keys [data-act=landmark_passed]")
    assert "Water tower" in await key.inner_text()
    await stage.page.keyboard.press("k")
    assert (await told(stage))[0] == {"act": "landmark_passed", "at_m": 3_900}
    assert "Chapel" in await key.inner_text()
    await stage.page.keyboard.press("u")
    assert "Water tower" in await key.inner_text()
    await key.click()
    assert (await told(stage, 3))[2] == {"act": "landmark_passed", "at_m": 3_900}, "by hand as by key"


async def test_no_name_on_the_course_is_shown_by_half(browser: Any) -> None:
    stage = await desk(browser, viewport=PHONE)
    halves = await stage.page.evaluate(
        """() => [...document.querySelectorAll('course-strip :is(.stretches li, .landmark)')].filter((cell) => {
          const room = cell.getBoundingClientRect()
          const name = cell.querySelector('span').getBoundingClientRect()
          return name.top < room.bottom - 2 && name.right > room.right + 1
        }).map((cell) => cell.textContent)"""
    )
    assert halves == []
    assert await stage.page.locator("course-strip .stretches li").count() == 4


async def test_who_is_out_keeps_the_name_on_the_sheet(browser: Any) -> None:
    stage = await desk(browser)
    await stage.tell(in_need("maya", "director"))
    await stage.page.wait_for_selector("team-line .bead.out")
    assert (await stage.page.locator("team-line .out .initials").bounding_box())["x"] >= 0


async def test_a_bead_dragged_off_the_back_has_lost_the_wheel(browser: Any) -> None:
    stage = await desk(browser)
    line = await stage.page.locator("team-line").bounding_box()
    await drag(stage, "ines", (line["x"] + 4, line["y"] + 60))
    assert await told(stage) == [{"act": "lost_wheel", "rider": "ines"}]


async def drag(stage: Stage, rider: str, to: str | tuple[float, float]) -> None:
    """Drag a bead onto another bead's place, or to a point."""
    box = await stage.page.locator(f"team-line .bead[data-key={rider}] .shape").bounding_box()
    if isinstance(to, str):
        other = await stage.page.locator(f"team-line .bead[data-key={to}] .shape").bounding_box()
        to = (other["x"] + other["width"] / 2, other["y"] + other["height"] / 2)
    await stage.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    await stage.page.mouse.down()
    await stage.page.mouse.move(*to, steps=6)
    await stage.page.mouse.up()


async def test_an_order_told_short_asks_whether_the_others_are_adrift(browser: Any) -> None:
    stage = await desk(browser)
    for key in ("n", "2", "3", "n"):
        await stage.page.keyboard.press(key)
    await stage.page.wait_for_selector("text=Left out, so adrift: Ben, Lio, Ines, Maya?")
    await stage.page.keyboard.press("Escape")
    await stage.page.keyboard.press("Escape")
    await stage.page.keyboard.press("u")
    assert [act["act"] for act in await told(stage)] == ["undo"]


async def test_a_director_says_something_in_words_to_all_or_to_one(browser: Any) -> None:
    stage = await desk(browser)
    page = stage.page
    dialog = page.get_by_role("dialog", name="Say in your own words")
    await page.keyboard.press("v")
    assert await dialog.get_by_role("heading").text_content() == "Say to everybody"
    await page.keyboard.type("crosswind at the mill, stay left")  # no letter of it is taken for a key
    await page.keyboard.press("Enter")
    await page.keyboard.press("3")
    await page.keyboard.press("v")
    assert await dialog.get_by_role("heading").text_content() == "Say to Ana"
    await page.keyboard.type("bottle")  # in place of what was said last, which stands there marked
    await dialog.get_by_role("button", name="Say it").click()
    await page.keyboard.press("v")
    await page.keyboard.type("never mind")
    await page.keyboard.press("Escape")
    await page.keyboard.press("v")
    await page.get_by_label("What is said").fill("   ")
    await page.keyboard.press("Enter")
    await page.keyboard.press("u")
    assert await told(stage, 3) == [
        {"act": "say_aloud", "text": "crosswind at the mill, stay left", "rider": None},
        {"act": "say_aloud", "text": "bottle", "rider": "ana"},
        {"act": "undo"},
    ]


async def test_the_field_for_words_takes_no_more_than_the_race_does(browser: Any) -> None:
    stage = await desk(browser)
    await stage.page.keyboard.press("v")
    assert await stage.page.get_by_label("What is said").get_attribute("maxlength") == str(MOST_SAID)


@pytest.mark.parametrize(
    ("words", "verb"), [("Bottle left", "Bottle left"), ("crosswind from the left at the mill", "Listen")]
)
async def test_a_directors_words_stand_on_the_bars_if_a_glance_takes_them_in(
    browser: Any, words: str, verb: str
) -> None:
    say = cue("say", 301_500, "ana", words=words, text=f"Ana, {words}")
    stage = await bars(browser, "ana", racing(cues=(say,)))
    await stage.page.wait_for_selector("big-cue[data-field=now]", timeout=4_000)
    await reads(stage, "big-cue .verb", verb)


async def test_the_desk_says_how_the_race_ended_and_lets_it_be_kept(browser: Any) -> None:
    stage = await desk(browser)
    ended: dict[str, Any] = {"finish_ms": 953_400, "against_plan_ms": 7_000, "counted": "maya", "turns": 30}
    ended |= {"line": ("otto", "maya"), "adrift": (), "out": ("ana",), "order_changes": 3}
    text = "15:53.4, 7.0 s behind the plan; Maya counted; in the line Otto, Maya; lost Ana; 3 order changes"
    await stage.tell(
        racing(revision=40, phase="over", turn=None, upcoming=(), cues=(), may=(), result=ended | {"text": text})
    )
    await stage.page.wait_for_selector(f"trouble-strip >> text={text}.")
    async with stage.page.expect_download() as kept:
        await stage.page.get_by_role("link", name="Keep it").click()
    download = await kept.value
    assert download.suggested_filename == "result.json"
    assert json.loads(Path(await download.path()).read_text("utf-8"))["counted"] == "maya"


async def test_a_question_mark_shows_the_page_of_keys(browser: Any) -> None:
    stage = await desk(browser)
    await stage.page.keyboard.press("?")
    page = stage.page.get_by_role("dialog", name="Keys")
    await page.wait_for()
    assert await page.get_by_text("Off now: the leader is called off at once").count() == 1


def halted(**more: Any) -> Any:
    """The line was told to stop."""
    values: dict[str, Any] = {
        "phase": "halted",
        "turn": None,
        "upcoming": (),
        "cues": (),
        "may": ("resume", "stop"),
    }
    return racing(revision=31, **(values | more))


async def test_a_line_that_was_stopped_is_called_nothing_until_it_is_resumed(browser: Any) -> None:
    switch = cue("switch", 301_500, "otto", fixed=True)
    stage = await desk(browser, welcome(), racing(cues=(switch,)))
    await stage.tell(halted())
    await stage.page.wait_for_selector("link-strip >> text=Nothing is called until you resume")
    assert await stage.page.evaluate("live.timeline.coming.length") == 0, "even what was fixed is withdrawn"
    await stage.page.keyboard.press("y")
    await stage.page.wait_for_selector("text=Is everybody ready to ride on?")
    await stage.page.keyboard.press("Enter")
    assert await told(stage) == [{"act": "resume"}]


async def test_a_riders_screen_says_stop_as_long_as_the_line_stands(browser: Any) -> None:
    stage = await bars(browser, "maya", halted())
    await reads(stage, "big-cue .verb", "Stop")
    await stage.tell(racing(revision=32))
    await stage.page.wait_for_function("() => !document.querySelector('big-cue').innerText.includes('Stop')")


async def test_the_start_can_be_called_off_from_the_desk(browser: Any) -> None:
    stage = await desk(browser, welcome(), countdown(), clock_ms=-14_000)
    await stage.page.get_by_role("button", name="Call the start off").click()
    assert await told(stage) == [{"act": "call_off_start"}]


# The line to the server


async def test_a_tap_on_a_broken_line_is_sent_again_with_its_key_and_only_until_it_is_answered(browser: Any) -> None:
    stage = await desk(browser)
    stage.acknowledges = False
    await stage.page.keyboard.press("u")
    await told(stage)
    await stage.drop()
    stage.acknowledges = True
    await told(stage, 2)
    await stage.drop()
    await until(stage, lambda: stage.hellos == 3, "the page did not come back")
    await stage.page.keyboard.press("b")
    await told(stage, 3)

    first, again, other = stage.taps
    assert first["tap"] == again["tap"] != other["tap"]
    assert [act["act"] for act in stage.acts] == ["undo", "undo", "line_bunched"]
    assert await stage.page.evaluate("performance.getEntriesByType('navigation').length") == 1


async def test_a_tap_on_a_broken_line_outlives_loading_the_page_anew(browser: Any) -> None:
    stage = await desk(browser)
    stage.acknowledges = False
    await stage.page.keyboard.press("b")
    first = (await told(stage)) and stage.taps[0]
    await stage.page.reload()
    await until(stage, lambda: len(stage.taps) >= 2, "the tap was forgotten")
    assert stage.taps[1] == first, "the same key and the same instant"
    stage.acknowledges = True
    await stage.page.reload()
    await until(stage, lambda: len(stage.taps) >= 3, "the tap was forgotten")
    await stage.page.wait_for_function("() => live.socket.pending === 0")
    await stage.page.reload()
    await stage.page.wait_for_selector(".desk director-keys button")
    assert len(stage.taps) == 3, "what was answered is not sent again"


async def test_a_tap_carries_the_race_clock_as_the_tapper_read_it(browser: Any) -> None:
    stage = await desk(browser)
    await stage.page.wait_for_function("() => live.clock.error < 100")
    before = stage.race_ms
    await stage.page.keyboard.press("u")
    await told(stage)
    assert before - 100 <= stage.taps[0]["seen_ms"] <= stage.race_ms + 100


async def test_a_page_cut_off_calls_on_alone_and_says_since_when(browser: Any) -> None:
    stage = await desk(browser, welcome(), racing(cues=(cue("ease", 306_500, "otto", text="Otto, ease"),)))
    await stage.page.wait_for_function("() => live.clock.running")
    stage.answers = False
    await stage.page.wait_for_selector("link-strip >> text=No connection: calling on alone. Last heard")
    await reads(stage, "call-sheet .called", "Otto, ease")


async def test_a_refusal_is_shown_to_whoever_tapped(browser: Any) -> None:
    from server.wire.outbound import ErrorMessage

    stage = await desk(browser)
    sentence = "lengthen turn: the turn is as long as it may be"
    await stage.tell(ErrorMessage(tap=None, code="request_refused", sentence=sentence))
    await stage.page.wait_for_selector(f"link-strip >> text={sentence}")


async def test_a_broken_voice_says_how_to_mend_it(browser: Any) -> None:
    stage = await desk(browser, welcome(), racing(), here(voice_ok=False))
    await stage.page.wait_for_selector("link-strip >> text=install espeakng-loader")


async def test_a_link_without_its_ticket_says_so(browser: Any) -> None:
    stage = await desk(browser)
    page = await (await browser.new_context()).new_page()
    await page.route("**", stage._file)
    await page.goto("http://swingoff.test/desk/OTHER2")
    await page.wait_for_selector("text=its ticket is missing")


# The timeline


async def test_a_cue_is_shown_in_the_frame_nearest_to_its_instant(browser: Any) -> None:
    stage = await desk(browser, welcome(), racing(cues=(cue("ease", 301_500, "otto", text="Otto, ease"),)))
    shown = await stage.page.evaluate(
        """() => new Promise((done) => {
          const look = () => {
            if (document.querySelector('call-sheet .called').textContent) done(live.clock.now)
            else requestAnimationFrame(look)
          }
          look()
        })"""
    )
    # Half a frame too soon at the most; the rest is for a busy machine. The bench measures how well it is met.
    assert 301_490 <= shown <= 301_700


async def test_a_cue_withdrawn_in_time_is_not_shown(browser: Any) -> None:
    first = (cue("ease", 302_000, "otto", text="Otto, ease"), cue("lift", 302_400, "otto", text="Otto, lift"))
    stage = await desk(browser, welcome(), racing(cues=first))
    await stage.tell(racing(revision=21, cues=first[1:]))
    await reads(stage, "call-sheet .called", "Otto, lift")
    assert await stage.page.evaluate("live.timeline.has('ease-otto-302000')") is False


async def test_a_cue_that_was_fixed_is_kept_though_a_later_state_leaves_it_out(browser: Any) -> None:
    promised = cue("ease", 302_500, "otto", text="Otto, ease", fixed=True)
    stage = await desk(browser, welcome(), racing(cues=(promised,)))
    await stage.tell(racing(revision=21, cues=()))
    await reads(stage, "call-sheet .called", "Otto, ease")


async def test_a_cue_that_comes_too_late_is_never_shown(browser: Any) -> None:
    old = cue("switch", 298_000, "maya", text="Maya, switch", too_late_ms=700)
    fresh = cue("ease", 301_500, "otto", text="Otto, ease")
    stage = await desk(browser, welcome(), racing(cues=(old, fresh)))
    seen = await stage.page.evaluate(
        """() => new Promise((done) => {
          const seen = new Set()
          const look = () => {
            const text = document.querySelector('call-sheet .called').textContent
            if (text) seen.add(text)
            if (text === 'Otto, ease') done([...seen])
            else requestAnimationFrame(look)
          }
          look()
        })"""
    )
    assert seen == ["Otto, ease"]


async def test_a_cue_told_once_is_not_told_again_when_the_state_repeats_it(browser: Any) -> None:
    once = cue("ease", 303_000, "otto", text="Otto, ease", fixed=True, too_late_ms=60_000)
    stage = await bars(browser, "otto", racing(cues=(once,)))
    await stage.page.evaluate(
        "() => { window.count = 0; const old = live.player.onCue; live.player.onCue = (c) => (count++, old(c)) }"
    )
    await stage.page.wait_for_function("() => window.count === 1")
    await stage.tell(racing(revision=21, cues=(once,)))
    await stage.tell(racing(revision=22, cues=(once, cue("lift", 304_200, "otto"))))
    await stage.page.wait_for_function("() => live.clock.now > 304500")
    assert await stage.page.evaluate("window.count") == 2


# Sound


def wav(seconds: float, pitch_hz: float = 440) -> bytes:
    """A tone as the server's clips are: 22,050 Hz, 16 bits, one channel."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(22_050)
        count = int(22_050 * seconds)
        file.writeframes(
            b"".join(
                struct.pack("<h", int(9_000 * math.sin(2 * math.pi * pitch_hz * i / 22_050))) for i in range(count)
            )
        )
    return out.getvalue()


SPY = """
window.starts = []
const start = AudioBufferSourceNode.prototype.start
AudioBufferSourceNode.prototype.start = function (when) {
  const { currentTime } = this.context
  starts.push({ when, length: this.buffer.duration, stop: null, audio: currentTime, race: live.clock.now })
  this.spied = starts.at(-1)
  return start.call(this, when)
}
const stop = AudioBufferSourceNode.prototype.stop
AudioBufferSourceNode.prototype.stop = function (when) {
  this.spied.stop = when
  return stop.call(this, when)
}
"""


def spoken(kind: str, due_ms: int, rider: str, seconds: float, **more: Any) -> Any:
    """A cue with a clip of so many seconds."""
    said = Said(text=kind, clip=f"/clips/{seconds}.wav", starts_ms=0, key_ms=300, length_ms=int(seconds * 1_000))
    return cue(kind, due_ms, rider, said={"en": said}, **more)


async def hearing(browser: Any, path: str, *first: Any) -> tuple[Stage, list[str]]:
    """A page whose sounds are noted, and the clips it fetched."""
    fetched: list[str] = []

    async def clip(route: Any) -> None:
        fetched.append(route.request.url.rsplit("/", 1)[1])
        await route.fulfill(body=wav(float(fetched[-1].removesuffix(".wav"))), content_type="audio/wav")

    stage = await Stage.open(browser, path, (), clock_ms=300_000, before=lambda page: page.add_init_script(SPY))
    await stage.page.route("**/clips/*.wav", clip)
    stage.first = list(first)
    await stage.restart(300_000)
    await stage.page.reload()
    await stage.page.wait_for_selector("main > div")
    return stage, fetched


async def test_the_key_word_and_not_the_clips_beginning_lands_on_the_instant(browser: Any) -> None:
    stage, _ = await hearing(browser, "/desk/TEST23", welcome(), racing(cues=(spoken("ease", 302_500, "otto", 0.9),)))
    await stage.page.wait_for_function("() => starts.length === 1")
    start = (await stage.page.evaluate("starts"))[0]
    key_in_s = start["when"] + 0.3 - start["audio"]
    due_in_s = (302_500 - start["race"]) / 1_000
    assert start["race"] < 302_500 - 300, "a clip is on the air before its key word is due"
    # The output's own delay is made up for, so the clip may be handed over a little sooner than the plain sum.
    assert -0.15 <= key_in_s - due_in_s <= 0.02


async def test_the_own_ear_speaks_only_what_is_for_this_rider_or_for_all(browser: Any) -> None:
    cues = (
        spoken("ease", 302_000, "otto", 0.4),
        spoken("ease", 302_800, "ana", 0.5),
        spoken("all_in", 303_600, "otto", 0.6, to=()),
    )
    stage, fetched = await hearing(browser, "/bars/TEST23", welcome("ana"), racing(cues=cues))
    await stage.page.wait_for_function("() => starts.length === 2")
    assert [round(start["length"], 1) for start in await stage.page.evaluate("starts")] == [0.5, 0.6]
    assert sorted(fetched) == ["0.5.wav", "0.6.wav"]


async def test_the_team_voice_speaks_every_cue_until_it_is_switched_off(browser: Any) -> None:
    cues = tuple(
        spoken("ease", due_ms, rider, 0.4) for due_ms, rider in ((302_000, "otto"), (303_000, "ana"), (304_500, "ben"))
    )
    stage, _ = await hearing(browser, "/desk/TEST23", welcome(), racing(cues=cues))
    await stage.page.wait_for_function("() => starts.length === 2")
    await stage.page.keyboard.press("m")
    await stage.page.wait_for_function("() => live.clock.now > 305000")
    assert len(await stage.page.evaluate("starts")) == 2


async def test_the_more_urgent_cue_cuts_in(browser: Any) -> None:
    cues = (
        spoken("terrain", 302_000, "otto", 2.0, to=(), priority=7),
        spoken("stop", 302_800, "otto", 0.7, to=(), priority=0),
    )
    stage, _ = await hearing(browser, "/desk/TEST23", welcome(), racing(cues=cues))
    await stage.page.wait_for_function("() => starts.length === 2")
    long, urgent = await stage.page.evaluate("starts")
    assert long["stop"] is not None
    assert long["stop"] == pytest.approx(urgent["when"], abs=0.05)


async def test_the_less_urgent_cue_waits_its_turn_or_is_left_out(browser: Any) -> None:
    cues = (
        spoken("switch", 302_000, "otto", 1.5, priority=1),
        spoken("lift", 302_200, "otto", 0.4, priority=5, too_late_ms=3_000),
        spoken("ease", 302_400, "otto", 0.5, priority=5, too_late_ms=100),
    )
    stage, _ = await hearing(browser, "/desk/TEST23", welcome(), racing(cues=cues))
    await stage.page.wait_for_function("() => live.clock.now > 304500")
    starts = await stage.page.evaluate("starts")
    assert [round(start["length"], 1) for start in starts] == [1.5, 0.4]
    assert starts[1]["when"] >= starts[0]["when"] + 1.5 - 1e-6


# The bar screen


@pytest.mark.parametrize(
    ("rider", "verb", "then"),
    [("ana", "Follow", "Lead"), ("otto", "Hold 370", "Off"), ("maya", "Drift", "Latch")],
)
async def test_a_rider_reads_what_to_do_and_what_comes_next(browser: Any, rider: str, verb: str, then: str) -> None:
    stage = await bars(browser, rider)
    await reads(stage, "big-cue .verb", verb)
    await reads(stage, "big-cue .next", then)


async def test_a_follower_counts_down_to_the_own_turn(browser: Any) -> None:
    stage = await bars(browser, "ben")  # after Otto's 18 s and Ana's 30 s
    await reads(stage, "big-cue .number", "46")
    assert 302_000 <= stage.race_ms <= 303_200


async def test_the_own_cue_takes_the_whole_screen_and_another_riders_does_not(browser: Any) -> None:
    cues = (cue("ease", 301_500, "otto"), cue("close_gap", 302_500, "ana"))
    stage = await bars(browser, "ana", racing(cues=cues))
    seen = await stage.page.evaluate(
        """() => new Promise((done) => {
          const seen = new Set()
          const look = () => {
            const big = document.querySelector('big-cue')
            if (big.dataset.field) seen.add(big.querySelector('.verb').textContent.trim())
            if (live.clock.now > 303000) done([...seen])
            else requestAnimationFrame(look)
          }
          look()
        })"""
    )
    assert seen == ["Close gap"]


async def test_a_switch_tells_one_rider_so_and_the_next_to_lead(browser: Any) -> None:
    switch = cue("switch", 301_500, "otto", to=("otto", "ana"), too_late_ms=700)
    off = await bars(browser, "otto", racing(cues=(switch,)))
    lead = await bars(browser, "ana", racing(cues=(switch,)))
    for stage, verb in ((off, "Switch"), (lead, "Lead")):
        await stage.page.wait_for_selector("big-cue[data-field=now]", timeout=4_000)
        await reads(stage, "big-cue .verb", verb)


@pytest.mark.parametrize(
    ("named", "verb", "beside"),
    [("climb 1", "Climb 1", ""), ("The long way up to Heron Hill", "Climb", "The long way up to Heron Hill")],
)
async def test_what_comes_is_told_large_and_a_long_name_beside_it(
    browser: Any, named: str, verb: str, beside: str
) -> None:
    hello = welcome("ana")
    flat, climb, *more = hello.course.stretches
    course = hello.course.model_copy(update={"stretches": (flat, climb.model_copy(update={"name": named}), *more)})
    ahead = cue("terrain", 301_500, "otto", to=(), place=named, distance_m=300)
    messages = [hello.model_copy(update={"course": course}), racing(cues=(ahead,))]
    stage = await Stage.open(browser, "/bars/TEST23", messages, viewport=PHONE, clock_ms=300_000)
    await stage.page.wait_for_selector("big-cue[data-field=now]")
    await reads(stage, "big-cue .verb", verb)
    await reads(stage, "big-cue .number", "300 m")
    await reads(stage, "big-cue .then", beside)
    await reads(stage, "big-cue .next", "Otto")


async def test_a_new_order_tells_a_rider_which_place_and_whose_wheel(browser: Any) -> None:
    order = cue("new_order", 301_500, None, order=("otto", "maya", "ana", "ben"))
    stage = await bars(browser, "ana", racing(cues=(order,)))
    await stage.page.wait_for_selector("big-cue[data-field=now]")
    await reads(stage, "big-cue .number", "3")
    await reads(stage, "big-cue .next", "Maya")


async def test_a_stop_keeps_the_riders_screen_whatever_is_called_next(browser: Any) -> None:
    cues = (cue("stop", 301_000, text="Stop"), cue("latch_on", 301_800, "maya", text="Maya, on"))
    stage = await bars(browser, "maya", racing(cues=cues))
    await stage.page.wait_for_selector("big-cue[data-field=danger]")
    await stage.page.wait_for_function("() => live.clock.now > 305500")
    await reads(stage, "big-cue .verb", "Stop")


async def test_who_is_out_is_called_to_nothing_more_but_a_stop(browser: Any) -> None:
    stage = await bars(browser, "maya", racing(cues=(cue("latch_on", 302_500, "maya", text="Maya, on", fixed=True),)))
    await stage.tell(in_need("maya", "rider:maya"))
    await reads(stage, "big-cue .verb", "Out")
    await stage.page.wait_for_function("() => live.clock.now > 303000")
    await reads(stage, "big-cue .verb", "Out")


async def test_the_others_see_at_once_who_must_stop(browser: Any) -> None:
    stage = await bars(browser, "ana")
    await stage.tell(in_need("ben", "rider:ben"))
    await stage.page.wait_for_selector("big-cue[data-field=danger]")
    await reads(stage, "big-cue .verb", "Ben")
    await reads(stage, "big-cue .next", "Must stop")


async def test_who_is_waited_for_is_not_told_to_wait_and_who_is_left_out_gets_no_order(browser: Any) -> None:
    cues = (
        cue("new_order", 301_000, None, order=("otto", "ana", "ben", "ines", "maya")),
        cue("wait", 302_000, "lio", to=(), text="Wait for Lio"),
    )
    stage = await bars(browser, "lio", troubled(cues=cues))
    await stage.page.wait_for_selector("big-cue[data-field=now]")
    await reads(stage, "big-cue .verb", "Come back")


async def test_a_riders_screen_speaks_the_riders_language(browser: Any) -> None:
    stage = await Stage.open(
        browser, "/bars/TEST23", [welcome("ana", language="de"), racing()], viewport=PHONE, clock_ms=300_000
    )
    await reads(stage, "big-cue .verb", "Folgen")
    assert await stage.page.locator("thumb-taps >> text=Wieder dran").count() == 1


@pytest.mark.parametrize(
    ("tap", "act"),
    [("Good", "felt_good"), ("Empty", "felt_empty"), ("Lost wheel", "lost_wheel"), ("Back on", "latched_on")],
)
async def test_a_thumb_tells_one_thing_of_this_rider(browser: Any, tap: str, act: str) -> None:
    stage = await bars(browser, "ana")
    await stage.page.get_by_role("button", name=tap).click()
    assert await told(stage) == [{"act": act, "rider": "ana"}]


async def test_who_leads_says_off_where_others_lose_the_wheel(browser: Any) -> None:
    stage = await bars(browser, "otto")
    await stage.page.get_by_role("button", name="I’m off").click()
    assert await told(stage) == [{"act": "swung_off", "rider": "otto"}]


async def test_must_stop_wants_to_be_held_and_a_brush_tells_nothing(browser: Any) -> None:
    stage = await bars(browser, "ana", reduced_motion="reduce")
    stop = stage.page.get_by_role("button", name="Must stop")
    await stop.click(delay=200)
    await stage.page.get_by_role("button", name="Good").click()
    await told(stage)
    await stop.click(delay=1_300)
    assert [act["act"] for act in await told(stage, 2)] == ["felt_good", "retired"]


async def test_a_rider_told_to_wait_for_is_told_to_come_back(browser: Any) -> None:
    stage = await bars(browser, "lio", troubled())
    await reads(stage, "big-cue .verb", "Adrift")
    waiting = troubled().troubles[0].model_copy(update={"decided": "wait"})
    await stage.tell(troubled().model_copy(update={"troubles": (waiting,)}))
    await reads(stage, "big-cue .verb", "Come back")


# The lobby


async def test_the_lobby_says_who_is_here_who_is_ready_and_who_heard(browser: Any) -> None:
    stage = await Stage.open(browser, "/lobby/TEST23", [welcome(), lobby(), here()])
    await stage.page.wait_for_selector("people-here li")
    rows = {" ".join(row.split()) for row in await stage.page.locator("people-here li").all_inner_texts()}
    assert {"Maya here heard ready", "Otto here not heard yet not ready", "Ines not here"} <= rows


async def test_the_director_starts_the_countdown_that_was_chosen(browser: Any) -> None:
    stage = await Stage.open(browser, "/lobby/TEST23", [welcome(), lobby(), here()])
    await stage.page.get_by_role("button", name="30 s").click()
    await stage.page.get_by_role("button", name="Start the countdown").click()
    assert await told(stage) == [{"act": "set_start", "countdown_s": 30}]


async def test_a_rider_cannot_start(browser: Any) -> None:
    stage = await Stage.open(browser, "/lobby/TEST23", [welcome("maya"), lobby(may=()), here()], viewport=PHONE)
    await stage.page.get_by_role("button", name="I am ready").wait_for()
    assert await stage.page.get_by_role("button", name="Start the countdown").count() == 0


async def test_ready_and_heard_are_told_again_to_a_server_that_came_back(browser: Any) -> None:
    stage = await Stage.open(browser, "/lobby/TEST23", [welcome("maya"), lobby(may=()), here()], viewport=PHONE)
    await stage.page.get_by_role("button", name="I am ready").click()
    await stage.page.get_by_role("button", name="Play the sound").click()
    await stage.page.get_by_role("button", name="Yes, heard").click()
    await until(stage, lambda: len(stage.told) == 2, "not told")
    await stage.drop()
    await until(stage, lambda: len(stage.told) == 4, "not told again")
    assert stage.told[2:] == [{"kind": "ready", "ready": True}, {"kind": "sound", "heard": True}]


async def test_the_sound_check_says_what_this_rider_will_hear(browser: Any) -> None:
    checks = (spoken("stand_by", 0, "otto", 0.4), spoken("stand_by", 0, "maya", 0.9))
    stage, fetched = await hearing(browser, "/lobby/TEST23", welcome("maya"), lobby(may=(), sound_check=checks), here())
    await stage.page.get_by_role("button", name="Play the sound").click()
    await stage.page.wait_for_function("() => starts.length === 1")
    assert (fetched, (await stage.page.evaluate("starts"))[0]["length"]) == (["0.9.wav"], 0.9)


@pytest.mark.parametrize(("rider", "screen"), [(None, "desk"), ("maya", "bars")])
async def test_when_the_start_is_set_the_lobby_turns_into_desk_or_bars_without_loading(
    browser: Any, rider: str | None, screen: str
) -> None:
    stage = await Stage.open(browser, "/lobby/TEST23", [welcome(rider), lobby(), here()])
    await stage.page.wait_for_selector(".lobby")
    await stage.page.evaluate("() => { window.same = live.voice.context }")
    await stage.restart(-14_000)
    await stage.tell(countdown())
    await stage.page.wait_for_selector(f".{screen}")
    assert await stage.page.evaluate("window.same === live.voice.context && location.pathname") == f"/{screen}/TEST23"
    await stage.tell(lobby(revision=9))
    await stage.page.wait_for_selector(".lobby")
    assert stage.errors == []


async def test_the_lobby_says_how_far_the_clock_may_be_off(browser: Any) -> None:
    stage = await Stage.open(browser, "/lobby/TEST23", [welcome(), lobby(), here()])
    await stage.page.wait_for_selector("text=/Right to within \\d+ ms/")


async def test_a_lobby_that_cannot_keep_the_screen_on_says_what_to_do(browser: Any) -> None:
    stage = await Stage.open(browser, "/lobby/TEST23", [welcome("ana"), lobby(), here()], viewport=PHONE)
    await stage.page.wait_for_selector("text=Set the phone’s own screen timeout")  # plain http: no wake lock there


async def test_the_lobby_warns_before_anybody_rides(browser: Any) -> None:
    stage = await Stage.open(browser, "/lobby/TEST23", [welcome("maya"), lobby(may=()), here()], viewport=PHONE)
    words = await stage.page.inner_text(".cautions")
    for caution in ("maximal effort", "fever", "heat", "Never read a screen", "Doctors", "law"):
        assert caution in words


# Recorded streams


@pytest.mark.parametrize("recording", sorted(STREAMS.glob("*.jsonl")), ids=lambda path: path.stem)
async def test_a_recorded_race_plays_into_the_page_without_a_fault(browser: Any, recording: Path) -> None:
    parse = TypeAdapter(Outbound).validate_json
    lines = [json.loads(line) for line in recording.read_text("utf-8").splitlines()]
    messages = [(line["at_ms"], parse(json.dumps(line["message"]))) for line in lines]
    assert messages[0][1].kind == "welcome"
    stage = await Stage.open(browser, "/desk/TEST23", [messages[0][1]], viewport=DESK)
    await until(stage, lambda: stage.hellos == 1, "the page said no hello")
    for at_ms, message in messages[1:]:
        await stage.restart(at_ms)
        await stage.tell(message)
        if message.kind != "state" or message.phase != "racing" or message.turn is None:
            continue
        names = {card.id: card.name for card in messages[0][1].roster}
        await reads(stage, "turn-board .front .who", names[message.turn.rider])
        on_string = sum(one.place in ("leading", "following") for one in message.line)
        beads = "team-line .bead:is(.leading, .following)"
        await stage.page.wait_for_function(
            "([beads, count]) => document.querySelectorAll(beads).length === count", arg=[beads, on_string]
        )
        adrift = [names[one.rider] for one in message.troubles if one.kind == "adrift"]
        for name in adrift:
            await stage.page.wait_for_selector(f"trouble-strip >> text={name} is adrift")
    assert stage.errors == []
