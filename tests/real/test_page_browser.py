"""The page in a real browser (Chromium, headless): live, usable, and safe with hostile names."""

import asyncio
import os
import sys
import time
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from servers import need, patient

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import web_sample
from web_house import House, serving

pytestmark = pytest.mark.real

ARGS = (
    "--no-sandbox", "--disable-dev-shm-usage", "--disable-background-networking", "--disable-quic",
    "--disable-component-update", "--disable-sync", "--no-first-run", "--disable-gpu",
    "--host-resolver-rules=MAP farm.lan 127.0.0.1,MAP other.lan 127.0.0.1",
)  # fmt: skip
SHOTS = os.environ.get("FARMWATCH_SHOTS", "")
SIZES = ((320, 640), (360, 640), (768, 1024), (1280, 800))


@asynccontextmanager
async def browsing(**context):
    from playwright.async_api import async_playwright

    async with async_playwright() as driver:
        chromium = await driver.chromium.launch(executable_path=need("chromium", "chromium"), args=list(ARGS))
        screen = await chromium.new_context(**context)
        screen.set_default_timeout(90_000)
        page = await screen.new_page()
        page.said, page.asked = [], []
        page.on("console", lambda message: page.said.append(message.text))
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.on("dialog", lambda dialog: page.said.append("dialog " + dialog.message))
        page.on("request", lambda request: page.asked.append(request.url))
        try:
            yield page
        finally:
            await chromium.close()


async def reads(page, selector, words, within_s=3):
    """Wait until the element shows the words (the page's own policy forbids to evaluate strings in it)."""
    await page.locator(selector, has_text=words).wait_for(timeout=patient(within_s) * 1_000)


async def test_a_change_is_on_the_screen_within_two_seconds():
    async with serving() as house, browsing() as page:
        await page.goto(house.url)
        await reads(page, "h1", "Clear bittern")
        took = []
        for at in range(3):
            await asyncio.sleep(0.1 * at)
            house.shown["verdict"]["title"] = f"Clear bed {at}"
            began = time.monotonic()
            house.server.changed()
            await reads(page, "h1", f"Clear bed {at}")
            took.append(time.monotonic() - began)
        assert max(took) <= 2.0, took
        assert "Clear bed 2" in await page.title()
        assert page.said == []
        assert all(url.startswith(house.url) for url in page.asked), "no request leaves the house"


async def test_news_keep_what_is_open_typed_and_focused():
    async with serving() as house, browsing() as page:
        await page.goto(house.url)
        await page.locator('[data-key="m-avocet"] > summary').click()
        await page.locator('[data-key="started-avocet"] > summary').click()
        await page.locator('[data-key="m-avocet"] input[name="job"]').fill("half a na")
        house.shown["machines"][0].update(progress=0.48, state="paused")
        house.shown["machines"][5].update(state="waiting")
        house.shown["alarms"].pop(0)
        house.server.changed()
        await page.wait_for_selector('[data-key="m-avocet"] .word:text("paused")', timeout=3_000)
        assert await page.locator('[data-key="m-avocet"] > summary .brief').inner_text() == "48 %, 14:40"
        assert await page.evaluate("document.activeElement.name") == "job"
        await page.keyboard.type("me")
        assert await page.locator('[data-key="m-avocet"] input[name="job"]').input_value() == "half a name"
        assert await page.locator('[data-key="m-avocet"]').get_attribute("open") is not None
        assert await page.locator('[data-key="bed-fulmar"]').count() == 1
        assert page.said == []


async def test_cleared_is_one_press_and_the_bed_goes():
    async with serving() as house, browsing(viewport={"width": 360, "height": 640}) as page:
        await page.goto(house.url)
        button = page.locator('[data-key="bed-bittern"] button')
        box = await button.bounding_box()
        assert box["height"] >= 44
        assert box["y"] + box["height"] <= 640, "in view without scrolling"
        await button.focus()
        await page.keyboard.press("Enter")
        await reads(page, "#notice", "bittern: the bed is clear")
        assert [said[1:4] for said in house.heard] == [("cleared", "bittern", "page")]
        house.shown["machines"][1].update(state="idle", clear_at_s=None)
        house.server.changed()
        await page.wait_for_selector('[data-key="bed-bittern"]', state="detached", timeout=3_000)
        assert await page.evaluate("document.activeElement.id") == "beds-h", "the focus is not lost"
        assert "/?" not in page.url


async def test_a_refusal_is_shown_in_words():
    async with serving() as house, browsing() as page:
        house.shown["machines"][1]["name"] = "dodo"
        await page.goto(house.url)
        await page.locator('[data-key="bed-dodo"] button').click()
        await reads(page, "#notice", "no machine")
        assert await page.locator('[data-key="bed-dodo"] button').is_enabled()


async def test_without_script_the_page_reads_and_its_forms_work():
    async with serving() as house, browsing(java_script_enabled=False) as page:
        await page.goto(house.url)
        assert await page.locator("h1").inner_text() == "Clear bittern"
        await page.locator('[data-key="bed-bittern"] button').click()
        await page.wait_for_url("**/?said=cleared")
        assert house.heard[0][1:3] == ("cleared", "bittern")
        await page.locator('[data-key="m-gannet"] > summary').click()
        await page.get_by_text("Charts and history of gannet").locator("visible=true").click()
        await page.wait_for_url("**/machine/gannet")
        await page.locator('[data-key="started-gannet"] > summary').click()
        await page.locator('[data-key="started-gannet"] input[name="planned_min"]').fill("90")
        await page.locator('[data-key="started-gannet"] button').click()
        await page.wait_for_url("**/?said=started")
        assert house.heard[1].fields == {"planned_min": 90.0}


async def test_on_a_plain_network_name_our_own_forms_are_told_from_those_of_others():
    """Without TLS browsers send no Sec-Fetch-Site to a name like this; then Origin must do, and does."""
    async with serving(hosts=("farm.lan",)) as house, browsing(java_script_enabled=False) as page:
        at = house.url.replace("127.0.0.1", "farm.lan")
        await page.goto(at)
        await page.locator('[data-key="bed-bittern"] button').click()
        await page.wait_for_url("**/?said=cleared")
        assert len(house.heard) == 1
        async with elsewhere(f'<form method="post" action="{at}/say"><input name="command" value="cleared">'
                             '<input name="machine" value="bittern"><button>x</button></form>') as other:  # fmt: skip
            await page.goto(other)
            async with page.expect_response("**/say") as waiting:
                await page.locator("button").click()
            assert (await waiting.value).status == 403
        rebound = await page.goto(house.url.replace("127.0.0.1", "other.lan"))
        assert rebound.status == 421
    assert len(house.heard) == 1


@asynccontextmanager
async def elsewhere(html):
    """Another site."""
    from aiohttp import web

    async def answer(_request):
        return web.Response(text=html, content_type="text/html")

    app = web.Application()
    app.router.add_get("/", answer)
    runner = web.AppRunner(app)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    try:
        yield f"http://127.0.0.1:{runner.addresses[0][1]}/"
    finally:
        await runner.cleanup()


async def test_hostile_names_do_nothing():
    async with serving() as house, browsing() as page:
        await page.goto(house.url)
        house.shown = web_sample.hostile()
        house.server.changed()
        await reads(page, "h1", "onerror")
        await page.reload()
        await page.wait_for_timeout(300)
        assert page.said == [], "no dialog, no report of the content security policy"
        assert await page.locator("img").count() == 0


async def test_a_silent_server_is_said_and_dims_the_page_and_its_return_is_noticed():
    async with browsing() as page:
        house = House()
        async with serving(house):
            await page.goto(house.url)
            await page.wait_for_timeout(500)
            port = int(house.url.rsplit(":", 1)[1])
        began = time.monotonic()
        await page.wait_for_selector("#lost:visible", timeout=12_000)
        assert (await page.locator("#lost").inner_text()).startswith("Connection lost ")
        assert not await page.evaluate("document.body.classList.contains('stale')")
        await page.wait_for_selector("body.stale", timeout=18_000)
        assert 14 <= time.monotonic() - began <= 18
        assert float(await page.evaluate("getComputedStyle(document.querySelector('main')).opacity")) < 1
        house.shown["verdict"]["title"] = "Back again"
        async with serving(house, port=port):
            await reads(page, "h1", "Back again", within_s=8)
            await page.wait_for_selector("body:not(.stale)")
            await page.wait_for_selector("#lost", state="hidden")


async def test_a_quiet_but_living_server_is_not_called_lost():
    async with serving() as house, browsing() as page:
        await page.goto(house.url)
        await page.wait_for_timeout(11_000)
        assert not await page.locator("#lost").is_visible()


@pytest.mark.parametrize("view", ["usual", "outage", "blank", "empty", "hostile"])
async def test_the_page_fits_every_screen(view):
    """Set FARMWATCH_SHOTS to a folder to look at the screens."""
    async with serving() as house, browsing() as page:
        house.shown = getattr(web_sample, view)()
        await page.goto(house.url)
        for width, height in SIZES:
            await page.set_viewport_size({"width": width, "height": height})
            assert await page.evaluate("document.documentElement.scrollWidth") <= width
            verdict = await page.locator("h1").bounding_box()
            assert verdict["y"] + verdict["height"] <= height / 2, "the verdict is the first thing"
            low = await page.evaluate(
                "[...document.querySelectorAll('button, summary, nav a, input:not([type=hidden]), select')]"
                ".filter(e => e.checkVisibility()).map(e => [e.getBoundingClientRect().height, e.outerHTML])"
                ".filter(([height]) => height < 43.9).map(([height, html]) => height + ' ' + html.slice(0, 80))"
            )
            assert low == [], "targets are 44 px high"
            for scheme in ("light", "dark") if SHOTS else ():
                await page.emulate_media(color_scheme=scheme)
                await page.screenshot(path=Path(SHOTS) / f"{view}-{width}-{scheme}.png", full_page=True)


async def test_twelve_machines_are_in_view_on_a_phone():
    async with serving() as house, browsing(viewport={"width": 360, "height": 640}) as page:
        await page.goto(f"{house.url}/#machines")
        boxes = [await cell.bounding_box() for cell in await page.locator(".machine").all()]
        assert len(boxes) == 12
        assert all(box["y"] >= 0 and box["y"] + box["height"] <= 640 for box in boxes), boxes


async def test_loading_is_quick_and_nothing_jumps():
    """W2: largest contentful paint at most 1.0 s, layout shift at most 0.02 (W3C Largest Contentful Paint, Layout
    Instability), through a change of everything."""
    async with serving() as house, browsing(viewport={"width": 360, "height": 640}) as page:
        await page.add_init_script(
            "window.lcp = 0; window.cls = 0;"
            "new PerformanceObserver(l => { for (const e of l.getEntries()) lcp = e.startTime; })"
            ".observe({ type: 'largest-contentful-paint', buffered: true });"
            "new PerformanceObserver(l => { for (const e of l.getEntries()) cls += e.value; })"
            ".observe({ type: 'layout-shift', buffered: true });"
        )
        paints = []
        for _ in range(3):  # a busy computer only adds to the time, so the best of three is nearest to the page's own
            await page.goto(house.url)
            await page.wait_for_timeout(1_000)
            paints.append(await page.evaluate("lcp"))
        for row in house.shown["machines"]:
            row["progress"] = 0.5 if row["progress"] is not None else None
        house.server.changed()
        await page.wait_for_timeout(1_500)
        cls = await page.evaluate("cls")
    assert min(paints) > 0
    assert min(paints) <= 1_000
    assert cls <= 0.02


async def test_the_keyboard_reaches_everything_in_order():
    async with serving() as house, browsing() as page:
        await page.goto(house.url)
        seen = []
        for _ in range(20):
            await page.keyboard.press("Tab")
            seen.append(await page.evaluate("document.activeElement.textContent.trim().slice(0, 12)"))
        assert seen[0] == "To the beds"
        assert "Cleared: bit" in seen
