"""Every parser of ours that takes bytes from a device, by name: for property tests and for fuzzing.

A parser is a function of bytes. It may return, or raise what the probe that owns it expects: MalformedReply, Unreachable or
CeilingReached. Anything else, and any answer that grows beyond its bounds, is a fault. None needs an event loop; one whose
name ends in `-line` is a whole question over a line of fixed bytes.
"""

from __future__ import annotations

from support.parsers import datagrams, listening, secure, streams, usage_files  # noqa: F401 - importing fills the registry
from support.parsers.registry import PARSERS, Parser

__all__ = ["NO_PARSER", "PARSERS", "Parser"]

# Modules that take no bytes from a device apart themselves, and why.
NO_PARSER = {
    "question": "hands an answer to the reader of its protocol",
    "web.services": "reads with web.http",
    "discovery.datagrams": "hands a reply to the reader of its protocol",
    "web.http_link": "hands bytes to httpcore, which http runs",
    "discovery.netbios": "reads with packets",
    "discovery.ntp": "reads with packets",
    "tls.second_opinion": "reads what its own child process writes",
    "tls.second_opinion_child": "another library's parsers, in a process of their own",
    "snmp.supplied": "reads with snmp.usm and snmp.agent",
    "snmp.pdu": "writes requests",
    "snmp.write": "reads with snmp.response",
    "ssh.groups": "constants",
    "files.tftp": "reads with packets",
    "tls.classes": "reads with tls.exchange",
    "tls.versions": "reads with tls.exchange",
    "tls.ports": "reads with tls.exchange",
    "tls.suites": "constants",
    "tls.walk": "reads with tls.exchange",
}
