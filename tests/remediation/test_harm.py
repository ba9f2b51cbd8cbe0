"""A remediation does no harm that it does not name: lock-out, queues, scans and collectors."""

from __future__ import annotations

import re

import pytest

from hardenprobe.judging.judgement import remedies
from hardenprobe.model import Remedy
from hardenprobe.plugins import registry
from hardenprobe.remediation.fit import INSTEAD

REMEDIES = remedies(registry.load(plugins=False))
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
        "allow-list-narrow", "print-ports-limit", "snmp-default-community-change", "isolate-or-replace", "segment-filter",
    ],
)  # fmt: skip
def test_a_list_of_admitted_sources_can_lock_out(id: str) -> None:
    """Such lists are often one for the whole device (common practice)."""
    remedy = REMEDIES[id]

    assert not remedy.lock_out.startswith("None")
    assert "own address" in words(remedy).lower() and "panel" in words(remedy)


@pytest.mark.parametrize(
    "id",
    [
        "raw-print-limit", "lpd-off", "ipp-authentication", "snmp-limit-sources", "print-ports-limit",
        "allow-list-narrow",
    ],
)  # fmt: skip
def test_a_list_for_the_whole_device_stops_administrators_collectors_and_scan_replies(id: str) -> None:
    told = words(REMEDIES[id]).lower()

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
        ("strict-transport-on", ["includeSubDomains", "preload"]),
        ("http-to-https", ["TLS 1.2"]),
        ("isolate-or-replace", ["queues", "ipp://", "replies"]),
        ("ntp-control-off", ["replies", "time servers"]),
        ("ssh-host-key-replace", ["certificates, allow-lists and passwords", "panel"]),
        ("ssh-strict-key-exchange", ["chacha20-poly1305, and the CBC"]),
        ("snmp-engine-id-own", ["notifications"]),
        ("snmp-notifications-v3", ["engine id"]),
        ("ipp-system-guard", ["no queue uses it", "set up anew"]),
        ("network-port-authenticate", ["ended"]),
        ("discovery-off", [".local"]),
        ("print-by-reference-off", ["DNS"]),
        ("tls-certificate-replace", ["one key alone"]),
        ("mail-directory-off", ["everything that signs in"]),
        ("scan-destinations-encrypt", ["every device that uses the same account"]),
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


@pytest.mark.parametrize("id", sorted(REMEDIES))
def test_new_firmware_can_bring_back_defaults(id: str) -> None:
    """Whatever advises an update says that it resets settings, or that the device cannot go back (common practice)."""
    remedy = REMEDIES[id]
    updates = [
        step
        for step in remedy.steps
        if re.search(r"\b(update the device|[Ii]nstall the firmware|Update one)", step)
    ]
    if updates:
        assert re.search(
            r"reset|restore|bring back", f"{remedy.stops_working} {remedy.lock_out} {' '.join(remedy.steps)}"
        )


@pytest.mark.parametrize("id", sorted(REMEDIES))
def test_ipp_over_tls_is_advised_only_where_the_device_has_it(id: str) -> None:
    """Either the device without TLS gets another remediation, or the sentence says where it holds."""
    told = " ".join((*REMEDIES[id].steps, REMEDIES[id].needs_first))
    if re.search(r"IPP (over|with) TLS|ipps", told) and id not in INSTEAD:
        assert re.search(r"where the device (has|offers)|[Ll]ook in|has no TLS", told), told
