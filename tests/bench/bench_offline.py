"""How soon pages stand without their server: where nobody answers, and where everything is swallowed.

Ten loads each of the start page and a bar screen in a race, in real Chromium, from their beginning until their modules
have run. With the server, for comparison.

python -m tests.bench.bench_offline
"""

import asyncio
import os
import statistics
import tempfile
from pathlib import Path
from typing import Any

from playwright.async_api import async_playwright

from tests.conftest import CHROMIUM_FLAGS, LiveServer, find_chromium
from tests.web.test_race_end_to_end import prepare

LOADS = 3 if os.environ.get("BENCH_SHORT") == "1" else 10
STANDS = "performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"


async def stands_ms(page: Any) -> list[float]:
    """How long each load took."""
    took = []
    for _ in range(LOADS):
        await page.reload()
        took.append(float(await page.evaluate(STANDS)))
    return took


async def main() -> None:
    """Print the figures."""
    flags = [*CHROMIUM_FLAGS, *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else [])]
    with tempfile.TemporaryDirectory() as folder:
        server = LiveServer(Path(folder) / "data")
        server.start()
        try:
            _, _, links = prepare(server)
            async with async_playwright() as playwright:
                browser = await playwright.chromium.launch(executable_path=find_chromium(), args=flags)
                pages = {}
                for name, address in (("start page", server.url), ("bar screen", links["Maya"])):
                    page = pages[name] = await (await browser.new_context()).new_page()
                    await page.goto(address)
                    await page.wait_for_function("() => navigator.serviceWorker.controller !== null")
                for label, before, after in (
                    ("with the server", lambda: None, lambda: None),
                    ("network swallows everything", server.pause, server.go_on),
                    ("nobody answers", server.kill, lambda: None),
                ):
                    before()
                    for name, page in pages.items():
                        took = await stands_ms(page)
                        print(
                            f"{label}, {name}: {statistics.median(took):.0f} ms at the median, "
                            f"{max(took):.0f} ms at the most of {LOADS}"
                        )
                    after()
                await browser.close()
        finally:
            server.stop()


if __name__ == "__main__":
    asyncio.run(main())
