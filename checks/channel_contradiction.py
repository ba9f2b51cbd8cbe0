"""What the device reports of its channels and listeners, and its ports, disagree.

Fails when
    Never: a disagreement is informational. A channel that takes data names a TCP port that is closed, a port for printing is
    open and no channel names it, or the device listens on a TCP port that is closed or filtered from here.
Passes when
    Channels, listeners and ports agree.
Unknown when
    The channels cannot be read with a default community or one of the fleet's own, or the ports were not tested.
Reach
    ask: GetNext over the printer MIB's channel table and the tables of connections; the ports are connected to anyway.
Why it matters
    A port that is filtered from here may be open to others; a port that no channel names is an unmanaged service.
Sources
    RFC 3805, prtChannelTable; IANA-PRINTER-MIB, PrtChannelTypeTC; RFC 4022, tcpListenerTable; NIST SP 800-53 Rev. 5, CM-8
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from hardenprobe import Check, DeviceView, NoSettings, Outcome, State, note, passed
from hardenprobe.checking.views.snmp import absent, listening
from hardenprobe.facts import SnmpAnswer, SnmpConnections, SnmpEngine, SnmpObjects, TcpPort
from hardenprobe.remediation.fleet import CHANNELS_MATCH

EXPECTED = "every print channel and listener has its port, and every port for printing its channel"
PRINTS = frozenset({515, 631, *range(9100, 9108)})
WORDS = {State.SILENT: "filtered", State.REFUSING: "closed"}


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Compare channels and listeners, as they were read first, with the ports."""
    unreached = list(_unreached(seen))
    yield from unreached
    told = [o for o in seen.of(SnmpObjects) if o.facts.channels]
    ports = {o.endpoint.port: o for o in seen.tcp_ports if o.endpoint}
    if not told or not ports:
        yield absent(seen, EXPECTED, "the table of print channels")
        return
    table = told[0]
    named = {c.port for c in table.facts.channels if c.port is not None}
    taking = {c.port for c in table.facts.channels if c.open and c.port is not None}
    clean = not unreached
    noted = {one.subject for one in unreached}
    for number, port in sorted(ports.items()):
        if number in taking and port.facts.state is State.REFUSING and f"TCP {number}" not in noted:
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


def _unreached(seen: DeviceView) -> Iterator[Outcome]:
    """Ports that the device listens on and that are not open from here; of several addresses each counts."""
    for table in seen.of(SnmpConnections)[:1]:
        for port in seen.tcp_ports:
            state = WORDS.get(port.facts.state)
            if state and port.endpoint and listening(table.facts, port.endpoint):
                number = port.endpoint.port
                text = f"the device listens on {number}/tcp, {state} from here"
                found = note(port, text, EXPECTED, subject=f"TCP {number}")
                yield replace(found, proof=(table.id, *found.proof))


CHECK = Check(
    id="channel-contradiction",
    document=__doc__,
    reads=(SnmpAnswer, SnmpConnections, SnmpEngine, SnmpObjects, TcpPort),
    judge=judge,
    vectors={"": "AV:N/AC:H/Au:N/C:N/I:N/A:P/PL:ND/EM:P"},  # never scored, since it never fails
    remedy=CHANNELS_MATCH,
    controls=("CM-8", "CM-7"),
    version="3",
)
