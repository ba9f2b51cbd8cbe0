"""A visit as JSON text, as a store keeps it and a worker returns it."""

from __future__ import annotations

import json
from dataclasses import asdict

from hardenprobe.model.document import canonical, decode_observations, encode_observation
from hardenprobe.model.observation import Cost
from hardenprobe.model.visit import Visit


def encode_visit(visit: Visit) -> str:
    """A visit as JSON text."""
    return canonical(
        {
            "address": visit.address,
            "vantage": visit.vantage,
            "outcome": visit.outcome,
            "why": visit.why,
            "eased": visit.eased,
            "source": visit.source,
            "on_link": visit.on_link,
            "same_as": visit.same_as,
            "cost": asdict(visit.cost),
            "observations": [encode_observation(o) for o in visit.observations],
        }
    ).decode()


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
        same_as=data.get("same_as"),
        cost=Cost(**data["cost"]),
        observations=tuple(decode_observations(data["observations"])),
    )
