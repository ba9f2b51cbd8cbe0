"""What the kernel of a station shows through net-snmp's agent: networks, radios, IPv6, IEEE 802.1X and receivers.

The objects of IEEE 802.1X are served under the identifiers that IEEE8021-PAE-MIB assigns (dot1xSuppPaeState,
1.0.8802.1.1.1.1.3.1.1.1, from disconnected(1) to sForceUnauth(10)).
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.peer, pytest.mark.slow]

SCRIPT = Path(__file__).parents[1] / "support" / "snmp_station.py"
WIRED = {"link": "02:34:56:78:90:ab", "addresses": ["192.0.2.7/24"]}
RADIO = {"link": "02:34:56:78:90:cd", "addresses": []}
# RFC 4291 appendix A makes 34:56ff:fe78:90ab of the first address, RFC 7217 gives addresses like the second.
MADE, OPAQUE = "2001:db8::34:56ff:fe78:90ab/64", "2001:db8::5c1e:9b02:7d44:13a7/64"
USER = 'createUser quay SHA "tells-no-tales" AES "keeps-it-quiet"'
PRIVATE = "-v 3 -u quay -l authPriv -a SHA -A tells-no-tales -x AES -X keeps-it-quiet"

STATIONS: dict[str, tuple[dict[str, Any], dict[str, list[str]]]] = {
    "everything wrong": (
        {
            "interfaces": {
                "wired": {**WIRED, "addresses": [*WIRED["addresses"], MADE], "supplicant": 7},
                "radio": {**RADIO, "addresses": ["198.51.100.7/24"], "type": 71},
            },
            "forwarding": True,
            "settings": ["trap2sink 192.0.2.9 quay"],
        },
        {
            "device-bridges-networks": ["fail interfaces"],
            "ipv6-exposure": ["fail forwarding", "fail hardware address"],
            "network-port-not-authenticated": ["fail interface"],
            "snmp-notifications-in-clear": ["fail"],
            "wireless-beside-wire": ["fail"],
        },
    ),
    "hardened": (
        {
            "interfaces": {"wired": {**WIRED, "addresses": [*WIRED["addresses"], OPAQUE], "supplicant": 5}},
            "forwarding": False,
            "settings": [USER, f"trapsess {PRIVATE} 192.0.2.9"],
        },
        {
            "device-bridges-networks": ["pass"],
            "ipv6-exposure": ["pass"],
            "network-port-not-authenticated": ["pass interface"],
            "snmp-notifications-in-clear": ["pass"],
            "wireless-beside-wire": ["pass"],
        },
    ),
    "traps for a hasty look": (
        {
            "interfaces": {
                # The agent reports a radio as Ethernet; the second leg is down, and so is its supplicant.
                "wired": {**WIRED, "supplicant": 3},
                "radio": RADIO,
                "spare": {"link": "02:34:56:78:90:ef", "addresses": ["198.51.100.7/24"], "up": False, "supplicant": 7},
            },
            "forwarding": False,
            "settings": [USER, f"trapsess {PRIVATE.replace('authPriv', 'authNoPriv')} 192.0.2.9"],
        },
        {
            "device-bridges-networks": ["pass"],
            "ipv6-exposure": ["pass"],
            "network-port-not-authenticated": ["unknown interface"],
            "snmp-notifications-in-clear": ["fail"],
            "wireless-beside-wire": ["unknown"],
        },
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", STATIONS)
def test_a_station_is_judged_by_what_its_kernel_shows(
    name: str, program: Callable[[str, str], str], folder: Callable[[str], Path]
) -> None:
    unshare, agent = shutil.which("unshare"), program("snmpd", "snmpd")
    program("ip", "iproute2")
    if unshare is None or subprocess.run((unshare, "--net", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make network namespaces")
    station, truth = STATIONS[name]
    command = (unshare, "--net", sys.executable, SCRIPT, folder("station"), agent, json.dumps(station))
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    told = json.loads(done.stdout)

    assert told.pop("facts")["fault"] is None
    assert {check: [word.rstrip("0123456789 ") for word in words] for check, words in told.items()} == truth
