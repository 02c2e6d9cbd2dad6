"""The fixtures themselves: the servers really serve."""

import contextlib
import http.client
import smtplib
import time

import pytest
from servers import Answer, listens, until, wait_until

pytestmark = pytest.mark.real


def ask(server, path, body=None, timeout_s=2.0):
    with contextlib.closing(http.client.HTTPConnection(server.host, server.port, timeout=timeout_s)) as link:
        link.request("POST" if body else "GET", path, body)
        reply = link.getresponse()
        return reply.status, reply.read()


def test_broker_keeps_a_retained_message_and_its_port(mosquitto):
    from paho.mqtt import subscribe

    mosquitto.publish("a/b", "1", retain=True)
    got = subscribe.simple("a/b", hostname=mosquitto.host, port=mosquitto.port)
    assert got.payload == b"1"
    assert got.retain
    port = mosquitto.port
    mosquitto.kill()
    assert not listens(mosquitto.host, port)
    mosquitto.start()
    assert listens(mosquitto.host, port)


def test_ups_server_plays_statuses_and_goes_stale(upsd):
    upsd.set_status("one", "OB DISCHRG", {"battery.charge": "80"})
    wait_until(lambda: "OB DISCHRG" in upsd.ask("GET VAR one ups.status"), within_s=4, what="on battery")
    assert '"80"' in upsd.ask("GET VAR one battery.charge")
    upsd.sequence("one", [(1, {"ups.status": "OB LB"}), (1, {"ups.status": "OL CHRG"})])
    wait_until(lambda: "OB LB" in upsd.ask("GET VAR one ups.status"), within_s=4, what="battery low")
    wait_until(lambda: "OL CHRG" in upsd.ask("GET VAR one ups.status"), within_s=5, what="on line again")
    upsd.freeze_driver("one")
    wait_until(lambda: "ERR DATA-STALE" in upsd.ask("GET VAR one ups.status"), within_s=10, what="stale")
    upsd.start_driver("one")
    wait_until(lambda: "OL CHRG" in upsd.ask("GET VAR one ups.status"), within_s=8, what="fresh again")
    upsd.kill_driver("one")
    wait_until(lambda: "ERR DRIVER" in upsd.ask("GET VAR one ups.status"), within_s=8, what="driver gone")
    upsd.start_driver("one")
    wait_until(lambda: "OL CHRG" in upsd.ask("GET VAR one ups.status"), within_s=8, what="fresh again")


def test_http_receiver_answers_by_script(http_receiver):
    http_receiver.answer(Answer(status=202, body=b"later"), Answer(status=0))
    assert ask(http_receiver, "/a?b=c", b"x") == (202, b"later")
    with pytest.raises((OSError, http.client.HTTPException)):
        ask(http_receiver, "/")
    assert [request.path for request in http_receiver.wait(2)] == ["/a?b=c", "/"]
    assert http_receiver.requests[0].body == b"x"


async def test_smtp_receiver_takes_and_refuses(smtp_receiver):
    smtp_receiver.refuse.append("451 later")
    with smtplib.SMTP(smtp_receiver.host, smtp_receiver.port, timeout=2) as client:
        with pytest.raises(smtplib.SMTPDataError):
            client.sendmail("a@x.test", ["b@x.test"], "Subject: one\r\n\r\nbody\r\n")
        client.sendmail("a@x.test", ["b@x.test"], "Subject: two\r\n\r\nbody\r\n")
    assert await until(lambda: smtp_receiver.mails, within_s=2, what="mail") < 2
    assert smtp_receiver.mails[0]["Subject"] == "two"


def test_http_device_hangs_and_answers(http_device):
    assert ask(http_device, "/again/2")[0] == 302
    assert ask(http_device, "/status") == (200, http_device.body)
    began_s = time.monotonic()
    with pytest.raises(TimeoutError):
        ask(http_device, "/hang", timeout_s=0.3)
    assert time.monotonic() - began_s < 2
