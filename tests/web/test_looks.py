"""What can be read at arm's length, in sun and in pain: contrast, sizes, room for a thumb."""

import itertools
import re

import pytest

from tests.web.stage import (
    DESK,
    PHONE,
    PHONE_ACROSS,
    TABLET,
    WEB,
    Stage,
    countdown,
    course,
    cue,
    here,
    lobby,
    racing,
    roster,
    troubled,
    welcome,
)

TOKENS = (WEB / "styles" / "tokens.css").read_text("utf-8")
LIGHTS = {
    "day": dict(re.findall(r"--([\w-]+): (#\w{6});", TOKENS.split("@media")[0])),
    "night": dict(re.findall(r"--([\w-]+): (#\w{6});", TOKENS.split('[data-theme="dark"]')[1])),
}


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.1 defines it (w3.org/TR/WCAG21, "relative luminance")."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.1 defines it."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_worked_out_as_the_standard_has_it() -> None:
    # Black on white is 21:1, and #767676 on white is 4.54:1 (WCAG's own examples, from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize(
    ("ink", "field"),
    [
        *(("ink", "paper"), ("ink-soft", "paper"), ("ink", "shade"), ("on-now", "now"), ("on-danger", "danger")),
        ("paper", "ink"),
    ],
)
def test_every_pair_of_ink_and_field_is_seven_to_one_or_better(light: str, ink: str, field: str) -> None:
    # 7:1 is WCAG 2.1's enhanced contrast (1.4.6).
    colours = LIGHTS[light]
    assert contrast(colours[ink], colours[field]) >= 7


@pytest.mark.parametrize("light", LIGHTS)
def test_every_riders_mark_stands_out_from_the_paper(light: str) -> None:
    # 3:1 is WCAG 2.1's least for things that aren't text (1.4.11).
    colours = LIGHTS[light]
    assert all(contrast(colours[f"hue-{hue}"], colours["paper"]) >= 3 for hue in range(10))


def test_both_ways_into_the_dark_are_the_same_dark() -> None:
    by_device = TOKENS.split("prefers-color-scheme: dark")[1].split("data-theme")[1]
    assert dict(re.findall(r"--([\w-]+): (#\w{6});", by_device)) == LIGHTS["night"]


def test_no_colour_is_written_down_outside_the_tokens() -> None:
    # A code to scan is black on white in every light, and so is what goes through a printer.
    on_white = {"pages/lobby.css", "pages/briefing.css", "parts/setup-links/setup-links.css"}
    loose = {
        str(sheet.relative_to(WEB)): found
        for sheet in [*WEB.glob("parts/*/*.css"), *WEB.glob("pages/*.css"), WEB / "styles" / "base.css"]
        if (found := re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[^{]*;)", sheet.read_text("utf-8")))
        and str(sheet.relative_to(WEB)) not in on_white
    }
    assert loose == {}


# Sizes on the bars

PX_PER_MM = 6.0
"""A phone of six inches shows 390 × 844 CSS pixels on about 65 × 141 mm."""


def cap_height_mm(arc_minutes: float, distance_mm: float = 1_000) -> float:
    """How high a letter must be. H = 6.283·D·MA / 21600 (NUREG-0700, 1.3.1-4)."""
    return 6.283 * distance_mm * arc_minutes / 21_600


CAP_HEIGHT_PX = """(selector) => {
  const element = document.querySelector(selector)
  const style = getComputedStyle(element)
  const pen = document.createElement('canvas').getContext('2d')
  pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`
  return pen.measureText('H').actualBoundingBoxAscent
}"""

PLACES = {"following": "ana", "leading": "otto", "drifting": "maya"}


@pytest.mark.parametrize("place", PLACES)
async def test_at_a_metre_the_countdown_is_sixty_minutes_of_arc_high_and_the_words_forty(browser, place: str) -> None:
    stage = await Stage.open(
        browser, "/bars/TEST23", [welcome(PLACES[place]), racing()], viewport=PHONE, clock_ms=300_000
    )
    await stage.page.wait_for_function("() => document.querySelector('big-cue .number')?.textContent > 0")

    assert await stage.page.evaluate(CAP_HEIGHT_PX, "big-cue .number") >= cap_height_mm(60) * PX_PER_MM
    assert await stage.page.evaluate(CAP_HEIGHT_PX, "big-cue .verb") >= cap_height_mm(40) * PX_PER_MM
    assert await stage.page.evaluate(CAP_HEIGHT_PX, "big-cue .next") >= cap_height_mm(40) * PX_PER_MM


async def test_no_word_of_any_language_is_too_long_for_its_size(browser) -> None:
    stage = await Stage.open(browser, "/bars/TEST23", [welcome("ana"), racing()], viewport=PHONE, clock_ms=300_000)
    await stage.page.wait_for_selector("big-cue .verb")
    small = await stage.page.evaluate(
        """async (least) => {
          const { WORDS } = await import('/web/parts/big-cue/words.js')
          const cap = CAP
          const big = document.querySelector('big-cue')
          live.handlers.onFrame = () => {}
          const small = []
          for (const [language, words] of Object.entries(WORDS)) {
            for (const verb of [words.doing, words.cue].flatMap(Object.values)) {
              big.show({ verb, figure: '', then: '', next: '', field: '' })
              if (cap('big-cue .verb') < least) small.push(`${language} ${verb}`)
            }
            for (const next of ['lead', 'follow', 'off', 'latch'].map((doing) => words.doing[doing])) {
              big.show({ verb: '', figure: '9', then: words.then, next, field: '' })
              if (cap('big-cue .next') < least) small.push(`${language} then ${next}`)
            }
          }
          return small
        }""".replace("CAP", CAP_HEIGHT_PX),
        cap_height_mm(40) * PX_PER_MM,
    )
    assert small == []


# Room

SCREENS = {
    "lobby of the director": ("/lobby/TEST23", [welcome(), lobby(), here()], None),
    "lobby of a rider": ("/lobby/TEST23", [welcome("maya"), lobby(may=()), here()], None),
    "desk": ("/desk/TEST23", [welcome(), racing(), here()], 300_000),
    "desk in trouble": ("/desk/TEST23", [welcome(), troubled(), here(voice_ok=False)], 300_000),
    "desk before the gun": ("/desk/TEST23", [welcome(), countdown(), here()], -14_000),
    "bars": ("/bars/TEST23", [welcome("ana"), racing(), here()], 300_000),
}
GLASS = {"phone": PHONE, "phone across": PHONE_ACROSS, "tablet": TABLET, "desk": DESK}


@pytest.mark.parametrize(("screen", "glass"), list(itertools.product(SCREENS, GLASS)))
async def test_nothing_runs_over_the_edge_and_every_button_has_room(browser, screen: str, glass: str) -> None:
    path, first, clock_ms = SCREENS[screen]
    stage = await Stage.open(browser, path, first, viewport=GLASS[glass], clock_ms=clock_ms)
    await stage.page.wait_for_selector("main > div")

    assert await stage.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # 44 px is WCAG 2.2's enhanced target (2.5.5); a landmark on the course is a mark first.
    cramped = await stage.page.evaluate(
        """[...document.querySelectorAll('button:not(.landmark)')]
          .filter((button) => button.offsetParent && button.offsetHeight < 44).map((button) => button.textContent)"""
    )
    assert cramped == []
    assert stage.errors == []


async def test_a_desk_of_fourteen_inches_needs_no_scrolling(browser) -> None:
    stage = await Stage.open(browser, "/desk/TEST23", [welcome(), racing(), here()], clock_ms=300_000)
    await stage.page.wait_for_selector("director-keys .stop")
    assert await stage.page.evaluate("document.documentElement.scrollHeight <= innerHeight")
    assert await stage.page.evaluate(
        "document.querySelector('director-keys').getBoundingClientRect().bottom <= innerHeight"
    )


async def test_a_bar_screen_never_scrolls_under_a_thumb(browser) -> None:
    for glass in (PHONE, PHONE_ACROSS):
        stage = await Stage.open(browser, "/bars/TEST23", [welcome("ana"), racing()], viewport=glass, clock_ms=300_000)
        await stage.page.wait_for_selector("thumb-taps .stop")
        assert await stage.page.evaluate("document.documentElement.scrollHeight <= innerHeight")
        assert await stage.page.evaluate(
            "document.querySelector('thumb-taps').getBoundingClientRect().bottom <= innerHeight"
        )


# Nothing by colour alone


def test_no_two_riders_share_a_mark_or_their_initials_in_the_pages_own_shapes() -> None:
    shapes = re.findall(
        r"^  (\w+): 'M([^']+)'", (WEB / "parts/rider-mark/rider-mark.js").read_text("utf-8"), re.MULTILINE
    )
    assert len({outline for _, outline in shapes}) == len(shapes) == 10
    assert {card.mark for card in roster()} <= {name for name, _ in shapes}


async def test_the_leader_is_named_in_words_too(browser) -> None:
    stage = await Stage.open(browser, "/desk/TEST23", [welcome(), racing()], clock_ms=300_000)
    bead = stage.page.get_by_role("button", name="Otto, on the front, key 2, 42 % in reserve")
    await bead.wait_for()
    assert await stage.page.get_by_role("button", name="Maya, drifting back, key 1, 30 % in reserve").count() == 1


async def test_stop_is_a_word_on_the_bars_and_not_only_red(browser) -> None:
    stop = cue("stop", 300_200, priority=0, too_late_ms=10_000)
    stage = await Stage.open(
        browser, "/bars/TEST23", [welcome("ana"), racing(cues=(stop,))], viewport=PHONE, clock_ms=300_000
    )
    await stage.page.wait_for_selector("big-cue[data-field=danger]")
    assert (await stage.page.inner_text("big-cue .verb")).strip() == "Stop"


def test_the_made_up_course_is_whole() -> None:
    card = course()
    assert card.stretches[0].start_m == 0
    assert card.stretches[-1].end_m == card.length_m
