"""What the guides say is so: links lead somewhere, blocks can be used as they stand, every kind has its words."""

from __future__ import annotations

import json
import re
import shlex
import tomllib
from pathlib import Path
from typing import get_args

import click
import pytest
from click.testing import CliRunner

from api.pages.help_page import HELP, anchor
from deploy.cli import turnbell
from ingest.decoders import Decoders
from shared.episodes import NoticeKind
from shared.heat.catalogue import Catalogue
from shared.settings import Settings
from shared.settings_read import load_settings
from shared.times import parse_time
from tests.docs.blocks import FILES, ROOT, Block, blocks, headings, links
from tests.docs.reference import pages

RECEIVED = parse_time("2026-11-25T06:00:30Z")


@pytest.mark.parametrize("name", list(FILES))
def test_every_link_of_a_file_leads_somewhere(name: str) -> None:
    file = FILES[name]
    for target in links(file):
        if re.match(r"https?://", target):
            continue
        path, _, part = target.partition("#")
        there = file if not path else (file.parent / path)
        assert there.exists(), f"{name} links to {target}"
        if part:
            assert part in {anchor(one) for one in headings(there)}, f"{name} links to {target}"


def test_every_guide_and_every_document_is_listed_or_linked() -> None:
    listed = set(links(HELP / "contents.md"))
    guides = {file.name for file in HELP.glob("*.md")} - {"contents.md"}
    assert guides <= listed
    everywhere = {target for file in HELP.glob("*.md") for target in links(file)}
    assert {file.name for file in HELP.glob("*.json")} <= everywhere
    assert {f"pictures/{file.name}" for file in (HELP / "pictures").iterdir()} <= everywhere


@pytest.mark.parametrize("block", blocks("toml"), ids=lambda block: block.id)
def test_a_toml_block_can_be_used_as_it_stands(block: Block, tmp_path: Path) -> None:
    said = tomllib.loads(block.text)
    if "alternative" in said or "rungs" in said:
        folder = tmp_path / ("rules" if "alternative" in said else "guides")
        folder.mkdir()
        (folder / "own.toml").write_text(block.text, "utf-8")
        loaded = Catalogue.load(tmp_path)
        assert said["id"] in {**loaded.rules, **loaded.guides}
    elif "feedstock" in said:
        (tmp_path / "mix.toml").write_text(block.text, "utf-8")
        done = CliRunner().invoke(turnbell, ["mix", str(tmp_path / "mix.toml")])
        assert done.exit_code == 0, done.output
    else:
        (tmp_path / "mail-password.txt").write_text(32 * "x", "utf-8")
        text = re.sub(r'(\w+_file) = "([^"]+)"', rf'\1 = "{tmp_path / "mail-password.txt"}"', block.text)
        (tmp_path / "turnbell.toml").write_text(text, "utf-8")
        settings = load_settings(tmp_path / "turnbell.toml", {})
        Decoders(settings.decoders)


@pytest.mark.parametrize("block", blocks("json"), ids=lambda block: block.id)
def test_a_json_block_is_a_message_that_the_ingester_reads(block: Block) -> None:
    payload = json.dumps(json.loads(block.text)).encode()
    decoded = Decoders(Settings().decoders).decode("turnbell/larkfield/lance-01/readings", payload, RECEIVED)
    assert {reading.sensor.depth for reading in decoded.readings} >= {"15", "45"}


@pytest.mark.parametrize("block", blocks("mqtt"), ids=lambda block: block.id)
def test_a_topic_with_its_payload_is_one_that_the_ingester_reads(block: Block) -> None:
    topic, payload = (
        block.text.replace("<site>", "larkfield").replace("<probe>", "lance-01").split(maxsplit=1)
    )
    decoded = Decoders(Settings().decoders).decode(topic, payload.strip().encode(), RECEIVED)
    assert {reading.sensor.depth for reading in decoded.readings} >= {"15", "45"}


def commands() -> list[tuple[str, list[str]]]:
    found = []
    for block in blocks("sh"):
        for line in block.text.replace("\\\n", " ").splitlines():
            for part in re.split(r"&&|\||;", line.partition(" #")[0]):
                words = shlex.split(part)
                if words and words[0].split("/")[-1] == "turnbell":
                    found.append((block.id, words[1:]))
    return found


@pytest.mark.parametrize(("where", "words"), commands())
def test_a_command_in_the_documents_is_one_that_there_is(where: str, words: list[str]) -> None:
    command: click.Command = turnbell
    context = click.Context(command, info_name="turnbell", **turnbell.context_settings)
    while isinstance(command, click.Group):
        if words and words[0] == "--debug":
            words = words[1:]
        inner = command.get_command(context, words[0])
        assert inner is not None, f"{where}: there is no command {words[0]}"
        command, words = inner, words[1:]
        context = click.Context(command, info_name=command.name, parent=context)
    command.make_parser(context).parse_args(words)


def test_a_make_target_in_the_documents_is_one_that_there_is() -> None:
    targets = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text("utf-8"), re.MULTILINE))
    for name, file in FILES.items():
        for target in re.findall(r"(?:^|`)make ([a-z-]+)", file.read_text("utf-8"), re.MULTILINE):
            assert target in targets, f"{name}: make {target}"


def test_every_finding_of_the_doctor_is_explained() -> None:
    doctor = "".join(file.read_text("utf-8") for file in sorted((ROOT / "deploy").glob("doctor*.py")))
    found = set(re.findall(r"""(?:Finding|_reach|_store)\(\s*["']([a-z]+)["']""", doctor))
    assert len(found) > 8
    assert found <= set(headings(HELP / "troubleshooting.md"))


def test_every_kind_of_notice_is_explained() -> None:
    text = (HELP / "notices.md").read_text("utf-8")
    assert [kind for kind in get_args(NoticeKind) if f"| `{kind}` |" not in text] == []


@pytest.mark.parametrize("name", list(pages()))
def test_the_reference_is_what_the_program_says(name: str) -> None:
    assert (HELP / name).read_text("utf-8") == pages()[name](), "run `make reference`"
