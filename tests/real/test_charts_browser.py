"""Charts and shared news in a real browser (Chromium, headless)."""

import asyncio
import sys
from itertools import pairwise
from pathlib import Path

import pytest
from test_page_browser import browsing, reads

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from test_api import RealHouse
from web_house import serving

pytestmark = pytest.mark.real
TABS = 6  # more than the four connections that the server grants a browser


async def readers(house, wanted, within_s=5.0):
    async with asyncio.timeout(within_s):
        while house.server._live.readers != wanted:
            await asyncio.sleep(0.05)


async def test_all_tabs_of_a_browser_share_one_connection():
    async with serving() as house, browsing() as page:
        tabs = [page, *[await page.context.new_page() for _ in range(TABS - 1)]]
        for tab in tabs:
            await tab.goto(house.url)
        await asyncio.sleep(0.6)
        await readers(house, 1)
        house.shown["verdict"]["title"] = "All tabs hear it"
        house.server.changed()
        for tab in tabs:
            await reads(tab, "h1", "All tabs hear it", 5)
        assert house.server._live.readers == 1
        await tabs.pop(0).close()  # the one that led
        await readers(house, 1)
        house.shown["verdict"]["title"] = "Another leads now"
        house.server.changed()
        for tab in tabs:
            await reads(tab, "h1", "Another leads now", 5)
        await asyncio.sleep(0.5)
        assert house.server._live.readers == 1
        assert page.said == []


async def test_a_tab_without_locks_listens_for_itself():
    async with serving() as house, browsing() as page:
        await page.add_init_script("Object.defineProperty(navigator, 'locks', { value: undefined })")
        await page.goto(house.url)
        await readers(house, 1)
        house.shown["verdict"]["title"] = "Heard alone"
        house.server.changed()
        await reads(page, "h1", "Heard alone", 5)


async def test_a_chart_moves_and_zooms_by_keys_buttons_and_fingers(tmp_path):
    house = RealHouse(tmp_path)
    try:
        async with serving(house), browsing(viewport={"width": 390, "height": 844}) as page:
            await page.goto(house.url + "/history?series=avocet/power_w&range=6h")
            await page.wait_for_selector("figure[data-ready='1'] canvas", timeout=10_000)
            words = page.locator("figcaption .span-words").first
            seen = [await words.inner_text()]
            assert "26 Jun 2025" in seen[0]
            figure = page.locator("figure").first
            await figure.focus()
            for act in ("ArrowLeft", "+", "-"):
                await page.keyboard.press(act)
                seen.append(await words.inner_text())
            button = page.get_by_role("button", name="Closer")
            box = await button.bounding_box()
            assert min(box["height"], box["width"]) >= 44
            await button.click()
            seen.append(await words.inner_text())
            plot = await figure.locator(".plot").bounding_box()
            x, y = plot["x"] + plot["width"] / 2, plot["y"] + plot["height"] / 2
            await page.mouse.move(x, y)
            await page.mouse.down()
            await page.mouse.move(x - 80, y, steps=4)
            await page.mouse.up()
            seen.append(await words.inner_text())
            assert all(one != other for one, other in pairwise(seen)), seen
            assert seen[1] == seen[3], "closer and wider undo each other"
            await page.locator("figure[data-ready='1']").first.wait_for()
            assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing sticks out"
            assert page.said == []
            assert all(url.startswith(house.url) for url in page.asked), "no request leaves the house"
            asked = sum("/static/uplot.js" in url for url in page.asked)
            await page.goto(house.url)
            assert asked == 1
            assert sum("/static/uplot.js" in url for url in page.asked) == 1, "not on the first page"
    finally:
        await house.store.close()
        house.journal.close()
