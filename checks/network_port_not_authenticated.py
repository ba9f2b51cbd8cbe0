"""A network port of the device is not authenticated by IEEE 802.1X.

Fails when
    The device shows a supplicant on a port that is up, and its state is disconnected, logoff, held or forced.
Passes when
    Every supplicant on a port that is up reports authenticated. A supplicant that met no authenticator reports the same: the
    switch has the other half of the proof.
Unknown when
    No supplicant is shown, its state is one that passes by (connecting, authenticating, acquired, restart), or a listed
    community or user does not let itself be read.
Reach
    ask: GetNext over one column of the table of supplicants; nothing is sent in IEEE 802.1X.
Why it matters
    Where the network admits the device unauthenticated, it admits whatever is plugged in at its place.
Sources
    IEEE 802.1X, IEEE8021-PAE-MIB (dot1xSuppPaeState); NIST SP 800-53 Rev. 5, IA-3 and AC-4
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.views.snmp import readings
from hardenprobe.facts import SnmpAnswer, SnmpEngine, SnmpObjects, Supplicant
from hardenprobe.remediation.fleet import NETWORK_PORT_AUTHENTICATION

EXPECTED = "every supplicant on a port that is up is authenticated"
AUTHENTICATED = 5  # dot1xSuppPaeState, as the next
REFUSED = {1: "disconnected", 2: "logoff", 7: "held", 9: "forced authorized", 10: "forced unauthorized"}


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port that is up."""
    found, missing = readings(
        seen, EXPECTED, "the table of supplicants", lambda facts: bool(_on_up_ports(facts))
    )
    yield from missing
    for one in found:
        for supplicant in _on_up_ports(one.facts):
            subject, state = f"interface {supplicant.interface}", supplicant.state
            if state in REFUSED:
                yield fail(one, f"the supplicant is {REFUSED[state]}", EXPECTED, value=state, subject=subject)
            elif state == AUTHENTICATED:
                yield passed(
                    one, "the supplicant reports authenticated", EXPECTED, value=state, subject=subject
                )
            else:
                yield unknown(one, f"the supplicant is in state {state}", EXPECTED, subject=subject)


def _on_up_ports(facts: SnmpObjects) -> list[Supplicant]:
    down = {i.index for i in facts.interfaces if not i.up}
    return [supplicant for supplicant in facts.supplicants if supplicant.interface not in down]


CHECK = Check(
    id="network-port-not-authenticated",
    document=__doc__,
    reads=(SnmpAnswer, SnmpEngine, SnmpObjects),
    judge=judge,
    # Anyone at the wall socket is admitted in the device's place.
    vectors={"": "AV:A/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:P"},
    remedy=NETWORK_PORT_AUTHENTICATION,
    controls=("IA-3", "AC-4"),
)
