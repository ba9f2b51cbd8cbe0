"""Check how well networked office devices are hardened at the network-protocol level, and prove it.

>>> import hardenprobe
>>> hardenprobe.score("AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A").base
6.8

The names of `__all__` are stable: what of them goes away or changes its meaning is said under *Changes*, a release before.
They are imported when they are first used, so that `import hardenprobe` costs nothing.
"""

from __future__ import annotations

import warnings
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from hardenprobe import facts
    from hardenprobe.checking.absence import no_service, off_tcp, off_udp
    from hardenprobe.checking.check import (
        Check,
        DeviceView,
        NoSettings,
        Outcome,
        fail,
        inapplicable,
        note,
        passed,
        unknown,
    )
    from hardenprobe.errors import (
        CeilingReached,
        ContractBroken,
        FileInvalid,
        HardenprobeError,
        MalformedReply,
        ScopeRefused,
        StoreRefused,
        UnknownName,
        Unreachable,
        UsageError,
    )
    from hardenprobe.facts import readable
    from hardenprobe.library import from_document, judge, load_review, scan, scan_async, to_document
    from hardenprobe.model import (
        Device,
        Endpoint,
        Observation,
        Reach,
        Reason,
        Remedy,
        Result,
        Review,
        Severity,
        State,
        Word,
    )
    from hardenprobe.probes.base import Probe, ProbeContext
    from hardenprobe.probes.question import question
    from hardenprobe.scanning.job import Progress
    from hardenprobe.standards.ccss import score, severity

    Asked = ProbeContext
    Seen = DeviceView
    untold = unknown

__version__ = "0.1.0"

_HOMES = {
    "checking.absence": ("no_service", "off_tcp", "off_udp"),
    "checking.check": (
        "Check",
        "DeviceView",
        "NoSettings",
        "Outcome",
        "fail",
        "inapplicable",
        "note",
        "passed",
        "unknown",
    ),
    "errors": (
        "CeilingReached",
        "ContractBroken",
        "FileInvalid",
        "HardenprobeError",
        "MalformedReply",
        "ScopeRefused",
        "StoreRefused",
        "UnknownName",
        "Unreachable",
        "UsageError",
    ),
    "facts": ("readable",),
    "library": ("from_document", "judge", "load_review", "scan", "scan_async", "to_document"),
    "probes.base": ("Probe", "ProbeContext"),
    "probes.question": ("question",),
    "model": (
        "Device",
        "Endpoint",
        "Observation",
        "Reach",
        "Reason",
        "Remedy",
        "Result",
        "Review",
        "Severity",
        "State",
        "Word",
    ),
    "scanning.job": ("Progress",),
    "standards.ccss": ("score", "severity"),
}
_RENAMED = {"Asked": "ProbeContext", "Seen": "DeviceView", "untold": "unknown"}
"""Names that go away with the next release, to those that replace them."""

_HOME = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "Asked",
    "CeilingReached",
    "Check",
    "ContractBroken",
    "Device",
    "DeviceView",
    "Endpoint",
    "FileInvalid",
    "HardenprobeError",
    "MalformedReply",
    "NoSettings",
    "Observation",
    "Outcome",
    "Probe",
    "ProbeContext",
    "Progress",
    "Reach",
    "Reason",
    "Remedy",
    "Result",
    "Review",
    "ScopeRefused",
    "Seen",
    "Severity",
    "State",
    "StoreRefused",
    "UnknownName",
    "Unreachable",
    "UsageError",
    "Word",
    "__version__",
    "facts",
    "fail",
    "from_document",
    "inapplicable",
    "judge",
    "load_review",
    "no_service",
    "note",
    "off_tcp",
    "off_udp",
    "passed",
    "question",
    "readable",
    "scan",
    "scan_async",
    "score",
    "severity",
    "to_document",
    "unknown",
    "untold",
]


if not TYPE_CHECKING:  # a type checker would take every name for one that is there

    def __getattr__(name: str) -> Any:
        """Import a public name when it is first asked for."""
        if name in _RENAMED:
            warnings.warn(
                f"hardenprobe.{name} is called {_RENAMED[name]} now; the old name goes away with the next release",
                DeprecationWarning,
                stacklevel=2,
            )
            name = _RENAMED[name]
        if name == "facts":  # the module: one record for each kind of observation
            return import_module(f"{__name__}.facts")
        if name not in _HOME:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        found = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
        globals()[name] = found
        return found


def __dir__() -> list[str]:
    return __all__
