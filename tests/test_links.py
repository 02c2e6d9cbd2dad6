"""Links in messages: signed, short-lived, and good for one thing."""

import base64
import contextlib
import hashlib
import hmac
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from farmwatch.web import links

KEY = bytes(range(32))
NOW_S = 1_750_942_800.0


def token(command="cleared", subject="avocet", person="ann", **changed):
    return links.issue(command, subject, person, NOW_S, **({"key": KEY, "unique": "bed:1:opened"} | changed))


def test_a_link_says_what_was_put_in():
    grant = links.read(token(), NOW_S + 60, keys=(KEY,))
    assert grant[:4] == ("cleared", "avocet", "ann", int(NOW_S) + 86_400)
    assert len(base64.urlsafe_b64decode(grant.nonce + "==")) == 16


def test_the_mac_is_hmac_sha256_of_the_payload_under_a_key_of_its_purpose():
    """Computed here in another way, from RFC 2104's definition: H(K ^ opad, H(K ^ ipad, text))."""

    def rfc2104(key, message):
        key = key.ljust(64, b"\0")
        inner = hashlib.sha256(bytes(byte ^ 0x36 for byte in key) + message).digest()
        return hashlib.sha256(bytes(byte ^ 0x5C for byte in key) + inner).digest()

    version, payload, mac = token().split(".")
    assert version == "v1"
    wanted = rfc2104(rfc2104(KEY, b"link"), payload.encode())
    assert base64.urlsafe_b64decode(mac + "=") == wanted


def test_rfc4231_case_2_holds_for_the_library_that_signs():
    """RFC 4231, section 4.3: key "Jefe", data "what do ya want for nothing?"."""
    mac = hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest()
    assert mac == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_the_same_message_gives_the_same_nonce_and_another_one_another():
    first, again = (links.read(token(), NOW_S, keys=(KEY,)).nonce for _ in range(2))
    assert first == again
    assert links.read(token(unique="bed:2:opened"), NOW_S, keys=(KEY,)).nonce != first
    assert links.read(token(subject="bittern"), NOW_S, keys=(KEY,)).nonce != first


@pytest.mark.parametrize(("command", "lasts_s"), [("cleared", 86_400), ("acknowledged", 86_400), ("shelved", 900)])
def test_each_command_has_its_lifetime(command, lasts_s):
    made = token(command)
    assert links.read(made, NOW_S + lasts_s - 1, keys=(KEY,)).command == command
    with pytest.raises(links.ExpiredLink):
        links.read(made, NOW_S + lasts_s, keys=(KEY,))


def test_no_link_may_take_a_machine_out_of_service():
    with pytest.raises(ValueError, match="no link may"):
        token("out_of_service")


def test_a_rightly_signed_grant_for_more_is_refused_too():
    payload = links._text(json.dumps(["failed", "avocet", "ann", 2**40, "n"]).encode())
    mac = links._text(links._mac(KEY, b"link", payload.encode()))
    with pytest.raises(links.BadLink):
        links.read(f"v1.{payload}.{mac}", NOW_S, keys=(KEY,))


def test_while_keys_rotate_the_old_one_still_reads():
    assert links.read(token(), NOW_S, keys=(b"n" * 32, KEY)).subject == "avocet"
    with pytest.raises(links.BadLink):
        links.read(token(), NOW_S, keys=(b"n" * 32,))


def test_every_key_is_compared_whole_wherever_a_forgery_differs(monkeypatch):
    """No early end tells a forger how much is right: `hmac.compare_digest` for each key, every time."""
    compared = []

    def digest(one, other):
        compared.append(len(one))
        return hmac_compare(one, other)

    hmac_compare = hmac.compare_digest
    monkeypatch.setattr(links.hmac, "compare_digest", digest)
    made = token()
    head, mac = made.rsplit(".", 1)
    for forged in (f"{head}.{'A' * len(mac)}", f"{head}.{mac[:-1]}A", f"{head}.", f"v9{made[2:]}", "v1.x.y", ""):
        compared.clear()
        with contextlib.suppress(links.BadLink):
            links.read(forged, NOW_S, keys=(KEY, b"n" * 32))
        assert compared == [43, 43]


def test_spent_links_are_forgotten_long_after_their_end():
    grant = links.read(token(), NOW_S, keys=(KEY,))
    kept = links.spent(grant, NOW_S + 5)
    assert kept.doc["by"] == "ann"
    book = {kept.key: kept.doc, "of an older version": {"at_s": NOW_S}}
    assert links.stale(book, NOW_S + 30 * 86_400) == []
    assert {keep.key for keep in links.stale(book, NOW_S + 31 * 86_400 + 1)} == set(book)


@given(st.integers(0, 400), st.characters(codec="ascii"))
def test_any_changed_character_is_noticed(at, other):
    made = token()
    at %= len(made)
    changed = made[:at] + other + made[at + 1 :]
    if changed == made:
        return
    with pytest.raises(links.BadLink):
        links.read(changed, NOW_S, keys=(KEY,))


@given(st.text(max_size=300))
def test_any_text_is_refused_and_never_breaks(text):
    for made in (text, f"v1.{text}", f"v1.{text}.{text}"):
        with pytest.raises(links.BadLink):
            links.read(made, NOW_S, keys=(KEY,))


def test_a_link_fits_a_message():
    longest = token("acknowledged", "backup_unseen:" + "x" * 40, "bram")
    assert len(longest) < 300
    assert set(longest) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.")
