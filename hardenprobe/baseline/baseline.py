"""Baselines: what is expected of which devices. YAML, shipped beside the checks or written by the user."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import MISSING, asdict, dataclass, field, fields
from functools import cache, reduce
from pathlib import Path
from typing import Any

from hardenprobe.checking.check import Check, NoSettings
from hardenprobe.errors import FileInvalid, UnknownName, clip
from hardenprobe.model import KINDS, BaselineRule, Device
from hardenprobe.model.document import digest
from hardenprobe.model.yaml_file import Document, Spot, attempt, load_yaml
from hardenprobe.plugins.registry import BROUGHT, Registry
from hardenprobe.scope import limits as gentleness
from hardenprobe.scope.limits import Timing, TlsEnumeration
from hardenprobe.scope.ports import FIRST_PORTS
from hardenprobe.scope.web_paths import WebPaths
from hardenprobe.standards import controls, rule_files
from hardenprobe.standards.ccss import ENVIRONMENTAL, TEMPORAL, read_group
from hardenprobe.standards.ccss_environment import LocalMetrics
from hardenprobe.standards.rule_files import shipped_baselines

DEFAULT = "office-device"
DEEPEST = 4  # baselines below one, so that a reader can find where a value came from
MOST_COMMUNITIES = 3  # published defaults that are ever tried on one device


@dataclass(frozen=True, kw_only=True)
class Ports:
    """The ports that a scan looks at.

    Attributes:
        first: TCP ports that tell whether anybody is at an address of a range, in turn; those that print are tried last.
    """

    tcp: tuple[int, ...]
    udp: tuple[int, ...] = (161,)
    first: tuple[int, ...] = FIRST_PORTS


@dataclass(frozen=True, kw_only=True)
class Snmp:
    """What SNMP is asked with.

    Attributes:
        default_communities: Published defaults to try, three at most.
    """

    default_communities: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class LongestDays:
    """How many days an exception may run, by the severity of the worst finding that it accepts."""

    high: int = 30
    medium: int = 90
    low: int = 365


@dataclass(frozen=True, kw_only=True)
class DueDays:
    """How many days there are to fix a finding, by its severity; None for as many as it takes."""

    high: int | None = None
    medium: int | None = None
    low: int | None = None


@dataclass(frozen=True, kw_only=True)
class ExceptionRules:
    """What an exception must keep to."""

    longest_days: LongestDays = field(default_factory=LongestDays)


@dataclass(frozen=True, kw_only=True)
class BaselineFile:
    """A baseline file, key for key.

    Attributes:
        extends: Another baseline, shipped or a file beside this one; what this one says overrides it, key by key, and a
            list as a whole.
        kinds: The kinds of device that it is meant for, `for` in the file; others get it with a notice.
        must_determine: Checks whose `unknown` makes a scan incomplete.
        allowed_services: Services that may be there, in the words of Check.service: reported as informational, and no finding.
        tls_suites: "complete" asks for every cipher suite, "classes" for one of each class that a shipped rule-set distinguishes,
            in at most 24 connections a port. Where it is not said: classes at devices marked fragile, complete elsewhere.
        people: Controls that must be attested; see standards/controls.py.
        due_days: Until when findings are to be fixed, counted from the day when they were first observed.
        usage_days: Days without use that must be covered before a report says that a remediation can be made at once.
        expect: Check id to what the baseline decides for it.
    """

    baseline: str
    extends: str | None = None
    title: str
    dated: str
    sources: tuple[str, ...]
    kinds: tuple[str, ...] = field(default=KINDS, metadata={"alias": "for"})  # a word of Python's own
    ports: Ports
    snmp: Snmp
    http_paths: tuple[str, ...] = ("/",)
    web: WebPaths = field(default_factory=WebPaths)
    must_determine: tuple[str, ...] = ()
    allowed_services: tuple[str, ...] = ()
    tls_suites: TlsEnumeration | None = None
    people: tuple[str, ...] = ()
    gentleness: Timing = field(default_factory=Timing)
    exceptions: ExceptionRules = field(default_factory=ExceptionRules)
    due_days: DueDays = field(default_factory=DueDays)
    usage_days: int = 14  # common practice (no published requirement)
    ccss: LocalMetrics = field(default_factory=LocalMetrics)
    expect: dict[str, dict[str, Any] | None] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Baseline:
    """A baseline, resolved: every check's settings are typed and complete.

    Attributes:
        name: As the file says, such as "office-device/1".
        source: How it is called: the name of a shipped one, else its file.
        hash: SHA-256 over everything it decides.
        settings: Check id to the check's settings; a check that is not here is not selected.
        document: What was written where, in this file and in those that it extends.
        extends: The files below it, the nearest first.
    """

    name: str
    title: str
    dated: str
    source: str
    hash: str
    tcp_ports: tuple[int, ...]
    udp_ports: tuple[int, ...]
    first_ports: tuple[int, ...]
    communities: tuple[str, ...]
    http_paths: tuple[str, ...]
    web: WebPaths
    must_determine: frozenset[str]
    allowed_services: frozenset[str]
    tls_suites: TlsEnumeration | None
    people: tuple[str, ...]
    timing: Timing
    settings: Mapping[str, Any]
    file: BaselineFile
    document: Document = field(repr=False, compare=False)
    extends: tuple[str, ...] = ()

    @property
    def rules(self) -> tuple[BaselineRule, ...]:
        """A baseline alone is for every device."""
        return (BaselineRule(baseline=self.source),)

    def of(self, device: Device) -> Baseline:
        """The baseline of any device."""
        return self


def load(name: str, registry: Registry) -> Baseline:
    """Load a baseline by the name of a shipped one, or from a file.

    Raises:
        FileInvalid: With file, line and how to fix it.
        UnknownName: No such baseline.
    """
    return read(find(name), registry)


def find(name: str) -> Path:
    """The file of a baseline.

    Raises:
        UnknownName: It is no shipped one, and does not look like a file.
    """
    known = shipped_baselines()
    if name in known:
        return known[name]
    if Path(name).suffix in (".yaml", ".yml") or "/" in name or Path(name).exists():
        return Path(name)
    raise UnknownName("baseline", name, known, see="hardenprobe baseline list")


def read(path: Path, registry: Registry) -> Baseline:
    """Read and resolve a baseline file.

    Raises:
        FileInvalid: With file, line and how to fix it.
    """
    chain = inheritance(path)
    found = resolve(chain, registry)
    if isinstance(found, list):
        raise found[0]
    return found


def inheritance(path: Path) -> tuple[Document, ...]:
    """Read a baseline file and those that it extends, the furthest last.

    Raises:
        FileInvalid: One is not there, is no YAML, comes back to itself, or lies too deep.
    """
    chain = [load_yaml(path)]
    seen = [path.resolve()]
    while (name := chain[-1].data.get("extends")) is not None:
        above, known = chain[-1], shipped_baselines()
        path = known.get(str(name)) or path.parent / str(name)
        if path.resolve() in seen:
            raise above.fault(("extends",), f"extends {name!r} comes back to itself; take one `extends` out")
        if len(chain) > DEEPEST:
            raise above.fault(
                ("extends",),
                f"extends {name!r} lies {len(chain)} files deep, at most {DEEPEST} may; extend one further up",
            )
        if not path.is_file():
            raise above.fault(("extends",), str(UnknownName("baseline", str(name), known)))
        seen.append(path.resolve())
        chain.append(load_yaml(path))
    return tuple(chain)


def resolve(chain: Sequence[Document], registry: Registry) -> Baseline | list[FileInvalid]:
    """Put a baseline over what it extends, and everything it says into types; or all that is wrong with it."""
    document = reduce(lambda below, above: above.over(below), chain[::-1])
    file = attempt(document, BaselineFile)
    if isinstance(file, list):
        return file
    faults = list(_faults(document, file, registry))
    settings: dict[str, Any] = {}
    for check_id, check in registry.checks.items():
        if check_id in registry.stand_ins:  # what the baseline decides for it cannot be read just now
            settings[check_id] = NoSettings()
            continue
        if check_id not in file.expect and _required(check):
            continue
        given = attempt(document, check.settings, ("expect", check_id), file.expect.get(check_id) or {})
        if isinstance(given, list):
            faults += given
        else:
            settings[check_id] = given
            faults += _rule_faults(document, ("expect", check_id), given)
    if faults:
        return faults
    path = Path(document.file)
    return Baseline(
        name=file.baseline,
        title=file.title,
        dated=file.dated,
        source=path.stem if path == shipped_baselines().get(path.stem) else str(path),
        hash=digest(asdict(file)),
        tcp_ports=file.ports.tcp,
        udp_ports=file.ports.udp,
        first_ports=file.ports.first,
        communities=file.snmp.default_communities,
        http_paths=file.http_paths,
        web=file.web,
        must_determine=frozenset(file.must_determine),
        allowed_services=frozenset(file.allowed_services),
        tls_suites=file.tls_suites,
        people=file.people,
        timing=file.gentleness,
        settings=settings,
        file=file,
        document=document,
        extends=tuple(one.file for one in chain[1:]),
    )


def _required(check: Check[Any]) -> bool:
    """Tell whether a baseline must decide something for this check."""
    return any(
        f.default is MISSING and f.default_factory is MISSING and f.init for f in fields(check.settings)
    )


def _metric_faults(document: Document, given: LocalMetrics, registry: Registry) -> Iterator[FileInvalid]:
    groups: list[tuple[Spot, str, Mapping[str, Mapping[str, float]]]] = [
        (("ccss", "temporal", check), text, TEMPORAL) for check, text in given.temporal.items()
    ]
    for spot, text, group in (*groups, (("ccss", "environmental"), given.environmental, ENVIRONMENTAL)):
        try:
            read_group(text, group)
        except ValueError as exc:
            yield document.fault(spot, f"{'.'.join(map(str, spot))}: {exc}")
    for check in given.temporal:
        if check not in registry.checks:
            wrong = UnknownName("check", check, registry.checks, see="hardenprobe checks list", **BROUGHT)
            yield document.fault(("ccss", "temporal", check), str(wrong))


def _faults(document: Document, file: BaselineFile, registry: Registry) -> Iterator[FileInvalid]:
    """What is wrong with a file whose keys are right."""
    for transport in ("tcp", "udp", "first"):
        for i, port in enumerate(getattr(file.ports, transport)):
            if not 1 <= port <= 65535:
                yield document.fault(("ports", transport, i), f"port {port} is not 1 to 65535")
    yield from gentleness.faults(document, asdict(file.gentleness))
    for word, days in asdict(file.exceptions.longest_days).items():
        if days < 1:
            yield document.fault(
                ("exceptions", "longest_days", word),
                f"exceptions.longest_days.{word} is {days}, expected 1 or more",
            )
    for word, limit in asdict(file.due_days).items():
        if limit is not None and limit < 1:
            yield document.fault(("due_days", word), f"due_days.{word} is {limit}, expected 1 or more")
    if file.usage_days < 1:
        yield document.fault(("usage_days",), f"usage_days is {file.usage_days}, expected 1 or more")
    yield from _metric_faults(document, file.ccss, registry)
    if len(file.snmp.default_communities) > MOST_COMMUNITIES:
        yield document.fault(
            ("snmp", "default_communities"),
            f"at most {MOST_COMMUNITIES} communities are ever tried on a device",
        )
    words: tuple[tuple[str, str, Collection[str], str], ...] = (
        ("expect", "check", registry.checks, "hardenprobe checks list"),
        ("must_determine", "check", registry.checks, "hardenprobe checks list"),
        ("for", "kind of device", KINDS, ""),
        ("allowed_services", "service", registry.services, ""),
        ("people", "control that people answer for", controls.shipped(), "hardenprobe statement questions"),
    )
    for key, what, known, see in words:
        for i, name in enumerate(file.kinds if key == "for" else getattr(file, key)):
            if name not in known:
                near = difflib.get_close_matches(name.lower(), known, n=1)
                more = f"see `{see}`" if see else f"known are {', '.join(sorted(known))}"
                hint = f"did you mean {near[0]!r}?" if near else more
                hint += f"; {BROUGHT['brought']}" if what == "check" else ""
                spot: Spot = (key, name) if key == "expect" else (key, i)
                yield document.fault(spot, f"{key} names {name!r}, which is no {what}; {hint}")
    paths: list[tuple[Spot, str]] = [(("http_paths", i), p) for i, p in enumerate(file.http_paths)]
    paths += [(("web", key, i), p) for key in ("scan", "ipp") for i, p in enumerate(getattr(file.web, key))]
    paths += [
        (("web", "settings_pages", i, "path"), page.path) for i, page in enumerate(file.web.settings_pages)
    ]
    for i, page in enumerate(file.web.settings_pages):
        if not page.marker.strip():  # it would be found on every page
            spot = ("web", "settings_pages", i, "marker")
            yield document.fault(spot, "marker is empty; write a text that is on that page alone")
    for spot, path in paths:
        if not re.fullmatch(r"/[!-~]*", path):
            yield document.fault(spot, f"{clip(path)} is no path: it begins with / and has no spaces")


def _rule_faults(document: Document, spot: Spot, settings: Any) -> Iterator[FileInvalid]:
    """A rule-set that is not there is said now, with its line, and not by every device's result."""
    name = getattr(settings, "rules", None)
    known = rule_files.shipped()
    if isinstance(name, str) and name not in known:
        yield document.fault((*spot, "rules"), str(UnknownName("rule-set", name, known)))


@cache
def titles() -> dict[str, str]:
    """Name to title of every shipped baseline, without resolving them."""
    return {name: str(load_yaml(path).data.get("title", "")) for name, path in shipped_baselines().items()}
