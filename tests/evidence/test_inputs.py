"""The files that a review rests on: kept as they were, packed whenever, and refused where they are others."""

from __future__ import annotations

import contextlib
import hashlib
import json
import socket
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hardenprobe import library
from hardenprobe.errors import StoreRefused, UsageError
from hardenprobe.evidence import container, content, pack, source
from hardenprobe.evidence.source import Wanted
from hardenprobe.evidence.verify import verify_opened
from hardenprobe.model import Review
from hardenprobe.store import opening
from hardenprobe.store.rejudge import rejudge

BASELINE = 'baseline: "site-rules/1"\ntitle: "Site"\ndated: "2026-11-01"\nsources: ["A site\'s own"]\nextends: "office-device"\n'
INVENTORY = (
    'inventory: "hardenprobe.inventory/1"\ndevices:\n  - {asset_tag: "HO-1", addresses: ["127.0.0.1"]}\n'
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, people: Any) -> Iterator[tuple[Path, Review]]:
    """A folder with the files of a scan of one open port, which were changed and deleted after it."""
    folder = tmp_path_factory.mktemp("site")
    rules, inventory, anchors = (folder / name for name in ("rules.yaml", "inventory.yaml", "anchors.pem"))
    rules.write_text(BASELINE)
    inventory.write_text(INVENTORY)
    anchors.write_bytes(people.root.certificate_file.read_bytes())
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        made = library.scan(
            "127.0.0.1",
            inventory=inventory,
            baseline=rules,
            only=["unexpected-service"],
            ports=str(port),
            trust_anchors=[anchors],
            plugins=False,
            store=str(folder / "store.db"),
        )
    rules.unlink()
    anchors.unlink()
    inventory.write_text(INVENTORY.replace("HO-1", "HO-2"))
    yield folder, made


@pytest.fixture
def packed(site: tuple[Path, Review], tmp_path: Path, read: Any) -> Callable[..., dict[str, bytes]]:
    def make(**more: Any) -> dict[str, bytes]:
        folder, made = site
        out = tmp_path / "bag.zip"
        with opening.opened(str(folder / "store.db")) as kept:
            wanted = Wanted(self_test={"absent": "a test"}, **more)
            pack.pack(source.of(kept, made.head.id), wanted, out)
        return {n.partition("/data/")[2]: data for n, data in read(out).items() if "/data/" in n}

    return make


@pytest.mark.slow
def test_what_was_used_is_packed_although_it_is_gone(site: tuple[Path, Review], packed: Any) -> None:
    _, made = site
    files = packed()
    folder = f"baselines/{made.devices[0].baseline.hash[:16]}"

    assert files["inputs/inventory-inventory.yaml"] == INVENTORY.encode()
    assert files[f"{folder}/rules.yaml"] == BASELINE.encode()
    assert f"{folder}/office-device.yaml" in files, "what it extends too"
    assert files["trust-anchors/trust-anchors.pem"].startswith(b"-----BEGIN CERTIFICATE-----")
    assert json.loads(files["trust-anchors/trust-anchors.json"])["absent"] is None
    assert {one["absent"] for one in json.loads(files["inputs/inputs.json"])} == {None}


def test_the_plans_document_has_the_plans_hash(site: tuple[Path, Review], packed: Any) -> None:
    _, made = site
    plan = packed()["inputs/plan-plan.json"]

    assert hashlib.sha256(plan).hexdigest() == made.head.plan_hash
    assert json.loads(plan)["targets"] == [["127.0.0.1", "127.0.0.1", None]]


@pytest.mark.slow
def test_a_foreign_trust_anchor_is_refused(packed: Any, people: Any) -> None:
    other = people.authority.issue("Foreign root", ca=True)
    with pytest.raises(UsageError, match="CN=Foreign root is none of the anchors"):
        packed(anchors=(other.certificate_file,))
    assert packed(anchors=(people.root.certificate_file,)) == packed()


def test_a_file_that_was_changed_in_the_store_is_refused(site: tuple[Path, Review], tmp_path: Path) -> None:
    folder, made = site
    copy = tmp_path / "copy.db"
    copy.write_bytes((folder / "store.db").read_bytes())
    with contextlib.closing(sqlite3.connect(copy)) as db, db:
        db.execute("update input_files set data = data || x'20'")
    with opening.opened(str(copy)) as kept, pytest.raises(StoreRefused, match="was changed from outside"):
        pack.pack(source.of(kept, made.head.id), Wanted(self_test={}), tmp_path / "bag.zip")


@pytest.mark.slow
def test_a_bag_with_other_inputs_is_found_out(
    site: tuple[Path, Review], packed: Any, tmp_path: Path, read: Any, zipped: Any, relisted: Any
) -> None:
    packed()
    files = read(tmp_path / "bag.zip")
    name = next(one for one in files if one.endswith("plan-plan.json"))
    assert _faults(zipped(tmp_path / "same.zip", files)) == []
    files[name] = files[name].replace(b'"port_offset":0', b'"port_offset":1')
    found = _faults(zipped(tmp_path / "other.zip", relisted(_fitting(files))))
    assert any("plan-plan.json is not the plan that the review names" in text for text in found)


def test_a_review_that_is_judged_again_keeps_its_inputs_and_names_its_own_baseline(
    site: tuple[Path, Review], tmp_path: Path
) -> None:
    from hardenprobe.baseline import baseline
    from hardenprobe.plugins import registry

    folder, made = site
    checks = registry.load(plugins=False)
    with opening.opened(str(folder / "store.db")) as kept:
        strict = baseline.load("office-device-strict", checks)
        again = rejudge(kept, made.head.id, lambda _: strict, checks).review
        names = {(one.role, one.name) for one in again.head.inputs if one.role != "rule-set"}
        assert names == {
            ("plan", "plan.json"),
            ("inventory", "inventory.yaml"),
            ("trust-anchors", "trust-anchors.pem"),
            ("baseline", "office-device-strict.yaml"),
            ("baseline", "office-device.yaml"),
        }
        assert all(source.of(kept, again.head.id).used(one) for one in again.head.inputs)


def _faults(bag: Path) -> list[str]:
    with container.opened(bag) as opened:
        verdict = verify_opened(opened)
        content.check(opened, verdict)
        return [fault.text for fault in verdict.faults]


def _fitting(files: dict[str, bytes]) -> dict[str, bytes]:
    """A Payload-Oxum that fits a payload that was changed."""
    info = next(one for one in files if one.endswith("/bag-info.txt"))
    payload = [data for name, data in files.items() if "/data/" in name]
    lines = [line for line in files[info].decode().splitlines() if not line.startswith("Payload-Oxum")]
    oxum = f"Payload-Oxum: {sum(map(len, payload))}.{len(payload)}"
    return {**files, info: "\n".join([*lines, oxum, ""]).encode()}
