"""What a device states of itself, by each protocol, and the kind that follows from standards alone."""

from __future__ import annotations

from typing import Any

import pytest
from support.tls import chain, tls_port

from hardenprobe.devices import self_description
from hardenprobe.facts import (
    Channel,
    HttpAnswer,
    IppPrinter,
    MdnsAnswer,
    ScanServiceAnswer,
    SnmpObjects,
    SnmpUser,
)
from hardenprobe.model import Address, Device, Identity, State
from hardenprobe.testing import at, snmp_answer

HR_PRINTER, HR_NETWORK = "1.3.6.1.2.1.25.3.1.5", "1.3.6.1.2.1.25.3.1.4"  # RFC 2790, hrDeviceTypes


def ipp(**told: Any) -> IppPrinter:
    return IppPrinter(tls=True, path="/ipp/print", assigned=True, http_status=200, status=0, **told)


def objects(**told: Any) -> SnmpObjects:
    return SnmpObjects(version="2c", label="public", origin="default", **told)


def mdns(says: str | None) -> MdnsAnswer:
    return MdnsAnswer(
        question="PTR _services._dns-sd._udp.local", state=State.ACCEPTING, says=says, sent=1, received=1
    )


def scan(capabilities: bool) -> ScanServiceAnswer:
    return ScanServiceAnswer(
        tls=True, path="/eSCL/ScannerCapabilities", status=200, capabilities=capabilities
    )


def said(*facts: Any) -> set[tuple[str, str, str]]:
    return {(i.kind, i.value, i.source) for i in self_description.identities(at(1, one) for one in facts)}


@pytest.mark.parametrize(
    ("facts", "kind"),
    [
        pytest.param([objects(device_types=(HR_NETWORK, HR_PRINTER))], "printer", id="RFC 2790 hrDevicePrinter"),
        pytest.param([objects(device_types=(HR_NETWORK,))], "unknown", id="RFC 2790 hrDeviceNetwork"),
        pytest.param([objects(channels=(Channel(type=11, port=9100),))], "printer", id="RFC 3805 prtChannelTable"),
        pytest.param([ipp(operations=(0x0002, 0x000B))], "printer", id="RFC 8011 Print-Job"),
        pytest.param([ipp(formats=("application/pdf",))], "printer", id="RFC 8011 document-format-supported"),
        pytest.param([ipp(scaling=("fit",))], "printer", id="PWG 5100.13 print-scaling"),
        pytest.param([ipp(operations=(0x000B,))], "unknown", id="IPP that tells neither"),
        pytest.param([ipp(formats=("image/jpeg",), features=("scan",))], "scanner", id="IPP scan"),
        pytest.param([ipp(operations=(2,), features=("scan",))], "multifunction", id="IPP print and scan"),
        pytest.param([scan(True)], "scanner", id="scan service"),
        pytest.param([scan(False)], "unknown", id="no scan service at its path"),
        pytest.param([scan(True), objects(device_types=(HR_PRINTER,))], "multifunction", id="both"),
        pytest.param([mdns("_ipp._tcp.local, _http._tcp.local")], "printer", id="DNS-SD ipp"),
        pytest.param([mdns("_uscan._tcp.local")], "scanner", id="DNS-SD uscan"),
        pytest.param([mdns("_http._tcp.local"), mdns(None)], "unknown", id="DNS-SD of neither"),
        pytest.param([HttpAnswer(tls=False, path="/", status=200, title="Multifunction printer")], "unknown",
                     id="a title is only text"),
    ],
)  # fmt: skip
def test_the_kind_is_told_from_what_standards_define(facts: list[Any], kind: str) -> None:
    assert self_description.device_kind(self_description.identities(at(1, one) for one in facts)) == kind


def test_every_text_keeps_the_protocol_it_came_by() -> None:
    values = {
        "1.3.6.1.2.1.1.1.0": "Series S; firmware 1.2",
        "1.3.6.1.2.1.25.3.2.1.3.1": "Series S",
        "1.3.6.1.2.1.43.5.1.1.17.1": "S-1",
    }
    told = said(
        snmp_answer(values=values).facts,
        HttpAnswer(tls=True, path="/", status=200, title=" Series H "),
        tls_port("TLS 1.2", chains=(chain(subject="CN=unit,O=Series T"),)),
        ipp(make_and_model="Series I", serial="S-1"),
    )
    assert told >= {
        ("description", "Series S; firmware 1.2", "snmp"),
        ("make-model", "Series S", "snmp"),
        ("serial", "S-1", "snmp"),
        ("title", "Series H", "http"),
        ("subject", "CN=unit,O=Series T", "tls"),
        ("make-model", "Series I", "ipp"),
        ("serial", "S-1", "ipp"),
    }


def test_a_supplied_user_reads_an_identity_too() -> None:
    user = SnmpUser(
        name="collector", auth="SHA-256", priv=None, levels={}, values={"1.3.6.1.2.1.43.5.1.1.17.1": "S-2"}
    )
    assert ("serial", "S-2", "snmp") in said(user)


@pytest.mark.parametrize(
    ("facts", "model"),
    [
        ([objects(model="Series S", description="system"), ipp(make_and_model="Series I")], "Series S"),
        ([objects(description="system"), ipp(make_and_model="Series I")], "Series I"),
        ([objects(description="system"), ipp(device_id="MFG:Quay;MDL:I;")], "system"),
        ([ipp(device_id="MFG:Quay;MDL:I;")], "MFG:Quay;MDL:I;"),
        ([HttpAnswer(tls=False, path="/", status=200, title="Settings")], None),
    ],
)
def test_the_model_is_what_is_said_most_plainly(facts: list[Any], model: str | None) -> None:
    assert self_description.make_model(self_description.identities(at(1, one) for one in facts)) == model


def test_a_device_with_many_titles_keeps_some() -> None:
    pages = [HttpAnswer(tls=False, path="/", status=200, title=f"page {n}") for n in range(40)]
    assert len(said(*pages)) == self_description.MOST_OF_A_KIND


def test_a_text_is_found_in_whatever_names_make_or_model_and_in_nothing_else() -> None:
    device = Device(
        id="dev-1",
        addresses=(Address(address="192.0.2.1", family="ipv4"),),
        identity=(
            Identity(kind="title", value="Quay Series H", source="http", strength="weak"),
            Identity(kind="serial", value="series-9", source="ipp", strength="strong"),
        ),
    )
    assert self_description.calls_itself(device, "series h")
    assert not self_description.calls_itself(device, "series-9")
