"""Who used which service, kept in the database of the reviews: sources with what they cover, and a row for each client of a
service. A source goes as a whole, when its period is no longer needed.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from dataclasses import asdict

import sqlalchemy as sa

from hardenprobe.errors import StoreRefused, UnknownName, UsageError
from hardenprobe.facts import ServiceUsed
from hardenprobe.model import Transport
from hardenprobe.model.usage import UsageSource, Use
from hardenprobe.store.known_devices import known_devices
from hardenprobe.store.schema import usage as _uses
from hardenprobe.store.schema import usage_sources as _sources
from hardenprobe.store.store import Store

_BOUND = 500  # values in one question, fewer than any database refuses


def keep(store: Store, source: UsageSource, uses: Iterable[Use]) -> None:
    """Keep what a source says.

    Raises:
        UsageError: The same file is kept already, and would count twice.
        StoreRefused: The store cannot be written. Nothing is kept in half.
    """
    with store.writing() as db:
        query = sa.select(_sources.c.id).where(_sources.c.sha256 == source.sha256)
        if known := db.execute(query).scalar():
            raise UsageError(
                f"{source.name} is kept already, as {known}; `hardenprobe usage prune {known}` takes it out"
            )
        insert(db, source, uses)


def insert(db: sa.Connection, source: UsageSource, uses: Iterable[Use]) -> None:
    """Write what a source says, in a transaction of the caller."""
    text = json.dumps(asdict(source), sort_keys=True)
    db.execute(_sources.insert().values(id=source.id, sha256=source.sha256, last=source.last, document=text))
    if rows := [asdict(use) for use in uses]:
        db.execute(_uses.insert(), rows)


def sources(store: Store) -> tuple[UsageSource, ...]:
    """Every source, the oldest period first.

    Raises:
        StoreRefused: One was changed from outside.
    """
    with store.reading() as db:
        if not sa.inspect(db).has_table(_sources.name):
            return ()
        texts = db.execute(sa.select(_sources.c.document)).scalars().all()
    try:
        found = [
            UsageSource(
                **{
                    **(one := json.loads(text)),
                    "notices": tuple(one["notices"]),
                    "devices": tuple(one["devices"]),
                }
            )
            for text in texts
        ]
    except (ValueError, TypeError, KeyError) as exc:
        raise StoreRefused(f"a source of use in store {store.shown} was changed from outside") from exc
    return tuple(sorted(found, key=lambda one: (one.first, one.id)))


def uses(store: Store, addresses: Collection[str] | None = None) -> tuple[Use, ...]:
    """Who used the services of some addresses, or of all.

    Raises:
        StoreRefused: The store cannot be read.
    """
    with store.reading() as db:
        if not sa.inspect(db).has_table(_uses.name):
            return ()
        order = (_uses.c.address, _uses.c.transport, _uses.c.port, _uses.c.client, _uses.c.source)
        query = sa.select(_uses).order_by(*order)
        if addresses is None:
            return tuple(Use(**row) for row in db.execute(query).mappings())
        some = sorted(addresses)
        found = []
        for at in range(0, len(some), _BOUND):
            rows = db.execute(query.where(_uses.c.address.in_(some[at : at + _BOUND]))).mappings()
            found += [Use(**row) for row in rows]
        return tuple(found)


def of_services(
    store: Store, services: Collection[tuple[Transport, int]], day: str
) -> dict[str, tuple[ServiceUsed, ...]]:
    """Which of some services were used at which address, by all clients but those that any scan of the store was made from.

    Args:
        day: ISO 8601; what expired by then is left out.

    Raises:
        StoreRefused: The store cannot be read.
    """
    current = {one.id: one for one in sources(store) if not one.expired(day)}
    if not current:
        return {}
    ours = scanners(store)
    query = sa.select(_uses).where(_uses.c.port.in_({port for _, port in services}))
    found: dict[tuple[str, Transport, int], list[Use]] = {}
    with store.reading() as db:
        for row in db.execute(query).mappings():
            use = Use(**row)
            if (use.transport, use.port) in services and use.source in current and use.client not in ours:
                found.setdefault((use.address, use.transport, use.port), []).append(use)
    used: dict[str, list[ServiceUsed]] = {}
    for (address, transport, port), some in sorted(found.items()):
        used.setdefault(address, []).append(
            ServiceUsed(
                transport=transport,
                port=port,
                clients=len({one.client for one in some}),
                conversations=sum(one.conversations for one in some),
                first=min(one.first for one in some),
                last=max(one.last for one in some),
                places=tuple(sorted({current[one.source].place for one in some})),
            )
        )
    return {address: tuple(some) for address, some in used.items()}


def scanners(store: Store) -> frozenset[str]:
    """The addresses that the scans of a store were made from."""
    vantages = [one for name, _, _ in store.begun_since("") for one in store.outline(name).vantages]
    return frozenset(source for one in vantages for source in (one.source, *one.sources) if source)


def prune(
    store: Store, names: Collection[str], before: str | None = None, expired: str | None = None
) -> tuple[str, ...]:
    """Delete sources with all that they say.

    Args:
        names: Ids.
        before: Day (ISO 8601): every source whose period ended before it.
        expired: Day (ISO 8601): every source that expired by then.

    Returns:
        The ids of what was deleted.

    Raises:
        UnknownName: There is no source of that id.
        StoreRefused: The store cannot be written. Nothing is deleted in half.
    """
    known = {one.id: one for one in sources(store)}
    for name in names:
        if name not in known:
            raise UnknownName("source of use", name, known, see="hardenprobe usage show")
    gone = tuple(
        one.id
        for one in known.values()
        if one.id in names or (before and one.last < before) or (expired and one.expired(expired))
    )
    if gone:
        with store.writing() as db:
            for at in range(0, len(gone), _BOUND):
                some = gone[at : at + _BOUND]
                db.execute(_uses.delete().where(_uses.c.source.in_(some)))
                db.execute(_sources.delete().where(_sources.c.id.in_(some)))
    return gone


def device_addresses(store: Store) -> frozenset[str]:
    """The addresses of every device that the reviews of any scope met, where each was met last."""
    scopes = dict.fromkeys(scope for _, scope, _ in store.begun_since(""))
    return frozenset(
        address for scope in scopes for met in known_devices(store, scope) for address in met.addresses
    )
