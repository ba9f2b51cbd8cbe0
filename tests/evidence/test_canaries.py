"""Secrets, people and what tells devices apart are planted in the lab and in the store, and searched for in the bags."""

from __future__ import annotations

import base64
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from support.offset import OFFSET

from hardenprobe import cli
from hardenprobe.demo_lab.process import running_lab

INVENTORY = """
inventory: "hardenprobe.inventory/1"
approved_networks: ["127.77.9.128/26"]
devices:
  - asset_tag: "CNRY-0041"
    kind: "multifunction"
    names: ["canary-printer.devices.example"]
    addresses: ["127.77.9.141"]
    serial: "CNRY-SER-7731"
    place: "Canary tower, first floor"
    owner: "Canary keepers"
    criticality: "high"
    tags: ["canary-tag"]
    allow_lists:
      - {services: ["http"], entries: ["127.77.9.192/27"]}
    lab:
      model: "Canary pressmaker"
      firmware: "5.2.0"
      tls: {issuer: "self-signed"}
      services:
        - {speaks: "http", answers: "page"}
        - {speaks: "https", answers: "sign-in"}
        - {speaks: "ipp", jobs: "named"}
        - {speaks: "telnet"}
        - {speaks: "ftp"}
        - speaks: "snmp"
          versions: ["2c", "3"]
          communities: ["public", "canary-fleet-9"]
          operator: "canary shift"
          job_owners: ["canary.clerk"]
          users:
            - {name: "collector", auth: "SHA-256", password: "canary-auth-words", privacy_password: "canary-priv-words"}
"""
BASELINE = """
baseline: "canary-baseline/1"
title: "Canary title"
dated: "2026-11-01"
sources: ["RFC 9325"]
extends: "office-device"
expect: {}
"""
SECRETS = """
secrets: "hardenprobe.secrets/1"
users:
  - {name: "collector", auth: "SHA-256", auth_password: "canary-auth-words", priv: "AES-128", priv_password: "canary-priv-words"}
communities:
  - {label: "of the fleet", community: "canary-fleet-9"}
"""
NEVER = ("canary-auth-words", "canary-priv-words", "canary-fleet-9", "canary.clerk", "canary shift")
"""Secrets, and people whom devices name: in no bag."""
TELLING = (
    "CNRY-0041", "canary-printer", "127.77.9.141", "CNRY-SER-7731", "Canary tower", "Canary keepers", "canary-tag",
    "Canary pressmaker", "Canary approver", "canary asker", "canary stock script", "canary filter", "Canary stater",
    "canary words", "canary-baseline", "Canary title", "127.77.9.192", "127.77.9.130",
)  # fmt: skip
"""Names, serials, addresses and people whom the owner named: in a full bag, in no redacted one."""
PACKED = bytes([127, 77, 9, 141])


@dataclass
class Bags:
    full: dict[str, bytes]
    redacted: dict[str, bytes]
    key: bytes


@pytest.fixture(scope="module")
def bags(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bags]:
    """One device scanned with the fleet's secrets, an exception and a statement about it, packed twice."""
    folder = tmp_path_factory.mktemp("canaries")
    listed, secrets, form = folder / "devices.yaml", folder / "secrets.yaml", folder / "form.txt"
    listed.write_text(INVENTORY)
    site = folder / "site.yaml"  # what a site knows of its device, without what makes the virtual one
    site.write_text(INVENTORY.partition("    lab:")[0])
    secrets.write_text(SECRETS)
    rules = folder / "canary-rules.yaml"
    rules.write_text(BASELINE)
    secrets.chmod(0o600)
    form.write_text("signed by Canary stater")
    kept = ["--store", str(folder / "store.db")]

    def run(*words: object, ends: tuple[int, ...] = (0,)) -> None:
        assert cli.run([str(word) for word in words]) in ends, words

    with running_lab(listed, port_offset=OFFSET) as lab:
        scan = ["scan", "127.77.9.141", "--inventory", site, "--secrets", secrets, "--port-offset", OFFSET]
        scan += ["--source", "127.77.9.130", "--trust-anchor", lab.ca_file, "--no-plugins", *kept]
        scan += ["--baseline", rules]
        run(*scan, ends=(1, 3))
    people = [
        "--reason",
        "canary stock script",
        "--compensating",
        "canary filter",
        "--requested-by",
        "canary asker",
    ]
    run(
        "exception",
        "add",
        "--device",
        "CNRY-0041",
        "--check",
        "cleartext-telnet",
        *people,
        "--approved-by",
        "Canary approver",
        "--until",
        _soon(),
        *kept,
    )
    run(
        "statement",
        "add",
        "--control",
        "stored-data-encrypted",
        "--device",
        "CNRY-0041",
        "--answer",
        "yes",
        "--words",
        "canary words",
        "--by",
        "Canary stater",
        "--until",
        _soon(),
        "--method",
        "examine",
        "--file",
        form,
        *kept,
    )
    run("judge", "latest", "--baseline", rules, "--no-plugins", *kept, ends=(1, 3))
    full, redacted, key = folder / "full.zip", folder / "redacted.zip", folder / "key"
    run("evidence", "pack", "latest", "-o", full, *kept)
    run(
        "evidence",
        "pack",
        "latest",
        "-o",
        redacted,
        "--redact",
        "--full",
        full,
        "--pseudonym-key",
        key,
        *kept,
    )
    run("evidence", "verify", full, ends=(3,))
    run("evidence", "verify", redacted, ends=(3,))
    yield Bags(_files(full), _files(redacted), key.read_bytes().strip())


def _soon() -> str:
    from datetime import UTC, datetime, timedelta

    return (datetime.now(UTC) + timedelta(10)).date().isoformat()


def _files(path: Path) -> dict[str, bytes]:
    import zipfile

    with zipfile.ZipFile(path) as archive:
        return {name: name.encode() + b"\n" + archive.read(name) for name in archive.namelist()}


ESCAPE = re.compile(rb"\\u([0-9a-fA-F]{4})")
HEX = re.compile(rb"(?:[0-9a-fA-F]{2}[ :]?[ ]?){4,}")
DUMP = re.compile(rb"(?m)^ *[0-9a-f]{4}  ((?:[0-9a-f]{2} {1,2}){1,16})")
BASE64 = re.compile(rb"[A-Za-z0-9+/_-]{12,}={0,2}")


def layers(data: bytes, depth: int = 2) -> Iterator[bytes]:
    """A text, and what is written in it as hex (dumps too), base64 and JSON escapes, and what is written in those."""
    yield data
    if b"\\u" in data:
        yield ESCAPE.sub(lambda found: chr(int(found[1], 16)).encode("utf-8", "replace"), data)
    if not depth:
        return
    inside = bytearray()
    for found in HEX.findall(data):
        plain = re.sub(rb"[ :]", b"", found)
        inside += bytes.fromhex(plain[: len(plain) // 2 * 2].decode()) + b"\n"
    # A dump breaks a name over two lines, with an offset between.
    dumped = bytes.fromhex(b"".join(DUMP.findall(data)).replace(b" ", b"").decode())
    decoded = bytearray()
    for found in BASE64.findall(data):
        for skip in range(4):
            part = found[skip:].rstrip(b"=")
            part = part[: len(part) // 4 * 4].translate(bytes.maketrans(b"-_", b"+/"))
            decoded += base64.b64decode(part) + b"\n"
    for below in (bytes(inside), dumped, bytes(decoded)):
        if below:
            yield from layers(below, depth - 1)


def holders(files: dict[str, bytes], canary: str | bytes) -> set[str]:
    """The files that a canary is in, in whichever form."""
    plain = canary.encode() if isinstance(canary, str) else canary
    forms = [plain.lower()]
    if isinstance(canary, str):
        forms += [canary.lower().encode("utf-16-le"), canary.lower()[::-1].encode()]
    return {
        name
        for name, data in files.items()
        if any(form in layer.lower() for layer in layers(data) for form in forms)
    }


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_no_secret_and_nobody_whom_a_device_names_is_in_a_bag(bags: Bags) -> None:
    for canary in NEVER:
        assert not holders(bags.full, canary), canary
        assert not holders(bags.redacted, canary), canary


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_redacted_bag_tells_nobody_whose_devices_these_are(bags: Bags) -> None:
    for canary in TELLING:
        assert holders(bags.full, canary), f"{canary}: the search would not have found it"
        assert not holders(bags.redacted, canary), canary
    assert not holders(bags.redacted, PACKED)
    # The bytes of the device are in the full bag, in hex and in dumps, so that the search finds what is nested.
    found = {name.partition("/")[2] for name in holders(bags.full, "Canary pressmaker")}
    assert {"data/review.json", "data/transcripts/000001.txt"} <= found


@pytest.mark.slow
def test_ids_of_the_full_bag_are_in_no_redacted_one(bags: Bags) -> None:
    """An id is a digest of an address or a serial, which somebody could try out."""
    import json

    (review,) = (json.loads(d.partition(b"\n")[2]) for n, d in bags.full.items() if n.endswith("review.json"))
    ids = {device["id"] for device in review["devices"]} | {r["finding"] for r in review["results"]}
    ids |= {observation["id"] for observation in review["observations"]}
    ids |= {review["review"]["plan_hash"], review["review"]["ledger"], review["review"]["previous_digest"]}
    whole = b"".join(bags.redacted.values())
    assert len(ids) > 50
    assert not [one for one in ids if one and one.encode() in whole]


@pytest.mark.slow
def test_the_key_of_the_pseudonyms_is_in_no_bag(bags: Bags) -> None:
    assert len(bags.key) >= 32
    for files in (bags.full, bags.redacted):
        assert not holders(files, bags.key)


def test_the_search_finds_what_is_nested() -> None:
    """Or the tests above would say nothing."""
    name = b"canary"
    for nested in (
        name,
        name.hex().encode(),
        name.hex(" ").encode(),
        base64.b64encode(b"x" + name + b"yz" * 3),
        base64.b64encode(name.hex().encode()),
        base64.b64encode(base64.b64encode(b"ab" + name + b"cdefgh")),
        name.hex().encode().hex().encode(),
    ):
        assert holders({"file": b"before " + nested + b" after"}, "canary"), nested
    assert not holders({"file": os.urandom(64).hex().encode()}, "canary")
