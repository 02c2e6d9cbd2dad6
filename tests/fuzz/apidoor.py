"""The API's door: raw bytes as an HTTP request to the real server, over a real journal and real readings.

What is described is tried by schemathesis (tests/test_api.py; FARMWATCH_API_EXAMPLES=1000 tries more); here is what
comes before: request lines, headers, lengths, encodings. Promised: what is answered is HTTP below 500, no traceback,
not without end; and the server goes on (the test asks a good request at the end).
"""

import re
import socket
from urllib.parse import urlsplit

ANSWER = re.compile(rb"HTTP/\d\.\d ([1-5]\d\d) ")
MOST_ANSWER = 4 * 2**20
WORDS = (
    b"Authorization: Bearer cli-token\r\n", b"Content-Length: 5\r\n", b"Transfer-Encoding: chunked\r\n", b"%00",
    b"%ff", b"..%2f", b"GET", b"POST", b"HEAD", b"OPTIONS", b"HTTP/1.0", b"?since=9999-12-31T23:59:59Z", b"&limit=-1",
    b"&from=", b"/api/v1/view", b"/api/v1/rollups?subject=avocet&quantity=power_w&step=1", b"/api/v1/table.csv",
    b"/api/v1/act",
    b"/api/v1/history?kind=build", b"/events", b"Host: evil.example\r\n", b"Range: bytes=0-", b"\r\n\r\n", b"\0",
    b"If-None-Match: *\r\n", b"Accept-Encoding: gzip\r\n", b"Expect: 100-continue\r\n", b"Upgrade: h2c\r\n", b"1e999",
    b"0001-01-01T00:00:00Z", b"Sec-Fetch-Site: same-origin\r\n", b"Cookie: session=x\r\n", b'{"command": "ack"}',
)  # fmt: skip


class ApiDoor:
    """Speaks to a server at `url`; an instance is called like the other doors."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self._place = (parts.hostname, parts.port)
        self.codes: dict[int, int] = {}

    def __call__(self, data: bytes, patience_s: float = 0.1) -> None:
        """Send it and read what is said; a request that is none need not be answered, so wait no longer than that."""
        answer = bytearray()
        with socket.create_connection(self._place, timeout=20) as sock:
            try:
                sock.sendall(data)
                sock.settimeout(patience_s)
                while part := sock.recv(65_536):
                    answer += part
                    assert len(answer) < MOST_ANSWER, "an answer without end"
            except (ConnectionResetError, BrokenPipeError):
                pass  # it had heard enough
            except TimeoutError:
                pass  # it waits for the rest, or for the next request
        if not answer:
            return
        found = ANSWER.match(answer)
        assert found, bytes(answer[:200])
        code = int(found[1])
        self.codes[code] = self.codes.get(code, 0) + 1
        assert code < 500, bytes(answer[:400])
        assert b"Traceback" not in answer, bytes(answer[:400])
