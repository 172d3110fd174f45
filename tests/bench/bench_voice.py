"""The voice of a whole race through the real server: eight riders, in one language and in three; words from the desk.

How fast the engine is by itself, and what a listener makes of it, is in ``voice.py``. Run alone: on a busy machine the
engine waits for its turn like everybody else.
"""

import asyncio
import os
import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from server.planning import best_plan
from server.runner.draft import riders_from_forms, roster_of
from server.wire.http import RiderForm
from tests.server.serving import Arena, Made, Page, ready_draft, serving, settings_for
from tests.server.test_live import started

SHORT = os.environ.get("BENCH_SHORT") == "1"
NAMES = ("Maya", "Otto", "Ana", "Jo", "Karl", "Emma", "Victor", "Julia")
TEAMS = {"one language": ("en",) * 8, "three languages": ("en", "en", "en", "en", "fr", "fr", "de", "de")}
WORDS = (
    *("crosswind from the left at the mill", "two riders of the other team ahead", "bottle at the top", "stay left"),
    *("roundabout, take it on the right", "gravel after the bridge", "we are four seconds up", "last corner is wet"),
)
SAID = 8 if SHORT else 48
SENTENCE = "{words}, number {number}"


async def opened(here: Arena, languages: tuple[str, ...]) -> Made:
    """A race of eight riders who hear these languages, planned and open."""
    made = await here.set_up("Bench")
    race = await here.parts.house.race(made.code)
    forms = [
        RiderForm(name=name, mass_kg=72, critical_power_w=310, w_prime_j=20_000, height_cm=180, language=language)
        for name, language in zip(NAMES, languages, strict=True)
    ]
    draft = replace(ready_draft(), riders=riders_from_forms(forms))
    assert draft.course is not None
    draft = replace(draft, plan=best_plan(draft.course, roster_of(draft), draft.rules, "steady"))
    await here.parts.house._save(race, draft)
    made.links = (await here.call("POST", f"/api/races/{made.code}/open", ticket=made.ticket)).json()
    return made


def processor_s(here: Arena) -> float | None:
    """What the engine's process has taken of the processor so far; None where only other systems tell."""
    stat = Path(f"/proc/{here.parts.voice.worker_pid}/stat")
    if not stat.is_file():
        return None
    user, system = stat.read_text().rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


async def rendered(here: Arena, made: Made, began: float, before_s: float | None = None) -> str:
    """Wait until everything is rendered. Answers how much that was and how long it took."""
    race = await here.parts.house.race(made.code)
    assert race.live is not None
    while True:
        ready, wanted = race.live.clips
        if ready == wanted:
            taken_s = processor_s(here)
            engine = "" if taken_s is None or before_s is None else f" ({taken_s - before_s:.1f} s of the processor)"
            return f"{wanted} clips in {time.perf_counter() - began:.1f} s{engine}"
        await asyncio.sleep(0.05)


async def said_clip(page: Page, text: str) -> dict[str, Any]:
    """The director's words as a page is told them, once they have their clip."""
    while True:
        state = await page.next("state", "whole", within_s=30)
        for cue in state.get("cues", ()):
            if cue["kind"] == "say" and cue["words"] == text:
                said: dict[str, Any] = next(iter(cue["said"].values()))
                if said["clip"]:
                    return said


async def whole_vocabulary() -> None:
    for called, languages in TEAMS.items():
        with tempfile.TemporaryDirectory() as folder:
            async with serving(replace(settings_for(Path(folder)), voice=True)) as here:
                while not here.parts.voice.status.ok:
                    await asyncio.sleep(0.01)
                began, before_s = time.perf_counter(), processor_s(here)
                made = await opened(here, languages)
                told = await rendered(here, made, began, before_s)
                print(f"eight riders, {called}: {told}, in the background of a live server")
                began, before_s = time.perf_counter(), processor_s(here)
                await here.call("PUT", f"/api/races/{made.code}/voice", {"rate": 140}, ticket=made.ticket)
                told = await rendered(here, made, began, before_s)
                print(f"the same at another pace, chosen in the lobby: {told}")


async def own_words() -> None:
    with tempfile.TemporaryDirectory() as folder:
        async with serving(replace(settings_for(Path(folder)), voice=True)) as here:
            while not here.parts.voice.status.ok:
                await asyncio.sleep(0.01)
            made = await opened(here, TEAMS["three languages"])
            await rendered(here, made, 0)
            director, rider = (
                await here.page(made.code, made.ticket),
                await here.page(made.code, made.ticket_of("ana")),
            )
            await started(director, 300)
            for quiet in (True, False):
                took_ms = []
                for number in range(SAID):
                    if not quiet:
                        # Everything is wanted anew meanwhile, as after a change of pace.
                        rate = 150 + number % 8 * 5
                        await here.call("PUT", f"/api/races/{made.code}/voice", {"rate": rate}, ticket=made.ticket)
                    text = SENTENCE.format(words=WORDS[number % len(WORDS)], number=number + (0 if quiet else 1_000))
                    began = time.perf_counter()
                    tap = await director.tap("say_aloud", text=text, rider=None if number % 2 else "ana")
                    said = await said_clip(rider, text)
                    await here.http.get(said["clip"])
                    took_ms.append((time.perf_counter() - began) * 1000)
                    await director.settled(tap)  # a page that reads nothing is dropped
                while_ = "nothing else to do" if quiet else "everything to render anew"
                print(
                    f"words typed at the desk, from the tap to the clip on a rider's page, with {while_}: "
                    f"p50 {statistics.median(took_ms):.0f} ms, p95 {np.quantile(took_ms, 0.95):.0f} ms, "
                    f"most {max(took_ms):.0f} ms, {len(took_ms)} sentences"
                )


async def main() -> None:
    if hasattr(os, "getloadavg"):
        print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    await whole_vocabulary()
    await own_words()


if __name__ == "__main__":
    asyncio.run(main())
