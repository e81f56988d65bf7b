"""The notice as an email: plain text first, simple HTML with the heat curve beside it."""

from __future__ import annotations

import hashlib
import re
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from functools import cache

from jinja2 import Environment, PackageLoader, Template
from markupsafe import Markup

from alerts.channels.port import Parcel
from shared.languages import known_language
from shared.notices import Notice
from shared.times import to_datetime

_POLICY = SMTP.clone(cte_type="7bit")  # whatever the servers on the way can do
_LINK = re.compile(r"https?://[^\s<>\"]+")
_SAFE_ID = re.compile(r"[A-Za-z0-9_.-]{1,128}")


def letter(parcel: Parcel, sender: str) -> EmailMessage:
    """The whole message. Every header is one line whatever stands in title, name or address."""
    notice = parcel.notice
    name, address = parseaddr(sender)
    message = EmailMessage(policy=_POLICY)
    message["Subject"] = one_line(notice.title)
    message["From"] = Address(one_line(name) or "Turnbell", addr_spec=address or "turnbell@localhost")
    message["To"] = Address(one_line(parcel.person.name), addr_spec=parcel.channel.target)
    message["Date"] = format_datetime(to_datetime(notice.at))
    message["Message-ID"] = message_id(notice, address)
    message["References"] = f"<{_safe(notice.episode_id)}.episode@{_domain(address)}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(notice.text)
    picture = parcel.picture()
    cid = f"{_safe(notice.id)}.curve@{_domain(address)}"
    page = _template().render(
        title=one_line(notice.title),
        lines=[linked(line) for line in notice.text.splitlines()],
        urgent=notice.severity == "urgent",
        cid=cid if picture else "",
        peg=notice.peg,
        language=known_language(parcel.person.language),
    )
    message.add_alternative(page, subtype="html")
    html = message.get_body(("html",))
    if picture and isinstance(html, EmailMessage):
        html.add_related(
            picture, "image", "png", cid=f"<{cid}>", filename="heat-curve.png", disposition="inline"
        )
    return message


def message_id(notice: Notice, sender_address: str) -> str:
    """The same on every try: it is the notice's id and nothing else."""
    return f"<{_safe(notice.id)}@{_domain(sender_address)}>"


def one_line(text: str) -> str:
    """No line break or other control character: nothing in it can begin another header."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())[:200]


def linked(line: str) -> Markup:
    """HTML of one line: everything escaped, web addresses made into links."""
    parts, end = [], 0
    for found in _LINK.finditer(line):
        parts.append(Markup.escape(line[end : found.start()]))
        parts.append(Markup('<a href="{0}">{0}</a>').format(found.group()))
        end = found.end()
    return Markup().join([*parts, Markup.escape(line[end:])])


def _safe(id_: str) -> str:
    return id_ if _SAFE_ID.fullmatch(id_) else hashlib.sha256(id_.encode()).hexdigest()[:32]


def _domain(address: str) -> str:
    domain = address.rpartition("@")[2]
    return domain if re.fullmatch(r"[A-Za-z0-9.-]{1,253}", domain) else "localhost"


@cache
def _template() -> Template:
    return Environment(loader=PackageLoader("alerts", "templates"), autoescape=True).get_template("mail.html")
