"""A canary: a secret that is easily found, in whatever form it gets out.

Every secret of a daemon that goes through a fault holds it. What the daemon puts out, logs, pages, answers, messages,
files, is searched for it: as it is, URL-encoded (RFC 3986), as JSON and as HTML, and in base64 (RFC 4648) at each of
the three alignments that it can have within a longer text.
"""

import base64
import html
import json
from urllib.parse import quote, quote_plus

CANARY = "cnry7f3a/Q+b=e9"
"""With characters that base64, URLs and forms write differently."""


def forms(secret: str) -> dict[str, bytes]:
    """Name of a form: the bytes by which it would be recognised."""
    found = {
        "as it is": secret.encode(),
        "URL-encoded": quote(secret, safe="").encode(),
        "URL-encoded, in lower case": quote(secret, safe="").lower().encode(),
        "as a path": quote(secret).encode(),
        "as a form": quote_plus(secret).encode(),
        "as JSON": json.dumps(secret)[1:-1].encode(),
        "as HTML": html.escape(secret).encode(),
        "hexadecimal": secret.encode().hex().encode(),
    }
    for shift in range(3):
        whole = base64.b64encode(b"\0" * shift + secret.encode())
        # what depends on the neighbours is left out: at the front what the padding gave, at the back the last group
        inner = whole[(0, 2, 3)[shift] : (len(secret) + shift) // 3 * 4]
        found[f"base64 at {shift}"] = inner
        found[f"base64url at {shift}"] = inner.translate(bytes.maketrans(b"+/", b"-_"))
    return found


FORMS = forms(CANARY)


def found(where: str, data: bytes | str) -> list[str]:
    """Every form in which the canary stands there, in words; empty if it does not."""
    raw = data.encode(errors="surrogateescape") if isinstance(data, str) else data
    return [f"{where}: the canary stands there {form}" for form, mark in FORMS.items() if mark in raw]
