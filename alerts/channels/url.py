"""Any address that the Apprise library understands. Text only: what a push service makes of an attachment differs, and
one of the library's own plugins reports success while it drops it."""

from __future__ import annotations

import logging
import re
import warnings
from functools import cache
from typing import Any

import apprise

from alerts.channels.addresses import resolved
from alerts.channels.failures import http_failure
from alerts.channels.port import Parcel, SendError
from shared.settings import Settings

DEADLINE_S = 20.0
_STATUS = re.compile(r"\berror=(\d{3})\b")  # how its plugins tell of an HTTP status
_TYPES = {
    "info": apprise.NotifyType.INFO,
    "act": apprise.NotifyType.WARNING,
    "urgent": apprise.NotifyType.FAILURE,
}

# They log addresses, and tokens stand in them. The first is read by the library itself, so it may not fall silent.
logging.getLogger("apprise").setLevel(logging.WARNING)
logging.getLogger("apprise").propagate = False
logging.getLogger("apprise").addHandler(logging.NullHandler())
for _name in ("requests", "urllib3"):
    logging.getLogger(_name).setLevel(logging.ERROR)


class UrlSender:
    def __init__(self, settings: Settings, *, deadline_s: float = DEADLINE_S) -> None:
        self._allow_private = bool(settings.web.allow_private_webhooks)
        self._deadline_s = deadline_s
        _load_plugins()

    def send(self, parcel: Parcel) -> None:
        notice, service = parcel.notice, apprise.Apprise(asset=apprise.AppriseAsset(app_id="Turnbell"))
        plugin = apprise.Apprise.instantiate(parcel.channel.target, asset=service.asset)
        if plugin is None:
            raise SendError("the notification library does not understand its address", permanent=True)
        self._judge_host(plugin)
        service.add(plugin)
        # bounded in time, and whatever a plugin raises comes back as a result: both are the library's promise
        result = service.notify(
            title=notice.title,
            body=notice.text,
            body_format=apprise.NotifyFormat.TEXT,
            notify_type=_TYPES[notice.severity],
            timeout=self._deadline_s,
            log_level=logging.WARNING,
        )
        if not result:
            raise _ours(result)

    def _judge_host(self, plugin: Any) -> None:
        """Services that stand at a host of the user's choice: private ones only where that is allowed."""
        host = getattr(plugin, "host", None)
        if "host" in plugin.template_tokens and isinstance(host, str) and host:
            resolved(host, int(getattr(plugin, "port", None) or 443), allow_private=self._allow_private)


@cache
def _load_plugins() -> None:
    """All of them, now: some warn while they are loaded, which is nobody's concern here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        apprise.Apprise.instantiate("json://localhost")


def _ours(result: Any) -> SendError:
    if result.status == apprise.AppriseResultStatus.TIMEOUT:
        return SendError("it did not answer in time")
    codes = [found for entry in result.logs() for found in _STATUS.findall(str(entry.message))]
    if codes:
        return http_failure(int(codes[-1]))
    return SendError("the notification library could not deliver it")
