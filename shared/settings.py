"""What can be set: one frozen Settings; ``shared/settings_read.py`` reads it."""

from __future__ import annotations

from datetime import time
from ipaddress import ip_network
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    field_validator,
    model_validator,
)

from shared.people import Role


class SettingsError(Exception):
    """A setting that cannot be used; ``id`` names it, ``hint`` says what to do."""

    def __init__(self, id_: str, hint: str) -> None:
        super().__init__(f"{id_}: {hint}")
        self.id, self.hint = id_, hint


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Mqtt(_Section):
    host: str | None = Field(None, description="outside broker; absent = the embedded one")
    port: int = Field(1883, ge=0, le=65535)
    username: str | None = None
    password: SecretStr | None = None
    tls_ca: Path | None = Field(None, description="CA certificate file; turns TLS on")
    shared_group: str | None = Field(None, description="MQTT 5 shared subscription, for several ingesters")
    client_id: str = "turnbell-ingest"
    version: Literal["5", "3.1.1"] = "5"


class Store(_Section):
    url: str | None = Field(None, description="absent = embedded")


class RegistryStore(Store):
    key: SecretStr | None = Field(
        None,
        min_length=32,
        description="seals the secrets in it, the same for every process; absent = the file secret.key of the data "
        "directory, which an embedded registry makes by itself",
    )


class Readings(Store):
    token: SecretStr | None = Field(None, description="InfluxDB's; VictoriaMetrics needs none of its own")
    spool: str | None = Field(
        None,
        description="where readings wait for an outside store: absent = a file in the data directory; a PostgreSQL "
        "address when roles run on several machines",
    )


class Email(_Section):
    host: str | None = None
    port: int = Field(587, ge=1, le=65535)
    username: str | None = None
    password: SecretStr | None = None
    from_: str = Field("turnbell@localhost", alias="from")
    tls: Literal["starttls", "tls", "none"] = "starttls"
    tls_ca: Path | None = None


class Web(_Section):
    public_url: str | None = Field(None, description="how people reach the pages, for links in messages")
    allow_private_webhooks: bool | None = Field(
        None,
        description="let webhooks and push addresses lead to loopback and private addresses; absent = only while the "
        "pages themselves are served on loopback, where nobody outside can set one",
    )
    trusted_proxies: list[str] = Field(
        default_factory=list,
        description="addresses or networks of proxies of ours; only from them X-Forwarded-For and -Proto are believed",
    )
    session_days: float = Field(
        30, gt=0, le=365, description="a session ends after so long whatever is done with it"
    )
    session_idle_days: float = Field(7, gt=0, le=365, description="and after so long without use")
    breached_passwords: Path | None = Field(
        None, description="passwords that nobody may choose: one a line, or sorted lines <SHA-1>[:count]"
    )
    writes_a_minute: int = Field(
        3000, ge=1, description="changes that one address may make; more are told to wait"
    )

    @field_validator("trusted_proxies", mode="before")
    @classmethod
    def _as_list(cls, value: object) -> object:
        return (
            [part.strip() for part in value.split(",") if part.strip()] if isinstance(value, str) else value
        )

    @field_validator("trusted_proxies")
    @classmethod
    def _networks(cls, value: list[str]) -> list[str]:
        for part in value:
            ip_network(part, strict=False)
        return value

    @property
    def session_ms(self) -> int:
        return round(self.session_days * 86_400_000)

    @property
    def session_idle_ms(self) -> int:
        return round(self.session_idle_days * 86_400_000)


class Oidc(_Section):
    issuer: str | None = Field(
        None, description="address of an OpenID Connect provider; absent = no such way in"
    )
    client_id: str | None = None
    client_secret: SecretStr | None = None
    label: str = Field("single sign-on", description="what the button calls it")
    new_role: Role | None = Field(
        None,
        description="the role of whoever the provider knows and we do not; absent = they need an invitation first",
    )


class QuietHours(_Section):
    from_: time | None = Field(
        None, alias="from", description="local time of the person; urgent notices pass"
    )
    to: time | None = None


class Analysis(_Section):
    max_gap_minutes: float = Field(180, gt=0, le=24 * 60)


BatteryCells = Literal[
    "alkaline-2", "alkaline-3", "alkaline-4", "nimh-2", "nimh-3", "li-ion", "lifepo4", "li-socl2", "li-coin"
]


class Notices(_Section):
    morning_round: time | None = Field(None, description="local time of the daily digest; absent = none")
    heartbeat_url: str | None = Field(None, description="fetched every minute while all is well")
    battery_cells: BatteryCells | None = Field(
        None,
        description="what the probes run on, so that those that send volts and no percentage can be judged; "
        "absent = volts are shown and not judged",
    )


class QuarantineBounds(_Section):
    keep_days: int = Field(30, ge=1)
    keep_at_most: int = Field(10_000, ge=1)
    keep_megabytes: int = Field(64, ge=1)


class Keeping(_Section):
    """A reading's age counts from the finish of its batch; one that no batch has, from when it was measured."""

    ten_minutes_after_days: int | None = Field(
        None,
        ge=30,
        description="embedded store: thin to 10 minutes what is older; absent = keep every reading",
    )
    hourly_after_days: int | None = Field(None, ge=30, description="and to an hour what is older than this")
    nightly_at: time = Field(
        time(2, 0),
        description="UTC; when `serve` thins and backs up (if asked to) and gives disk back; with roles apart a timer "
        "runs `turnbell nightly`",
    )
    backup_to: Path | None = Field(
        None, description="folder for a backup every night, better on another disk; absent = none is made"
    )
    backups_kept: int = Field(14, ge=1, description="nights whose backups stay there; older ones go")

    @model_validator(mode="after")
    def _coarser_is_later(self) -> Self:
        fine, coarse = self.ten_minutes_after_days, self.hourly_after_days
        if fine is not None and coarse is not None and coarse <= fine:
            raise ValueError("hourly_after_days must be more than ten_minutes_after_days")
        return self

    @property
    def levels(self) -> list[tuple[int, int]]:
        """(bucket, age), both in ms, the coarsest first."""
        asked = ((60, self.hourly_after_days), (10, self.ten_minutes_after_days))
        return [(minutes * 60_000, days * 86_400_000) for minutes, days in asked if days is not None]


class Settings(_Section):
    mqtt: Mqtt = Mqtt()
    readings: Readings = Readings()
    registry: RegistryStore = RegistryStore()
    email: Email = Email()
    web: Web = Web()
    oidc: Oidc = Oidc()
    quiet_hours: QuietHours = QuietHours()
    analysis: Analysis = Analysis()
    notices: Notices = Notices()
    quarantine: QuarantineBounds = QuarantineBounds()
    keeping: Keeping = Keeping()
    decoders: dict[str, Any] = Field(
        default_factory=dict, description="mapped JSON: name -> JMESPath expressions"
    )

    @property
    def max_gap_ms(self) -> int:
        return round(self.analysis.max_gap_minutes * 60_000)
