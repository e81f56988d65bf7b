"""The file of a backup: a zip with each part, and a manifest with the size and SHA-256 of each."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import zipfile
import zlib
from pathlib import Path
from typing import IO

from pydantic import BaseModel, ConfigDict, ValidationError

from deploy.errors import SurroundingsError, UserError
from deploy.registry_key import KEY_FILE
from shared.stores import READINGS_FILE, REGISTRY_FILE, SPOOL_FILE

FORMAT = 2  # 1 knew no key
MANIFEST = "manifest.json"
# the registry first: readings that came in between the two snapshots are then new to it, never missing from under it
STORES = (REGISTRY_FILE, READINGS_FILE, SPOOL_FILE)
_OWN_FILE = re.compile(rf"(rules|guides)/[^/\\\0]+\.toml|{re.escape(KEY_FILE)}")


class Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    size: int
    sha256: str


class Manifest(BaseModel):
    """Read before anything else of a backup; a later format is refused by its number."""

    model_config = ConfigDict(frozen=True)

    turnbell_backup: int
    parts: dict[str, Part]


def pack(sources: dict[str, Path], archive: Path) -> None:
    parts: dict[str, Part] = {}
    with archive.open("wb") as raw:
        archive.chmod(0o600)
        with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as packed:
            for name, path in sources.items():
                with path.open("rb") as source, packed.open(name, "w", force_zip64=True) as target:
                    parts[name] = _copy(source, target)
            manifest = Manifest(turnbell_backup=FORMAT, parts=parts)
            packed.writestr(MANIFEST, manifest.model_dump_json(indent=1))
        raw.flush()
        os.fsync(raw.fileno())


def read_manifest(packed: zipfile.ZipFile, file: Path) -> Manifest:
    try:
        raw = json.loads(packed.read(MANIFEST))
        if isinstance(raw, dict) and isinstance(made := raw.get("turnbell_backup"), int) and made > FORMAT:
            raise UserError(f"{file} was written by a newer version of this program")
        manifest = Manifest.model_validate(raw)
    except (KeyError, ValueError, ValidationError, zipfile.BadZipFile) as error:
        raise UserError(f"{file} is no whole backup of this program") from error
    odd = [name for name in manifest.parts if name not in STORES and not _OWN_FILE.fullmatch(name)]
    if odd or REGISTRY_FILE not in manifest.parts or not {READINGS_FILE, SPOOL_FILE} & manifest.parts.keys():
        raise UserError(f"{file} is no whole backup of this program")
    return manifest


def check_parts(packed: zipfile.ZipFile, manifest: Manifest, file: Path) -> None:
    for name, part in manifest.parts.items():
        with open(os.devnull, "wb") as nowhere:  # noqa: PTH123  # a device, not a path of ours
            _check_part(packed, name, part, nowhere, file)


def unpack(packed: zipfile.ZipFile, manifest: Manifest, stage: Path, file: Path) -> None:
    needed = sum(part.size for part in manifest.parts.values())
    free = shutil.disk_usage(stage.parent).free
    if needed > free:
        raise SurroundingsError(f"{file} needs {needed / 2**20:.0f} MiB; only {free / 2**20:.0f} are free")
    stage.mkdir(mode=0o700)
    for name, part in manifest.parts.items():
        target = stage / name
        target.parent.mkdir(exist_ok=True)
        with target.open("wb") as handle:
            target.chmod(0o600)
            _check_part(packed, name, part, handle, file)
            handle.flush()
            os.fsync(handle.fileno())


def _check_part(packed: zipfile.ZipFile, name: str, part: Part, target: IO[bytes], file: Path) -> None:
    try:
        with packed.open(name) as source:
            found = _copy(source, target, at_most=part.size)
    except (KeyError, zipfile.BadZipFile, EOFError, zlib.error) as error:
        raise SurroundingsError(f"{file} is damaged: {name} cannot be read") from error
    if found != part:
        raise SurroundingsError(f"{file} is damaged: {name} is not what was written")


def _copy(source: IO[bytes], target: IO[bytes], at_most: int | None = None) -> Part:
    """Copy and sum; stop soon after ``at_most`` bytes, which the caller then sees as a difference."""
    digest, size = hashlib.sha256(), 0
    while (at_most is None or size <= at_most) and (block := source.read(1 << 20)):
        digest.update(block)
        target.write(block)
        size += len(block)
    return Part(size=size, sha256=digest.hexdigest())
