"""What stands on the glass, measured on it: each glyph's height and its contrast with what lies around it.

The styles may promise what they like; here the pixels of a screenshot are counted.
"""

import base64
import math
from typing import Any

import pytest

from server.wire.outbound import StateMessage
from tests.web.stage import PHONE, PHONE_ACROSS, Stage, countdown, cue, racing, troubled, welcome
from tests.web.test_looks import PX_PER_MM, cap_height_mm

SHARPNESS = 3
"""Device pixels a CSS pixel, as on phones."""

INK = """async ([png, top]) => {
  const bytes = Uint8Array.from(atob(png), (one) => one.charCodeAt(0))
  const picture = await createImageBitmap(new Blob([bytes], { type: 'image/png' }))
  const pen = new OffscreenCanvas(picture.width, picture.height).getContext('2d')
  pen.drawImage(picture, 0, 0)
  const { data, width, height } = pen.getImageData(0, 0, picture.width, picture.height)
  // Relative luminance and contrast as WCAG 2.1 defines them.
  const part = (c) => (c / 255 <= 0.03928 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4)
  const light = (at) => 0.2126 * part(data[at]) + 0.7152 * part(data[at + 1]) + 0.0722 * part(data[at + 2])
  const contrast = (a, b) => (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05)
  const counts = new Map()
  for (let at = 0; at < data.length; at += 4) {
    const colour = (data[at] << 16) | (data[at + 1] << 8) | data[at + 2]
    counts.set(colour, (counts.get(colour) ?? 0) + 1)
  }
  const [field] = [...counts].sort((a, b) => b[1] - a[1])[0]
  const lightOf = (colour) => { data.set([colour >> 16, (colour >> 8) & 255, colour & 255], 0); return light(0) }
  const first = [data[0], data[1], data[2]]
  const around = lightOf(field)
  // Strokes are filled with one colour; their edges run over into the field.
  const inks = [...counts].filter(([colour]) => colour !== field && contrast(lightOf(colour), around) >= 1.5)
  const [ink] = inks.sort((a, b) => b[1] - a[1])[0] ?? [field]
  const inked = lightOf(ink)
  data.set(first, 0)
  const middle = Math.sqrt((inked + 0.05) * (around + 0.05)) - 0.05
  let [low, high] = [Infinity, -Infinity]
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const lit = light(4 * (y * width + x))
      if (inked > around ? lit > middle : lit < middle) { low = Math.min(low, y); high = Math.max(high, y); break }
    }
  }
  return { height: (high - low + 1) / top, contrast: contrast(inked, around), ink: inks.length > 0 }
}"""
"""Of a picture of one line of text: how high its ink is, CSS px, and its contrast with the field around it."""


async def ink_of(stage: Stage, selector: str, text: str | None = None) -> dict[str, float]:
    """The ink of an element as it is rendered; ``text`` stands there instead, such as a capital or a digit."""
    # In the very element, so that size, weight, face and fit are its own; the page draws no more meanwhile.
    box = await stage.page.evaluate(
        """async ([selector, text]) => {
          let node = document.querySelector(selector)
          if (text !== null) {
            live.handlers.onFrame = () => {}
            while (node.firstElementChild) node = node.firstElementChild // a verb of two words stands on two lines
            node.textContent = text
            // A line's box reaches over its neighbours: their ink must not count.
            const others = [...document.querySelectorAll('main *')].filter((other) => other !== node)
            for (const one of [node, ...others]) one.style.color = one.style.borderColor = ''
            node.style.color = getComputedStyle(node).color
            for (const other of others) {
              other.style.color = 'transparent'
              other.style.borderColor = 'transparent'
            }
          }
          await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))
          const range = document.createRange()
          range.selectNodeContents(node)
          const { x, y, width, height } = range.getBoundingClientRect()
          return { x, y, width, height }
        }""",
        [selector, text],
    )
    clip = {"x": box["x"] - 2, "y": box["y"], "width": max(8, box["width"] + 4), "height": max(8, box["height"])}
    picture = await stage.page.screenshot(clip=clip, animations="disabled")
    found: dict[str, float] = await stage.page.evaluate(INK, [base64.b64encode(picture).decode(), SHARPNESS])
    return found


def arc_minutes(height_px: float, distance_mm: float = 1_000) -> float:
    """The angle under which a height on a six-inch phone is seen, in minutes of arc: plain trigonometry."""
    return math.degrees(2 * math.atan(height_px / PX_PER_MM / 2 / distance_mm)) * 60


def test_the_angle_of_a_height_is_worked_out_as_the_guideline_has_it() -> None:
    # NUREG-0700, 1.3.1-4 (H = 6.283·D·MA / 21600), the other way round.
    assert arc_minutes(cap_height_mm(40) * PX_PER_MM) == pytest.approx(40, rel=1e-4)
    # A letter of 5.8 mm at a metre is seen under 20' (5.82 mm by hand: 1000 · tan(20/60°)).
    assert arc_minutes(5.82 * PX_PER_MM) == pytest.approx(20, abs=0.05)


SCENES: dict[str, tuple[str, StateMessage, int, str]] = {
    "following": ("ana", racing(), 300_000, "big-cue .verb"),
    "leading": ("otto", racing(), 300_000, "big-cue .verb"),
    "drifting": ("maya", racing(), 300_000, "big-cue .verb"),
    "before the gun": ("ana", countdown(), -14_000, "big-cue .verb"),
    "adrift": ("lio", troubled(), 300_000, "big-cue .verb"),
    "told now": (
        "ana",
        racing(cues=(cue("close_gap", 300_400, "ana", too_late_ms=9_000),)),
        300_000,
        "[data-field=now]",
    ),
    "told to stop": (
        "ana",
        racing(cues=(cue("stop", 300_400, None, to=(), priority=0, too_late_ms=10_000),)),
        300_000,
        "[data-field=danger]",
    ),
}


@pytest.mark.parametrize("light", ["light", "dark"])
@pytest.mark.parametrize("glass", [PHONE, PHONE_ACROSS], ids=["upright", "across"])
@pytest.mark.parametrize("scene", SCENES)
async def test_at_a_metre_what_is_on_the_glass_is_as_large_and_as_plain_as_it_must_be(
    browser: Any, scene: str, glass: dict[str, int], light: str
) -> None:
    rider, state, clock_ms, seen = SCENES[scene]
    stage = await Stage.open(
        browser,
        "/bars/TEST23",
        [welcome(rider), state],
        viewport=glass,
        clock_ms=clock_ms,
        color_scheme=light,
        device_scale_factor=SHARPNESS,
    )
    await stage.page.wait_for_selector(f"{seen}:visible" if seen.startswith("big") else f"big-cue{seen}")
    texts = await stage.page.evaluate(
        """() => Object.fromEntries(['verb', 'number', 'next', 'then'].map((part) =>
          [part, document.querySelector(`big-cue .${part}`)?.textContent.trim() ?? '']))"""
    )
    assert texts["verb"]
    for part, text in texts.items():
        if not text:
            continue
        contrast = (await ink_of(stage, f"big-cue .{part}"))["contrast"]
        assert contrast >= 7, f"{part}: {contrast:.1f} to 1"  # WCAG 2.1, 1.4.6
    for part, sample, least in (("number", "8", 60), ("verb", "H", 40), ("next", "H", 40)):
        if not texts[part]:
            continue
        angle = arc_minutes((await ink_of(stage, f"big-cue .{part}", sample))["height"])
        assert angle >= least, f"{part} {texts[part]!r}: {angle:.0f} minutes of arc"


async def test_ink_is_measured_as_it_is(browser: Any) -> None:
    """The ruler itself: a bar 30 px high, in greys whose contrast is known (#767676 on white: 4.54, from memory)."""
    stage = await Stage.open(
        browser, "/bars/TEST23", [welcome("ana"), racing()], viewport=PHONE, clock_ms=300_000,
        device_scale_factor=SHARPNESS,
    )  # fmt: skip
    await stage.page.evaluate(
        """() => {
          const block = (values) => {
            const made = document.createElement('div')
            Object.assign(made.style, { position: 'fixed', zIndex: 99, ...values })
            document.body.append(made)
          }
          block({ inset: '0', background: '#fff' })
          block({ left: '40px', top: '60px', width: '50px', height: '30px', background: '#767676' })
        }"""
    )
    picture = await stage.page.screenshot(clip={"x": 20, "y": 30, "width": 120, "height": 100})
    found = await stage.page.evaluate(INK, [base64.b64encode(picture).decode(), SHARPNESS])
    assert found["height"] == pytest.approx(30, abs=0.4)
    assert found["contrast"] == pytest.approx(4.54, abs=0.01)
