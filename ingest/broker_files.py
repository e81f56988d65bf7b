"""The embedded broker's own folder: configuration, passwords, access list, queue."""

from __future__ import annotations

import getpass
import hashlib
import os
import secrets
import stat
from base64 import b64encode
from pathlib import Path
from typing import Final

INGEST_USER: Final = "turnbell.ingest"  # no probe's: a probe's name has its site before the dot
IN_FLIGHT: Final = 500
_ROUNDS: Final = 1000  # passwords are 144 random bits: the count guards nothing that matters

_CONFIG = """\
# Written by turnbell at every start of the embedded broker; changes made here are lost.
listener {port} {host}
persistence true
persistence_location {folder}/
persistence_file queue.db
# every change is saved at once; only what was acknowledged in the very moment of a kill -9 can be lost
autosave_interval 1
autosave_on_changes true
max_inflight_messages {in_flight}
max_queued_messages 1000000
message_size_limit 1048576
set_tcp_nodelay true
pid_file {folder}/mosquitto.pid
log_dest stderr
log_type error
log_type warning
"""


class BrokerFiles:
    """``passwords`` and ``acl`` hold the enrolled probes (see ``deploy.enrol``)."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.config = folder / "mosquitto.conf"
        self.passwords = folder / "passwords"
        self.acl = folder / "acl"
        self.pid_file = folder / "mosquitto.pid"
        self.log_file = folder / "broker.log"

    def has_probes(self) -> bool:
        return self.passwords.is_file() and any(
            line and not line.startswith(f"{INGEST_USER}:")
            for line in self.passwords.read_text("utf-8").splitlines()
        )

    def write_config(self, host: str, port: int, ingest_password: str | None) -> Path:
        """``ingest_password`` None = everyone may come in (loopback)."""
        self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        text = _CONFIG.format(host=host, port=port, folder=self.folder, in_flight=IN_FLIGHT)
        if os.geteuid() == 0:
            text += f"user {getpass.getuser()}\n"
        if ingest_password is None:
            text += "allow_anonymous true\n"
        else:
            text += f"allow_anonymous false\npassword_file {self.passwords}\nacl_file {self.acl}\n"
            self._admit_ingest(ingest_password)
        write_private(self.config, text)
        return self.config

    def _admit_ingest(self, password: str) -> None:
        lines = [line for line in self.passwords.read_text("utf-8").splitlines() if line]
        others = [line for line in lines if not line.startswith(f"{INGEST_USER}:")]
        write_private(self.passwords, "\n".join([f"{INGEST_USER}:{password_hash(password)}", *others]) + "\n")

    def last_words(self) -> str:
        try:
            lines = self.log_file.read_text("utf-8", "replace").strip().splitlines()
        except OSError:
            return "it said nothing"
        return lines[-1][:200] if lines else "it said nothing"


def write_private(path: Path, text: str) -> None:
    """The whole text or the old one, never half; readable by this account alone, or by the folder's group too when the
    folder hands its group down (setgid): so a broker that runs under an account of its own can read it."""
    mode = 0o640 if path.parent.stat().st_mode & stat.S_ISGID else 0o600
    aside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(descriptor, "w", encoding="utf-8") as handle:
            os.fchmod(descriptor, mode)  # also under the umask of a service, 077
            handle.write(text)
            handle.flush()
            os.fsync(handle.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)


def password_hash(password: str) -> str:
    """As mosquitto's password file wants it: ``$7$rounds$salt$hash``, PBKDF2 with SHA-512."""
    salt = secrets.token_bytes(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ROUNDS)
    return f"$7${_ROUNDS}${b64encode(salt).decode()}${b64encode(digest).decode()}"
