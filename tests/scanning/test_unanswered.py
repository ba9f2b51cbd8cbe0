"""Why nobody answered, on links that really are as the test says."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys

import pytest

from hardenprobe.planning.plan import targets
from hardenprobe.scanning import unanswered

pytestmark = pytest.mark.slow

# RFC 2544 and RFC 5737 addresses, in a network namespace of the script's own; a touch has the kernel look for whoever is there.
SCRIPT = """
import socket, subprocess
from hardenprobe.planning.plan import targets
from hardenprobe.scanning import unanswered

def ip(*lines):
    for line in lines:
        subprocess.run(("ip", *line.split()), check=True, timeout=10)

def say(*texts, answered=()):
    for text in texts:
        sock = socket.socket(type=socket.SOCK_DGRAM)
        try:
            sock.sendto(b"", (text, 9))
        except OSError:
            pass
    print(repr(unanswered.notices(targets(texts), answered)))

ip("link set lo up", "link add ours type veth peer name theirs", "address add 198.18.0.1/24 dev ours")
say("198.18.0.9")
say("192.0.2.9", "192.0.2.10", "192.0.2.11", "192.0.2.12")
ip("link set ours up")
say("198.18.0.9")
ip("link set theirs up", "route add 192.0.2.0/24 via 198.18.0.77")
say("198.18.0.9")
say("192.0.2.9")
say("198.18.0.9", answered=["198.18.0.30"])
say("198.18.0.1", answered=["198.18.0.1"])
"""


def test_the_reason_is_this_machine_s_way_where_that_is_known() -> None:
    alone = shutil.which("unshare")
    if alone is None or os.getuid() or subprocess.run((alone, "--net", "true"), check=False).returncode:
        pytest.skip("needs the privilege to make network namespaces")
    command = (alone, "--net", sys.executable, "-c", SCRIPT)
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert ran.returncode == 0, ran.stderr
    begins = "no device answered at"
    assert [ast.literal_eval(line) for line in ran.stdout.splitlines()] == [
        [f"{begins} 198.18.0.9: interface ours (198.18.0.0/24) is down"],
        [
            f"{begins} 192.0.2.9, 192.0.2.10, 192.0.2.11 and 1 more: this machine has no route there, and nothing was sent"
        ],
        [f"{begins} 198.18.0.9: interface ours (198.18.0.0/24) is without carrier"],
        [
            f"{begins} 198.18.0.9: nobody on ours (198.18.0.0/24) answers address resolution; check cable, VLAN and addresses"
        ],
        [f"{begins} 192.0.2.9: router 198.18.0.77 does not answer address resolution"],
        [],
        [],
    ]


def test_loopback_needs_no_reason() -> None:
    assert unanswered.notices(targets(["127.0.0.9"]), []) == []
