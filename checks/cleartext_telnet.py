"""A port speaks telnet.

Fails when
    A tested port speaks telnet: RFC 854 commands, or a login prompt. Negotiation is never answered.
Passes when
    Every port is closed, or its greeting is not telnet.
Unknown when
    A port is open and its protocol is not recognised, or nothing of the device answers.
Reach
    look: one connection a port, at most 1,024 bytes read, nothing sent.
Why it matters
    Anyone who shares the network can read the administrator's name and password as they are typed.
Sources
    RFC 854, TELNET COMMAND STRUCTURE; NIST SP 800-53 Rev. 5, MA-4(6) and IA-5(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reach, fail, off_tcp
from hardenprobe.facts import HttpAnswer, SmbNegotiation, TcpPort, TelnetGreeting, TlsPort, WebServices
from hardenprobe.remediation.general import TELNET_OFF

EXPECTED = "no port speaks telnet"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the greetings alone."""
    found = False
    for greeting in seen.of(TelnetGreeting):
        found = True
        facts = greeting.facts
        how = "negotiates telnet options" if facts.negotiates else f"prompts {facts.prompt!r}"
        yield fail(greeting, how, EXPECTED, value={"negotiates": facts.negotiates, "prompt": facts.prompt})
    if not found:
        yield off_tcp(seen, EXPECTED)


CHECK = Check(
    id="cleartext-telnet",
    document=__doc__,
    # The last four tell what else a port speaks.
    reads=(TcpPort, TelnetGreeting, HttpAnswer, TlsPort, SmbNegotiation, WebServices),
    identifies=(HttpAnswer, TlsPort, SmbNegotiation, WebServices),
    judge=judge,
    service="telnet",
    vectors={"": "AV:N/AC:M/Au:N/C:C/I:C/A:C/PL:R/EM:A"},
    remedy=TELNET_OFF,
    controls=("MA-4(6)", "IA-5(1)", "CM-7", "SC-8(1)"),
    reach=Reach.LOOK,
    version="2",
)
