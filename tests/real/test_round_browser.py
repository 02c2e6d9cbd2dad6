"""The round sheet on a phone that loses its connection (Chromium, headless): what is ticked arrives, and once."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from test_page_browser import browsing
from test_round_page import row, shown
from web_house import House, serving

pytestmark = pytest.mark.real


class Keys(House):
    """Counts a thing that is said twice with one key once, as the brain does."""

    def __init__(self):
        super().__init__()
        self.shown = shown(sheet=[row(), row("ibis", off=None, state="idle", load=None), row("dunlin")])
        self.came = []

    async def ask(self, said, also=()):
        self.came.append(said)
        if said.fields["key"] not in [other.fields["key"] for other in self.heard]:
            self.heard.append(said)
        return []


def button(page, machine, command):
    return page.locator(f'#m-{machine} form:has(input[value="{command}"]) button')


async def test_ticks_made_without_a_connection_arrive_once_it_is_back():
    async with serving(Keys()) as house, browsing(viewport={"width": 360, "height": 640}) as page:
        await page.goto(f"{house.url}/round")
        await page.context.set_offline(offline=True)
        await button(page, "bittern", "cleared").click()
        await page.locator('#m-bittern input[name="pieces"]').fill("11")
        await button(page, "bittern", "pieces").click()
        await button(page, "bittern", "started").click()
        await button(page, "ibis", "checked").click()
        await button(page, "ibis", "checked").click(force=True)  # pressed again in doubt
        await page.locator("#unsent", has_text="4 not sent yet").wait_for(timeout=10_000)
        assert house.came == []
        await page.context.set_offline(offline=False)
        await page.locator("#unsent").wait_for(state="hidden", timeout=40_000)
        assert [(said.command, said.machine) for said in house.heard] == [
            ("cleared", "bittern"), ("pieces", "bittern"), ("started", "bittern"), ("checked", "ibis"),
        ]  # fmt: skip
        assert house.heard[1].fields["pieces"] == 11.0
        assert house.heard[2].fields["job"] == "hose-cradle", "the job that was to be loaded goes along"
        assert len({said.fields["key"] for said in house.heard}) == 4


async def test_an_answer_that_is_lost_and_a_page_that_is_loaded_anew_say_nothing_twice():
    async with serving(Keys()) as house, browsing(viewport={"width": 360, "height": 640}) as page:
        lost = []

        async def lose(route):
            if route.request.method == "POST" and not lost:
                lost.append(await route.fetch())  # it was taken, but the phone never hears of it
                await route.abort("connectionreset")
            else:
                await route.continue_()

        await page.context.route("**/round", lose)
        await page.goto(f"{house.url}/round")
        await button(page, "dunlin", "cleared").click()
        await page.locator("#unsent", has_text="1 not sent yet").wait_for(timeout=10_000)
        await page.reload()  # what was ticked lies on the phone, and is sent by the page that comes
        await page.locator("#unsent").wait_for(state="hidden", timeout=40_000)
        assert len(house.came) == 2
        assert [(said.command, said.machine) for said in house.heard] == [("cleared", "dunlin")]


async def test_on_paper_it_has_boxes_and_no_buttons():
    async with serving(Keys()) as house, browsing() as page:
        await page.goto(f"{house.url}/round")
        await page.emulate_media(media="print")
        assert await page.locator("button:visible").count() == 0
        assert await page.locator("#m-bittern .boxes").is_visible()
        assert "good pieces ____" in await page.locator("#m-bittern .boxes").inner_text()
        assert len(await page.pdf(format="A4")) > 2_000


async def test_the_work_list_needs_no_script_and_fits_a_phone():
    from test_work_page import Living, idle

    house = Living(idle("avocet"))
    async with serving(house), browsing(java_script_enabled=False, viewport={"width": 360, "height": 640}) as page:
        await page.goto(f"{house.url}/work")
        await page.locator('form:has(input[value="wanted"]) input[name="job"]').first.fill("hinge")
        await page.locator('form:has(input[value="wanted"]) input[name="pieces"]').first.fill("24")
        await page.locator("button", has_text="Wanted").click()
        await page.locator("#notice", has_text="Noted: so many pieces of a job are wanted").wait_for(timeout=10_000)
        table = {"name": "w.csv", "mimeType": "text/csv", "buffer": "\ufeffjob;pieces\ncradle;2,0\n".encode()}
        await page.set_input_files('input[name="file"]', files=[table])
        await page.locator("button", has_text="Take it").click()
        await page.locator("#notice", has_text="1 taken from the file").wait_for(timeout=10_000)
        assert [row["job"] for row in house.shown["work"]["wanted"]] == ["hinge", "cradle"]
        await page.locator("button", has_text="So be it").first.click()
        await page.locator("button", has_text="Not settled").first.wait_for(timeout=10_000)
        body = await page.locator("body").bounding_box()
        assert body["width"] <= 360, "no line is wider than the phone"
        assert page.said == []
