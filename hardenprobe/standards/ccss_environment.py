"""Temporal and environmental scores, where a baseline or the inventory gives the metrics (NIST IR 7502, 2.2 and 2.3).

The base score and the severity of a finding stay as they are: what holds at one site orders the work there and rates no
finding down.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from hardenprobe.model import Device, Result
from hardenprobe.standards.ccss import ENVIRONMENTAL, TEMPORAL, read_group, score, whole_vector


@dataclass(frozen=True, kw_only=True)
class LocalMetrics:
    """What a baseline says of metrics beside the base ones, in vector notation; what is left out is not defined (ND).

    Attributes:
        temporal: By check: how exploited and how remedied its exposure is, such as "GEL:H/GRL:H".
        environmental: Of every device, such as "CDP:L/CR:M"; what the inventory says of a device goes before it.
    """

    temporal: Mapping[str, str] = field(default_factory=dict)
    environmental: str = ""


def weigh(
    results: Sequence[Result], devices: Iterable[Device], metrics_of: Callable[[Device], LocalMetrics]
) -> tuple[Result, ...]:
    """Put temporal and environmental scores on the findings that metrics are given for, and complete their vectors.

    Raises:
        ValueError: A metric is unknown; baselines and inventories are checked when they are read.
    """
    local: dict[str, tuple[Mapping[str, str], dict[str, str]]] = {}
    for device in devices:
        given = metrics_of(device)
        here = {
            **read_group(given.environmental, ENVIRONMENTAL),
            **read_group(device.ccss or "", ENVIRONMENTAL),
        }
        if here or given.temporal:
            local[device.id] = (given.temporal, here)
    return tuple(_weighed(r, *local[r.device]) if r.vector and r.device in local else r for r in results)


def _weighed(result: Result, by_check: Mapping[str, str], here: Mapping[str, str]) -> Result:
    now = read_group(by_check.get(result.check, ""), TEMPORAL)
    if not now and not here:
        return result
    vector = whole_vector(str(result.vector), now, here)
    scores = score(vector)
    return replace(result, vector=vector, temporal=scores.temporal, environmental=scores.environmental)
