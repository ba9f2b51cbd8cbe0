"""A remediation does no harm that it does not name: lock-out, queues, scans and collectors."""

from __future__ import annotations

import re

import pytest

from hardenprobe.model import Remedy
from hardenprobe.plugins import registry

REMEDIES = {check.remedy.id: check.remedy for check in registry.load(plugins=False).checks.values()}
BY_CHECK = {id: check.remedy.id for id, check in registry.load(plugins=False).checks.items()}
ADMITS = re.compile(r"\b(admit|let only|reach it|allow-list|list of admitted)\b", re.IGNORECASE)


def words(remedy: Remedy) -> str:
    return " ".join(
        (remedy.title, *remedy.steps, remedy.confirm, remedy.needs_first, remedy.stops_working, remedy.ask,
         remedy.undo, remedy.lock_out)
    )  # fmt: skip


@pytest.mark.parametrize(
    "id",
    [
        "raw-print-limit", "lpd-off", "ipp-authentication", "snmp-limit-sources", "allow-list-enforce",
        "allow-list-narrow", "snmp-default-community-change", "isolate-or-replace", "segment-filter",
    ],
)  # fmt: skip
def test_a_list_of_admitted_sources_can_lock_out(id: str) -> None:
    """Such lists are often one for the whole device (common practice)."""
    remedy = REMEDIES[id]

    assert not remedy.lock_out.startswith("None")
    assert "own address" in words(remedy).lower() and "panel" in words(remedy)


@pytest.mark.parametrize("id", ["raw-print-limit", "lpd-off", "ipp-authentication", "snmp-limit-sources"])
def test_a_list_for_the_whole_device_stops_administrators_collectors_and_scan_replies(id: str) -> None:
    told = words(REMEDIES[id])

    assert "whole device" in told
    assert all(word in told for word in ("administrators", "collectors", "scan to folder"))


@pytest.mark.parametrize("id", sorted(REMEDIES))
def test_whoever_admits_sources_says_so_of_the_lock_out(id: str) -> None:
    if ADMITS.search(" ".join(REMEDIES[id].steps)):
        assert not REMEDIES[id].lock_out.startswith("None:"), REMEDIES[id].lock_out


@pytest.mark.parametrize(
    ("id", "needed"),
    [
        ("discovery-off", ["scan to folder", "DNS name", "short name"]),
        ("smb-signing-require", ["test scan"]),
        ("tls-certificate-replace", ["intermediate", "serverAuth", "clientAuth", "short name", "IP address", "private key"]),
        ("strict-transport-on", ["every port"]),
        ("raw-print-limit", ["pull-print", "accounting", "output management", "firmware", "fonts", "without a print server"]),
        ("snmp-v3-on", ["8 or more", "template"]),
        ("tls-compression-off", ["compression"]),
        ("tls-renegotiation-secure", ["renegotiation"]),
        ("tls-rsa-exchange-off", ["TLS_RSA"]),
        ("clock-set", ["DHCP option 42"]),
    ],
)  # fmt: skip
def test_a_remediation_names_what_it_must(id: str, needed: list[str]) -> None:
    told = words(REMEDIES[id])

    assert [word for word in needed if word not in told] == []


def test_the_print_queues_status_moves_before_the_default_community_goes() -> None:
    first = REMEDIES["snmp-default-community-change"].steps[0]
    assert "queue" in first and "status" in first


def test_short_names_move_before_discovery_goes() -> None:
    assert "DNS name" in REMEDIES["discovery-off"].steps[0]


def test_the_padding_oracle_is_closed_at_once_and_firmware_follows() -> None:
    remedy = REMEDIES[BY_CHECK["tls-rsa-padding-oracle"]]
    assert remedy.id == "tls-rsa-exchange-off" and "at once" in remedy.steps[0]
    assert any("firmware" in step for step in remedy.steps[1:])
