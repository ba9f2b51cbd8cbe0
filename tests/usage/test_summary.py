"""What may be said of a service's users, and of their absence."""

from __future__ import annotations

from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.reports.usage_text import summary
from hardenprobe.usage.summary import Usage, covered

DEVICE = "192.0.2.7"


def source(id: str, first: int, last: int, place: str = "the print server", **given: object) -> UsageSource:
    days = [f"2026-11-{day:02}T00:00:00Z" for day in (first, last)]
    return UsageSource(
        id=id, kind="capture", name="a.pcap", sha256=id, place=place, first=days[0], last=days[1], packets=1,
        **{"devices": (DEVICE,), **given},  # type: ignore[arg-type]
    )  # fmt: skip


def use(source: str, client: str, day: int, conversations: int = 1) -> Use:
    at = f"2026-11-{day:02}T12:00:00Z"
    return Use(source=source, client=client, address=DEVICE, transport="tcp", port=515, first=at, last=at,
               conversations=conversations, bytes_sent=10, bytes_received=1)  # fmt: skip


def test_users_are_summed_over_sources_and_the_one_seen_last_comes_first() -> None:
    usage = Usage(
        [source("a", 1, 8), source("b", 8, 15)],
        [use("a", "192.0.2.40", 3, 30), use("b", "192.0.2.40", 14, 1), use("a", "192.0.2.41", 5)],
    ).of([DEVICE], "tcp", 515)

    assert [(user.client, user.conversations, user.last[:10]) for user in usage.users] == [
        ("192.0.2.40", 31, "2026-11-14"),
        ("192.0.2.41", 1, "2026-11-05"),
    ]
    assert summary(usage) == (
        "2 clients in 14 days at the print server, last 192.0.2.40 on 2026-11-14 (31 conversations)"
    )


def test_gaps_are_not_covered_and_overlaps_count_once() -> None:
    assert covered([source("a", 1, 4), source("b", 3, 5), source("c", 10, 11)]) == 5 * 86400


def test_absence_is_said_for_the_covered_time_at_the_places_named() -> None:
    usage = Usage([source("a", 1, 15)], []).of([DEVICE], "tcp", 515)

    assert (usage.state, summary(usage)) == ("no-use-seen", "no use seen in 14 days at the print server")
    lost = Usage([source("a", 1, 15, lost=4)], []).of([DEVICE], "tcp", 515)
    assert summary(lost).endswith("of which only a part was captured")


def test_nothing_is_said_of_a_device_that_no_source_saw_and_of_what_is_asked_by_multicast() -> None:
    index = Usage([source("a", 1, 15)], [])

    assert index.of(["192.0.2.8"], "tcp", 515).state == "not-covered"
    assert index.of([DEVICE], "udp", 5353).state == "not-covered"
    assert "unused" not in summary(index.of(["192.0.2.8"], "tcp", 515))


def test_the_scan_is_no_user_of_what_it_scans() -> None:
    uses = [use("a", "192.0.2.10", 3), use("a", "192.0.2.40", 4)]
    both = Usage([source("a", 1, 15)], uses, {"192.0.2.10"}).of([DEVICE], "tcp", 515)
    alone = Usage([source("a", 1, 15)], uses[:1], {"192.0.2.10"}).of([DEVICE], "tcp", 515)

    assert [user.client for user in both.users] == ["192.0.2.40"]
    assert (alone.state, summary(alone)) == (
        "no-use-seen",
        "no use seen but by the scan itself in 14 days at the print server",
    )
