"""Messages that a device could send, whole or with one thing wrong: for property tests and for fuzzing.

Each strategy draws the bytes that a parser of tests/support/parsers takes, from the fields that its protocol has. So lengths,
counts and nesting mostly agree, and what is wrong lies where a parser has to look for it.
"""

from __future__ import annotations

from hypothesis.strategies import SearchStrategy

from support.messages import certificates, dns, http, ipp, smb, snmp, tls

MESSAGES: dict[str, SearchStrategy[bytes]] = {
    "certificates": certificates.certificate(),
    "certificate-anchors": certificates.certificate(),
    "certificate-names": certificates.names(),
    "http": http.response(),
    "http-line": http.response(),
    "ipp": ipp.response(),
    "ipp-jobs-line": ipp.response(),
    "llmnr": dns.response(multicast=False),
    "mdns": dns.response(multicast=True),
    "mdns-starred": dns.response(multicast=True),
    "smb": smb.negotiation(),
    "smb-line": smb.session(),
    "snmp": snmp.response(),
    "snmp-bulk-line": snmp.response(),
    "snmp-engine": snmp.report(),
    "snmp-pdu": snmp.response(),
    "snmp-usm": snmp.report(),
    "ssl2": tls.ssl2(),
    "ssl2-line": tls.ssl2(),
    "tls": tls.flight(),
    "tls-chain": tls.chain(),
    "tls-line": tls.flight(),
    "tls-sealed": tls.sealed(),
}
"""By the name of the parser that takes them."""
