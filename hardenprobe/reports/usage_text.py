"""Who uses a service, in words; and what may be said where nobody was seen."""

from __future__ import annotations

from hardenprobe.model.usage import ServiceUsage, UsageSource, User
from hardenprobe.reports.text import counted, visible

ASKED_DAYS = 14
"""Days that must be covered before it is said that a change can be made at once, where a review does not keep what its baseline
asks for (`usage_days`)."""
_UNITS = {86400: "day", 3600: "hour", 60: "minute"}  # by their seconds


def summary(usage: ServiceUsage) -> str:
    """One phrase: who uses a service, or how far it is known that nobody does."""
    if usage.state == "not-covered":
        return "users not determined: no capture or flow record covers it"
    seen = [f"in {days(usage.days)} at {visible(', '.join(usage.places))}"] if usage.places else []
    where = " and ".join([*seen, *(["in the device's own table"] if usage.reported else [])])
    if usage.state == "no-use-seen":
        but = " but by the scan itself" if usage.scanned else ""
        return f"no use seen{but} {where}" + (", of which only a part was captured" if usage.partial else "")
    last = usage.users[0]
    number = counted(last.conversations, "conversation")
    return f"{counted(len(usage.users), 'client')} {where}, last {visible(last.client)} on {last.last[:10]} ({number})"


def users(usage: ServiceUsage, most: int = 10) -> str:
    """The summary with the clients by name, for a cell."""
    names = [visible(user.client) for user in usage.users[:most]]
    names += [f"{len(usage.users) - most:,} more"] if len(usage.users) > most else []
    return f"{summary(usage)}: {', '.join(names)}" if names else summary(usage)


def user_line(user: User) -> str:
    """One client of a service."""
    # Tables of connections, and lists without those columns, count no bytes.
    size = f", {user.bytes_sent:,} bytes sent, {user.bytes_received:,} received"
    return (
        f"{visible(user.client)}  {counted(user.conversations, 'conversation')}, {user.first} to {user.last}"
        + (size if user.bytes_sent or user.bytes_received else "")
    )


KINDS = {"capture": "capture", "flow-records": "flow records", "table": "device table"}


def source_line(source: UsageSource, day: str = "") -> str:
    """One source, with what it covers.

    Args:
        day: ISO 8601; it is said of one that expired by then.
    """
    if source.expires is None:
        until = ""
    elif source.expired(day):
        until = f"; expired on {source.expires}, not used"
    else:
        until = f"; expires on {source.expires}"
    lost = ""
    if source.lost is not None:
        share = 100 * source.lost / max(1, source.packets + source.lost)
        lost = f", {source.lost:,} more were lost ({share:.1f} %)"
    sample = f", one packet of {source.sampled} sampled" if source.sampled > 1 else ""
    packets = "" if source.kind == "table" else f", {counted(source.packets, 'packet')}"
    return visible(
        f"{source.id}  {KINDS[source.kind]} {source.name} at {source.place}: {source.first} to {source.last}"
        f"{packets}{lost}{sample}, clients kept as {source.clients}{until}"
    )


def days(number: float) -> str:
    """A covered time: in hours where it is less than two days, in minutes or seconds where it is less than one of those."""
    for least, unit in ((2 * 86400, 86400), (3600, 3600), (60, 60)):
        if number * 86400 >= least:
            size = round(number * 86400 / unit, 1)
            return f"{size:g} {_UNITS[unit]}{'s' if size != 1 else ''}"
    return f"{number * 86400:.0f} seconds"
