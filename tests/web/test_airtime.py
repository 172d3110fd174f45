"""Pages and the air: each voice says what the server says it says, then; screens show every cue on its instant."""

from typing import Any

import pytest

from server.wire.outbound import Airing, LogLine
from tests.web.stage import racing, welcome
from tests.web.test_live_pages import hearing, reads, spoken


def moved(ms: int, *seats: str) -> dict[str, Airing]:
    """So much later, for these voices."""
    return {seat: Airing(said=True, moved_ms=ms, because="") for seat in seats}


def dropped(*seats: str) -> dict[str, Airing]:
    """Left to the screens, for these voices."""
    return {seat: Airing(said=False, moved_ms=0, because="") for seat in seats}


async def shown_at(stage: Any, text: str) -> float:
    """The race clock when the call sheet first shows these words."""
    return float(
        await stage.page.evaluate(
            """(text) => new Promise((done) => {
              const look = () => {
                if (document.querySelector('call-sheet .called').textContent === text) done(live.clock.now)
                else requestAnimationFrame(look)
              }
              look()
            })""",
            text,
        )
    )


HEARD = "starts.filter(({ stop, when }) => stop === null || stop > when)"
"""What was started and not taken back before it sounded."""


async def heard_at(stage: Any) -> float:
    """The race clock when the key word of the only clip is heard; it lies 0.3 s in, see spoken."""
    await stage.page.wait_for_function(f"() => {HEARD}.length > 0 && {HEARD}[0].when <= live.voice.context.currentTime")
    (started,) = await stage.page.evaluate(HEARD)
    return float(started["race"] + (started["when"] - started["audio"]) * 1_000 + 300)


async def test_a_cue_that_the_air_is_not_free_for_is_shown_on_its_instant_and_said_when_it_is(browser: Any) -> None:
    hold = spoken("hold", 303_000, "otto", 0.5, air=moved(1_600, "director"))
    stage, _ = await hearing(browser, "/desk/TEST23", welcome(), racing(cues=(hold,)))
    assert await shown_at(stage, "Hold") <= 303_300
    # Sound is aimed at what is heard, which a browser says is up to a tenth of a second after the audio clock.
    assert await heard_at(stage) == pytest.approx(304_600, abs=150)


async def test_what_one_voice_leaves_to_the_screens_another_says(browser: Any) -> None:
    cues = (
        spoken("lift", 302_500, "ana", 0.4, air=dropped("director")),
        spoken("ease", 303_500, "ana", 0.5, air=dropped("rider:otto")),
    )
    desk, _ = await hearing(browser, "/desk/TEST23", welcome(), racing(cues=cues))
    bars, _ = await hearing(browser, "/bars/TEST23", welcome("ana"), racing(cues=cues))
    assert await shown_at(desk, "Lift") <= 302_900
    for stage, lengths in ((desk, [0.5]), (bars, [0.4, 0.5])):
        await stage.page.wait_for_function("() => live.clock.now > 304000")
        assert [round(start["length"], 1) for start in await stage.page.evaluate("starts")] == lengths


async def test_a_cue_that_is_moved_again_before_it_is_said_is_said_once_and_then(browser: Any) -> None:
    lift = spoken("lift", 302_500, "otto", 0.4, fixed=True, air=moved(1_000, "director"))
    stage, _ = await hearing(browser, "/desk/TEST23", welcome(), racing(cues=(lift,)))
    await shown_at(stage, "Lift")
    later = lift.model_copy(update={"air": moved(1_900, "director")})
    await stage.tell(racing(revision=21, cues=(later,)))
    assert await heard_at(stage) == pytest.approx(304_400, abs=150)
    await stage.page.wait_for_function("() => live.clock.now > 305500")
    assert len(await stage.page.evaluate(HEARD)) == 1


async def test_a_cue_that_loses_the_air_before_it_is_said_is_not_said(browser: Any) -> None:
    lift = spoken("lift", 302_500, "otto", 0.4, fixed=True, air=moved(1_500, "director"))
    stage, _ = await hearing(browser, "/desk/TEST23", welcome(), racing(cues=(lift,)))
    await shown_at(stage, "Lift")
    await stage.tell(racing(revision=21, cues=(lift.model_copy(update={"air": dropped("director")}),)))
    await stage.page.wait_for_function("() => live.clock.now > 304800")
    assert await stage.page.evaluate(HEARD) == []


async def test_the_log_view_says_what_was_not_said_as_it_should_be_and_why(browser: Any) -> None:
    stage, _ = await hearing(browser, "/desk/TEST23", welcome(), racing())
    line = LogLine(at_ms=299_000, kind="cue", what="lift", text="Otto, lift", by="", because="rested", cue="lift:1")
    await stage.tell(racing(revision=21, log=(line,)))
    await reads(stage, "call-sheet .log .text span", "Otto, lift")
    words = "Team voice: left to the screens, “Maya, switch now” had the air."
    await stage.tell(racing(revision=22, log=(line.model_copy(update={"air": words}),)))
    await reads(stage, "call-sheet .log .air", words)
