"""Whole documents: the live page, one machine, sign-in, a link's page, and what goes wrong."""

from collections.abc import Mapping, Sequence

from farmwatch.alarms.wording import plain
from farmwatch.web import looks
from farmwatch.web.links import ALARM_COMMANDS, Grant
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, name
from farmwatch.web.panels import PANELS
from farmwatch.web.wall import silence
from farmwatch.words.model import COMMANDS
from farmwatch.words.view import View

REFRESH_S = 30
WALL_REFRESH_S = 10
_COLUMNS = (("beds", "round", "next"), ("power", "energy"), ("machines", "alarms", "outages"), ("health",))
"""What needs a person and when, whether power is safe, how the room stands, then where all this comes from."""
_LEVEL = {"danger": "▲", "act": "■", "unknown": "?"}


def document(title: str, body: Html, assets: Mapping[str, str], *, head: Html = NOTHING, script: bool = False,
             kind: str = "") -> str:  # fmt: skip
    """A whole page. `assets` maps a static file's name to its address."""
    run = fill('<script src="{src}" defer></script>', src=assets["page.js"]) if script else NOTHING
    return fill(
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark"><link rel="stylesheet" href="{css}">'
        '<link rel="icon" href="{icon}" type="image/svg+xml"><link rel="manifest" href="{manifest}">{head}{run}</head>'
        "<body{kind}>{body}</body></html>\n",
        kind=fill(' class="{kind}"', kind=kind) if kind else NOTHING,
        title=title, css=assets["page.css"], icon=assets["icon.svg"], manifest=assets["page.webmanifest"], head=head,
        run=run, body=body,
    )  # fmt: skip


def live(view: View, panels: Mapping[str, str], assets: Mapping[str, str], *, footer: Html, notice: str = "",
         kind: str = "") -> str:  # fmt: skip
    """The live page. `panels` are the rendered panels of `view`."""
    parts = {key: Html(panels[key]) for key in PANELS}
    sections = join(
        fill('<div class="column">{sections}</div>', sections=join(_section(key, parts[key]) for key in column))
        for column in _COLUMNS
    )
    body = fill(
        '<a class="skip" href="#beds">To the beds</a>'
        '<header><div class="site"><b>{site}</b> {home} <span data-panel="as_of">{as_of}</span>'
        "</div>"
        '<p id="lost" role="alert" hidden></p><div data-panel="verdict">{verdict}</div>'
        '<nav data-panel="jump" aria-label="On this page">{jump}</nav></header>'
        '<p id="notice" role="status">{notice}</p><main class="live">{sections}</main>{footer}',
        site=name(view["site"]), home=home("/"), as_of=parts["as_of"], verdict=parts["verdict"], jump=parts["jump"],
        notice=notice, sections=sections, footer=footer,
    )  # fmt: skip
    refresh = fill('<noscript><meta http-equiv="refresh" content="{s}"></noscript>', s=REFRESH_S)
    return document(page_title(view), body, assets, head=refresh, script=True, kind=kind)


VIEWS: tuple[tuple[str, str], ...] = (
    ("/", "Now"), ("/round", "Round"), ("/work", "Work"), ("/history", "History"), ("/outage", "Outages"),
    ("/shop", "Shop"), ("/report", "What it yields"), ("/wall", "Wall"),
)  # fmt: skip


def views(here: str) -> Html:
    """The ways to the other views: the same on every page, before its footer where the screen is narrow."""
    return fill('<nav class="views" id="views" aria-label="Views">{links}</nav>', links=_ways(here))


def home(here: str = "") -> Html:
    """The same ways at the head of every page where the screen has room, else the way to them."""
    now = NOTHING if here == "/" else Html('<a class="short" href="/">Now</a> ')
    return fill('<nav class="ways" aria-label="Views">{links}</nav>{now}<a class="short" href="#views">Views</a>',
                links=_ways(here), now=now)  # fmt: skip


def _ways(here: str) -> Html:
    return join(
        fill('<a href="{at}"{here}>{words}</a>', at=at, words=words,
             here=Html(' aria-current="page"') if at == here else NOTHING)
        for at, words in VIEWS
    )  # fmt: skip


def outage(view: View, panels: Mapping[str, str], assets: Mapping[str, str], *, footer: Html, kind: str = "") -> str:
    """The outage view, live."""
    body = fill(
        '<header><div class="site">{home} <span data-panel="as_of">{as_of}</span></div>'
        '<p id="lost" role="alert" hidden></p><div data-panel="verdict">{verdict}</div></header>'
        '<p id="notice" role="status"></p><main class="outage" data-panel="outage">{outage}</main>{footer}',
        home=home("/outage"), as_of=Html(panels["as_of"]), verdict=Html(panels["verdict"]),
        outage=Html(panels["outage"]), footer=footer,
    )  # fmt: skip
    refresh = fill('<noscript><meta http-equiv="refresh" content="{s}"></noscript>', s=REFRESH_S)
    return document(page_title(view), body, assets, head=refresh, script=True, kind=kind)


def wall(view: View, panels: Mapping[str, str], assets: Mapping[str, str]) -> str:
    """The wall, live. Its cover appears by itself thirty seconds after the last word, with script and without."""
    body = fill(
        '<main data-panel="wall">{wall}</main><div id="cover" class="wall silent cover" '
        'aria-hidden="true">{silence}</div>'
        '<p id="notice" hidden></p><p id="lost" role="alert" hidden></p>'
        '<nav class="leave" aria-label="Views"><a href="/">All machines</a></nav>',
        wall=Html(panels["wall"]), silence=silence(),
    )  # fmt: skip
    refresh = fill('<noscript><meta http-equiv="refresh" content="{s}"></noscript>', s=WALL_REFRESH_S)
    return document(page_title(view), body, assets, head=refresh, script=True, kind="on-wall")


def _section(key: str, html: Html) -> Html:
    return fill(
        '<section class="panel" id="{key}" aria-labelledby="{key}-h"><h2 id="{key}-h" tabindex="-1">{heading}</h2>'
        '<div data-panel="{key}">{html}</div></section>', key=key, heading=PANELS[key][0], html=html,
    )  # fmt: skip


def page_title(view: View) -> str:
    """The verdict's sentence, marked by its level, for the browser's tab."""
    mark = _LEVEL.get(view["verdict"]["level"], "")
    return f"{mark} {clip(view['verdict']['title'])} - {clip(view['site'], 40)}".strip()


def footer(
    who: str, people: Sequence[str], *, signed_in: bool, encrypted: bool, version: str, acts: bool = False,
    here: str = "",
) -> Html:  # fmt: skip
    """The ways to the other views; who speaks, signing out, and the cautions that belong on every screen."""
    options = join(
        fill("<option{chosen}>{person}</option>", person=person, chosen=Html(" selected") if person == who else NOTHING)
        for person in people
    )  # fmt: skip
    speaker = fill(
        '<form method="post" action="/who" class="who"><label>I am <select name="by"><option value="">someone</option>'
        '{options}</select></label><button>Remember</button></form>', options=options,
    ) if people else NOTHING  # fmt: skip
    leave = fill('<form method="post" action="/sign-out"><button>Sign out</button></form>') if signed_in else NOTHING
    plain = NOTHING if encrypted else fill("<p>This connection is not encrypted.</p>")
    return fill(
        "{views}<footer>{speaker}{leave}{plain}<p>Farmwatch {version} advises; {acts}. Hot beds, mains and "
        "batteries: the machine itself, its maker's instructions and local codes come first.</p></footer>",
        views=views(here), speaker=speaker, leave=leave, plain=plain, version=version,
        acts="it acts at a machine only when a person asks and confirms" if acts else "it switches nothing",
    )  # fmt: skip


def sign_in(assets: Mapping[str, str], *, wrong: str = "", then: str = "/") -> str:
    """The password's page."""
    error = fill('<p class="verdict danger">{shape}{wrong}</p>',
                 shape=looks.shape(looks.VERDICTS["danger"]), wrong=wrong) if wrong else NOTHING  # fmt: skip
    body = fill(
        '<main class="single"><h1>Sign in</h1>{error}<form method="post" action="/sign-in" class="wide">'
        '<input type="hidden" name="then" value="{then}">'
        '<input type="text" name="username" autocomplete="username" value="farmwatch" hidden>'
        '<label>Password <input type="password" name="password" autocomplete="current-password" required autofocus>'
        '</label><button class="act">Sign in</button></form></main>', error=error, then=then,
    )  # fmt: skip
    return document("Sign in", body, assets)


def act_sign_in(assets: Mapping[str, str], machine: str, action: str, *, wrong: str = "") -> str:
    """The password for actions; after it the action is asked for again."""
    error = fill('<p class="verdict danger">{shape}{wrong}</p>',
                 shape=looks.shape(looks.VERDICTS["danger"]), wrong=wrong) if wrong else NOTHING  # fmt: skip
    body = fill(
        '<main class="single"><h1>Password for actions</h1>{error}'
        '<form method="post" action="/act/sign-in" class="wide">'
        '<input type="hidden" name="machine" value="{machine}"><input type="hidden" name="action" value="{action}">'
        '<input type="text" name="username" autocomplete="username" value="farmwatch-actions" hidden>'
        '<label>Password <input type="password" name="password" autocomplete="current-password" required autofocus>'
        '</label><button class="act">Go on</button></form><p>It holds for a quarter of an hour.</p></main>',
        error=error, machine=machine, action=action,
    )  # fmt: skip
    return document("Password for actions", body, assets)


def confirm_act(text: str, token: str, assets: Mapping[str, str]) -> str:
    """What is about to be done at a machine, and the button that does it."""
    body = fill(
        '<main class="single"><h1>{text}</h1><form method="post" action="/act" class="wide">'
        '<input type="hidden" name="token" value="{token}"><button class="act">Yes, do it now</button></form>'
        "<p>Nothing happens until you press the button. It works once, within a minute. Is anybody's hand in the "
        "machine? Hot parts stay hot, and heaters may stay on while it is paused; the machine itself and its maker's "
        "instructions come first.</p>"
        '<p><a class="button" href="/">No, back to the page</a></p></main>', text=text, token=token,
    )  # fmt: skip
    return document("Confirm", body, assets)


def grant_words(grant: Grant) -> Html:
    """What a link does, in one sentence."""
    what = COMMANDS.get(grant.command, grant.command)
    about = "alarm" if grant.command in ALARM_COMMANDS else "machine"
    who = fill(", said by {person}", person=name(plain(grant.person))) if grant.person else NOTHING
    return fill("<strong>{subject}</strong> ({about}): {what}{who}.",
                subject=name(plain(grant.subject)), about=about, what=what, who=who)  # fmt: skip


DONE: dict[str, str] = {"acknowledged": "acknowledged", "shelved": "put aside", "cleared": "cleared"}


def done_words(grant: Grant, by: str, when: str) -> Html:
    """That a link comes too late, in one sentence."""
    about, who = name(plain(grant.subject)), name(plain(by))
    words = "<strong>{subject}</strong>: already {what} by {by} at {when}."
    return fill(words, subject=about, what=DONE[grant.command], by=who, when=when)


def offer(grant: Grant, assets: Mapping[str, str]) -> str:
    """What the link will do, and the button that does it."""
    body = fill(
        '<main class="single"><h1>Say it?</h1><p>{words}</p>'
        '<form method="post"><button class="act">Yes, say so</button></form>'
        "<p>Nothing happens until you press the button. It works once.</p></main>", words=grant_words(grant),
    )  # fmt: skip
    return document("Say it?", body, assets)


def outcome(title: str, words: object, assets: Mapping[str, str], *, tone: str = "calm", hint: str = "") -> str:
    """What came of it, with the way back."""
    look = looks.look(looks.VERDICTS, tone)
    body = fill(
        '<main class="single"><div class="verdict {tone}">{shape}<h1>{title}</h1></div><p>{words}</p>{hint}'
        '<p><a class="button" href="/">To the page</a></p></main>',
        tone=look.tone, shape=looks.shape(look), title=title, words=words,
        hint=fill("<p>{hint}</p>", hint=hint) if hint else NOTHING,
    )  # fmt: skip
    return document(title, body, assets)
