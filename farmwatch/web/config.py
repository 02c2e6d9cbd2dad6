"""How the page is served."""

from dataclasses import dataclass, field
from pathlib import Path

from farmwatch.web.manner import Manner


@dataclass(frozen=True)
class WebConfig:
    """How the page is served.

    Attributes:
        bind: address to listen on; anything but loopback needs a password.
        port: 0 takes a free one.
        base_url: address as phones reach it; "" if there is none.
        hosts: further names that a browser may call this computer.
        password: None leaves the page open, on loopback only.
        link_key: at least 32 secret bytes that sign links and sessions.
        old_link_keys: keys that signed links which may still be read.
        api_token: what the command line sends; None refuses all tokens.
        look_password: for looking only; needs `password`.
        manner: how numbers, times and temperatures are written.
        people: names that somebody at the page can say they are.
        act_password: for actions at machines; None lets only the API's token act.
        tokens_file: the list of the programs' tokens; None: there are none.
        metrics: who may read the metrics without signing in: token (nobody without the API's), local, open.
    """

    bind: str
    port: int
    base_url: str
    hosts: tuple[str, ...]
    password: str | None = field(repr=False)
    link_key: bytes = field(repr=False)
    api_token: str | None = field(default=None, repr=False)
    people: tuple[str, ...] = ()
    act_password: str | None = field(default=None, repr=False)
    look_password: str | None = field(default=None, repr=False)
    manner: Manner = field(default_factory=Manner)
    old_link_keys: tuple[bytes, ...] = field(default=(), repr=False)
    metrics: str = "local"
    tokens_file: Path | None = None
