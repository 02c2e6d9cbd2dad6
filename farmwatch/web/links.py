"""Links in messages that do one thing once: ``v1.<payload>.<mac>``, signed with HMAC-SHA256 (RFC 2104).

Pure: the key, the time and what makes a link unique are arguments. Whoever holds a link may do what it says
and nothing else, so it is short-lived and its nonce is spent by the first use, in the transaction of what it does. A
link is good for what stood when it was sent: once anybody has said the same about the same since then, by whatever
way, it does nothing more, so that an old link never speaks about a later bed. Opening a link changes nothing
(RFC 9110, section 9.2.1: GET is safe); only its button does.
"""

import base64
import binascii
import hashlib
import hmac
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from farmwatch.words.errors import Refused
from farmwatch.words.model import Keep

LIFETIME_S: dict[str, float] = {"cleared": 86_400.0, "acknowledged": 86_400.0, "shelved": 900.0}
"""What a link may do, and for how long it may be used."""

ALARM_COMMANDS: frozenset[str] = frozenset({"acknowledged", "shelved"})
"""Commands whose subject is an alarm; that of the others is a machine."""

REMEMBERED_S = 30 * 86_400.0
"""How long after its end a spent link is kept in the book; until then it says who used it, later that it is too old."""
LONGEST_TOKEN = 2_048
_VERSION = "v1"


class BadLink(Refused):
    """A link that was not made here, or was changed on the way."""


class ExpiredLink(Refused):
    """A link that was good once."""


class Grant(NamedTuple):
    """What a link allows: `command` about `subject` (a machine or an alarm) by `person`, until `expires_s`."""

    command: str
    subject: str
    person: str
    expires_s: int
    nonce: str

    @property
    def issued_s(self) -> float:
        """When the link was made."""
        return self.expires_s - LIFETIME_S[self.command]


class Done(NamedTuple):
    """That it has been said already: by whom and when."""

    by: str
    at_s: float


def spent(grant: Grant, now_s: float) -> Keep:
    """The fact that marks a link as used."""
    doc = {"at_s": now_s, "by": grant.person, "command": grant.command, "subject": grant.subject}
    return Keep("link", grant.nonce, doc | {"expires_s": grant.expires_s})


def stale(links: Mapping[str, Mapping[str, Any]], now_s: float) -> list[Keep]:
    """Forgets spent links that have been too old for long."""
    ends = {nonce: doc.get("expires_s", doc.get("at_s", now_s)) for nonce, doc in links.items()}
    return [Keep("link", nonce, None) for nonce, end_s in ends.items() if now_s - float(end_s) > REMEMBERED_S]


def done_since(grant: Grant, said: Iterable[Mapping[str, Any]]) -> Done | None:
    """Who has said the same about the same since the link was made; `said` are notes, newest first."""
    for note in said:
        if note["at_s"] < grant.issued_s or note.get("command") != grant.command:
            continue
        fields = note.get("fields") or {}
        if grant.command not in ALARM_COMMANDS:
            same = note.get("machine") == grant.subject
        elif fields.get("alarm"):
            same = fields["alarm"] == grant.subject
        else:  # said about all alarms of a machine, by a button for instance
            same = note.get("machine") == grant.subject.partition(":")[2]
        if same:
            return Done(str(note.get("by") or "somebody"), float(note["at_s"]))
    return None


def issue(command: str, subject: str, person: str, now_s: float, *, key: bytes, unique: str) -> str:
    """The token of a new link.

    Args:
        command: one of LIFETIME_S; ValueError for any other.
        subject: machine name, or alarm id for the commands of ALARM_COMMANDS.
        person: who will be recorded as having done it.
        now_s: UTC epoch seconds.
        key: at least 32 secret bytes.
        unique: what the link belongs to, such as the message's id. The nonce is drawn from it, so that a
            message that is sent again carries a link that can still be used only once.
    """
    if command not in LIFETIME_S:
        msg = f"no link may do {command!r}"
        raise ValueError(msg)
    seed = json.dumps([unique, command, subject, person]).encode()
    nonce = _text(_mac(key, b"nonce", seed)[:16])
    grant = Grant(command, subject, person, int(now_s + LIFETIME_S[command]), nonce)
    payload = _text(json.dumps(grant, separators=(",", ":"), ensure_ascii=False).encode())
    return f"{_VERSION}.{payload}.{_text(_mac(key, b'link', payload.encode()))}"


def read(token: str, now_s: float, *, keys: Sequence[bytes]) -> Grant:
    """What `token` allows; BadLink or ExpiredLink. `keys` holds the current key and, while rotating, the last.

    Whether the nonce has been spent is not known here.
    """
    if len(token) > LONGEST_TOKEN or not token.isascii():
        raise BadLink("This link was not made here")
    version, _, rest = token.partition(".")
    payload, _, mac = rest.partition(".")
    good = [hmac.compare_digest(_text(_mac(key, b"link", payload.encode())), mac) for key in keys]
    if version != _VERSION or not any(good):
        raise BadLink("This link was not made here", hint="open the page itself")
    grant = _grant(payload)
    if now_s >= grant.expires_s:
        raise ExpiredLink("This link is too old", hint="open the page itself")
    return grant


def _grant(payload: str) -> Grant:
    try:
        fields = json.loads(base64.urlsafe_b64decode(payload + "=" * (-len(payload) % 4)))
        grant = Grant(*fields)
    except (ValueError, TypeError, binascii.Error) as error:
        raise BadLink("This link cannot be read", hint="open the page itself") from error
    if grant.command not in LIFETIME_S:
        raise BadLink("This link asks for something that no link may do", hint="open the page itself")
    return grant


def _mac(key: bytes, purpose: bytes, data: bytes) -> bytes:
    """Each purpose has a key of its own, so that a value made for one can never pass for another."""
    return hmac.new(hmac.new(key, purpose, hashlib.sha256).digest(), data, hashlib.sha256).digest()


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()
