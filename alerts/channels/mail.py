"""Email over SMTP with the standard library; one connection a message."""

from __future__ import annotations

import contextlib
import re
import smtplib
import socket
import ssl
from collections.abc import Callable
from functools import partial

from alerts.channels.deadline import Deadline
from alerts.channels.failures import network_words, without_secrets
from alerts.channels.letter import letter
from alerts.channels.port import Parcel, SendError
from shared.settings import Email, Settings

DEADLINE_S = 30.0  # mail servers let strangers wait on purpose
_ADDRESS = re.compile(r"[^@\s<>,;:\"()\[\]\\]+@[^@\s<>,;:\"()\[\]\\]+")


class MailSender:
    def __init__(self, settings: Settings, *, deadline_s: float = DEADLINE_S) -> None:
        self._email, self._deadline_s = settings.email, deadline_s

    def send(self, parcel: Parcel) -> None:
        if not self._email.host:
            raise SendError("no mail server is set; see [email] host")
        if not _ADDRESS.fullmatch(parcel.channel.target):
            raise SendError("it is no email address", permanent=True)
        message = letter(parcel, self._email.from_)
        with Deadline(self._deadline_s) as deadline:
            try:
                with self._server(self._email.host, deadline) as server:
                    server.send_message(message)
                    # accepted: what happens while we say goodbye changes nothing
                    with contextlib.suppress(smtplib.SMTPException, OSError):
                        server.quit()
            except (smtplib.SMTPException, OSError, ValueError) as error:
                if deadline.passed:
                    raise SendError("the mail server did not answer in time") from None
                raise _ours(error, self._secrets(parcel)) from None

    def _server(self, host: str, deadline: Deadline) -> contextlib.closing[_Server]:
        email = self._email
        server = _Server(host, deadline, _context(email) if email.tls == "tls" else None)
        try:
            server.greeted(email.port)
            if email.tls == "starttls":
                server.starttls(context=_context(email))
            if email.username:
                server.login(email.username, email.password.get_secret_value() if email.password else "")
        except BaseException:
            server.close()
            raise
        return contextlib.closing(server)

    def _secrets(self, parcel: Parcel) -> list[str | None]:
        password = self._email.password
        return [
            password.get_secret_value() if password else None,
            self._email.username,
            parcel.channel.secret,
            parcel.channel.target,
        ]


class _Server(smtplib.SMTP):
    """An SMTP connection that a deadline watches from its first byte, with TLS from the start where asked."""

    def __init__(self, host: str, deadline: Deadline, tls: ssl.SSLContext | None) -> None:
        super().__init__(timeout=deadline.seconds)
        self._host = host  # the name that STARTTLS checks; set by the base only when it connects at once
        self._deadline, self._tls = deadline, tls

    def greeted(self, port: int) -> None:
        code, words = self.connect(self._host, port)
        if code != 220:
            raise smtplib.SMTPConnectError(code, words)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        sock = socket.create_connection((host, port), timeout)
        self._deadline.watch(sock)
        if self._tls is None:
            return sock
        try:
            return self._tls.wrap_socket(sock, server_hostname=host)
        except BaseException:
            sock.close()
            raise


def _context(email: Email) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=str(email.tls_ca) if email.tls_ca else None)


def _ours(error: Exception, secrets: list[str | None]) -> SendError:
    """Permanent only where this recipient or this message is refused; what an operator has to mend waits."""
    for kind, words in _WORDS.items():
        if isinstance(error, kind):
            return words(error, partial(without_secrets, secrets=secrets))
    if isinstance(error, ValueError) and not isinstance(error, OSError):  # a TLS error is both
        return SendError("the message cannot be written as an email", permanent=True)
    return SendError(f"mail server: {network_words(error)}")


def _refused_recipient(error: Exception, clean: Callable[[str], str]) -> SendError:
    refused = getattr(error, "recipients", {})
    code, words = next(iter(refused.values()), (450, b""))
    # 552 for a recipient is a full mailbox: to be read as 452 (RFC 5321, 4.5.3.1.10)
    return _answered(code, words, clean, permanent=500 <= code < 600 and code != 552)


def _refused_message(error: Exception, clean: Callable[[str], str]) -> SendError:
    code = int(getattr(error, "smtp_code", 0))
    return _answered(code, getattr(error, "smtp_error", b""), clean, permanent=500 <= code < 600)


def _refused_us(error: Exception, clean: Callable[[str], str]) -> SendError:
    return _answered(
        int(getattr(error, "smtp_code", 0)), getattr(error, "smtp_error", b""), clean, permanent=False
    )


def _answered(code: int, words: bytes | str, clean: Callable[[str], str], *, permanent: bool) -> SendError:
    text = words.decode("utf-8", "replace") if isinstance(words, bytes) else words
    return SendError(f"mail server: {code} {clean(text)}".rstrip(), permanent=permanent)


_WORDS: dict[type[Exception], Callable[[Exception, Callable[[str], str]], SendError]] = {
    smtplib.SMTPAuthenticationError: lambda _e, _c: SendError("the mail server refused the sign-in"),
    smtplib.SMTPRecipientsRefused: _refused_recipient,
    smtplib.SMTPDataError: _refused_message,
    smtplib.SMTPResponseException: _refused_us,  # greeting, HELO, MAIL FROM: about us, not about the recipient
    smtplib.SMTPNotSupportedError: lambda _e, _c: SendError(
        "the mail server cannot do what [email] asks of it (TLS or sign-in)"
    ),
}
