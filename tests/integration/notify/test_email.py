"""E-mail against a real mail server with STARTTLS and login."""

import base64
import contextlib
import email
import email.policy
import socket
import ssl
import threading
import time

import pytest
import trustme

from steadyhead.errors import NotifyError
from steadyhead.notify.channel_settings import Email
from steadyhead.notify.channels.base import NotTakenError
from steadyhead.notify.channels.opening import open_channel
from steadyhead.notify.message import Message
from steadyhead.notify.words import RULES_FIRST, Manner

from .messages import MANNER, RAISED_S, message_of
from .receivers import MailReceiver

TO = ("Duty <duty@example.org>", "park@example.org")


@pytest.fixture(scope="module")
def authority():
    return trustme.CA()


@pytest.fixture(scope="module")
def tls(authority):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    return context


@pytest.fixture
def files(tmp_path, authority):
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    (tmp_path / "password").write_text("pass-word of the mail")
    return tmp_path


def settings(receiver: MailReceiver, files, **differs) -> Email:
    usual = {
        "host": "127.0.0.1",
        "port": receiver.port,
        "user": "steadyhead",
        "password": {"file": files / "password"},
        "from": "Steadyhead <watch@example.org>",
        "to": TO,
        "ca_file": files / "ca.pem",
        "timeout_s": 5,
    }
    chosen = {**usual, **differs}
    return Email.model_validate({name: value for name, value in chosen.items() if value is not None})


def plain(**differs) -> dict:
    return {"security": "none", "user": None, "password": None, "ca_file": None, **differs}


def send(chosen: Email, message: Message | None = None, manner: Manner = MANNER) -> None:
    open_channel(chosen).send(message or message_of("elm"), manner)


def read(receiver: MailReceiver, n: int = 0):
    return email.message_from_bytes(receiver.letters[n].content, policy=email.policy.default)


def test_a_letter_goes_encrypted_and_with_login(tls, files):
    with MailReceiver(tls=tls, users={"steadyhead": "pass-word of the mail"}) as receiver:
        send(settings(receiver, files))
    (taken,) = receiver.letters
    assert (taken.was_encrypted, taken.user) == (True, "steadyhead")
    assert (taken.from_address, taken.to) == ("watch@example.org", ["duty@example.org", "park@example.org"])


@pytest.mark.filterwarnings("ignore:Requiring AUTH")  # what the test's server thinks of it
def test_a_letter_goes_to_a_server_that_is_encrypted_from_the_first_byte(tls, files):
    users = {"steadyhead": "pass-word of the mail"}
    with MailReceiver(tls=tls, users=users, is_tls_from_start=True) as receiver:
        send(settings(receiver, files, security="tls"))
        with pytest.raises(NotTakenError, match=r"CERTIFICATE_VERIFY_FAILED|certificate verify failed"):
            send(settings(receiver, files, security="tls", ca_file=None))
    assert [letter.user for letter in receiver.letters] == ["steadyhead"]


def test_a_server_that_trickles_its_first_words_is_left():
    def greet(listening: socket.socket) -> None:
        connected, _ = listening.accept()
        with connected, contextlib.suppress(OSError):
            for _ in range(200):
                connected.sendall(b"2")
                time.sleep(0.05)

    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=greet, args=(listening,))
        thread.start()
        chosen = Email.model_validate(
            {
                "host": "127.0.0.1",
                "port": listening.getsockname()[1],
                "security": "none",
                "from": "watch@example.org",
                "to": "duty@example.org",
                "timeout_s": 0.2,
            }
        )
        began = time.monotonic()
        with pytest.raises(NotTakenError, match=r"127\.0\.0\.1"):
            send(chosen)
        assert time.monotonic() - began < 5 * 0.2 + 1
        thread.join()


def test_subject_and_text_say_station_condition_and_priority(files):
    with MailReceiver() as receiver:
        send(settings(receiver, files, **plain()))
    letter = read(receiver)
    assert letter["Subject"] == "elm: Outlet has drifted from set, medium priority"
    assert letter["From"] == "Steadyhead <watch@example.org>"
    assert letter["Auto-Submitted"] == "auto-generated"
    text = letter.get_body(("plain",)).get_content()
    page = letter.get_body(("html",)).get_content()
    for part in (text, page):
        assert "84 % sure" in part
        # 1 749 000 000 s is 2025-06-04 01:20 UTC (date -u -d @1749000000), 02:20 summer time in London
        assert "Raised Wed 04 Jun 02:20 (Europe/London)" in part
        assert "The outlet is 42 kPa below what was learned." in part
        assert (
            f"https://steadyhead.example.org/alerts/{message_of('elm').items[0].alert['alert_id']}/sheet"
            in part
        )
    assert RULES_FIRST in " ".join(text.split())


def test_field_checks_come_with_every_one_of_their_cautions(files):
    message = message_of("elm", condition="creep")
    with MailReceiver() as receiver:
        send(settings(receiver, files, **plain()), message)
        send(settings(receiver, files, **plain()), message, Manner(None, with_checks=False, list_at_most=5))
    text = " ".join(read(receiver).get_body(("plain",)).get_content().split())
    page = " ".join(read(receiver).get_body(("html",)).get_content().split())
    without = read(receiver, 1).get_body(("plain",)).get_content()
    checks = message.items[0].alert["field_checks"]
    cautions = {caution for check in checks for caution in check["cautions"]}
    assert len(checks) > 3
    assert len(cautions) > 3
    for words in (*cautions, *(check["text"] for check in checks)):
        assert words in text
        assert words.replace("'", "&#x27;") in page
        assert words not in " ".join(without.split())
    assert text.index("BEFORE YOU TOUCH ANYTHING") < text.index("WHAT TO CHECK")


def test_a_letter_is_the_same_at_every_try(files):
    with MailReceiver() as receiver:
        send(settings(receiver, files, **plain()))
        send(settings(receiver, files, **plain()))
        send(settings(receiver, files, **plain()), message_of("oak"))
    assert receiver.letters[0].content == receiver.letters[1].content
    first, again, other = read(receiver), read(receiver, 1), read(receiver, 2)
    assert first["Message-ID"] == again["Message-ID"] != other["Message-ID"]
    assert first["Message-ID"].endswith("@example.org>")
    assert first["Date"] == again["Date"]
    assert first["Date"].datetime.timestamp() == RAISED_S + 5


def test_html_holds_nothing_that_a_station_or_evidence_could_smuggle_in(files):
    with MailReceiver() as receiver:
        send(settings(receiver, files, **plain()), message_of("elm", evidence=("<script>x</script> & <b>",)))
    page = read(receiver).get_body(("html",)).get_content()
    assert "&lt;script&gt;x&lt;/script&gt; &amp; &lt;b&gt;" in page
    assert "<script" not in page


def test_many_become_one_list_with_a_stated_limit(files):
    stations = ("elm", "oak", "ash", "yew")
    manner = Manner("https://steadyhead.example.org", with_checks=True, list_at_most=3)
    with MailReceiver() as receiver:
        send(settings(receiver, files, **plain()), message_of(*stations), manner)
    letter = read(receiver)
    assert letter["Subject"].startswith("4 changes of alerts (4 medium priority); worst: elm:")
    text = " ".join(letter.get_body(("plain",)).get_content().split())
    assert [name for name in stations if f"- {name}: Outlet has drifted" in text] == ["elm", "oak", "ash"]
    assert "And 1 more (1 medium priority) that are not listed here." in text
    assert RULES_FIRST in text


def test_no_server_without_starttls_gets_a_password_or_a_letter(files):
    with MailReceiver() as receiver, pytest.raises(NotTakenError, match="STARTTLS"):
        send(settings(receiver, files))
    assert receiver.letters == []


def test_a_certificate_of_another_is_not_trusted(tls, files):
    receiver = MailReceiver(tls=tls, users={"steadyhead": "pass-word of the mail"})
    with receiver, pytest.raises(NotTakenError, match=r"CERTIFICATE_VERIFY_FAILED|certificate verify failed"):
        send(settings(receiver, files, ca_file=None))
    assert receiver.letters == []


def test_a_wrong_password_is_told_and_not_quoted(tls, files):
    echo = base64.b64encode(b"\0steadyhead\0pass-word of the mail").decode()
    with (
        MailReceiver(
            tls=tls,
            users={"steadyhead": "another"},
            bad_login=f"535 no: pass-word of the mail, sent as {echo}",
        ) as receiver,
        pytest.raises(NotTakenError, match=f"127.0.0.1:{receiver.port} answered 535") as caught,
    ):
        send(settings(receiver, files))
    assert "pass-word" not in str(caught.value)
    assert echo not in str(caught.value)


def test_addresses_that_took_a_letter_do_not_get_it_again(files):
    with MailReceiver(refused={"park@example.org": "450 mailbox busy"}) as receiver:
        with pytest.raises(NotTakenError, match=r"park@example.org: 450 mailbox busy") as caught:
            send(settings(receiver, files, **plain()))
        assert caught.value.done == ("Duty <duty@example.org>",)
        receiver.refused.clear()
        message = message_of("elm")
        send(
            settings(receiver, files, **plain()),
            Message(message.key, message.made_s, message.items, done=caught.value.done),
        )
    assert [letter.to for letter in receiver.letters] == [["duty@example.org"], ["park@example.org"]]
    assert read(receiver)["Message-ID"] == read(receiver, 1)["Message-ID"]
    assert read(receiver, 1)["To"] == "Duty <duty@example.org>, park@example.org"


def test_if_every_address_is_refused_nobody_has_it(files):
    with (
        MailReceiver(
            refused={"duty@example.org": "550 unknown", "park@example.org": "550 unknown"}
        ) as receiver,
        pytest.raises(NotTakenError, match="refused every address") as caught,
    ):
        send(settings(receiver, files, **plain()))
    assert caught.value.done == ()


def test_a_letter_the_server_refuses_is_told(files):
    with MailReceiver(refuse_data=["452 disk full"]) as receiver:
        with pytest.raises(NotTakenError, match="answered 452 disk full"):
            send(settings(receiver, files, **plain()))
        send(settings(receiver, files, **plain()))
    assert len(receiver.letters) == 1


def test_a_server_that_hangs_or_is_not_there_is_left(files):
    with MailReceiver(hang_s=1.5) as receiver:
        with pytest.raises(NotTakenError, match=r"did not answer within 0\.4 s"):
            send(settings(receiver, files, **plain(timeout_s=0.4)))
        gone = settings(receiver, files, **plain())
    with pytest.raises(NotTakenError, match="cannot be reached"):
        send(gone)


def test_a_missing_password_file_is_named(tls, files):
    (files / "password").unlink()
    with (
        MailReceiver(tls=tls, users={"steadyhead": "x"}) as receiver,
        pytest.raises(NotifyError, match="password"),
    ):
        send(settings(receiver, files))


def test_a_test_letter_says_that_it_is_one(files):
    with MailReceiver() as receiver:
        send(settings(receiver, files, **plain()), Message("test:x", RAISED_S, (), kind="test"))
    assert read(receiver)["Subject"] == "Steadyhead: test message"
    assert "No station has an alert" in read(receiver).get_body(("plain",)).get_content()
