"""``farmwatch demo``: the simulated shop in a folder that the other commands can be pointed at."""

import argparse
import contextlib
import re
import socket
import tempfile
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

from farmwatch.assemble import run_daemon
from farmwatch.cli import talk
from farmwatch.settings import load
from farmwatch.words.errors import FarmwatchError

BESIDE = """\
A simulated day passes in some minutes, then it goes on in real time. Ctrl-C ends it.
Commands in another terminal take its configuration: farmwatch status --config {config}"""


def run(args: argparse.Namespace) -> int:
    """Run it until told to stop; its folder goes with it, unless it is to be kept."""
    with _folder(args.keep) as folder:
        config = folder / "farmwatch.toml"
        config.write_text(configuration(speed=args.speed, seed=args.seed, port=args.port), "utf-8")
        settings = load(config)
        talk(BESIDE.format(config=config))
        return run_daemon(settings)


def configuration(*, speed: float | None, seed: int | None, port: int | None) -> str:
    """The demonstration's configuration with these options in it, so that every command reads the same."""
    text = files("farmwatch.scenario").joinpath("demo.toml").read_text("utf-8")
    for key, value in (("speed", speed), ("seed", seed)):
        if value is not None:
            text = re.sub(rf"(?m)^{key} = .*$", f"{key} = {value}", text)
    return text if port is None else f"{text}\n[web]\nport = {port or _free_port()}\n"


@contextlib.contextmanager
def _folder(keep: str | None) -> Iterator[Path]:
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="farmwatch-demo-") as passing:
            yield Path(passing)
        return
    folder = Path(keep).absolute()
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise FarmwatchError(f"{folder}: holds something already", hint="name a new or an empty folder")
    except OSError as error:
        raise FarmwatchError(f"{folder}: {error.strerror}", hint="name a new or an empty folder") from None
    yield folder


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])
