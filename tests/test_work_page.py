"""The page /work, files of wanted pieces and of spools: over the real server, with a brain behind it."""

import re

import aiohttp
import pytest
import web_sample
from farm import Driver
from test_shop import SPOOLS, shop
from test_shop_page import sound
from test_web import SAME, fetch
from test_workdesk import tell, works
from web_house import House, serving

from farmwatch.shop import spool_csv, wanted_csv
from farmwatch.web import work_page
from farmwatch.web.markup import NOTHING
from farmwatch.words.errors import Refused
from farmwatch.words.model import Keep

ASSETS = {name: f"/static/{name}" for name in ("page.css", "page.js", "icon.svg", "page.webmanifest")}
EVIL = web_sample.HOSTILE


class Living(House):
    """A house whose page speaks with a brain."""

    def __init__(self, driver: Driver):
        super().__init__()
        self.d = driver
        self.clock.at_s = driver.now
        self.tell()

    def tell(self):
        self.shown = self.d.brain.view(self.d.now)

    async def ask(self, said, also=()):
        tell(self.d, said.command, said.machine, **said.fields)
        self.heard.append(said)
        self.tell()
        return []


def idle(*names):
    d = works(*names)
    for name in names:
        d.panel(name, state="idle", bed_c=20.0)
    return d


def text_of(html):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html)).replace(" :", ":").replace(" ,", ",").replace(" .", ".")


def test_the_page_says_what_goes_where_and_what_will_be_late():
    d = idle("avocet", "bittern")
    tell(d, "wanted", job="cradle", pieces=40.0, due="2025-11-26")
    tell(d, "wanted", job="hinge", pieces=24.0)
    tell(d, "load_next", "bittern", job="hinge")
    tell(d, "wanted", job="mystery", pieces=3.0)
    html = sound(work_page.page(d.brain.view(d.now), ASSETS, NOTHING))
    words = text_of(html)
    assert "Next round, 08:30 avocet: " in words
    # nine hours each, visits at 08:30 and 18:00: until Thursday two machines make two builds of two pieces a day
    found = re.search(r"cradle: (\d+) will be missing Thu 00:00, (\d+) more builds are needed", words)
    missing, builds = found.groups()
    assert int(missing) == 2 * int(builds)
    assert 28 <= int(missing) <= 36
    assert "Settled, whatever is proposed" in words or ", settled" in words
    assert "mystery cannot be planned: pieces of one build are not known" in words
    assert "It proposes; you decide." in words
    assert html.count('name="command" value="load_next"') >= 2
    assert "<script" not in html


def test_an_empty_list_and_hostile_names():
    d = works("avocet")
    words = text_of(sound(work_page.page(d.brain.view(d.now), ASSETS, NOTHING)))
    assert "Nothing is wanted yet." in words
    assert "Nothing is proposed" in words
    tell(d, "wanted", job=EVIL, pieces=2.0)
    html = work_page.page(d.brain.view(d.now), ASSETS, NOTHING, wrong=[EVIL])
    assert "<img" not in html
    assert "<script" not in html


def form(data, name="file"):
    body = aiohttp.FormData()
    body.add_field(name, data, filename="wanted.csv", content_type="text/csv")
    return body


async def test_a_file_comes_in_whole_or_not_at_all_and_goes_out_again():
    house = Living(works("avocet"))
    async with serving(house):
        bad = b"\xef\xbb\xbfjob;pieces;due\nhinge;12,5;27.11.2025\n=1+1;3;\ncradle;-4;\nhinge;3;\nlatch;1.200;\n"
        bad += b"x;2;11/12/2025\n"
        status, html, _ = await fetch(house, "/work", "POST", data=form(bad), headers=SAME)
        words = text_of(html).replace("&#x27;", "'").replace("&#39;", "'")
        assert status == 400
        for line in (
            "line 3: a job cannot be called '=1+1'",
            "line 4: -4 pieces",
            "line 5: 'hinge' stands on line 2",
            "line 6: '1.200' can be read in two ways",
            "line 7: no date",
            "Nothing of the file was taken",
        ):
            assert line in words, line
        assert house.heard == []
        good = "\ufeffjob;pieces;due\nhinge;12,5;27.11.2025\n'-cradle;4;\n".encode()
        status, _, answer = await fetch(house, "/work", "POST", data=form(good), headers=SAME)
        assert (status, answer.headers["Location"]) == (303, "/work?taken=2")
        assert "2 taken from the file" in (await fetch(house, "/work?taken=2"))[1]
        wanted = [(row["job"], row["wanted"]) for row in house.shown["work"]["wanted"]]
        assert wanted == [("hinge", 12.5), ("-cradle", 4.0)]
        status, text, answer = await fetch(house, "/work.csv")
        assert answer.headers["Content-Type"].startswith("text/csv")
        assert text.replace("\r", "") == "job,pieces,due\nhinge,12.5,2025-11-27\n'-cradle,4,\n"
        assert wanted_csv.read(text.encode(), "Europe/London")[0][1].job == "-cradle", "what goes out comes in again"
        assert (await fetch(house, "/work", "POST", data=form(b" "), headers=SAME))[0] == 400
        assert (await fetch(house, "/work", "POST", data=form(b"x" * 60_000), headers=SAME))[0] == 400
        assert (await fetch(house, "/work", "POST", data={"file": "x"}, headers=SAME))[0] == 415
        assert (await fetch(house, "/work", "POST", data=form(good)))[0] == 403, "another site"


async def test_a_form_says_it_and_leads_back():
    house = Living(idle("avocet"))
    async with serving(house):
        fields = {"command": "wanted", "job": "hinge", "pieces": "12", "due": "2025-11-30", "back": "/work"}
        status, _, answer = await fetch(house, "/say", "POST", data=fields, headers=SAME)
        assert (status, answer.headers["Location"]) == (303, "/work?said=wanted")
        html = (await fetch(house, "/work"))[1]
        assert "So be it" in html
        fields = {"command": "load_next", "machine": "avocet", "job": "hinge", "back": "/work"}
        assert (await fetch(house, "/say", "POST", data=fields, headers=SAME))[0] == 303
        assert "Not settled" in (await fetch(house, "/work"))[1]


MACHINES = ["avocet", "bittern"]


def spools(data, known=None):
    return spool_csv.read(data, known or {}, MACHINES, ["HEMP"])


def test_spools_from_a_spreadsheet():
    data = "\ufeffName;Material;Grams;Left;Price;On\nblack-2;PLA;1000;612,5;19,90;avocet\nold;hemp;750;;;\n".encode()
    found, wrong = spools(data, {"black-1": "avocet"})
    assert wrong == []
    assert found[0].said == (
        ("spool_added", None, {"spool": "black-2", "material": "PLA", "grams": 1000.0, "price": 19.9}),
        ("spool_weighed", None, {"spool": "black-2", "grams": 612.5}),
        ("spool_loaded", "avocet", {"spool": "black-2"}),
    )
    assert found[1].said == (("spool_added", None, {"spool": "old", "material": "hemp", "grams": 750.0}),)
    again, wrong = spools(b"spool,left_g,machine\nblack-1,40,bittern\n", {"black-1": "avocet"})
    assert [(command, machine) for command, machine, _ in again[0].said] == [
        ("spool_weighed", None), ("spool_stored", None), ("spool_loaded", "bittern"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("a,PLA,-5,,", "full_g must be above 0"),
        ("a,PLA,0,,", "full_g must be above 0"),
        ("a,PLA,1000,-1,", "left_g must be above 0"),
        ("a,PLA,1000,1200,", "1200 g are left of 1000 g"),
        ("a,unobtainium,1000,,", "unknown material 'unobtainium'"),
        ("a,,1000,,", "unknown material ''"),
        ("a,PLA,,,", "how many grams"),
        ("=HYPERLINK(1),PLA,1000,,", "it is a formula"),
        ("a,=1,1000,,", "it is a formula"),
        ("a;b,PLA,1000,,", "is no usable name"),
        ("a,PLA,1e999,,", "is no number"),
        ("a,PLA,nan,,", "is no number"),
        ("a,PLA,1000,,dodo", "no machine is called 'dodo'"),
        ('a,PLA,"1,000",,', "can be read in two ways"),
    ],
)
def test_a_wrong_spool_is_named_by_its_line(line, what):
    found, wrong = spools(f"spool,material,full_g,left_g,machine\n{line}\n".encode())
    assert found == []
    assert len(wrong) == 1
    assert wrong[0].startswith("line 2: ")
    assert what in wrong[0]


def test_one_machine_has_one_spool_and_one_spool_one_line():
    data = b"spool,material,full_g,machine\na,PLA,1000,avocet\nb,PLA,1000,avocet\na,PLA,500,\n"
    assert [line[:26] for line in spools(data)[1]] == ["line 3: avocet has the spo", "line 4: 'a' stands on line"]


async def test_spools_go_out_and_come_in_by_the_page():
    house = Living(shop(spools=dict(SPOOLS)))
    async with serving(house):
        status, text, _ = await fetch(house, "/spools.csv")
        assert status == 200
        assert text.startswith("spool,material,full_g,left_g,price,empty_g,diameter_mm,machine\r\nblack-1,PLA,")
        status, _, answer = await fetch(house, "/spools", "POST", data=form(text.encode()), headers=SAME)
        assert (status, answer.headers["Location"]) == (303, f"/shop?taken={len(SPOOLS)}")
        assert (await fetch(house, "/spools.csv"))[1] == text, "a file that went out changes nothing"
        wrong = b"spool,material,full_g,machine\nnew,PLA,-3,avocet\n"
        status, html, _ = await fetch(house, "/spools", "POST", data=form(wrong), headers=SAME)
        assert status == 400
        assert "line 2: full_g must be above 0" in html
        new = b"spool,material,full_g,machine\nnew,PETG,750,avocet\n"
        assert (await fetch(house, "/spools", "POST", data=form(new), headers=SAME))[0] == 303
        hangs = {spool["name"]: spool["machine"] for spool in house.shown["shop"]["spools"]}
        assert hangs["new"] == "avocet"
        assert [name for name, machine in hangs.items() if machine == "avocet"] == ["new"], "the other came off"


def test_the_same_by_words_is_refused():
    d = shop(spools=dict(SPOOLS))
    for command, machine, fields, what in (
        ("spool_added", None, {"spool": "x", "material": "PLA", "grams": -4.0}, "grams must be"),
        ("spool_added", None, {"spool": "x", "material": "unobtainium", "grams": 4.0}, "unknown material"),
        ("spool_weighed", None, {"spool": "black-1", "grams": -1.0}, "grams must be"),
        ("spool_loaded", "bittern", {"spool": "black-1"}, "hangs on avocet"),
        ("wanted", None, {"job": "hinge", "pieces": -1.0}, "how many"),
    ):
        with pytest.raises(Refused, match=what):
            d.say(command, machine, **fields)


def test_rows_of_a_file_count_all_together_or_not_at_all():
    d = shop(spools=dict(SPOOLS))
    added = {"line": 2, "command": "spool_added", "machine": None, "fields": {"spool": "new", "material": "PLA"}}
    good = added | {"fields": added["fields"] | {"grams": 750.0}}
    wanted = {"line": 3, "command": "wanted", "machine": None, "fields": {"job": "hinge", "pieces": 4.0}}
    hangs = {"line": 4, "command": "spool_loaded", "machine": "bittern", "fields": {"spool": "black-1"}}
    before = (dict(d.brain.farm.shop.stock.spools), dict(d.brain.farm.work.book.wanted))
    for rows, what in (
        ([good, wanted, hangs], "nothing was taken: line 4: .*hangs on avocet"),
        ([good, wanted, added | {"line": 5}], "line 5: there is a spool 'new' already"),
        ([wanted, wanted | {"fields": {"job": "hinge", "pieces": -1.0}}], "line 3: how many"),
        ([good, {"line": 9, "command": "cleared", "machine": "avocet", "fields": {}}], "cannot stand in a file"),
    ):
        with pytest.raises(Refused, match=what):
            d.say("several", rows=rows)
        assert (d.brain.farm.shop.stock.spools, d.brain.farm.work.book.wanted) == before
    kept = {(e.kind, e.key) for e in d.say("several", rows=[good, wanted]) if isinstance(e, Keep)}
    assert {("spool", "new"), ("wanted", "hinge")} <= kept


async def test_programs_send_a_file_in_one_call():
    house = Living(shop(spools=dict(SPOOLS)))
    async with serving(house):
        for doc, status, words in (
            ({"what": "wanted", "csv": "job,pieces\nhinge,3\ncradle,-4\nlatch,1\n"}, 400, "Nothing was taken: line 3"),
            ({"what": "spools", "csv": "spool,material,full_g\na,PLA,1000\nb,dust,5\n"}, 400, "line 3: unknown mat"),
            ({"what": "beds", "csv": "a"}, 400, "what: wanted or spools"),
            ({"what": "wanted"}, 400, "two fields"),
            ({"what": "wanted", "csv": "job,pieces\n", "more": 1}, 400, "Unknown field"),
            ({"what": "wanted", "csv": "x" * 50_000}, 400, "too large"),
            ({"what": "wanted", "csv": "job,pieces\nhinge,3\nlatch,1\n", "by": "ann"}, 200, '{"taken": 2}'),
            ({"what": "spools", "csv": "spool,material,full_g,left_g\na,PLA,1000,600\n"}, 200, '{"taken": 1}'),
        ):
            got, text, _ = await fetch(house, "/api/v1/import", "POST", json=doc, headers=SAME)
            assert (got, words in text) == (status, True), text
        assert [said.command for said in house.heard] == ["several", "several"], "one call each; nothing of the others"
        assert house.heard[0].by == "ann"
