from __future__ import annotations

import email
import email.policy
from email.message import EmailMessage
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.channels.letter import letter
from alerts.channels.mail import MailSender
from alerts.channels.port import Parcel, SendError
from shared.people import Channel, Person
from tests.alerts.channels.servers import AUTHORITY, SmtpSink, smtp_sink
from tests.alerts.channels.ways import PASSWORD, notice, settings

PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))

# the server's word on our own test of signing in without TLS
signing_in = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS:UserWarning")


def parcel(
    to: str = "ada@yard.example", name: str = "Ada", picture: bytes | None = None, **fields: Any
) -> Parcel:
    person = Person("ada", name, "Europe/Dublin")
    return Parcel(notice(**fields), Channel("c-1", "ada", "email", to), person, lambda: picture)


def sender(port: int, **keys: Any) -> MailSender:
    mail = {"host": "localhost", "port": port, "tls": "none", "from": "Larkfield <bell@yard.example>", **keys}
    return MailSender(settings(email=mail), deadline_s=5.0)


def read(sink: SmtpSink, number: int = 0) -> EmailMessage:
    parsed = email.message_from_bytes(sink.letters[number].content, policy=email.policy.default)
    assert isinstance(parsed, EmailMessage)
    return parsed


def refused(port: int, **keys: Any) -> SendError:
    with pytest.raises(SendError) as caught:
        sender(port, **keys).send(parcel())
    return caught.value


def test_plain_text_comes_first_then_simple_html_with_the_curve_beside_it() -> None:
    with smtp_sink() as sink:
        sender(sink.port).send(parcel(picture=PNG))
    message = read(sink)
    assert sink.letters[0].to == ("ada@yard.example",)
    assert (message["Subject"], message["To"]) == ("K-07 wants a turn now", "Ada <ada@yard.example>")
    assert message["From"] == "Larkfield <bell@yard.example>"
    assert message["Auto-Submitted"] == "auto-generated"
    plain, beside = message.iter_parts()
    assert plain.get_content_type() == "text/plain"
    assert plain.get_content().splitlines() == notice().text.splitlines()
    html, picture = beside.iter_parts()
    assert html.get_content_type() == "text/html"
    assert (picture.get_content_type(), picture.get_content()) == ("image/png", PNG)
    cid = picture["Content-ID"].strip("<>")
    assert f'src="cid:{cid}"' in html.get_content()


def test_without_a_picture_there_is_none_to_show() -> None:
    with smtp_sink() as sink:
        sender(sink.port).send(parcel())
    html = read(sink).get_body(("html",))
    assert html is not None
    assert "<img" not in html.get_content()


def test_the_message_id_is_the_same_on_every_try_and_no_others() -> None:
    with smtp_sink() as sink:
        sender(sink.port).send(parcel())
        sender(sink.port).send(parcel(tries=3, last_error="421 later"))
        sender(sink.port).send(parcel(id="another"))
    first, again, other = (read(sink, number)["Message-ID"] for number in range(3))
    assert first == again == "<019abc0001deadbeef@yard.example>"
    assert other != first


def test_messages_of_one_episode_belong_together() -> None:
    with smtp_sink() as sink:
        sender(sink.port).send(parcel())
        sender(sink.port).send(parcel(id="n-2", reason="reminder"))
        sender(sink.port).send(parcel(id="n-3", episode_id="e-2"))
    threads = [read(sink, number)["References"] for number in range(3)]
    assert threads[0] == threads[1] != threads[2]


def test_html_shows_what_was_written_and_runs_nothing() -> None:
    with smtp_sink() as sink:
        sender(sink.port).send(
            parcel(text='<script>alert("x")</script>\nSee https://yard.example/do/a?b=1&c=2 now')
        )
    html = read(sink).get_body(("html",))
    assert html is not None
    page = html.get_content()
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert '<a href="https://yard.example/do/a?b=1&amp;c=2">' in page


ODD = "Bad\r\nBcc: everyone@evil.example\r\n\r\nfree text"


@pytest.mark.parametrize("where", ["title", "name", "peg", "id", "episode_id"])
def test_nothing_in_a_notice_can_write_a_header(where: str) -> None:
    with smtp_sink() as sink:
        sender(sink.port).send(parcel(name=ODD) if where == "name" else parcel(picture=None, **{where: ODD}))
    assert sink.letters[0].to == ("ada@yard.example",)
    message = read(sink)
    assert message["Bcc"] is None
    assert message.get_body(("plain",)) is not None
    assert b"\nBcc:" not in sink.letters[0].content


@given(st.text(max_size=120), st.text(max_size=60), st.text(max_size=400))
def test_any_text_makes_a_letter_whose_headers_are_ours_alone(title: str, name: str, text: str) -> None:
    written = letter(parcel(name=name, title=title, text=text), "Larkfield <bell@yard.example>").as_bytes()
    back = email.message_from_bytes(written, policy=email.policy.default)
    assert set(back.keys()) == {
        "Subject", "From", "To", "Date", "Message-ID", "References", "Auto-Submitted", "MIME-Version", "Content-Type",
    }  # fmt: skip
    assert all(len(line) <= 998 for line in written.split(b"\r\n"))


@pytest.mark.parametrize(
    "to",
    [
        "",
        "ada",
        "ada@",
        "a b@yard.example",
        "ada@yard.example, eve@evil.example",
        "ada@yard.example\r\nRCPT TO:<x@y>",
        "<a@b>",
    ],
)
def test_what_is_no_one_address_is_refused_for_good(to: str) -> None:
    with pytest.raises(SendError) as caught:
        sender(1).send(parcel(to))
    assert caught.value.permanent


@signing_in
def test_starttls_and_tls_carry_password_and_message_under_cover() -> None:
    for tls in ("starttls", "tls"):
        with smtp_sink(tls=tls, password=PASSWORD) as sink:
            sender(sink.port, tls=tls, tls_ca=str(AUTHORITY), username="bell", password=PASSWORD).send(
                parcel()
            )
        assert sink.letters[0].over_tls
        assert sink.letters[0].signed_in


@signing_in
def test_a_certificate_of_an_unknown_authority_stops_it_before_the_password() -> None:
    for tls in ("starttls", "tls"):
        with smtp_sink(tls=tls, password=PASSWORD) as sink:
            error = refused(sink.port, tls=tls, username="bell", password=PASSWORD)
            assert sink.letters == []
        assert "certificate is not trusted" in error.why
        assert not error.permanent


def test_a_server_without_tls_gets_nothing_where_tls_was_asked_for() -> None:
    with smtp_sink() as sink:
        error = refused(sink.port, tls="starttls")
        assert sink.letters == []
    assert not error.permanent


@signing_in
def test_a_wrong_password_is_the_operators_to_mend_and_shows_nowhere(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level("DEBUG")
    with smtp_sink(password="another") as sink:
        error = refused(sink.port, username="bell", password=PASSWORD)
    assert error.why == "the mail server refused the sign-in"
    assert not error.permanent
    assert PASSWORD not in error.why + caplog.text


CODES = [
    *range(421, 422),
    450,
    451,
    452,
    454,
    500,
    501,
    502,
    503,
    504,
    521,
    530,
    541,
    550,
    551,
    552,
    553,
    554,
    556,
]


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("stage", ["MAIL", "RCPT", "DATA"])
def test_every_code_at_every_stage_is_judged_for_good_or_for_now(
    stage: str, code: int, caplog: pytest.LogCaptureFixture
) -> None:
    """5xx about this recipient or this message is for good; a full mailbox, and whatever is about us, is not."""
    caplog.set_level("DEBUG")
    with smtp_sink(at={stage: f"{code} 5.1.1 no mailbox ada@yard.example"}) as sink:
        error = refused(sink.port)
        assert sink.letters == []
    permanent = code >= 500 and (stage == "DATA" or (stage == "RCPT" and code != 552))
    assert error.permanent == permanent
    assert str(code) in error.why
    assert "ada@yard.example" not in error.why


def test_what_happens_after_acceptance_changes_nothing() -> None:
    with smtp_sink(at={"DATA": "250 2.0.0 kept"}) as sink:
        sender(sink.port).send(parcel())
        assert len(sink.letters) == 1


def test_without_a_mail_server_it_says_which_setting_is_missing() -> None:
    with pytest.raises(SendError, match=r"\[email\] host") as caught:
        MailSender(settings()).send(parcel())
    assert not caught.value.permanent


def test_an_authority_file_that_is_not_there_is_said_and_tried_again() -> None:
    with smtp_sink(tls="tls") as sink:
        error = refused(sink.port, tls="tls", tls_ca="nowhere.pem")
    assert not error.permanent
    assert "no such file" in error.why


def test_long_titles_and_umlauts_survive() -> None:
    with smtp_sink() as sink:
        sender(sink.port).send(
            parcel(name="Jörg Müller", title="K-07 ist überfällig: jetzt umsetzen", text="Kern 66,8 °C")
        )
    message = read(sink)
    assert message["Subject"] == "K-07 ist überfällig: jetzt umsetzen"
    assert "Jörg Müller" in message["To"]
    plain = message.get_body(("plain",))
    assert plain is not None
    assert plain.get_content().strip() == "Kern 66,8 °C"
