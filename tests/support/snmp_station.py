"""One station in a network namespace of its own, with net-snmp's agent on the kernel's interfaces: what the checks say of it.

Run by `unshare --net`, with a folder, the agent's program and a JSON object:

    interfaces: by name: link-layer address, addresses, ifType where the agent's own is to be another, supplicant state
    forwarding: whether the kernel forwards IPv6
    settings: further lines for the agent
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from hardenprobe.baseline import baseline
from hardenprobe.network.link import DeviceLink
from hardenprobe.plugins import registry
from hardenprobe.probes.snmp.objects import ask_objects
from hardenprobe.scope.scope import Scope
from hardenprobe.testing import seen_device

HERE = "127.0.0.1"
IF_TYPE, SUPPLICANT = ".1.3.6.1.2.1.2.2.1.3", ".1.0.8802.1.1.1.1.3.1.1.1"  # RFC 2863; IEEE8021-PAE-MIB
CHECKS = (
    "device-bridges-networks", "ipv6-exposure", "network-port-not-authenticated", "snmp-notifications-in-clear",
    "wireless-beside-wire",
)  # fmt: skip


def run(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True, timeout=10).stdout


def build(station: dict[str, Any]) -> list[str]:
    """Make the interfaces, and return what the agent is to be told of them."""
    run("ip", "link", "set", "lo", "up")
    lines = list(station["settings"])
    for name, told in station["interfaces"].items():
        # The far end stays in the kernel's table; it is up, since a pair is only up together, and is no row of ours.
        run("ip", "link", "add", name, "address", told["link"], "type", "veth", "peer", "name", f"{name}-end")
        run("ip", "link", "set", name, "up")
        if told.get("up", True):
            run("ip", "link", "set", f"{name}-end", "up")
        for address in told["addresses"]:
            run("ip", "address", "add", address, "dev", name, *(("nodad",) if ":" in address else ()))
        shown = run("ip", "-o", "link", "show", name)
        index, far = (
            int(shown.split(":")[0]),
            int(run("ip", "-o", "link", "show", f"{name}-end").split(":")[0]),
        )
        lines.append(f"override {IF_TYPE}.{far} integer 53")  # propVirtual: internal
        if "type" in told:
            lines.append(f"override {IF_TYPE}.{index} integer {told['type']}")
        if "supplicant" in told:
            lines.append(f"override {SUPPLICANT}.{index} integer {told['supplicant']}")
    Path("/proc/sys/net/ipv6/conf/all/forwarding").write_text(str(int(station["forwarding"])))
    return lines


async def ask() -> Any:
    line = DeviceLink(address=HERE, permit=Scope.loopback())
    until = time.monotonic() + 10
    while True:
        try:
            seen = await ask_objects(line, "2c", b"public", "public", "default")
        except OSError:
            seen = None
        # The agent reads some tables of the kernel only after it has answered for the first time.
        if (seen and seen.facts.interfaces and not seen.facts.fault) or time.monotonic() > until:
            return seen
        await asyncio.sleep(0.05)


def main(folder: Path, agent: str, station: dict[str, Any]) -> None:
    lines = build(station)
    (folder / "snmpd.conf").write_text(
        "\n".join((f"agentAddress udp:{HERE}:161", "rocommunity public", *lines)) + "\n"
    )
    command = (agent, "-f", "-Lo", "-C", "-c", folder / "snmpd.conf", "-p", folder / "pid")
    environment = {**os.environ, "MIBS": "", "SNMP_PERSISTENT_DIR": str(folder / "kept")}
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        try:
            seen = asyncio.run(ask())
        finally:
            process.terminate()
    checks = registry.load(plugins=False)
    settings = baseline.load("office-device", checks).settings
    device = seen_device(seen)
    print(json.dumps({
        "facts": {"addresses": seen.facts.addresses, "fault": seen.facts.fault},
        **{id: sorted(f"{o.word} {o.subject or ''}".strip() for o in checks.checks[id].judge(device, settings[id]))
           for id in CHECKS},
    }))  # fmt: skip


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], json.loads(sys.argv[3]))
