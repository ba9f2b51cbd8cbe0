"""Three segments with a firewall between them, a worker in a namespace of its own in each, and one scan by all of them.

    python vantages.py FOLDER

FOLDER then holds review.json. What the firewall lets through, the policy and the stations are declared here, and
`declared` says from them what each vantage point must meet. The status is 77 where this user may make no namespaces.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.cluster import Cluster, begin, command

from hardenprobe.cluster import certificates
from hardenprobe.demo_lab import namespaces, network
from hardenprobe.demo_lab.network import Network, Segment
from hardenprobe.demo_lab.network_lab import station
from hardenprobe.demo_lab.service_http import Http
from hardenprobe.demo_lab.service_plain import RawPrint, Telnet
from hardenprobe.demo_lab.service_snmp import Snmp
from hardenprobe.errors import UsageError

OFFICE, GUESTS, PRINTERS = "office", "guests", "printers"
NETWORKS = {OFFICE: "10.78.1.0/24", GUESTS: "10.78.2.0/24", PRINTERS: "10.78.3.0/24"}
HOSTS = {OFFICE: "10.78.1.5", GUESTS: "10.78.2.5", PRINTERS: "10.78.3.5"}
SCANNER = "10.78.1.2"
PORTS = {"http": ("tcp", 80), "telnet": ("tcp", 23), "raw-print": ("tcp", 9100), "snmp": ("udp", 161)}

# What the firewall lets through to the printers, and what it does with the rest. A print port was left open to guests.
ADMITTED = {OFFICE: {"http", "snmp"}, GUESTS: {"raw-print"}, PRINTERS: set(PORTS)}
REST = {OFFICE: "drop", GUESTS: "reject with tcp reset"}
SEGMENTS = [
    {"name": OFFICE, "networks": [NETWORKS[OFFICE]], "forbidden": ["telnet", "raw-print"], "needed": ["http"]},
    {"name": GUESTS, "networks": [NETWORKS[GUESTS]], "forbidden": ["http", "telnet", "raw-print", "snmp"]},
    {"name": PRINTERS, "networks": [NETWORKS[PRINTERS]], "needed": ["http", "snmp"]},
]  # fmt: skip
AGENT = Snmp(versions=("1", "2c"), communities=("public",))
STATIONS = (
    station("VP-01", PRINTERS, "10.78.3.21", services=(Telnet(), Http(), RawPrint(), AGENT)),
    station("VP-02", PRINTERS, "10.78.3.22", services=(Http(), RawPrint())),
)
TARGETS = [one.device.listed.addresses[0] for one in STATIONS]
SERVED = {"VP-01": {"http", "telnet", "raw-print", "snmp"}, "VP-02": {"http", "raw-print"}}
NETWORK = Network(
    segments=tuple(Segment(name=name, networks=(block,)) for name, block in NETWORKS.items()),
    stations=(*STATIONS, *(station(f"HOST-{name}", name, HOSTS[name], listed=False) for name in HOSTS)),
    scanner={OFFICE: (SCANNER,)},
)
BASELINE = """\
baseline: "three-segments/1"
extends: "office-device"
title: "Three segments"
dated: "2026-11-30"
sources: ["the test's own policy"]
gentleness: {{connect: 1.0, second_try: 0.5}}
expect:
  segment-reach:
    segments: {segments}
"""
CHECKS = ("segment-reach", "snmp-default-community-read", "cleartext-telnet")


def declared() -> Iterator[tuple[str, str, str, str]]:
    """Station, vantage point, service, and open, closed or filtered."""
    for tag, served in SERVED.items():
        for vantage, admitted in ADMITTED.items():
            for service, (transport, _) in PORTS.items():
                own = "open" if service in served else "closed"
                dropped = REST.get(vantage) == "drop" or transport == "udp"
                yield (
                    tag,
                    vantage,
                    service,
                    own if service in admitted else "filtered" if dropped else "closed",
                )


def policy() -> Iterator[tuple[str, str, str, str]]:
    """Station, vantage point, service, and the word of segment-reach, for what the policy speaks of."""
    met = {(tag, vantage, service): state for tag, vantage, service, state in declared()}
    words = {"open": ("fail", "pass"), "closed": ("pass", "fail")}
    for (tag, vantage, service), state in met.items():
        segment = next(one for one in SEGMENTS if one["name"] == vantage)
        elsewhere = any(met[tag, other, service] == "open" for other in NETWORKS if other != vantage)
        if service in segment.get("forbidden", ()):
            filtered = "pass" if elsewhere else "unknown"
            yield tag, vantage, service, words.get(state, (filtered, ""))[0]
        elif service in segment.get("needed", ()) and (state == "open" or elsewhere):
            yield tag, vantage, service, words.get(state, ("", "fail"))[1]


def firewall() -> str:
    """The router's rules, for nft(8)."""
    rules = [
        "ct state established,related accept",
        f"ip saddr {SCANNER} accept",
        f"ip daddr {SCANNER} accept",
    ]
    for vantage, admitted in ADMITTED.items():
        way = f"ip saddr {NETWORKS[vantage]} ip daddr {NETWORKS[PRINTERS]}"
        for service in sorted(admitted) if vantage in REST else ():
            transport, port = PORTS[service]
            rules.append(f"{way} {transport} dport {port} accept")
        if vantage in REST:
            rules += [f"{way} meta l4proto tcp {REST[vantage]}", f"{way} meta l4proto udp drop"]
    lines = "\n".join(rules)
    return f"table inet three {{\nchain f {{\ntype filter hook forward priority 0; policy drop;\n{lines}\n}}\n}}\n"


def scan(folder: Path) -> subprocess.CompletedProcess[str]:
    """Raise it all, and scan."""
    namespaces.leave()
    with network.raised(NETWORK) as standing, network.serving(standing, folder):
        namespaces.run(
            "nft",
            "-f",
            "-",
            given=firewall(),
            name=standing.names["VP-01"].replace("s", "router").partition("-")[0],
        )
        inventory, scope = network.write_files(NETWORK, folder)
        entries = [{"name": "printers", "networks": [NETWORKS[PRINTERS]], "vantages": list(HOSTS)}]
        inventory.write_text(f"{inventory.read_text()}\nsegments: {json.dumps(entries)}\n")
        scope.write_text(f"{scope.read_text()}\ntranslated: false\n")
        (folder / "baseline.yaml").write_text(BASELINE.format(segments=json.dumps(SEGMENTS)))
        home = folder / "cluster"
        certificates.make(home, ["scheduler", "scan", *HOSTS], days=1)
        address = f"tls://{SCANNER}:8786"
        own = ["--listen", address, "--certificates", str(home / "scheduler")]
        running = Cluster(home, address, begin([*command("scheduler"), *own]))
        assert running.scheduler.stdout is not None and "listens" in running.scheduler.stdout.readline()
        inside = {name: ["ip", "netns", "exec", standing.names[f"HOST-{name}"]] for name in HOSTS}
        try:
            running.start_each(inside, scope)
            return subprocess.run(
                [sys.executable, "-m", "hardenprobe", "scan", *TARGETS, "--inventory", str(inventory),
                 "--scope", str(scope), "--baseline", str(folder / "baseline.yaml"), "--cluster", address,
                 "--certificates", str(home / "scan"), "--no-plugins", "--store", str(folder / "reviews.db"),
                 *(word for check in CHECKS for word in ("--only", check)), "--ports", "23,80,9100",
                 "--json", str(folder / "review.json")],
                capture_output=True, text=True, timeout=150, check=False,
            )  # fmt: skip
        finally:
            running.end()


def main(folder: Path) -> int:
    try:
        done = scan(folder)
    except UsageError as exc:
        print(exc, file=sys.stderr)
        return 77 if "needs the right" in str(exc) else 1
    print(done.stdout, done.stderr, file=sys.stderr)
    return 0 if done.returncode in (0, 1, 3) else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
