"""Broker credentials: one for each probe, good for its own topics alone. Made here, printed once, kept as a hash.

The registry holds who is enrolled; the broker's two files, ``passwords`` and ``acl`` under ``DATA/broker``, are written
from it, whole, and a running broker is told to read them anew.
"""

from __future__ import annotations

import logging
import os
import secrets
import signal
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from deploy.errors import UserError
from ingest.broker_files import INGEST_USER, BrokerFiles, password_hash, write_private
from ingest.topics import OWN_TOPICS, is_name
from shared.ports import Registry
from shared.times import Millis

log = logging.getLogger(__name__)

_REVOKED: Final = ""  # instead of a hash

_ACL_HEAD: Final = f"""\
# Written by turnbell; changes made here are lost. Who is not named here may do nothing.
user {INGEST_USER}
topic read #
topic readwrite {OWN_TOPICS}#
"""


@dataclass(frozen=True, slots=True)
class Credential:
    site: str
    probe: str
    username: str
    password: str

    def __str__(self) -> str:
        return (
            f"username  {self.username}\n"
            f"password  {self.password}\n"
            f"topic     turnbell/{self.site}/{self.probe}/readings\n"
            f"status    turnbell/{self.site}/{self.probe}/status (retained; last will: offline)\n"
            "The password is shown this once. Enrol the probe again for another; the old one then ends."
        )


def enrol(registry: Registry, data_dir: Path, probe: str, site: str | None, now: Millis) -> Credential:
    """Make a credential, or rotate the one there is: the old password ends at once.

    Raises UserError for a name outside the contract, or when it is not clear which site is meant.
    """
    site = _site(registry, site)
    if not is_name(probe):
        raise UserError(f"a probe's name is 1-64 of A-Z a-z 0-9 _ -, which {probe!r} is not")
    credential = Credential(site, probe, f"{site}.{probe}", secrets.token_urlsafe(18))
    registry.access.enrol(site, probe, credential.username, password_hash(credential.password), now)
    write_broker_files(registry, data_dir)
    return credential


rotate = enrol


def revoke(registry: Registry, data_dir: Path, probe: str, site: str | None, now: Millis) -> str:
    """End a probe's credential; a connection that it has open is closed by the broker. Gives the username."""
    site = _site(registry, site)
    for known_site, known_probe, username, hashed in registry.access.credentials():
        if (known_site, known_probe) == (site, probe) and hashed != _REVOKED:
            registry.access.enrol(site, probe, username, _REVOKED, now)
            write_broker_files(registry, data_dir)
            return username
    raise UserError(f"probe {probe} of site {site} is not enrolled")


def write_broker_files(registry: Registry, data_dir: Path) -> None:
    """Passwords and access list as the registry has them. Users that the registry has never heard of (the ingester's, on
    a broker of your own) keep their line."""
    files = BrokerFiles(data_dir / "broker")
    files.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    enrolled = {
        username: (site, probe, hashed) for site, probe, username, hashed in registry.access.credentials()
    }
    lines = files.passwords.read_text("utf-8").splitlines() if files.passwords.is_file() else []
    kept = [line for line in lines if line and line.partition(":")[0] not in enrolled]
    ours = [f"{username}:{hashed}" for username, (_, _, hashed) in enrolled.items() if hashed != _REVOKED]
    rights = "".join(
        f"\nuser {username}\ntopic readwrite turnbell/{site}/{probe}/#\n"
        for username, (site, probe, hashed) in enrolled.items()
        if hashed != _REVOKED
    )
    write_private(files.acl, _ACL_HEAD + rights)
    write_private(files.passwords, "".join(f"{line}\n" for line in (*kept, *ours)))
    _reload(files)


def _reload(files: BrokerFiles) -> None:
    """Tell the embedded mosquitto, if it runs, to read its files anew."""
    try:
        pid = int(files.pid_file.read_text("utf-8"))
        if Path(f"/proc/{pid}/comm").read_text("utf-8").strip() == "mosquitto":
            os.kill(pid, signal.SIGHUP)
    except (OSError, ValueError):
        log.debug("broker=none event=nothing_to_reload")


def _site(registry: Registry, site: str | None) -> str:
    if site is not None:
        if not is_name(site):
            raise UserError(f"a site's slug is 1-64 of A-Z a-z 0-9 _ -, which {site!r} is not")
        return site
    slugs = [known.slug for known in registry.sites.all()]
    if len(slugs) == 1:
        return slugs[0]
    if not slugs:
        raise UserError("there is no site yet; name one with --site")
    raise UserError(f"name the site with --site: {', '.join(slugs)}")
