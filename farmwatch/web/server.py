"""The page's server: HTML, live news, what people say, links, the API, and the door for devices that post."""

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any

from aiohttp import web

import farmwatch
from farmwatch.ports import Ask, Clock
from farmwatch.web import doorkeeper, guard, links, pages, report_page, roles, sessions, shop_panels, sites_page, tokens
from farmwatch.web.acting import Acting, Acts, Door
from farmwatch.web.api import Api, History, SeriesReader, Sources
from farmwatch.web.broadcast import Broadcast
from farmwatch.web.chart_pages import ChartPages, Shell
from farmwatch.web.config import WebConfig
from farmwatch.web.entry import Entry
from farmwatch.web.link_pages import LinkPages, Used
from farmwatch.web.live import Live
from farmwatch.web.manner import use
from farmwatch.web.markup import Html
from farmwatch.web.metrics import CONTENT_TYPE, openmetrics
from farmwatch.web.queries import BODY_S, fields, json_answer, page, push_token
from farmwatch.web.rounds import Rounds
from farmwatch.web.said import BadWords, said
from farmwatch.web.statics import Statics
from farmwatch.web.work import WorkPages, notice_of
from farmwatch.words.errors import ConfigError, Refused, StoreError
from farmwatch.words.model import COMMANDS
from farmwatch.words.view import View

LOG = logging.getLogger(__name__)
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

MOST_BODY = 64 * 1024
MOST_HEADER = 8 * 1024
IDLE_S = 30.0
STOP_S = 1.0
BACK = ("/shop", "/work")
"""Pages of ours that a form may lead back to."""
OPEN_PATHS = ("/static/", "/a/", "/healthz", "/readyz", "/sign-in")
"""What needs no sign-in: links carry their own right, and a device that posts its own token."""
TOKEN_PATHS = ("/api/", "/metrics")
"""Where a token counts."""


View_ = Callable[[], View]
Push = Callable[[str, str, bytes], Awaitable[int]]
Report = Callable[[Mapping[str, str]], Awaitable[Mapping[str, Any]]]


async def _at_once() -> None:
    """There is nothing to wait for."""


async def _untold(_words: str) -> None:
    """Nobody asks to be told."""


class WebServer:
    """Serves the page.

    Args:
        config: how.
        view: the state of everything now; cheap, called at most about once a second and once a request.
        ask: carries out what a person says; raises Refused.
        history: notes, newest first.
        series: readings over time.
        push: (path, token, body) of a device's POST to an HTTP status; None where no device posts.
        used: what is on record of a link's nonce (`links.spent`), None if it has not been used.
        clock: the house's clock.
        acts: what may be done at machines; None where nothing is turned on.
        denied: told of an attempt to act by somebody who may not.
        late: tasks of the daemon that make no progress.
        unready: why it is not ready to be relied on; "" where it is.
        settled: returns when what the view shows is durable, or cannot be made so soon.
        sites: how the sites stand, a row each; None where no other collector is named.
        report: what the machines gave, by the words of a query; None where no journal is kept.
    """

    def __init__(
        self,
        config: WebConfig,
        *,
        view: View_,
        ask: Ask,
        history: History,
        series: SeriesReader,
        push: Push | None,
        used: Used,
        clock: Clock,
        acts: Acts | None = None,
        denied: Callable[[str], Awaitable[None]] = _untold,
        late: Callable[[], Sequence[str]] = tuple,
        unready: Callable[[], str] = str,
        settled: Callable[[], Awaitable[None]] = _at_once,
        report: Report | None = None,
        sites: Callable[[], list[dict[str, Any]]] | None = None,
    ) -> None:
        self._config, self._report, self._sites = config, report, sites
        self._view, self._ask, self._history = view, ask, history
        self._push, self._used, self._clock = push, used, clock
        self._late, self._unready = late, unready
        self._settled = settled
        self._news = Broadcast(view, settled, config.manner)
        self._hosts = guard.allowed_hosts(config.bind, config.base_url, config.hosts)
        self._static = Statics()
        self._assets = self._static.addresses
        self._entry = Entry(config, self._assets, clock)
        self._bearers = tokens.Bearers(config.api_token, config.tokens_file, clock)
        self._live = Live(self._news, settled, self._signed_in)
        self._links = LinkPages(config, view, ask, history, used, clock, self._assets, self.changed)
        act_sessions = None
        if config.act_password:
            act_sessions = sessions.Sessions(
                config.act_password, config.link_key, role="act", lasts_s=sessions.ACT_LASTS_S
            )
        self._acting = Acting(Door(acts, act_sessions, config.base_url, clock, denied), self._assets, self._entry.who)
        self._may_act = acts is not None
        self._rounds = Rounds(view, ask, clock, self._assets, self._entry.who, self._footer, self.changed)
        self._work = WorkPages(view, ask, clock, self._assets, self._entry.who, self._footer, self.changed)
        answers = Sources(view, settled, history, series, clock, report)
        self._api = Api(
            answers,
            {
                "say": self._post_say,
                "taken": self._work.post_import,
                "act": self._acting.post_act,
                "receipt": self._acting.get_act,
            },
        )
        self._charts = ChartPages(answers, self._api, Shell(page, self._footer, self._kind, self._assets))
        self._runner: web.AppRunner | None = None
        self._room = doorkeeper.Room()
        self._listening: asyncio.Server | None = None
        self._pump: asyncio.Task[None] | None = None

    # ---- life ------------------------------------------------------------------------------------------------

    def on_beat(self, beat: Callable[[], None]) -> None:
        """Have the page's own task say that it makes progress."""
        self._news.beat = beat

    def changed(self, *, soon: bool = False) -> None:
        """Something changed; open pages hear of it within two seconds, `soon` within one. Never blocks."""
        self._news.changed(soon=soon)

    async def start(self) -> str:
        """Listen; the page's address. ConfigError if it must not or cannot."""
        config = self._config
        if not self._entry.needed and not guard.is_loopback(config.bind):
            raise ConfigError(
                f"[web] bind = {config.bind!r} opens the page to the network without a password",
                hint="put one into the secrets folder as web_password, or bind to 127.0.0.1",
            )
        if len(config.link_key) < 32:
            raise ConfigError("the key that signs links must have at least 32 bytes")
        runner = web.AppRunner(
            self._application(), access_log=None, keepalive_timeout=IDLE_S, shutdown_timeout=STOP_S,
            max_line_size=MOST_HEADER, max_field_size=MOST_HEADER,
        )  # fmt: skip
        await runner.setup()
        assert runner.server is not None  # noqa: S101  (set up a line above)
        try:
            self._listening = await asyncio.get_running_loop().create_server(
                self._room.protocol(runner.server), config.bind, config.port, backlog=128, reuse_address=True
            )
        except OSError as error:
            await runner.cleanup()
            raise ConfigError(
                f"the page cannot listen on {config.bind} port {config.port}: {error.strerror}",
                hint="another program may use this port; change [web] port",
            ) from error
        self._runner = runner
        self._pump = asyncio.create_task(self._news.run(), name="page news")
        port = self._listening.sockets[0].getsockname()[1]
        shown = "127.0.0.1" if config.bind in ("0.0.0.0", "::") else config.bind  # noqa: S104  (compared only)
        return f"http://{f'[{shown}]' if ':' in shown else shown}:{port}/"

    async def stop(self) -> None:
        """Close every connection; within two seconds."""
        self._live.stop()
        await self._acting.close()
        if self._pump is not None:
            self._pump.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._pump
        if self._listening is not None:
            self._listening.close()
        if self._runner is not None:
            await self._runner.cleanup()
        self._room.close()

    def _application(self) -> web.Application:
        app = web.Application(client_max_size=MOST_BODY, middlewares=[self._errors, self._gate])
        app.on_response_prepare.append(guard.add_headers)
        app.add_routes(
            [
                web.get("/", self._get_page),
                web.get("/wall", self._get_wall),
                web.get("/outage", self._get_outage),
                web.get("/shop", self._get_shop),
                web.get("/report", self._get_report),
                web.get("/sites", self._get_sites),
                *self._charts.routes(),
                *self._live.routes(),
                web.get("/static/{name}", self._static.get),
                web.get("/healthz", self._get_health),
                *self._entry.routes(),
                web.post("/say", self._post_say),
                *self._links.routes(),
                web.get("/readyz", self._get_ready),
                web.get("/metrics", self._get_metrics),
                *self._api.routes(),
                *self._acting.routes(),
                *self._rounds.routes(),
                *self._work.routes(),
                web.post("/{path:.*}", self._post_push),
                web.get("/{path:.*}", self._get_nothing),
            ]
        )
        return app

    # ---- gates -----------------------------------------------------------------------------------------------

    @web.middleware
    async def _errors(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Every error as a page or as problem+json; what is unforeseen is logged and not told."""
        self._room.began(request)
        try:
            if doorkeeper.head_bytes(request) > MOST_HEADER:
                return self._refusal(request, 431, "Too much in the head of the request")
            return await handler(request)
        except web.HTTPException as error:
            if error.status < 400:
                raise
            refusal = self._refusal(request, error.status, error.reason)
            refusal.headers.update({key: error.headers[key] for key in ("Allow",) if key in error.headers})
            return refusal
        except (BadWords, links.BadLink, links.ExpiredLink) as error:
            status = {links.BadLink: 403, links.ExpiredLink: 410}.get(type(error), 400)
            return self._refusal(request, status, "Not done", error.args[0], error.hint)
        except Refused as error:
            return self._refusal(request, 409, "Not done", error.args[0], error.hint)
        except StoreError as error:
            LOG.warning("a request failed: %s", error)
            return self._refusal(request, 503, "Not kept", "The store does not answer.", "try again in a minute")
        except TimeoutError:
            return self._refusal(request, 408, "Too slow", "The request did not arrive in time.")
        except ConnectionError:  # whoever asked has gone: nobody hears this, and it is no error of ours
            return self._refusal(request, 400, "Gone")
        except asyncio.CancelledError:
            raise
        except Exception:  # the last resort of a server: one request fails, the others go on
            LOG.exception("a request to the page failed")
            return self._refusal(request, 500, "Something broke", "It is in the log.")
        finally:
            self._room.ended(request)

    def _refusal(self, request: web.Request, status: int, title: str, detail: str = "", hint: str = "") -> web.Response:
        if guard.wants_json(request):
            return guard.problem(status, title, detail, hint)
        return page(pages.outcome(title, detail, self._assets, tone="unknown", hint=hint), status)

    @web.middleware
    async def _gate(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Nobody comes to a handler who may not; an attempt to act that is turned away here counts as one."""
        use(self._config.manner)
        if request.match_info.handler == self._post_push:
            return await handler(request)  # has a token of its own and is called by address
        if (refused := self._refused(request)) is None:
            return await handler(request)
        await self._acting.turned_away(request, refused.status)
        return refused

    def _refused(self, request: web.Request) -> web.Response | None:
        """Host name, then token or origin of writes, then sign-in, then whether the role may; None: it may."""
        if request.path not in ("/healthz", "/readyz") and not guard.host_ok(request, self._hosts):
            return self._refusal(
                request, 421, "Wrong host name", "This computer does not go by that name here.",
                "use its address, or add the name to [web] hosts",
            )  # fmt: skip
        if guard.bearer(request) and request.path.startswith(TOKEN_PATHS):
            return self._bearers.refusal(request)
        # A link's button needs no such check: its token is the right, and a page elsewhere does not know it.
        reads = request.method in ("GET", "HEAD") or request.path.startswith("/a/")
        if not reads and not guard.same_origin(request):
            return self._refusal(request, 403, "Not from this page", "Another site may not speak for you.")
        if request.path == "/metrics" and self._may_scrape(request):
            return None
        role = self._role(request)
        if role is not None and not roles.may(role, request.method, request.path) and not _open(request):
            return self._refusal(
                request, 403, "You can look only", "This password shows everything and says nothing.",
                "sign out, and in again with the other password",
            )  # fmt: skip
        if role is not None or _open(request):
            return None
        if guard.wants_json(request) or request.method != "GET":
            return self._refusal(request, 401, "Sign in first")
        raise web.HTTPSeeOther("/sign-in")

    def _role(self, request: web.Request) -> str | None:
        return self._entry.role(request)

    def _signed_in(self, request: web.Request) -> bool:
        return self._role(request) is not None

    # ---- pages -----------------------------------------------------------------------------------------------

    async def _get_page(self, request: web.Request) -> web.StreamResponse:
        await self._settled()
        view = self._view()
        html = pages.live(
            view, self._news.panels(), self._assets, footer=self._footer(request), notice=_notice(request, view),
            kind=self._kind(request),
        )  # fmt: skip
        return page(html)

    def _kind(self, request: web.Request) -> str:
        return "looks" if self._role(request) == roles.LOOK else ""

    async def _get_wall(self, _request: web.Request) -> web.StreamResponse:
        await self._settled()
        return page(pages.wall(self._view(), self._news.panels(), self._assets))

    async def _get_outage(self, request: web.Request) -> web.StreamResponse:
        await self._settled()
        html = pages.outage(self._view(), self._news.panels(), self._assets, footer=self._footer(request),
                            kind=self._kind(request))  # fmt: skip
        return page(html)

    async def _get_shop(self, request: web.Request) -> web.StreamResponse:
        await self._settled()
        view = self._view()
        return page(shop_panels.page(view, self._assets, self._footer(request), notice_of(request)))

    async def _get_report(self, request: web.Request) -> web.StreamResponse:
        if self._report is None:
            raise web.HTTPNotFound
        found = await self._report(dict(request.query))
        return page(report_page.page(self._view(), found, self._assets, self._footer(request)))

    async def _get_sites(self, request: web.Request) -> web.StreamResponse:
        if self._sites is None:
            raise web.HTTPNotFound
        html = sites_page.page(self._view()["site"], self._sites(), self._assets, self._footer(request))
        return page(html)

    def _footer(self, request: web.Request) -> Html:
        local = guard.host_name(request.headers.get("Host", "")) in guard.LOCAL
        return pages.footer(
            self._entry.who(request), self._config.people, signed_in=self._entry.needed,
            encrypted=local or self._entry.encrypted(request), version=farmwatch.__version__, acts=self._may_act,
            here=request.path,
        )  # fmt: skip

    # ---- what people say -------------------------------------------------------------------------------------

    async def _post_say(self, request: web.Request) -> web.StreamResponse:
        token = request.get(tokens.KEY, tokens.OWN)
        who = token.name or self._entry.who(request) or ("api" if request.path.startswith("/api/") else "page")
        given = await fields(request)
        back = given.pop("back", "") if not request.path.startswith("/api/") else ""
        spoken = said(given, self._clock.now_s(), by=who)
        await self._ask(spoken)
        self.changed(soon=True)
        about = spoken.machine or str(spoken.fields.get("spool") or spoken.fields.get("alarm", ""))
        if guard.wants_json(request):
            return web.json_response({"command": spoken.command, "about": about, "text": _done(spoken.command, about)})
        raise web.HTTPSeeOther(f"{back if back in BACK else '/'}?said={spoken.command}")

    # ---- for programs ------------------------------------------------------------------------------------------

    async def _get_health(self, _request: web.Request) -> web.StreamResponse:
        """Alive, and able to say how things stand; 503 if a task stands still, 500 by the error gate otherwise."""
        if late := self._late():
            return guard.problem(503, "No progress", ", ".join(late), "it should be restarted")
        return json_answer({"status": "ok", "at_s": self._view()["at_s"], "version": farmwatch.__version__})

    async def _get_ready(self, _request: web.Request) -> web.StreamResponse:
        """Alive, the sources are started, and what people say can be kept."""
        if why := ", ".join(self._late()) or self._unready():
            return guard.problem(503, "Not ready", why, "it goes on by itself once that is over")
        return json_answer({"status": "ready"})

    async def _get_metrics(self, _request: web.Request) -> web.StreamResponse:
        text = openmetrics(self._view())
        response = web.Response(body=text.encode(), headers={"Content-Type": CONTENT_TYPE})
        response.enable_compression()
        return response

    def _may_scrape(self, request: web.Request) -> bool:
        """Whether `metrics` lets this request read the metrics without a sign-in."""
        if self._config.metrics == "local":
            return guard.within(request)
        return self._config.metrics == "open"

    async def _get_nothing(self, _request: web.Request) -> web.StreamResponse:
        raise web.HTTPNotFound

    async def _post_push(self, request: web.Request) -> web.StreamResponse:
        if self._push is None:
            raise web.HTTPNotFound
        async with asyncio.timeout(BODY_S):
            body = await request.read()
        status = await self._push(request.path, push_token(request), body)
        return web.Response(status=status) if status < 400 else guard.problem(status, "Not taken")


def _open(request: web.Request) -> bool:
    return request.path.startswith(OPEN_PATHS)


def _done(command: str, about: str) -> str:
    return f"{about}: {COMMANDS[command].partition(' (')[0]}. Noted."


def _notice(request: web.Request, _view: View) -> str:
    """What was just said, after a form came back without script; only our own words are shown."""
    words = COMMANDS.get(request.query.get("said", ""))
    return f"Noted: {words.partition(' (')[0]}." if words else ""
