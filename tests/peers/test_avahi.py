"""The checks of multicast DNS, against a widespread responder that is alone with us in a network of its own.

A responder speaks to every host of its link, so it gets a network namespace in which there is nothing but loopback.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.peer, pytest.mark.slow]

SETTINGS = """
[server]
host-name=device01
use-ipv4=yes
use-ipv6=no
enable-dbus=no
allow-interfaces=lo
[wide-area]
enable-wide-area=no
"""
SERVICE = """<?xml version="1.0" standalone='no'?><!DOCTYPE service-group SYSTEM "avahi-service.dtd">
<service-group><name>Scans</name><service><type>_ftp._tcp</type><port>21</port>
<txt-record>path=/</txt-record><txt-record>u=clerk</txt-record><txt-record>p=north-quay-9</txt-record>
</service></service-group>
"""
# Its services are read from one fixed folder, so that is covered by ours, for this namespace alone.
SCRIPT = """
set -e
ip link set lo multicast on up
ip route add 224.0.0.0/4 dev lo
mount --bind "$1/services" /etc/avahi/services
"$2" --file="$1/avahi.conf" --no-drop-root --no-chroot --no-rlimits > "$1/output" 2>&1 &
responder=$!
for _ in $(seq 100); do
    grep -q 'Service "Scans".*successfully established' "$1/output" && break
    sleep 0.1
done
"$3" -m hardenprobe scan 127.0.0.1 --only discovery-mdns --only discovery-credentials \\
    --store "$1/store.db" --json - || :
kill "$responder"
wait "$responder" || :
"""


@pytest.fixture(scope="module")
def found(program: Callable[[str, str], str], folder: Callable[[str], Path]) -> dict[str, Any]:
    """The review of a responder that publishes one service with a password."""
    daemon, alone = program("avahi-daemon", "avahi-daemon"), program("unshare", "util-linux")
    program("ip", "iproute2")
    if os.getuid() != 0 or subprocess.run((alone, "--net", "--mount", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make a network namespace")
    where = folder("avahi")
    (where / "services").mkdir()
    (where / "services" / "scans.service").write_text(SERVICE)
    (where / "avahi.conf").write_text(SETTINGS)
    command = (alone, "--net", "--mount", "sh", "-c", SCRIPT, "sh", where, daemon, sys.executable)
    done = subprocess.run(command, capture_output=True, text=True, timeout=50, check=False)
    assert done.stdout, done.stderr + (where / "output").read_text()
    assert "north-quay-9" not in done.stdout
    assert b"north-quay-9".hex() not in done.stdout
    result: dict[str, Any] = json.loads(done.stdout)
    return result


def test_it_is_found_by_a_unicast_question(found: dict[str, Any]) -> None:
    said = {(r["check"], r["result"], r["subject"]) for r in found["results"] if r["result"] != "notselected"}
    assert said == {
        ("discovery-mdns", "fail", None),
        ("discovery-credentials", "fail", "Scans._ftp._tcp.local."),
    }
