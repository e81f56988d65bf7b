"""Column kinds that mean the same in SQLite and PostgreSQL."""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, BigInteger, Column, Integer, MetaData, Text
from sqlalchemy.types import TypeEngine

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
    }
)

json_kind = JSON(none_as_null=True)
serial_kind = BigInteger().with_variant(Integer, "sqlite")


def needed(name: str, kind: type[TypeEngine[Any]] = Text) -> Column[object]:
    return Column(name, kind(), nullable=False)


def maybe(name: str, kind: type[TypeEngine[Any]] = Text) -> Column[object]:
    return Column(name, kind(), nullable=True)


def id_(name: str = "id") -> Column[str]:
    return Column(name, Text, primary_key=True)
