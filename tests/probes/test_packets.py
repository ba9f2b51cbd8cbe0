"""Messages of small protocols: any bytes end in a value or MalformedReply, soon, and silently."""

from __future__ import annotations

import contextlib
import logging
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hardenprobe.errors import MalformedReply
from hardenprobe.probes import packets
from hardenprobe.probes.packets import SIZE_CAP

READERS: dict[str, Callable[[bytes], Any]] = {
    "node status": lambda data: packets.decode_node_status(data, 7),
    "ntp mode 6": lambda data: packets.decode_ntp(data, 6, 7),
    "ntp mode 7": lambda data: packets.decode_ntp(data, 7, 7),
    "tftp": packets.decode_tftp,
    "smb1": packets.decode_smb1,
    "smb2": packets.decode_smb2,
}
HEADS = (
    b"\0\7\x84\0\0\0\0\1\0\0\0\0\x20" + b"CK" + b"A" * 30 + b"\0\0\x21\0\1\0\0\0\0\0\x41\x02",
    b"\x16\x82\0\7\0\0\0\0\0\0\0\x10",
    b"\x97\0\3\0\0\1\0\x20",
    b"\0\5\0\1",
    b"\xffSMBr\0\0\0\0\x80",
    b"\xfeSMB\x40\0\0\0\0\0\0\0\0\0\1\0\1\0\0\0",
)
hostile = st.builds(bytes.__add__, st.sampled_from((b"", *HEADS)), st.binary(max_size=200))
quiet = settings(suppress_health_check=[HealthCheck.too_slow], max_examples=60)


@pytest.mark.parametrize("name", READERS)
@quiet
@given(data=hostile)
def test_any_bytes_are_a_value_or_malformed(name: str, data: bytes) -> None:
    try:
        READERS[name](data)
    except MalformedReply as exc:
        assert "\n" not in str(exc)


@pytest.mark.parametrize("name", READERS)
def test_more_than_the_size_cap_is_not_even_looked_at(name: str) -> None:
    with pytest.raises(MalformedReply, match="bytes"):
        READERS[name](bytes(SIZE_CAP + 1))


@pytest.mark.parametrize("name", READERS)
def test_a_reflected_question_is_no_answer(name: str) -> None:
    question = {
        "node status": lambda: packets.encode_node_status(7),
        "ntp mode 6": lambda: packets.encode_ntp(6, 7),
        "ntp mode 7": lambda: packets.encode_ntp(7, 7),
        "tftp": lambda: packets.encode_read_request("x"),
        "smb1": lambda: packets.encode_smb1()[4:],
        "smb2": lambda: packets.encode_smb2(bytes(32))[4:],
    }[name]()
    with pytest.raises(MalformedReply):
        READERS[name](question)


def test_hostile_bytes_leave_no_line_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        for head in HEADS:
            for tail in (b"", b"\xc0\x0c" * 20, b"\xff" * 90):
                for read in READERS.values():
                    with contextlib.suppress(MalformedReply):
                        read(head + tail)
    assert not [r for r in caplog.records if r.name.startswith("scapy")]


@pytest.mark.slow
def test_scapy_is_imported_by_the_first_message_and_only_in_part() -> None:
    """Importing the engine costs nothing of it, and nothing ever opens a socket or imports the whole."""
    code = (
        "import sys, hardenprobe.scanning.engine\n"
        "assert not [m for m in sys.modules if m.startswith('scapy')]\n"
        "from hardenprobe.network import audit_hook as guard\n"
        "from hardenprobe.probes import packets\n"
        "with guard.watching():\n"
        "    packets.encode_mdns('x', 'PTR', 1)\n"
        "assert not guard.refusals, guard.refusals\n"
        "assert 'scapy.layers.dns' in sys.modules and 'scapy.all' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", code], check=True, timeout=30)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"\0\5\0\1File not found\0", "ERROR 1 File not found"),
        (b"\0\5\0\2\0", "ERROR 2"),
        (b"\0\3\0\1data", "DATA"),
        (b"\0\6blksize\x00512\0", "OACK"),
    ],
)
def test_tftp_replies_are_told_apart(data: bytes, says: str) -> None:
    assert packets.decode_tftp(data) == says


@pytest.mark.parametrize("data", [b"\0\1name\0octet\0", b"\0\4\0\1", b"\0\x09xx", b"\0\5", b""])
def test_what_no_tftp_server_sends_is_no_reply(data: bytes) -> None:
    with pytest.raises(MalformedReply):
        packets.decode_tftp(data)
