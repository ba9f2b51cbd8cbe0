"""demo_lab.__main__ and demo_lab.process: start, stop, counters, and refusals in one line."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from support.offset import OFFSET

import hardenprobe
from hardenprobe.demo_lab import INVENTORY, declarations, running_lab, server
from hardenprobe.demo_lab.process import HOSTILE
from hardenprobe.errors import FileInvalid, UsageError

# Addresses of this run's own, so that two runs on one machine do not meet.
NET = f"127.{100 + os.getpid() % 100}.{os.getpid() // 100 % 250}"
SMALL = f"""
  - asset_tag: "T-1"
    addresses: ["{NET}.1"]
    lab: {{model: "Printer", services: [{{speaks: "raw-print"}}, {{speaks: "telnet"}}]}}
  - asset_tag: "T-2"
    addresses: ["{NET}.2"]
    lab: {{model: "Printer", services: [{{speaks: "http"}}]}}
"""

pytestmark = pytest.mark.slow  # a child process for each


def run(*arguments, said=""):
    return subprocess.run(
        [sys.executable, "-m", "hardenprobe.demo_lab", *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": str(Path(hardenprobe.__file__).parent.parent)},
        input=said, capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip


@pytest.mark.slow
def test_the_shipped_lab_starts_and_stops_quickly(lab_of):
    began = time.monotonic()
    with lab_of(None) as lab:
        started = time.monotonic()
        ended = None
        folder = lab.ca_file.parent
        assert lab.ca_file.read_bytes().startswith(b"-----BEGIN CERTIFICATE-----")
        assert folder.stat().st_mode & 0o077 == 0
        stopping = time.monotonic()
    ended = time.monotonic()

    print(f"start {started - began:.2f} s, stop {ended - stopping:.2f} s")
    assert started - began < 3
    assert ended - stopping < 3
    assert not folder.exists()
    assert lab.devices >= 24
    assert lab.final is not None


def test_closing_the_input_ends_it_with_the_counters(write_inventory):
    done = run("--inventory", write_inventory(SMALL), "--port-offset", OFFSET, said="counters\nnonsense\n")
    lines = [json.loads(line) for line in done.stdout.splitlines()]

    assert done.returncode == 0
    assert done.stderr == ""
    assert lines[0].keys() == {"ready", "port_offset", "inventory", "ca_file", "devices", "sockets"}
    assert (lines[0]["port_offset"], lines[0]["devices"], lines[0]["sockets"]) == (OFFSET, 2, 3)
    assert lines[1:] == [{"raw_print_bytes": {"T-1": 0}, "connections": {}, "ports": {}}] * 2


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_with_open_connections(write_inventory, number):
    with (
        running_lab(write_inventory(SMALL), port_offset=OFFSET) as lab,
        socket.create_connection((f"{NET}.1", 9100 + OFFSET), 5) as line,
    ):
        line.sendall(b"12345")
        while lab.counters()["raw_print_bytes"]["T-1"] < 5:
            pass
        os.kill(lab.pid, number)
        assert line.recv(1) == b""

    assert lab.final == {
        "raw_print_bytes": {"T-1": 5},
        "connections": {f"{NET}.1": 1},
        "ports": {f"{NET}.1 9100": 1},
    }


def test_a_block_that_raises_leaves_no_process_behind(write_inventory):
    with pytest.raises(ZeroDivisionError), running_lab(write_inventory(SMALL), port_offset=OFFSET) as lab:
        raise ZeroDivisionError

    with pytest.raises(ProcessLookupError):
        os.kill(lab.pid, 0)
    with pytest.raises(UsageError, match="stopped"):
        lab.counters()


def test_only_the_named_addresses_are_bound(write_inventory):
    with running_lab(write_inventory(SMALL), port_offset=OFFSET, addresses=[f"{NET}.2"]) as lab:
        assert (lab.devices, lab.sockets) == (1, 1)
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((f"{NET}.1", 23 + OFFSET), 5)


def test_an_address_in_use_is_named(write_inventory):
    path = write_inventory(SMALL)
    with socket.create_server((f"{NET}.2", 80 + OFFSET)):
        done = run("--inventory", path, "--port-offset", OFFSET)
        with (
            pytest.raises(UsageError, match="in use"),
            running_lab(path, OFFSET),
        ):
            pass

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        f"demo lab: {NET}.2 tcp port {80 + OFFSET} is in use already; stop what uses it, or choose another --port-offset\n"
    )


@pytest.mark.parametrize(
    ("lab", "says"),
    [
        ('{services: []}', "the key 'model' is missing"),
        ('{model: "P", services: [{speaks: "telnett"}]}', "did you mean telnet?"),
        ('{model: "P", services: [{speaks: "telnet", prt: 5}]}', "unknown key 'prt'; did you mean 'port'?"),
        ('{model: "P", services: [{speaks: "telnet", port: 0}]}', "port 0 is not 1 to 65535"),
        ('{model: "P", services: [{speaks: "silent"}]}', "the key 'port' is missing"),
        ('{model: "P", services: [{speaks: "https"}]}', "'https' needs the key 'tls'"),
        ('{model: "P", services: [{speaks: "telnet"}, {speaks: "http", port: 23}]}', "tcp port 23 is taken"),
        ('{model: "P", tls: {versions: ["1.0", "1.2"]}}', "without a gap"),
        ('{model: "P", allow: [{entries: ["127.77.1.1/24"]}]}', "127.77.1.1/24"),
        ('{model: "P", allow: [{entries: [], services: ["snpm"]}]}', "did you mean snmp?"),
        ('{model: "P", services: [{speaks: "snmp", versions: ["4"]}]}', "versions.0"),
        ('{model: "P", services: [{speaks: "snmp", versions: ["3"], users: [{name: "u", password: "short"}]}]}', "8 characters"),
    ],
)  # fmt: skip
def test_a_bad_declaration_is_named_with_its_line(write_inventory, lab, says):
    path = write_inventory(f'  - asset_tag: "T-1"\n    addresses: ["{NET}.1"]\n    lab: {lab}\n')
    with pytest.raises(FileInvalid) as caught:
        declarations.load(path)

    assert says in str(caught.value)
    assert (caught.value.file, caught.value.line) == (str(path), 5)


def test_a_bad_inventory_is_one_line_and_exit_2(write_inventory):
    path = write_inventory('  - asset_tag: "T-1"\n    addresses: ["127.0.0.300"]\n')
    done = run("--inventory", path)

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"demo lab: {path}:4: '127.0.0.300' is no IP address\n"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--inventory", "/nowhere.yaml"], "cannot be read"),
        (["--addresses", "127.77.0.250"], "'127.77.0.250'"),
        (["--port-offset", "60000"], "which is no port"),
    ],
)
def test_bad_arguments_are_one_line_and_exit_2(arguments, says):
    done = run(*arguments)

    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)
    assert says in done.stderr


def test_no_device_can_be_told_to_leave_loopback(write_inventory):
    path = write_inventory('  - asset_tag: "T-1"\n    addresses: ["192.0.2.1"]\n    lab: {model: "P"}\n')
    with pytest.raises(FileInvalid, match="192.0.2.1 is no loopback address"):
        declarations.load(path)


def test_the_offset_is_0_exactly_where_low_ports_may_be_bound(write_inventory):
    devices = declarations.load(write_inventory(SMALL))
    with socket.socket() as probe:
        try:
            probe.bind((f"{NET}.1", 23))
            expected = 0
        except PermissionError:
            expected = server.OFFSET

    assert server.choose_offset(devices) == expected
    assert server.choose_offset([]) == 0


def test_the_shipped_inventory_holds_what_a_demonstration_needs():
    devices = declarations.load(INVENTORY)
    on_line = declarations.simulated(devices)

    assert len(on_line) >= 24
    assert {d.listed.kind for d in devices} == {
        "printer",
        "multifunction",
        "scanner",
        "label-printer",
        "plotter",
    }
    assert any(d.lab is None for d in devices)
    assert any(not d.listed.listed for d in on_line)
    assert any(len(d.listed.addresses) > 1 for d in on_line)
    assert any(d.listed.fragile for d in on_line)
    everywhere = (*on_line, *declarations.load(HOSTILE))
    assert {s.speaks for d in everywhere for s in d.services} == {
        name
        for name, one in declarations.Service.registry.items()
        if one.__module__.startswith("hardenprobe.") and name not in ("odd-snmp", "odd-ipp", "odd-datagrams")
    }  # a plug-in under test may have brought others, and odd texts are for tests alone


def test_labs_run_beside_each_other_at_offsets_of_their_own(write_inventory):
    path = write_inventory(SMALL)
    with running_lab(path) as one, running_lab(path) as other, running_lab(path) as third:
        offsets = {lab.port_offset for lab in (one, other, third)}
        assert len(offsets) == 3
        for lab in (one, other, third):
            with socket.create_connection((f"{NET}.1", 23 + lab.port_offset), 2):
                pass
