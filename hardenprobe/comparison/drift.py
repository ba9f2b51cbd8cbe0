"""Facts that differ between two reviews of a device, whether or not a verdict did."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime

from hardenprobe.comparison.finding_state import Conditions, Entry
from hardenprobe.comparison.records import Drift
from hardenprobe.model import Device, Service, State

KINDS = frozenset({"snmp-engine", "tls-port"})
"""Of the observations that are looked at; the rest is in the device's record."""

_SLACK = 30.0  # seconds by which a device's clock may be behind before it counts as having been restarted


def drift(
    before: tuple[Device, Sequence[Entry]],
    after: tuple[Device, Sequence[Entry]],
    was: Conditions,
    now: Conditions,
) -> tuple[Drift, ...]:
    """Compare what two reviews know of a device.

    Args:
        before, after: The device, and its observations of `KINDS` as entries of the document.
        was, now: How each was made: a port that only one of them looked at is no difference.
    """
    (old, seen_old), (new, seen_new) = before, after
    return tuple(
        sorted(
            {
                *_record(old, new),
                *_identity(old, new),
                *_ports(old, new, was, now),
                *_certificates(seen_old, seen_new),
                *_restarts(seen_old, seen_new),
            },
            key=lambda one: (one.what, one.where, one.before or "", one.after or ""),
        )
    )


def _record(old: Device, new: Device) -> Iterator[Drift]:
    yield from _sets("address", (a.address for a in old.addresses), (a.address for a in new.addresses))
    yield from _sets("name", old.names, new.names)
    for what, was, now in (("kind", old.kind, new.kind), ("make and model", old.make_model, new.make_model)):
        if was != now:
            yield Drift(what=what, where="", before=was, after=now)


def _identity(old: Device, new: Device) -> Iterator[Drift]:
    """Serial, firmware, engine id, keys and what else it shows itself by; only kinds that were seen in both reviews."""
    was, now = _shown(old), _shown(new)
    for kind in was.keys() & now.keys():
        if kind not in ("address", "name", "asset-tag", "make-model", "device-kind"):  # of its record
            yield from _sets(kind.replace("-", " "), was[kind], now[kind])


def _shown(device: Device) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for one in device.identity:
        found.setdefault(one.kind, set()).add(one.value)
    return found


def _sets(what: str, was: Iterable[str], now: Iterable[str], where: str = "") -> Iterator[Drift]:
    old, new = set(was), set(now)
    gone, come = sorted(old - new), sorted(new - old)
    if gone or come:
        yield Drift(what=what, where=where, before=", ".join(gone) or None, after=", ".join(come) or None)


def _ports(old: Device, new: Device, was: Conditions, now: Conditions) -> Iterator[Drift]:
    """State and protocol of the ports that both reviews looked at."""
    before, after = _services(old), _services(new)
    for key in before.keys() | after.keys():
        transport, port, _ = key
        one, other = before.get(key), after.get(key)
        if (one is None and port not in was.ports.get(transport, ())) or (
            other is None and port not in now.ports.get(transport, ())
        ):
            continue
        said, says = _service(one), _service(other)
        if said != says:
            yield Drift(what="port", where=f"{port}/{transport}", before=said, after=says)


def _services(device: Device) -> dict[tuple[str, int, str], Service]:
    """By transport, port and, where the device has several of its family, address."""
    families = [":" in one.address for one in device.addresses]
    found: dict[tuple[str, int, str], Service] = {}
    for one in device.services:
        six = ":" in one.address
        where = one.address if families.count(six) > 1 else "6" if six else "4"
        found[one.transport, one.port, where] = one
    return found


def _service(one: Service | None) -> str | None:
    if one is None:
        return None
    if one.state is State.ACCEPTING and one.protocol:
        return f"{one.state}, speaks {one.protocol}"
    return str(one.state)


def _certificates(before: Sequence[Entry], after: Sequence[Entry]) -> Iterator[Drift]:
    was, now = _leaves(before), _leaves(after)
    for where in was.keys() & now.keys():
        yield from _sets("certificate", was[where], now[where], where)


def _leaves(entries: Sequence[Entry]) -> dict[str, set[str]]:
    """Each port's certificates, by their digest and last day."""
    found: dict[str, set[str]] = {}
    for entry in entries:
        if entry["kind"] == "tls-port" and entry["facts"]["speaks"]:
            leaves = [chain["certificates"][0] for chain in entry["facts"]["chains"] if chain["certificates"]]
            where = f"{entry['endpoint']['port']}/tcp"
            found.setdefault(where, set()).update(
                f"SHA-256 {leaf['sha256'][:16]}, until {leaf['not_after'][:10]}" for leaf in leaves
            )
    return found


def _restarts(before: Sequence[Entry], after: Sequence[Entry]) -> Iterator[Drift]:
    """Whether its SNMP engine was started again in between: it counts its starts, and the seconds since (RFC 3414)."""
    was, now = _engine(before), _engine(after)
    if was is None or now is None or was[0] != now[0]:
        return
    (_, boots, ran, at), (_, boots_now, runs, later) = was, now
    between = (datetime.fromisoformat(later) - datetime.fromisoformat(at)).total_seconds()
    if boots != boots_now or runs + _SLACK < ran + between:
        yield Drift(
            what="restart",
            where="",
            before=f"start {boots}, running for {ran:,} s",
            after=f"start {boots_now}, running for {runs:,} s",
        )


def _engine(entries: Sequence[Entry]) -> tuple[str, int, int, str] | None:
    """Engine id, starts, seconds since the last, and when it said so."""
    for entry in entries:
        facts = entry["facts"]
        if entry["kind"] == "snmp-engine" and None not in (facts["engine_id"], facts["boots"], facts["time"]):
            return facts["engine_id"], facts["boots"], facts["time"], entry["asked_at"]
    return None
