"""Use from a CSV file with documented columns."""

from __future__ import annotations

from pathlib import Path

import pytest

from hardenprobe.errors import FileInvalid
from hardenprobe.usage.collect import collect

HEADER = "client,device,transport,port,first,last,conversations,bytes_sent,bytes_received\n"
LINE = "192.0.2.40,192.0.2.7,tcp,515,2026-11-24T08:00:00Z,2026-11-24T17:30:00+01:00,31,812345,9312\n"


def test_a_line_is_who_used_what_and_when(tmp_path: Path) -> None:
    (file := tmp_path / "flows.csv").write_text("\ufeff" + HEADER + LINE)

    source, (use,) = collect(file, "the router", ["192.0.2.7"])

    assert (use.client, use.address, use.transport, use.port) == ("192.0.2.40", "192.0.2.7", "tcp", 515)
    assert (use.first, use.last) == ("2026-11-24T08:00:00Z", "2026-11-24T16:30:00Z")
    assert (use.conversations, use.bytes_sent, use.bytes_received) == (31, 812345, 9312)
    assert (source.first, source.last, source.devices) == (use.first, use.last, ("192.0.2.7",))


def test_columns_come_in_any_order_and_three_may_be_left_out(tmp_path: Path) -> None:
    header = "port,transport,device,client,last,first,remark\n"
    line = "161,UDP,2001:db8::7,2001:db8::40,2026-11-24T08:00:00Z,2026-11-24T08:00:00Z,x\n"
    (file := tmp_path / "flows.csv").write_text(header + line)

    _, (use,) = collect(file, "the router", ["2001:db8::7"])

    assert (use.transport, use.port, use.conversations) == ("udp", 161, 1)


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (
            "192.0.2.400,192.0.2.7,tcp,515,2026-11-24T08:00:00Z,2026-11-24T09:00:00Z,1,1,1",
            "2: client is '192.0.2.400'",
        ),
        (
            "192.0.2.40,192.0.2.7,sctp,515,2026-11-24T08:00:00Z,2026-11-24T09:00:00Z,1,1,1",
            "2: transport is 'sctp'",
        ),
        (
            "192.0.2.40,192.0.2.7,tcp,70000,2026-11-24T08:00:00Z,2026-11-24T09:00:00Z,1,1,1",
            "2: port is '70000'",
        ),
        (
            "192.0.2.40,192.0.2.7,tcp,515,2026-11-24T08:00:00,2026-11-24T09:00:00Z,1,1,1",
            "2: first is .* with its zone",
        ),
        (
            "192.0.2.40,192.0.2.7,tcp,515,2026-11-24T08:00:00Z,2026-11-24T07:00:00Z,1,1,1",
            "2: last is before first",
        ),
        ("192.0.2.40,192.0.2.7,tcp,515,2026-11-24T08:00:00Z", "2: 5 cells where the header has 9"),
        (
            "192.0.2.40,192.0.2.7,tcp,515,2026-11-24T08:00:00Z,2026-11-24T09:00:00Z,-1,1,1",
            "2: conversations is '-1'",
        ),
        ("x" * 5000, "2: this line has more than"),
    ],
)
def test_a_fault_names_the_line_and_what_is_expected(line: str, fault: str, tmp_path: Path) -> None:
    (file := tmp_path / "flows.csv").write_text(HEADER + line + "\n")

    with pytest.raises(FileInvalid, match=fault):
        collect(file, "the router", ["192.0.2.7"])


def test_a_header_that_quotes_a_column_away_is_refused(tmp_path: Path) -> None:
    (file := tmp_path / "flows.csv").write_text(
        '"x,transport,y",' + HEADER.replace("transport,", "") + "1,2,3,4,5,6,7,8,9\n"
    )

    with pytest.raises(FileInvalid, match="1: the header must name transport once"):
        collect(file, "the router", ["192.0.2.7"])
