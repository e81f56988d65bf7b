from __future__ import annotations

import json

import pytest

from alerts.channels.port import Parcel, SendError
from alerts.channels.url import UrlSender
from shared.people import Channel
from tests.alerts.channels.servers import Answer, http_sink
from tests.alerts.channels.ways import ADA, TOKEN, notice, settings

SENDER = UrlSender(settings(), deadline_s=3.0)


def parcel(target: str) -> Parcel:
    return Parcel(notice(), Channel("c-1", "ada", "url", target), ADA, lambda: b"\x89PNG never asked for")


def test_title_and_text_arrive_and_no_picture() -> None:
    with http_sink() as sink:
        SENDER.send(parcel(f"json://localhost:{sink.port}/hook"))
    said = json.loads(sink.got[0].body)
    assert said["title"] == "K-07 wants a turn now"
    assert said["message"].startswith("K-07 wants a turn now.")
    assert "Core 66.8 °C." in said["message"]
    assert not said["attachments"]


@pytest.mark.parametrize(
    "status", [400, 401, 403, 404, 405, 408, 410, 413, 425, 429, 500, 501, 502, 503, 504, 507]
)
def test_codes_are_judged_as_a_webhooks_are(status: int, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("DEBUG")
    with http_sink() as sink:
        sink.answer = lambda _got: Answer(status)
        with pytest.raises(SendError) as caught:
            SENDER.send(parcel(f"json://localhost:{sink.port}/{TOKEN}"))
    assert caught.value.permanent == (status < 500 and status not in {404, 408, 425, 429})
    assert caught.value.why == f"it answered {status}"
    assert TOKEN not in caplog.text


@pytest.mark.parametrize("target", ["", "nonsense://x", "json://", "no address at all", "http"])
def test_what_the_library_does_not_understand_is_refused_for_good(target: str) -> None:
    with pytest.raises(SendError) as caught:
        SENDER.send(parcel(target))
    assert caught.value.permanent
    assert "does not understand" in caught.value.why


def test_a_service_at_a_private_host_is_refused_unless_allowed() -> None:
    with http_sink() as sink:
        with pytest.raises(SendError, match="private address") as caught:
            UrlSender(settings(web={})).send(parcel(f"json://localhost:{sink.port}/"))
        assert sink.got == []
    assert caught.value.permanent
