"""The print service fetches documents from an address that the client names.

Fails when
    operations-supported holds Print-URI or Send-URI.
Passes when
    It holds neither.
Unknown when
    The response lists no operations, or no IPP answer on its port.
Reach
    ask: the attributes that are requested anyway; nothing is printed.
Why it matters
    Anyone can make the device open connections inside the network, and learn from its answers which services are there.
Sources
    RFC 8011, sections 4.2.2, 4.3.2 and 5.4.15; IANA IPP registrations, where both operations are deprecated
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.views.ipp import serving
from hardenprobe.facts import HttpAnswer, IppPrinter, TcpPort, TlsPort
from hardenprobe.remediation.web import PRINT_BY_REFERENCE_OFF

EXPECTED = "neither Print-URI nor Send-URI is supported"
BY_REFERENCE = {0x0003: "Print-URI", 0x0007: "Send-URI"}


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port."""
    found, missing = serving(seen, EXPECTED)
    yield from missing
    for answer in found:
        offered = [name for number, name in BY_REFERENCE.items() if number in answer.facts.operations]
        if offered:
            yield fail(answer, f"{' and '.join(offered)} supported", EXPECTED, value=offered)
        elif answer.facts.operations:
            text = f"{len(answer.facts.operations)} operations, none by reference"
            yield passed(answer, text, EXPECTED)
        else:
            yield unknown(answer, "the response lists no operations", EXPECTED)


CHECK = Check(
    id="ipp-print-by-reference",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter),
    judge=judge,
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:A/EM:A"},
    remedy=PRINT_BY_REFERENCE_OFF,
    controls=("CM-7", "SC-7"),
    version="2",
)
