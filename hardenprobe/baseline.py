"""Baselines: what is expected of which devices. YAML, shipped beside the checks or written by the user."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, field, fields
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from hardenprobe import gentleness, ruleset_files
from hardenprobe.check import Check
from hardenprobe.codec import digest
from hardenprobe.documents import Document, Spot, load_yaml, parse
from hardenprobe.errors import UnknownName
from hardenprobe.inventory import KINDS
from hardenprobe.link import Timing
from hardenprobe.registry import Registry
from hardenprobe.web_paths import WebPaths

DEFAULT = "office-device"
MOST_COMMUNITIES = 3  # published defaults that are ever tried on one device


@dataclass(frozen=True, kw_only=True)
class Ports:
    """The ports that a scan looks at."""

    tcp: tuple[int, ...]
    udp: tuple[int, ...] = (161,)


@dataclass(frozen=True, kw_only=True)
class Snmp:
    """What SNMP is asked with.

    Attributes:
        default_communities: Published defaults to try, three at most.
    """

    default_communities: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class BaselineFile:
    """A baseline file, key for key.

    Attributes:
        extends: Another baseline, shipped or a file beside this one; what this one says overrides it, key by key.
    """

    baseline: str
    extends: str | None = None
    title: str
    dated: str
    sources: tuple[str, ...]
    kinds: tuple[str, ...] = KINDS
    ports: Ports
    snmp: Snmp
    http_paths: tuple[str, ...] = ("/",)
    web: WebPaths = field(default_factory=WebPaths)
    must_determine: tuple[str, ...] = ()
    gentleness: Timing = field(default_factory=Timing)
    expect: dict[str, dict[str, Any] | None] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Baseline:
    """A baseline, resolved: every check's settings are typed and complete.

    Attributes:
        name: As the file says, such as "office-device/1".
        hash: SHA-256 over everything it decides.
        settings: Check id to the check's settings; a check that is not here is not selected.
    """

    name: str
    title: str
    dated: str
    source: str
    hash: str
    tcp_ports: tuple[int, ...]
    udp_ports: tuple[int, ...]
    communities: tuple[str, ...]
    http_paths: tuple[str, ...]
    web: WebPaths
    must_determine: frozenset[str]
    timing: Timing
    settings: Mapping[str, Any]
    file: BaselineFile


def shipped() -> dict[str, Path]:
    """Name to file of every baseline that comes with hardenprobe."""
    folder = Path(str(files("hardenprobe.baselines")))
    return {p.stem: p for p in sorted(folder.glob("*.yaml")) if not p.stem.startswith("rules-")}


def load(name: str, registry: Registry) -> Baseline:
    """Load a baseline by the name of a shipped one, or from a file.

    Raises:
        FileInvalid: With file, line and mend.
        UnknownName: No such baseline.
    """
    known = shipped()
    if name in known:
        return read(known[name], registry)
    if Path(name).suffix in (".yaml", ".yml") or "/" in name or Path(name).exists():
        return read(Path(name), registry)
    raise UnknownName("baseline", name, known, see="hardenprobe baseline list")


def read(path: Path, registry: Registry) -> Baseline:
    """Read and resolve a baseline file.

    Raises:
        FileInvalid: With file, line and mend.
    """
    document = _inherited(load_yaml(path), (path.resolve(),))
    file = parse(document, BaselineFile)
    _check_ports(document, file)
    gentleness.check(document, asdict(file.gentleness))
    if len(file.snmp.default_communities) > MOST_COMMUNITIES:
        raise document.fault(
            ("snmp", "default_communities"),
            f"at most {MOST_COMMUNITIES} communities are ever tried on a device",
        )
    for key in ("expect", "must_determine"):
        for i, name in enumerate(getattr(file, key)):
            if name not in registry.checks:
                spot: Spot = (key, name) if key == "expect" else (key, i)
                near = difflib.get_close_matches(name, registry.checks, n=1)
                hint = f"; did you mean {near[0]!r}?" if near else "; see `hardenprobe checks list`"
                raise document.fault(spot, f"{key} names {name!r}, which is no check{hint}")
    return Baseline(
        name=file.baseline,
        title=file.title,
        dated=file.dated,
        source=str(path),
        hash=digest(asdict(file)),
        tcp_ports=file.ports.tcp,
        udp_ports=file.ports.udp,
        communities=file.snmp.default_communities,
        http_paths=file.http_paths,
        web=file.web,
        must_determine=frozenset(file.must_determine),
        timing=file.gentleness,
        settings=_settings(document, file, registry),
        file=file,
    )


def _inherited(document: Document, line: tuple[Path, ...]) -> Document:
    """Put a baseline over the one that it extends.

    Args:
        line: The files from the first one down to this one, to see a circle.

    Raises:
        FileInvalid: The baseline that is extended is not there, is wrong, or comes back to itself.
    """
    name = document.data.get("extends")
    if name is None:
        return document
    known = shipped()
    path = known.get(str(name)) or line[-1].parent / str(name)
    if path.resolve() in line:
        raise document.fault(("extends",), f"extends {name!r} comes back to itself")
    if not path.is_file():
        raise document.fault(("extends",), str(UnknownName("baseline", str(name), known)))
    under = _inherited(load_yaml(path), (*line, path.resolve()))
    parse(under, BaselineFile)  # so that its faults are said of its own file
    data = {**under.data, **document.data}
    if isinstance(document.data.get("expect"), dict):
        above, below = document.data["expect"], under.data.get("expect", {})
        data["expect"] = {
            **below,
            **{
                check: {**(below.get(check) or {}), **given} if isinstance(given, dict) else given
                for check, given in above.items()
            },
        }
    return Document(document.file, data, document.lines)


def _settings(document: Document, file: BaselineFile, registry: Registry) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for check_id, check in registry.checks.items():
        given = file.expect.get(check_id)
        if check_id in file.expect:
            found[check_id] = parse(document, check.settings, ("expect", check_id), given or {})
            _check_rules(document, ("expect", check_id), found[check_id])
        elif not _required(check):
            found[check_id] = check.settings()
    return found


def _check_rules(document: Document, spot: Spot, settings: Any) -> None:
    """A rule-set that is not there is said now, with its line, and not by every device's result."""
    name = getattr(settings, "rules", None)
    known = ruleset_files.shipped()
    if isinstance(name, str) and name not in known:
        raise document.fault((*spot, "rules"), str(UnknownName("rule-set", name, known)))


def _required(check: Check[Any]) -> bool:
    """Tell whether a baseline must decide something for this check."""
    return any(
        f.default is MISSING and f.default_factory is MISSING and f.init for f in fields(check.settings)
    )


def _check_ports(document: Document, file: BaselineFile) -> None:
    for transport in ("tcp", "udp"):
        for i, port in enumerate(getattr(file.ports, transport)):
            if not 1 <= port <= 65535:
                raise document.fault(("ports", transport, i), f"port {port} is not 1 to 65535")


@cache
def titles() -> dict[str, str]:
    """Name to title of every shipped baseline, without resolving them."""
    return {name: str(load_yaml(path).data.get("title", "")) for name, path in shipped().items()}
