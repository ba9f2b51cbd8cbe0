"""Who uses a service, in words; and what may be said where nobody was seen."""

from __future__ import annotations

from hardenprobe.model.usage import ServiceUsage, UsageSource, User
from hardenprobe.reports.text import counted, visible

ASKED_DAYS = 14
"""Days that must be covered before it is said that a change can be made at once, where a review does not keep what its baseline
asks for (`usage_days`)."""


def summary(usage: ServiceUsage) -> str:
    """One phrase: who uses a service, or how far it is known that nobody does."""
    if usage.state == "not-covered":
        return "users not determined: no capture or flow record covers it"
    where = f"in {days(usage.days)} at {visible(', '.join(usage.places))}"
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
    return (
        f"{visible(user.client)}  {counted(user.conversations, 'conversation')}, {user.first} to {user.last}, "
        f"{user.bytes_sent:,} bytes sent, {user.bytes_received:,} received"
    )


def source_line(source: UsageSource) -> str:
    """One source, with what it covers."""
    lost = ""
    if source.lost is not None:
        share = 100 * source.lost / max(1, source.packets + source.lost)
        lost = f", {source.lost:,} more were lost ({share:.1f} %)"
    sample = f", one packet of {source.sampled} sampled" if source.sampled > 1 else ""
    return visible(
        f"{source.id}  {source.kind} {source.name} at {source.place}: {source.first} to {source.last}, "
        f"{counted(source.packets, 'packet')}{lost}{sample}, clients kept as {source.clients}"
    )


def days(number: float) -> str:
    """A covered time, in hours where it is less than two days."""
    return f"{number * 24:.1f} hours" if number < 2 else f"{number:.1f} days"
