"""The UPS protocol without I/O, against the transcripts of RFC 9271 (sections 4.2.1 to 4.2.14).

Line breaks of multi-line transcripts are restored from the RFC's grammar. What servers from before the RFC say is
told by its table 9.
"""

import contextlib

import pytest
from hypothesis import example, given
from hypothesis import settings as effort
from hypothesis import strategies as st

from farmwatch.wire.upsproto import (
    ERRORS,
    MOST_LINE,
    MOST_PENDING,
    MOST_REPLY,
    MOST_ROWS,
    OLD_NAMES,
    UpsClient,
    UpsError,
    parse_address,
    quote,
    read_variables,
    split,
)
from farmwatch.words.errors import BadPayload, ConfigError, ProtocolError

LOW = "input.transfer.low"
# what the client does, the line that it sends, the server's reply, and what is read in it: (kind, rows, text)
TRANSCRIPTS = [
    (lambda c: c.get("VAR", "su700", "ups.status"), "GET VAR su700 ups.status",
     'VAR su700 ups.status "OB LB"\n', ("row", (("su700", "ups.status", "OB LB"),), "")),
    (lambda c: c.get("DESC", "su700", "ups.status"), "GET DESC su700 ups.status",
     'DESC su700 ups.status "UPS status"\n', ("row", (("su700", "ups.status", "UPS status"),), "")),
    (lambda c: c.get("TYPE", "su700", LOW), f"GET TYPE su700 {LOW}",
     f"TYPE su700 {LOW} ENUM\n", ("row", (("su700", LOW, "ENUM"),), "")),
    (lambda c: c.get("TYPE", "su700", LOW), f"GET TYPE su700 {LOW}",
     f"TYPE su700 {LOW} RW STRING:8 NUMBER\n", ("row", (("su700", LOW, "RW", "STRING:8", "NUMBER"),), "")),
    (lambda c: c.get("UPSDESC", "su700"), "GET UPSDESC su700",
     'UPSDESC su700 "Development box"\n', ("row", (("su700", "Development box"),), "")),
    (lambda c: c.get("CMDDESC", "su700", "load.on"), "GET CMDDESC su700 load.on",
     'CMDDESC su700 load.on "Turn on the load immediately"\n',
     ("row", (("su700", "load.on", "Turn on the load immediately"),), "")),
    (lambda c: c.get("NUMATTACH", "su700"), "GET NUMATTACH su700",
     "NUMATTACH su700 1\n", ("row", (("su700", "1"),), "")),
    (lambda c: c.get("ATTACH", "su700"), "GET ATTACH su700",  # the RFC's own example, against its grammar
     "NUMATTACH su700 1\n", ("row", (("su700", "1"),), "")),
    (lambda c: c.instcmd("su700", "test.panel.start"), "INSTCMD su700 test.panel.start", "OK\n", ("ok", (), "")),
    (lambda c: c.set_var("su700", "ups.id", "My UPS"), 'SET VAR su700 ups.id "My UPS"', "OK\n", ("ok", (), "")),
    (lambda c: c.protver(), "PROTVER", "1.3\n", ("text", (), "1.3")),
    (lambda c: c.list_ups(), "LIST UPS",
     'BEGIN LIST UPS\nUPS su700 "Development box"\nEND LIST UPS\n', ("list", (("su700", "Development box"),), "")),
    (lambda c: c.list_of("RANGE", "su700", LOW), f"LIST RANGE su700 {LOW}",
     f'BEGIN LIST RANGE su700 {LOW}\nRANGE su700 {LOW} "90" "105"\nEND LIST RANGE su700 {LOW}\n',
     ("list", (("su700", LOW, "90", "105"),), "")),
    (lambda c: c.list_of("ENUM", "su700", LOW), f"LIST ENUM su700 {LOW}",
     f'BEGIN LIST ENUM su700 {LOW}\nENUM su700 {LOW} "103"\nENUM su700 {LOW} "100"\nEND LIST ENUM su700 {LOW}\n',
     ("list", (("su700", LOW, "103"), ("su700", LOW, "100")), "")),
    (lambda c: c.list_of("RW", "su700"), "LIST RW su700",
     ('BEGIN LIST RW su700\nRW su700 output.voltage.nominal "115"\nRW su700 ups.delay.shutdown "020"\n'
      "END LIST RW su700\n"),
     ("list", (("su700", "output.voltage.nominal", "115"), ("su700", "ups.delay.shutdown", "020")), "")),
    (lambda c: c.list_var("su700"), "LIST VAR su700",
     'BEGIN LIST VAR su700\nVAR su700 ups.mfr "Example Mfg"\nVAR su700 ups.mfr.date "10/17/96"\nEND LIST VAR su700\n',
     ("list", (("su700", "ups.mfr", "Example Mfg"), ("su700", "ups.mfr.date", "10/17/96")), "")),
    (lambda c: c.list_of("CLIENT", "ups1"), "LIST CLIENT ups1",
     "BEGIN LIST CLIENT ups1\nCLIENT ups1 ::1\nCLIENT ups1 203.0.113.1\nEND LIST CLIENT ups1\n",
     ("list", (("ups1", "::1"), ("ups1", "203.0.113.1")), "")),
    (lambda c: c.list_of("CMD", "su700"), "LIST CMD su700",
     "BEGIN LIST CMD su700\nCMD su700 load.on\nCMD su700 test.panel.start\nEND LIST CMD su700\n",
     ("list", (("su700", "load.on"), ("su700", "test.panel.start")), "")),
    # table 2
    (lambda c: c.attach("su700"), "ATTACH su700", "OK\n", ("ok", (), "")),
    (lambda c: c.detach(), "DETACH", "OK Goodbye\n", ("ok", (), "Goodbye")),
    (lambda c: c.logout(), "LOGOUT", "OK Goodbye\n", ("ok", (), "Goodbye")),
    (lambda c: c.username("watch"), "USERNAME watch", "OK\n", ("ok", (), "")),
    (lambda c: c.password('a "b" \\c'), 'PASSWORD "a \\"b\\" \\\\c"', "OK\n", ("ok", (), "")),
    (lambda c: c.starttls(), "STARTTLS", "OK STARTTLS\n", ("ok", (), "STARTTLS")),
    (lambda c: c.starttls(), "STARTTLS", "OK\n", ("ok", (), "")),
    (lambda c: c.ver(), "VER", 'Example server "two" 2.8 - see the handbook\n',
     ("text", (), 'Example server "two" 2.8 - see the handbook')),
    (lambda c: c.help(), "HELP", "ATTACH DETACH GET HELP INSTCMD LIST PASSWORD SET STARTTLS USERNAME VER\n",
     ("text", (), "ATTACH DETACH GET HELP INSTCMD LIST PASSWORD SET STARTTLS USERNAME VER")),
    # servers that do not keep to the letter: CR, blanks, case
    (lambda c: c.list_var("su700"), "LIST VAR su700",
     "begin list var SU700\r\nVar  SU700 UPS.Status   OL \r\nEND LIST  VAR su700\r\n",
     ("list", (("SU700", "UPS.Status", "OL"),), "")),
    (lambda c: c.list_var("su700"), "LIST VAR su700", "ERR DATA-STALE\n", ("error", (), "DATA-STALE")),
    (lambda c: c.list_var("su700"), "LIST VAR su700",
     "BEGIN LIST VAR su700\nVAR su700 ups.status OL\nERR DRIVER-NOT-CONNECTED\n",
     ("error", (), "DRIVER-NOT-CONNECTED")),
    (lambda c: c.attach("su700"), "ATTACH su700", "ERR ALREADY-LOGGED-IN\n", ("error", (), "ALREADY-ATTACHED")),
    (lambda c: c.starttls(), "STARTTLS", "ERR FEATURE-NOT-CONFIGURED\n", ("error", (), "FEATURE-NOT-CONFIGURED")),
]  # fmt: skip
NAMES = [f"{row[1]} {number}" for number, row in enumerate(TRANSCRIPTS)]


def said(reply):
    return reply.kind, reply.rows, reply.text


@pytest.mark.parametrize(("act", "sent", "told", "read"), TRANSCRIPTS, ids=NAMES)
def test_transcripts_whole(act, sent, told, read):
    client = UpsClient()
    assert act(client) == sent.encode() + b"\n"
    [reply] = client.receive(told.encode())
    assert said(reply) == read
    assert reply.raw == told.encode()
    assert client.pending == 0


@pytest.mark.parametrize(("act", "sent", "told", "read"), TRANSCRIPTS, ids=NAMES)
def test_transcripts_byte_by_byte(act, sent, told, read):
    client = UpsClient()
    act(client)
    data = told.encode()
    for byte in data[:-1]:
        assert client.receive(bytes([byte])) == []
    [reply] = client.receive(data[-1:])
    assert (said(reply), reply.raw) == (read, data)


GARBAGE = [
    b"garbage\n",
    b"END LIST VAR su700\n",
    b"\x00\xff\xfe\n",
    b"OK\n",
    b"ERR DATA-STALE\n",
    b"\n",
    b"x" * MOST_LINE,
]


@pytest.mark.parametrize("garbage", GARBAGE, ids=lambda data: repr(data[:20]))
@pytest.mark.parametrize(("act", "sent", "told", "read"), TRANSCRIPTS, ids=NAMES)
def test_transcripts_with_garbage_after(act, sent, told, read, garbage):
    client = UpsClient()
    act(client)
    if sent == "STARTTLS" and told.startswith("OK"):
        with pytest.raises(ProtocolError, match="plain text"):  # nothing in the clear may follow
            client.receive(told.encode() + garbage)
        return
    [reply] = client.receive(told.encode() + garbage)
    assert said(reply) == read
    for call in (lambda: client.receive(b""), lambda: client.list_var("su700"), client.logout):
        with pytest.raises(ProtocolError, match="connect again"):
            call()


def test_many_commands_at_once_are_answered_in_order():
    client = UpsClient()
    for act, *_ in TRANSCRIPTS:
        if "STARTTLS" not in act(UpsClient()).decode():
            act(client)
    told = "".join(row[2] for row in TRANSCRIPTS if row[1] != "STARTTLS").encode()
    replies = [reply for start in range(0, len(told), 7) for reply in client.receive(told[start : start + 7])]
    assert [said(reply) for reply in replies] == [row[3] for row in TRANSCRIPTS if row[1] != "STARTTLS"]


@pytest.mark.parametrize(
    "told",
    [
        "VAR su700 ups.status OL\n",  # a row without its list
        "BEGIN LIST VAR su701\n", "BEGIN LIST RW su700\n", "BEGIN LIST VAR\n", "BEGIN\n", "OK\n",
        "END LIST VAR su700\n",
        "BEGIN LIST VAR su700\nBEGIN LIST VAR su700\n",
        'BEGIN LIST VAR su700\nVAR su701 ups.status "OL"\n',  # another unit's row
        'BEGIN LIST VAR su700\nRW su700 ups.status "OL"\n',
        "BEGIN LIST VAR su700\nVAR su700 ups.status\n",
        "BEGIN LIST VAR su700\nVAR su700 ups.status OL CHRG\n",
        'BEGIN LIST VAR su700\nVAR su700 ups.status "OL\n',
        'BEGIN LIST VAR su700\nVAR su700 ups.status O"L"\n',
        'BEGIN LIST VAR su700\nVAR su700 ups.status "OL\\"\n',
        'BEGIN LIST VAR su700\nVAR su700 ups.status "OL"x\n',
        "BEGIN LIST VAR su700\n\n", "BEGIN LIST VAR su700\nEND LIST VAR su701\n", "BEGIN LIST VAR su700\nEND\n",
        "\n", "HTTP/1.1 400 Bad Request\r\n", "x" * MOST_LINE, "BEGIN LIST VAR su700\nVAR su700 a " + "x" * MOST_LINE,
        "BEGIN LIST VAR su700\n" + "VAR su700 ups.status OL\n" * (MOST_ROWS + 1),
        "BEGIN LIST VAR su700\n" + f"VAR su700 ups.id {'x' * 4000}\n" * (MOST_REPLY // 4000 + 1),
    ],
    ids=lambda told: repr(told[-40:]),
)  # fmt: skip
def test_what_is_no_list_of_variables_breaks_the_link(told):
    client = UpsClient()
    client.list_var("su700")
    with pytest.raises(ProtocolError) as caught:
        client.receive(told.encode())
    assert str(caught.value).isascii()
    assert len(str(caught.value)) < 250
    with pytest.raises(ProtocolError):
        client.receive(b"")
    again = UpsClient()  # a new connection is as good as new
    again.list_var("su700")
    assert again.receive(TRANSCRIPTS[15][2].encode())[0].kind == "list"


def test_the_longest_line_is_read_and_one_byte_more_is_not():
    for extra, good in ((0, True), (1, False)):
        client = UpsClient()
        client.get("VAR", "a", "b")
        line = b"VAR a b "
        line += b"x" * (MOST_LINE - 1 + extra - len(line)) + b"\n"
        if good:
            assert len(client.receive(line)[0].rows[0][2]) == MOST_LINE - 9
        else:
            with pytest.raises(ProtocolError, match="more than 4096"):
                client.receive(line)


def test_a_password_stands_in_no_reply_and_no_error():
    client = UpsClient()
    client.password("hunter22")
    [reply] = client.receive(b"ERR INVALID-PASSWORD\n")
    assert "hunter22" not in repr(reply)
    client.password("hunter22")
    with pytest.raises(ProtocolError) as caught:
        client.receive(b"what\n")
    assert "hunter22" not in repr(caught.value)
    assert "hunter22" not in repr(vars(client))


def test_a_server_that_answers_nothing_gets_no_endless_questions():
    client = UpsClient()
    for _ in range(MOST_PENDING):
        client.list_var("su700")
    with pytest.raises(ProtocolError, match="answers no more"):
        client.list_var("su700")


@pytest.mark.parametrize("name", ["", "a b", 'a"b'])
def test_names_with_blanks_are_quoted_so_that_they_stay_one_word(name):
    assert UpsClient().list_var(name) == f"LIST VAR {quote(name)}\n".encode()
    assert split(quote(name)) == (name,)


@pytest.mark.parametrize("name", ["a\nLIST UPS", "\0", "é", "a\r", "x" * MOST_LINE])
def test_nothing_can_be_smuggled_into_a_command(name):
    with pytest.raises(ConfigError):
        UpsClient().password(name)
    assert UpsClient().pending == 0


# ---- old names (table 9)


def test_old_names_are_sent_on_request():
    client = UpsClient(old_names=True)
    assert client.attach("a") == b"LOGIN a\n"
    assert client.detach() == b"LOGOUT\n"
    assert client.protver() == b"NETVER\n"
    assert client.get("NUMATTACH", "a") == b"GET NUMLOGINS a\n"
    assert client.list_var("login") == b"LIST VAR login\n"
    replies = client.receive(b"OK\nOK Goodbye\n1.3\nNUMLOGINS a 2\n")
    assert [reply.query[0] for reply in replies] == ["ATTACH", "DETACH", "PROTVER", "GET"]


def test_table_3_and_table_9_have_the_rfcs_counts():
    assert len(ERRORS) == 24
    assert len(OLD_NAMES) == 7
    assert {"ALREADY-ATTACHED", "TLS-ALREADY-ENABLED"} <= ERRORS


@pytest.mark.parametrize("name", [*sorted(ERRORS), "NEW-ERROR", ""])
def test_every_error_is_an_answer(name):
    client = UpsClient()
    client.list_var("a")
    [reply] = client.receive(f"ERR {name}\n".encode())
    assert (reply.kind, reply.text) == ("error", name or "UNNAMED")


# ---- words


def test_quoting_of_section_4_4():
    assert quote('say "hi" \\ now') == r'"say \"hi\" \\ now"'


@given(st.lists(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20), max_size=5))
def test_any_words_survive_a_line(words):
    assert split(" ".join(map(quote, words))) == tuple(words)


@pytest.mark.parametrize(
    ("address", "parts"),
    [("one@127.0.0.1:3493", ("one", "127.0.0.1", 3493)), ("one@shed", ("one", "shed", 3493)),
     ("one", ("one", "localhost", 3493)), ("one@", ("one", "localhost", 3493)), ("one@[::1]:99", ("one", "::1", 99)),
     ("group:one@shed:1", ("group:one", "shed", 1))],
)  # fmt: skip
def test_addresses(address, parts):
    assert parse_address(address) == parts


@pytest.mark.parametrize(
    "address", ["", "@shed", "one@shed:0", "one@shed:65536", "one@::1", "o ne@shed", "one@a:b:1", "é@x"]
)
def test_what_is_no_address(address):
    with pytest.raises(ConfigError, match="write it like"):
        parse_address(address)


# ---- whole replies, as recordings hold them

WHOLE = TRANSCRIPTS[15][2].encode()


def test_a_recorded_reply():
    expected = {"ups.mfr": "Example Mfg", "ups.mfr.date": "10/17/96"}
    assert read_variables(WHOLE, "su700") == expected
    assert read_variables(WHOLE, "SU700") == expected
    assert read_variables(WHOLE) == expected
    assert read_variables(WHOLE.rstrip(b"\n"), "su700") == expected
    assert read_variables(WHOLE.replace(b"\n", b"\r\n"), "su700") == expected
    rows = b"\n".join(WHOLE.splitlines()[1:-1])
    assert read_variables(rows, "su700") == expected
    assert read_variables(rows) == expected
    assert read_variables(b"BEGIN LIST VAR a\nEND LIST VAR a\n", "a") == {}
    assert read_variables(b"ERR DATA-STALE\n", "su700") == UpsError("DATA-STALE")


@pytest.mark.parametrize(
    "body",
    [b"", b"\n", b"OK\n", WHOLE + b"garbage\n", b"garbage\n" + WHOLE, WHOLE[:-20], WHOLE[: WHOLE.rindex(b"END")],
     WHOLE * 2,
     WHOLE.replace(b"VAR su700 ups.mfr ", b"VAR two ups.mfr "), WHOLE.replace(b"su700", b"two"), b"x" * 5000,
     WHOLE.replace(b"Example", b"x" * MOST_LINE), WHOLE.replace(b"10/17/96", b'10"17'), b"x" * (MOST_REPLY + 1),
     b"VAR su700 ups.status OL\n" * (MOST_ROWS + 1), b"BEGIN LIST VAR\nEND LIST VAR\n", b"BEGIN\n"],
    ids=lambda body: repr(body[-30:]),
)  # fmt: skip
def test_what_is_no_whole_reply_is_a_bad_payload(body):
    with pytest.raises(BadPayload):
        read_variables(body, "su700")


CHUNKS = st.sampled_from(
    [b"BEGIN LIST VAR su700\n", b"END LIST VAR su700\n", b'VAR su700 ups.status "OL"\n', b"OK\n", b"ERR X\n", b"VAR ",
     b'"', b"\\", b"su700 ", b"\r\n", b"\n", b"1.3\n", b"UPS su700 x\n"]
)  # fmt: skip


@effort(max_examples=300)
@given(
    st.lists(st.sampled_from(range(len(TRANSCRIPTS))), max_size=4),
    st.lists(CHUNKS | st.binary(max_size=20), max_size=12),
    st.lists(st.integers(1, 30), max_size=20),
)
@example([15], [WHOLE], [1])
def test_no_bytes_raise_anything_else_and_cuts_make_no_difference(asked, parts, cuts):
    data = b"".join(parts)

    def run(sizes):
        client, replies, at = UpsClient(), [], 0
        for number in asked:
            TRANSCRIPTS[number][0](client)
        try:
            for size in [*sizes, len(data) + 1]:
                replies += client.receive(data[at : at + size])
                at += size
        except ProtocolError:
            pass
        return replies, client.error is not None

    if any(TRANSCRIPTS[number][1] == "STARTTLS" for number in asked):
        run(cuts)  # there it matters by design what has come with the OK
    else:
        assert run(cuts) == run([])
    with contextlib.suppress(BadPayload):
        read_variables(data, "su700")
