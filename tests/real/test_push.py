"""HTTP push through a real aiohttp server: token, path, size."""

import asyncio
import contextlib

import aiohttp
import pytest
from aiohttp import web
from servers import free_port

from farmwatch.clock import SteadyClock
from farmwatch.sources.push import PushConfig, PushSource
from farmwatch.words.model import Raw

pytestmark = pytest.mark.real
TOKEN = "canary-2b7e"


@pytest.fixture
async def post():
    """Post to a running source behind a real server; the statuses and what was delivered."""
    source, got = PushSource(PushConfig(("/push/avocet", "/push/bittern"), TOKEN)), []

    async def handle(request):
        status = await source.accept(request.path, request.headers.get("Authorization"), await request.read())
        return web.Response(status=status)

    runner = web.ServerRunner(web.Server(handle), shutdown_timeout=0.1)
    await runner.setup()
    port = free_port()
    await web.TCPSite(runner, "127.0.0.1", port).start()
    task = asyncio.create_task(source.run(got.append, SteadyClock()))
    async with aiohttp.ClientSession() as session:

        async def send(path, body=b"1", token=f"Bearer {TOKEN}"):
            headers = {} if token is None else {"Authorization": token}
            async with session.post(f"http://127.0.0.1:{port}{path}", data=body, headers=headers) as answer:
                return answer.status

        send.got, send.task, send.source = got, task, source
        yield send
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    await runner.cleanup()


async def test_taken_with_the_token(post):
    assert await post("/push/avocet", b'{"power_w": 1}') == 204
    assert await post("/push/bittern", b"\xff", token=TOKEN) == 204
    assert await post("/push/bittern", b"", token=f"bearer  {TOKEN}") == 204
    assert [item[1:] for item in post.got] == [
        ("push", "/push/avocet", b'{"power_w": 1}', False),
        ("push", "/push/bittern", b"\xff", False),
        ("push", "/push/bittern", b"", False),
    ]
    assert all(isinstance(item, Raw) for item in post.got)


@pytest.mark.parametrize(
    "token", [None, "", "Bearer", "Bearer wrong", "wrong", f"Basic {TOKEN}", TOKEN[:-1], "Bearer é"]
)
async def test_refused_without_the_token(post, token):
    assert await post("/push/avocet", token=token) == 401
    assert await post("/push/nothing", token=token) == 401  # unknown paths are not told to strangers
    assert post.got == []


async def test_unknown_path_and_large_body(post):
    assert await post("/push/nothing") == 404
    assert await post("/push/avocet", b" " * (256 * 1024 + 1)) == 413
    assert await post("/push/avocet", b" " * 256 * 1024) == 204
    assert len(post.got) == 1


async def test_not_running(post):
    post.task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await post.task
    assert await post("/push/avocet") == 503


@pytest.mark.parametrize("token", [None, ""])
async def test_no_token_configured_means_nobody(token):
    source = PushSource(PushConfig(("/a",), token))
    for shown in (None, "", "Bearer ", "Bearer x"):
        assert await source.accept("/a", shown, b"") == 401


def test_secret_is_not_shown():
    assert "canary" not in repr(PushConfig(("/a",), TOKEN))
