"""The device's print channels and its ports disagree.

Fails when
    Never: a disagreement is informational. Either a channel that takes data names a TCP port that is closed, or a port for
    printing is open and no channel names it.
Passes when
    Channels and ports agree.
Unknown when
    The channels cannot be read with a default community or one of the fleet's own, or the ports were not tested.
Reach
    ask: GetNext over the printer MIB's channel table; the ports are connected to anyway.
Why it matters
    A channel whose port is closed is filtered or broken; a port that no channel names is an unmanaged service.
Sources
    RFC 3805, prtChannelTable; IANA-PRINTER-MIB, PrtChannelTypeTC; NIST SP 800-53 Rev. 5, CM-8
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, State, note, passed
from hardenprobe.checking.views.snmp import absent
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects, TcpPort
from hardenprobe.remediation.fleet import CHANNELS_MATCH

EXPECTED = "every print channel has its port, and every port for printing its channel"
PRINTS = frozenset({515, 631, *range(9100, 9108)})


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Compare the first channel table that was read with the ports."""
    told = [o for o in seen.of(SnmpObjects) if o.facts.channels]
    ports = {o.endpoint.port: o for o in seen.tcp_ports if o.endpoint}
    if not told or not ports:
        yield absent(seen, EXPECTED, "the table of print channels")
        return
    table = told[0]
    named = {c.port for c in table.facts.channels if c.port is not None}
    taking = {c.port for c in table.facts.channels if c.open and c.port is not None}
    clean = True
    for number, port in sorted(ports.items()):
        if number in taking and port.facts.state is State.REFUSING:
            clean = False
            yield note(
                port, "a print channel names this port, and it is closed", EXPECTED, subject=f"TCP {number}"
            )
        elif number in PRINTS - named and port.facts.state is State.ACCEPTING and not seen.ambiguous:
            clean = False
            yield note(port, "it is open, and no print channel names it", EXPECTED, subject=f"TCP {number}")
    if clean:
        known = ", ".join(map(str, sorted(named))) or "no port"
        yield passed(table, f"channels name {known}, and the ports agree", EXPECTED, value=sorted(named))


CHECK = Check(
    id="channel-contradiction",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpObjects, TcpPort),
    judge=judge,
    vectors={"": "AV:N/AC:H/Au:N/C:N/I:N/A:P/PL:ND/EM:P"},  # never scored, since it never fails
    remedy=CHANNELS_MATCH,
    controls=("CM-8", "CM-7"),
    version="2",
)
