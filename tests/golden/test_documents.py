"""The two documents that other programs read: their schemas, and the bytes and digest of a review.

How to change one of them on purpose is said in conftest.py.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import hardenprobe
from hardenprobe.testing import sample_review

Golden = Callable[[str, bytes], None]
Command = Callable[..., Any]
Canonical = Callable[[Any], bytes]
DATA = Path(__file__).with_name("data")


def what_it_admits(schema: dict[str, Any]) -> Any:
    """A schema without what no document depends on: names of classes, titles, descriptions, the order of keys."""
    definitions = schema["$defs"]

    def walk(node: Any) -> Any:
        if isinstance(node, list):
            return [walk(one) for one in node]
        if not isinstance(node, dict):
            return node
        if "$ref" in node:
            rest = {key: value for key, value in node.items() if key != "$ref"}
            return walk({**definitions[node["$ref"].removeprefix("#/$defs/")], **rest})
        notes = {key for key in ("title", "description") if isinstance(node.get(key), str)}
        kept = {key: walk(node[key]) for key in sorted(node) if key not in {*notes, "$defs"}}
        if isinstance(kept.get("required"), list):
            kept["required"].sort()
        return kept

    return walk(schema)


@pytest.mark.parametrize("name", ["review", "comparison"])
def test_what_the_schema_that_ships_admits(golden: Golden, name: str) -> None:
    (shipped,) = Path(hardenprobe.__file__).parent.rglob(f"{name}.schema.json")
    schema = json.loads(shipped.read_text(encoding="utf-8"))
    assert schema["title"] == f"hardenprobe.{name}/1"
    admitted = json.dumps(what_it_admits(schema), indent=1, ensure_ascii=False)
    golden(f"{name}.schema.json", (admitted + "\n").encode())


def holds(name: str, document: Any) -> None:
    """Hold a document against the stored schema, not against the one that ships."""
    stored = json.loads((DATA / f"{name}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(stored).validate(document)


@pytest.mark.parametrize("hostile", [False, True], ids=["plain", "hostile"])
def test_documents_keep_to_the_stored_schema(hostile: bool) -> None:
    holds("review", hardenprobe.to_document(sample_review(7, hostile=hostile)))


def test_a_comparison_keeps_to_the_stored_schema(command: Command, store: Path) -> None:
    ended = command("compare", "20260302", "20260402", "--json", "-", "--store", store)
    assert ended.status == 1, ended.err
    holds("comparison", json.loads(ended.out))


def test_bytes_of_the_sample_review(golden: Golden, canonical: Canonical) -> None:
    document = hardenprobe.to_document(sample_review())
    golden("sample.json", canonical(document))
    assert hardenprobe.from_document(json.loads(canonical(document))) == sample_review()


def test_digests_of_sample_reviews(golden: Golden, canonical: Canonical) -> None:
    made = {
        f"{devices} devices, {'hostile' if hostile else 'plain'}": hashlib.sha256(
            canonical(hardenprobe.to_document(sample_review(devices, hostile=hostile)))
        ).hexdigest()
        for devices, hostile in ((0, False), (3, False), (7, True))
    }
    golden("digests.json", (json.dumps(made, indent=1) + "\n").encode())
