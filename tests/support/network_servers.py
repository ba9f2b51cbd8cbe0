"""Ordinary servers on the stations of a network in namespaces, scanned once.

    python network_servers.py FOLDER

Writes FOLDER/review.pickle, and is gone with its namespaces and servers. Each server listens on every address of its
station, as it does when it is installed; the station's filter says who gets there. What a scan must say is in
tests/peers/test_network.py.
"""

from __future__ import annotations

import itertools
import os
import pickle
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Self

sys.path.insert(0, str(Path(__file__).parents[1]))

import hardenprobe
from hardenprobe.demo_lab import namespaces, network
from hardenprobe.demo_lab.network import Filter, Network, Segment, Station
from hardenprobe.demo_lab.network_lab import station
from support.servers import ACCEPT_AND_RUN

OURS, ANOTHER = "10.77.1.2", "10.77.1.3"
NAME_SERVER = "10.77.3.53"
PATIENCE = 15.0  # seconds for a server to be ready


def named(made: Station, name: str) -> Station:
    """A station that the inventory knows by a name."""
    return replace(made, device=replace(made.device, listed=replace(made.device.listed, names=(name,))))


NETWORK = Network(
    segments=(
        Segment(name="office", networks=("10.77.1.0/24", "fd00:77:1::/64")),
        Segment(name="store", networks=("10.77.2.0/24",)),
        Segment(name="yard", networks=("10.77.3.0/24",), translated=True),
    ),
    scanner={"office": (OURS, ANOTHER, "fd00:77:1::2"), "store": ("10.77.2.2",)},
    approved=("10.77.0.0/16",),
    stations=(
        # Over IPv4 it serves one source, which is not the one on our route; over IPv6 everybody.
        station(
            "RN-01", "office", "10.77.1.41", "fd00:77:1::41",
            filters=(Filter(action="drop", family=4, transport="tcp", ports=(21, 80), admits=(ANOTHER,)),),
        ),
        # What is asked first is dropped; Telnet was forgotten, and SNMP.
        station(
            "RN-02", "store", "10.77.2.42",
            filters=(Filter(action="drop", transport="tcp", ports=(80, 443, 631, 9100)),),
        ),
        # Behind a router that translates: hardened, with a port that it resets and one that it prohibits.
        station(
            "RN-03", "yard", "10.77.3.43",
            filters=(
                Filter(action="reset", transport="tcp", ports=(21,)),
                Filter(action="prohibited", transport="tcp", ports=(23,)),
            ),
        ),
        named(station("RN-04", "store", "10.77.2.44"), "device04.devices.example"),
        named(station("RN-05", "store", "10.77.2.45"), "device05.devices.example"),
        # Drops everything at the address that is listed; a name server knows another one, and one out of scope.
        named(
            station("RN-06", "office", "10.77.1.46", unlisted=("fd00:77:1::46",), filters=(Filter(action="drop", family=4),)),
            "device06.devices.example",
        ),
        station("RN-07", "yard", NAME_SERVER, listed=False),
        # Answers at groups of IPv6 alone, from an address that no list has.
        named(station("RN-08", "store", "10.77.2.48"), "device08.devices.example"),
        # The same, and out of the scope.
        station("RN-09", "store", "10.77.2.49", listed=False),
    ),
)  # fmt: skip

NGINX = """daemon off; master_process off; pid {folder}/pid; error_log stderr;
events {{}}
http {{ access_log off; types {{ text/html html; }}
client_body_temp_path {folder}/a; proxy_temp_path {folder}/b; fastcgi_temp_path {folder}/c; uwsgi_temp_path {folder}/d;
scgi_temp_path {folder}/e;
server {{ listen 80; listen [::]:80; root {folder}; {plain} }} {more} }}
"""
VSFTPD = "listen_ipv6=YES\nbackground=NO\nsecure_chroot_dir={folder}/empty\nlocal_enable=YES\nanonymous_enable=NO\n"
SSHD = "HostKey {folder}/key\nPidFile none\nUsePAM no\nPasswordAuthentication no\n"
AVAHI = """[server]
host-name={host}
use-ipv4={four}
use-ipv6={six}
enable-dbus=no
[publish]
publish-workstation=yes
"""


class Servers:
    """Programs in the namespaces of stations, until the block ends."""

    def __init__(self, names: dict[str, str], folder: Path) -> None:
        self._names = names
        self._folder = folder
        self._ending = ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.close()

    def start(
        self, tag: str, program: str, *command: str | Path, port: int | None = None, says: str | None = None
    ) -> None:
        """Start a program; it is ready when a TCP port accepts, when its output says so, or when a UDP port is taken."""
        output = self._folder / f"{tag}-{Path(program).name}.out"
        found = shutil.which(program, path=os.environ["PATH"] + ":/usr/sbin:/sbin") or program
        with output.open("wb") as out:
            process = subprocess.Popen(
                ("ip", "netns", "exec", self._names[tag], found, *command),
                cwd=self._folder, stdin=subprocess.PIPE, stdout=out, stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip
        self._ending.callback(_end, process)
        until = time.monotonic() + PATIENCE
        while not (says in output.read_text(errors="replace") if says else self._taken(tag, port or 0)):
            if process.poll() is not None or time.monotonic() > until:
                raise SystemExit(f"{program} is not ready: {output.read_text(errors='replace')[-2000:]}")
            time.sleep(0.02)

    def _taken(self, tag: str, port: int) -> bool:
        """Something has the port, of TCP or of UDP."""
        families, kinds = (socket.AF_INET, socket.AF_INET6), (socket.SOCK_STREAM, socket.SOCK_DGRAM)
        for family, kind in itertools.product(families, kinds):
            with namespaces.inside(self._names[tag]), socket.socket(family, kind) as sock:
                try:
                    sock.bind(("", port))
                except OSError:
                    return True
        return False


def _end(process: subprocess.Popen[bytes]) -> None:
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def serve(servers: Servers, folder: Path) -> None:
    """Start everything."""
    (folder / "index.html").write_text("<title>Settings</title><p>Contrast, tray 2, sleep")
    (folder / "empty").mkdir()
    for name in ("sshd", "avahi-daemon"):
        Path("/run", name).mkdir()
    _run("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj",
         "/CN=10.77.3.43", "-addext", "subjectAltName=IP:10.77.3.43", "-keyout", folder / "tls.key", "-out",
         folder / "tls.pem")  # fmt: skip
    _run("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", folder / "key")
    tls = (
        f"server {{ listen 443 ssl; root {folder}; ssl_certificate {folder}/tls.pem;"
        f" ssl_certificate_key {folder}/tls.key; ssl_protocols TLSv1.2 TLSv1.3; }}"
    )
    for name, text in {
        "open.nginx": NGINX.format(folder=folder, plain="", more=""),
        "kept.nginx": NGINX.format(folder=folder, plain="return 301 https://$host/;", more=tls),
        "vsftpd.conf": VSFTPD.format(folder=folder),
        "sshd.conf": SSHD.format(folder=folder),
        "snmpd.conf": "agentAddress udp:161\nsysName device02\nrocommunity public\n",
        "avahi.conf": AVAHI.format(host="device04", four="yes", six="no"),
        "avahi6.conf": AVAHI.format(host="device08", four="no", six="yes"),
        "snmpd-old.conf": "agentAddress udp:161\nsysName device01\nrocommunity public default -V old\nview old included .1\n"
        + "".join(f"view old excluded .1.3.6.1.2.1.{table}\n" for table in ("6.19", "6.20", "7.7")),
    }.items():
        (folder / name).write_text(text)
    servers.start("RN-01", "nginx", "-e", "stderr", "-c", folder / "open.nginx", port=80)
    servers.start("RN-01", "vsftpd", folder / "vsftpd.conf", port=21)
    # Without the tables of RFC 4022 and RFC 4113, as older agents.
    snmpd = ("-f", "-Lo", "-C", "-p", folder / "snmpd.pid", "-c")
    servers.start("RN-01", "snmpd", *snmpd, folder / "snmpd-old.conf", port=161)
    inetd = ("-c", ACCEPT_AND_RUN, "", "23", shutil.which("telnetd", path="/usr/sbin") or "telnetd")
    servers.start("RN-02", sys.executable, *inetd, port=23)
    servers.start(
        "RN-02", "nginx", "-e", "stderr", "-c", folder / "open.nginx", port=80
    )  # which is dropped there
    servers.start(
        "RN-02", sys.executable, "-c", ACCEPT_AND_RUN, "127.0.0.1", "21", "true", port=21
    )  # its own alone
    servers.start("RN-02", "snmpd", *snmpd, folder / "snmpd.conf", port=161)
    servers.start("RN-03", "nginx", "-e", "stderr", "-c", folder / "kept.nginx", port=443)
    servers.start("RN-03", "sshd", "-D", "-e", "-f", folder / "sshd.conf", port=22)
    servers.start(
        "RN-04", "avahi-daemon", f"--file={folder / 'avahi.conf'}", "--no-drop-root", "--no-chroot", "--no-rlimits",
        says="startup complete",
    )  # fmt: skip
    servers.start("RN-06", "nginx", "-e", "stderr", "-c", folder / "open.nginx", port=80)
    zone = {
        "device04": ("10.77.2.44",),
        "device05": ("10.77.2.45",),
        "device06": ("10.77.1.46", "fd00:77:1::46", "192.0.2.46"),
    }
    records = [
        f"--host-record={host}.devices.example,{address}" for host, known in zone.items() for address in known
    ]
    plain = (
        "--keep-in-foreground",
        "--conf-file=/dev/null",
        "--no-resolv",
        "--no-hosts",
        "--user=root",
        "--pid-file=",
    )
    servers.start("RN-07", "dnsmasq", *plain, "--log-queries", "--log-facility=-", *records, port=53)
    servers.start("RN-04", "wsdd", "--interface", "e0", "--ipv4only", "--hostname", "device04", port=3702)
    servers.start("RN-04", "llmnrd", "--hostname", "device04", port=5355)
    own = f"mount -t tmpfs none /run/avahi-daemon; exec avahi-daemon --file={folder / 'avahi6.conf'}"
    for tag in ("RN-08", "RN-09"):
        servers.start(
            tag, "sh", "-c", f"{own} --no-drop-root --no-chroot --no-rlimits", says="startup complete"
        )
    servers.start("RN-08", "wsdd", "--interface", "e0", "--ipv6only", "--hostname", "device08", port=3702)
    servers.start("RN-08", "llmnrd", "-6", "--hostname", "device08", port=5355)


def _connected(name: str, address: str, port: int) -> socket.socket:
    """A connection from inside a namespace."""
    with namespaces.inside(name):
        sock = socket.socket()
    sock.settimeout(5)
    sock.connect((address, port))
    return sock


def _run(*command: str | Path) -> None:
    subprocess.run(command, check=True, capture_output=True, timeout=30)


def main(folder: Path, checks: Sequence[str]) -> None:
    namespaces.leave()
    os.environ["SNMP_PERSISTENT_DIR"], os.environ["MIBS"] = str(folder / "kept"), ""
    with network.raised(NETWORK) as standing, Servers(standing.names, folder) as servers:
        serve(servers, folder)
        client = _connected(standing.names["RN-01"], "10.77.2.42", 23)
        grants = [f"multicast:{link}" for link in standing.links.values()]
        inventory, scope = network.write_files(NETWORK, folder, grants)
        with scope.open("a") as more:
            more.write('exclude: ["10.77.2.49"]\n')
            more.write(f'name_server: "{NAME_SERVER}"\n')
        review = hardenprobe.scan(
            [a for s in NETWORK.stations if s.device.listed.listed for a in s.device.listed.addresses],
            inventory=inventory,
            scope=scope,
            only=checks,
            plugins=False,
            store=str(folder / "store.db"),
        )
        client.close()
    (folder / "review.pickle").write_bytes(pickle.dumps(review))


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
