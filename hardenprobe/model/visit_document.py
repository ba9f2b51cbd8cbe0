"""A visit as JSON text, as a store keeps it and a worker returns it."""

from __future__ import annotations

import json
from dataclasses import asdict

from hardenprobe.model.document import canonical, decode_observations
from hardenprobe.model.observation import Cost
from hardenprobe.model.visit import Visit


def encode_visit(visit: Visit) -> str:
    """A visit as JSON text."""
    plain = canonical(
        {
            "address": visit.address,
            "vantage": visit.vantage,
            "outcome": visit.outcome,
            "why": visit.why,
            "eased": visit.eased,
            "source": visit.source,
            "on_link": visit.on_link,
            "link_layer": visit.link_layer,
            "same_as": visit.same_as,
            "cost": asdict(visit.cost),
            "observations": [],
        }
    ).decode()
    key = '"observations":'  # in a text of JSON its quotes would be escaped
    return plain.replace(f"{key}[]", key + visit.entries, 1)


def decode_visit(text: str) -> Visit:
    """Read a visit back.

    Raises:
        ValueError, KeyError, TypeError, UsageError: It is none.
    """
    data = json.loads(text)
    return Visit(
        address=data["address"],
        vantage=data["vantage"],
        outcome=data["outcome"],
        why=data["why"],
        eased=data["eased"],
        source=data.get("source"),
        on_link=data.get("on_link"),
        link_layer=data.get("link_layer"),
        same_as=data.get("same_as"),
        cost=Cost(**data["cost"]),
        observations=tuple(decode_observations(data["observations"])),
    )
