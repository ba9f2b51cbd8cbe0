"""Discovery and odd services: messages and numbers as the standards print them."""

from __future__ import annotations

import struct
from types import ModuleType

import pytest

from hardenprobe.facts import Datagram
from hardenprobe.model import State
from hardenprobe.probes import packets
from hardenprobe.probes.discovery import llmnr, mdns, netbios, ntp, slp, ssdp, ws_discovery
from hardenprobe.probes.files import smb, tftp
from hardenprobe.probes.remote import rfb
from hardenprobe.scope.ports import MAY_SPEAK


@pytest.mark.parametrize(
    ("probe", "port"),
    [
        # IANA Service Name and Transport Protocol Port Number Registry, as of June 2024
        (tftp, 69),
        (ntp, 123),
        (netbios, 137),
        (slp, 427),
        (smb, 445),
        (ssdp, 1900),
        (ws_discovery, 3702),
        (mdns, 5353),
        (llmnr, 5355),
    ],
)
def test_ports_are_the_assigned_ones(probe: ModuleType, port: int) -> None:
    assert vars(probe)["PORT"] == port


def test_where_we_speak_first_the_port_is_assigned_to_it() -> None:
    # The same registry: microsoft-ds 445/tcp, llmnr 5355/tcp, rfb 5900/tcp
    # netbios-ssn 139/tcp, wsdapi 5357/tcp
    assert (MAY_SPEAK[445], MAY_SPEAK[5355], MAY_SPEAK[5900]) == ({"smb"}, {"llmnr"}, {"rfb"})
    assert (MAY_SPEAK[139], MAY_SPEAK[5357]) == ({"smb"}, {"web-services"})
    for port in (7, 9, 13, 19, 37, 79, 512, 513, 514, 515):
        assert port not in MAY_SPEAK


@pytest.mark.parametrize(
    ("name", "unicast", "octets"),
    [
        # RFC 1035 section 4.1 and RFC 6762 section 18, put together by hand: id 0, no flags, one question, PTR, IN
        (
            "_ipps._tcp.local",
            False,
            "000000000001000000000000055f69707073045f746370056c6f63616c00000c0001",
        ),
        # RFC 6763 section 9 (the name), RFC 6762 section 5.4 (the unicast-response bit)
        (
            "_services._dns-sd._udp.local",
            True,
            "000000000001000000000000095f7365727669636573075f646e732d7364045f756470056c6f63616c00000c8001",
        ),
    ],
)
def test_multicast_dns_question(name: str, unicast: bool, octets: str) -> None:
    assert packets.encode_mdns(name, "PTR", 0, unicast=unicast).hex() == octets


def test_llmnr_question() -> None:
    # RFC 4795 section 2.1.1, put together by hand: id 0x1234, A, IN
    octets = "1234000000010000000000000864657669636530310000010001"
    assert packets.encode_llmnr("device01", "A", 0x1234).hex() == octets


def test_slp_request() -> None:
    # RFC 2608 sections 8 and 8.1, put together by hand: service:printer, scope DEFAULT, XID 0x0101, tag en
    octets = (
        "0201000030000000000001010002656e0000000f736572766963653a7072696e746572000744454641554c5400000000"
    )
    assert slp.encode_request(0x0101).hex() == octets


def test_node_status_request() -> None:
    # RFC 1002 section 4.2.17: flags 0, one question; section 4.1: "*" and 15 zero bytes in half-bytes; NBSTAT, IN
    half_bytes = b"CK" + b"AA" * 15
    octets = b"\x12\x34\0\0\0\1\0\0\0\0\0\0\x20" + half_bytes + b"\0\0\x21\0\1"
    assert packets.encode_node_status(0x1234) == octets


def test_ntp_queries_that_are_not_for_the_time() -> None:
    # RFC 9327 section 2: version 2, mode 6, opcode 2 (read variables), sequence 1, no association, no data
    assert packets.encode_ntp(6, 1).hex() == "160200010000000000000000"
    # Mode 7: version 2, implementation 3, request 0 (peers), no items. Unverified: no published text prints it.
    assert packets.encode_ntp(7, 1).hex() == "1700030000000000"


def test_tftp_read_request() -> None:
    # RFC 1350 section 5, figure 5-1
    assert packets.encode_read_request("name") == b"\0\1name\0octet\0"


def test_smb_negotiations() -> None:
    # MS-CIFS section 2.2.4.52.1: SMB_COM_NEGOTIATE is 0x72; a dialect is 0x02 and a string that ends with a zero
    first = packets.encode_smb1()
    assert first[:4] == struct.pack(">I", len(first) - 4)
    assert first[4:9] == b"\xffSMB\x72"
    assert first[36:] == b"\0\x0c\0\x02NT LM 0.12\0"
    # MS-SMB2 sections 2.2.1.2 and 2.2.3: header of 64 bytes, structure size 36, five dialects at offset 36
    second = packets.encode_smb2(bytes(32))
    assert second[:4] == struct.pack(">I", len(second) - 4)
    assert second[4:10] == b"\xfeSMB\x40\0"
    body = second[68:]
    assert struct.unpack_from("<HH", body) == (36, 5)
    assert struct.unpack_from("<5H", body, 36) == (0x0202, 0x0210, 0x0300, 0x0302, 0x0311)
    # Section 2.2.3.1: contexts begin at a multiple of 8; 2.2.3.1.1: preauthentication integrity, SHA-512 is 1
    offset, count = struct.unpack_from("<IH", body, 28)
    assert offset % 8 == 0 and count == 1
    assert struct.unpack_from("<HH4xHHH", second, 4 + offset) == (1, 38, 1, 32, 1)


def test_remote_screen_versions_and_types() -> None:
    # RFC 6143 section 7.1.1 (the three published versions) and section 7.1.2 (None is 1, VNC Authentication is 2)
    assert [rfb.version_of(b"RFB 003.00%d\n" % n) for n in (3, 7, 8)] == [(3, 3), (3, 7), (3, 8)]
    assert (rfb.NONE, rfb.VNC) == (1, 2)
    # Appendix A: a server of another version, 3.5 for one, is to be treated as 3.3
    assert rfb.answer_to((3, 5)) == (3, 3)


def test_ws_discovery_names() -> None:
    # OASIS Web Services Dynamic Discovery Version 1.1, sections 1.6 and 5.2.1, and the member submission of April 2005
    standard, draft, _ = ws_discovery.DIALECTS
    assert standard.namespace == "http://docs.oasis-open.org/ws-dd/ns/discovery/2009/01"
    assert standard.to == "urn:docs-oasis-open-org:ws-dd:ns:discovery:2009:01"
    assert draft.namespace == "http://schemas.xmlsoap.org/ws/2005/04/discovery"
    assert b"/discovery/2009/01/Probe</a:Action>" in ws_discovery.encode_probe(standard, "urn:uuid:x")


@pytest.mark.parametrize(
    ("sent", "received", "factor"),
    [
        # US-CERT alert TA14-017A: the factor is UDP payload out over in; the sizes are chosen to give factors of its table
        (50, 190, 3.8),  # NetBIOS
        (10, 308, 30.8),  # SSDP
        (10, 5569, 556.9),  # NTP
        (0, 0, 0.0),
    ],
)
def test_amplification_is_reckoned_as_the_alert_does(sent: int, received: int, factor: float) -> None:
    assert Datagram(question="", state=State.ACCEPTING, sent=sent, received=received).amplification == factor
