"""A page left open for long, in a real browser (Chromium, headless)."""

import asyncio
import sys
from pathlib import Path

import pytest
from test_page_browser import browsing

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import web_sample
from web_house import House, serving

from farmwatch.web.panels import render

pytestmark = pytest.mark.real


async def readers(house, wanted, within_s=5.0):
    async with asyncio.timeout(within_s):
        while house.server._live.readers != wanted:
            await asyncio.sleep(0.05)


async def test_a_page_left_open_for_long_does_not_grow():
    """Many changes, handed in as the tab that leads would; the heap after collection does not follow their number."""
    views = []
    for at in range(8):
        view = getattr(web_sample, ("usual", "outage")[at % 2])()
        view["at_s"] += at
        view["machines"][0]["progress"] = at / 8
        panels = render(view)
        views.append({key: panels[key] for key in ("as_of", "verdict", "beds", "alarms")})
    async with serving(House()) as house, browsing() as page:
        await page.goto(house.url)
        await readers(house, 1)
        follower, poster = [await page.context.new_page() for _ in range(2)]
        await follower.goto(house.url)
        await poster.goto(house.url + "/static/icon.svg")
        await asyncio.sleep(1)
        look = await follower.context.new_cdp_session(follower)
        sizes = []

        async def changes(first, last):
            await poster.evaluate(
                """async ([views, first, last]) => {
                    window.news ||= new BroadcastChannel("farmwatch-news");
                    for (let n = first; n < last; n++) {
                        news.postMessage({ kind: "news", message: { seq: 1e6 + n, full: true, title: `n ${n}`,
                            panels: views[n % views.length] } });
                        if (n % 50 === 0) await new Promise((go) => setTimeout(go, 30));
                    }
                }""", [views, first, last],
            )  # fmt: skip
            async with asyncio.timeout(50):
                while await follower.title() != f"n {last - 1}":
                    await asyncio.sleep(0.1)
            for _ in range(2):
                await look.send("HeapProfiler.collectGarbage")
            heap = await look.send("Runtime.getHeapUsage")
            count = await look.send("Memory.getDOMCounters")
            sizes.append((heap["usedSize"], count["nodes"], count["jsEventListeners"]))

        await changes(0, 200)
        await changes(200, 900)
        await changes(900, 1_600)
        (_, _, _), (heap, nodes, listeners), (later, later_nodes, later_listeners) = sizes
        assert later - heap < 200_000, sizes  # bytes over 700 changes
        assert later_nodes - nodes < 200, sizes
        assert later_listeners <= listeners, sizes
        assert page.said == []
