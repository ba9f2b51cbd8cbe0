"""What reach strain adds, against OpenSSL's test server: three flaw probes and the second opinion."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(120)]

FLAWS = {"tls-heartbleed", "tls-early-ccs", "tls-rsa-padding-oracle"}


def scan(host: str, port_offset: int, tmp_path: Path, *options: str) -> tuple[dict[str, Any], str]:
    done = subprocess.run(
        [
            *(sys.executable, "-m", "hardenprobe", "scan", host, "--ports", "443", "--json", "-"),
            *("--store", str(tmp_path / "store.db"), "--port-offset", str(port_offset), *options),
        ],
        capture_output=True,
        text=True,
        timeout=110,
        check=False,
    )
    return (json.loads(done.stdout) if done.stdout else {}), done.stderr


def test_flaws_are_asked_for_and_two_implementations_agree(
    address: Callable[[], str],
    certificate: Callable[..., Any],
    s_server: Callable[..., None],
    port_offset: int,
    tmp_path: Path,
) -> None:
    host = address()
    s_server(host, certificate(host).file, "-cipher", "DEFAULT:@SECLEVEL=0")

    document, said = scan(host, port_offset, tmp_path, "--reach", "strain", "--tls-second-opinion")

    results = {r["check"]: r["result"] for r in document["results"]}
    assert {results[check] for check in FLAWS} == {"pass"}, said
    assert not [r for r in document["results"] if r["result"] == "error"]
    kinds = {o["kind"]: o["facts"] for o in document["observations"]}
    second, ours = kinds["tls-second-opinion"], kinds["tls-suites"]
    assert second["fault"] is None
    assert {v: set(s) for v, s in second["suites"].items() if s} == {
        v: set(s) for v, s in ours["suites"].items()
    }
    assert second["connections"] > 400  # counted against the device, through Link


def test_they_are_not_asked_for_without_the_grant(
    address: Callable[[], str],
    certificate: Callable[..., Any],
    s_server: Callable[..., None],
    port_offset: int,
    tmp_path: Path,
) -> None:
    host = address()
    s_server(host, certificate(host).file)

    document, _ = scan(host, port_offset, tmp_path)

    asked = [r for r in document["results"] if r["check"] in FLAWS]
    assert {(r["result"], r["reason"]) for r in asked} == {("notchecked", "reach")}
    _, said = scan(host, port_offset, tmp_path, "--tls-second-opinion")
    assert "it needs --reach strain" in said
