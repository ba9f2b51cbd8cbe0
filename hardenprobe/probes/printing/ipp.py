"""Ask a print service what it is and whether it tells of jobs: one Get-Printer-Attributes, two Get-Jobs, without a name.

Source: RFC 8011 section 4.2.5 and 4.2.6.
"""

from __future__ import annotations

import secrets
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping
from contextlib import suppress
from ssl import SSLContext
from typing import Any
from urllib.parse import urlsplit

from hardenprobe.errors import MalformedReply
from hardenprobe.facts import HttpAnswer, IppJobs, IppPrinter, PrinterUri, TlsPort
from hardenprobe.model import Observation
from hardenprobe.model.transcript import Recorder
from hardenprobe.network.link import DeviceLink
from hardenprobe.probes.base import Probe, ProbeContext
from hardenprobe.probes.printing.ipp_codec import (
    MEDIA_TYPE,
    Attribute,
    Group,
    Message,
    Operation,
    Tag,
    Value,
    decode,
    encode_request,
    numbers,
    texts,
)
from hardenprobe.probes.web.http import IPP, HttpResponse, fetch, lenient_context

ABOUT_PRINTER = (
    "printer-uri-supported",
    "uri-security-supported",
    "uri-authentication-supported",
    "operations-supported",
    "printer-make-and-model",
    "printer-serial-number",
    "printer-uuid",
    "printer-device-id",
    "printer-firmware-name",
    "printer-firmware-string-version",
    "printer-firmware-version",
    "document-format-supported",
    "print-scaling-supported",
    "ipp-features-supported",
)
ABOUT_JOB = ("job-name", "job-originating-user-name")
WHICH_JOBS = ("not-completed", "completed")
NO_NAME = frozenset({"", "anonymous"})
MOST_URIS = 32
MOST_PUBLISHED = 4  # paths that are asked for because the service tells them
MOST_WORDS = 64  # values of one attribute that are kept; a device of many document formats has some twenty


async def ask_printer(
    line: DeviceLink, port: int, paths: tuple[str, ...], tls: SSLContext | None, *, assigned: bool
) -> Observation[IppPrinter]:
    """Ask path after path until one speaks IPP; a peer that speaks no HTTP is asked once."""
    recorders: list[Recorder] = []
    facts = None
    for path in paths:
        request_id = secrets.randbelow(2**31 - 1) + 1
        wanted: Attribute = (Tag.KEYWORD, "requested-attributes", ABOUT_PRINTER)
        request = encode_request(
            Operation.GET_PRINTER_ATTRIBUTES, request_id, uri(line, port, path, tls), [wanted]
        )
        got = await fetch(line, port, path, tls=tls, post=(MEDIA_TYPE, request))
        recorders.append(got.recorder)
        newer = read_printer(got, request, tls=tls is not None, path=path, assigned=assigned)
        if facts is None or _tells(newer) > _tells(facts):
            facts = newer
        if newer.served or newer.http_status is None:
            break
    assert facts is not None, "at least one path"
    spoken = facts.status is not None or (assigned and facts.http_status is not None)
    protocol = ("ipps" if tls else "ipp") if spoken else None
    return line.observation(facts, line.endpoint(port, protocol=protocol, path=facts.path), *recorders)


def _tells(facts: IppPrinter) -> int:
    """How much an answer says: attributes, an IPP refusal, a demand for credentials, another HTTP answer, none at all."""
    if facts.status is not None:
        return 4 + facts.served
    if facts.http_status in (None, 404):
        return int(facts.http_status == 404)
    return 2 + (facts.http_status == 401)


def read_printer(got: HttpResponse, request: bytes, *, tls: bool, path: str, assigned: bool) -> IppPrinter:
    """Reduce an answer to facts."""
    message, fault = message_of(got, request)
    uris: tuple[PrinterUri, ...] = ()
    unpaired = None
    about: Mapping[str, tuple[Value, ...]] = {}
    if message is not None:
        about = next(iter(message.of(Group.PRINTER)), {})
        uris, unpaired = pair(about)
    return IppPrinter(
        tls=tls,
        path=path,
        assigned=assigned,
        http_status=got.status,
        authenticate=got.challenges,
        location=got.first("location"),
        status=message.code if message else None,
        uris=uris,
        unpaired=unpaired,
        operations=tuple(sorted(set(numbers(about, "operations-supported"))))[:256],
        make_and_model=_text(about, "printer-make-and-model"),
        serial=_text(about, "printer-serial-number"),
        uuid=_text(about, "printer-uuid"),
        device_id=_text(about, "printer-device-id"),
        firmware=tuple(t[:255] for t in texts(about, "printer-firmware-string-version") if t)[:8],
        firmware_names=tuple(t[:255] for t in texts(about, "printer-firmware-name"))[:8],
        firmware_versions=_octets(about, "printer-firmware-version"),
        formats=_words(about, "document-format-supported"),
        scaling=_words(about, "print-scaling-supported"),
        features=_words(about, "ipp-features-supported"),
        cut=got.cut,
        fault=fault,
    )


def pair(about: Mapping[str, tuple[Value, ...]]) -> tuple[tuple[PrinterUri, ...], str | None]:
    """Pair the addresses of a print service with what the same positions of two other attributes say.

    Returns:
        The pairs, and why there are none.

    Source: RFC 8011 section 5.4.1 to 5.4.3.
    """
    names = ABOUT_PRINTER[:3]
    uris, security, authentication = (texts(about, name) for name in names)
    if not uris:
        return (), "no printer-uri-supported"
    if not len(uris) == len(security) == len(authentication):
        return (), f"{len(uris)} addresses, {len(security)} and {len(authentication)} words beside them"
    parts = zip(uris, security, authentication, strict=True)
    made = (PrinterUri(uri=u, security=s.lower()[:64], authentication=a.lower()[:64]) for u, s, a in parts)
    return tuple(made)[:MOST_URIS], None


async def ask_jobs(
    line: DeviceLink, port: int, path: str, tls: SSLContext | None, which: str
) -> Observation[IppJobs]:
    """Ask for one job without giving a name. What comes back is counted, and starred in the transcript."""
    request_id = secrets.randbelow(2**31 - 1) + 1
    more: list[Attribute] = [
        (Tag.INTEGER, "limit", [1]),
        (Tag.KEYWORD, "requested-attributes", ABOUT_JOB),
        (Tag.KEYWORD, "which-jobs", [which]),
    ]
    request = encode_request(Operation.GET_JOBS, request_id, uri(line, port, path, tls), more)
    got = await fetch(line, port, path, tls=tls, post=(MEDIA_TYPE, request))
    got.recorder.rewrite_received(lambda received: b"*" * len(received))
    message, fault = message_of(got, request)
    jobs = message.of(Group.JOB) if message else []
    facts = IppJobs(
        tls=tls is not None,
        path=path,
        which=which,
        http_status=got.status,
        status=message.code if message else None,
        jobs=len(jobs),
        names=sum(any(texts(job, "job-name")) for job in jobs),
        users=sum(
            any(t.lower() not in NO_NAME for t in texts(job, "job-originating-user-name")) for job in jobs
        ),
        fault=fault,
    )
    where = line.endpoint(port, protocol="ipps" if tls else "ipp", path=path)
    return line.observation(facts, where, got.recorder)


def message_of(got: HttpResponse, request: bytes) -> tuple[Message | None, str | None]:
    """The IPP message in an answer, whatever its HTTP status, or why there is none."""
    if got.status is None:
        return None, got.fault
    is_ipp = (got.first("content-type") or "").partition(";")[0].strip().lower() == MEDIA_TYPE
    if not is_ipp:
        return None, "not IPP" if got.status == 200 else f"HTTP {got.status}"
    if got.body == request:
        return None, "an echo of the request"
    try:
        message = decode(got.body)
    except MalformedReply as exc:
        return None, str(exc)
    request_id = int.from_bytes(request[4:8])  # RFC 8010 section 3.1.1
    # A printer that could not read the request cannot repeat its number.
    if message.request_id != request_id and message.code < 0x0400:
        return None, "IPP answer to another request"
    return message, None


def _text(about: Mapping[str, tuple[Value, ...]], name: str) -> str | None:
    return next((t[:255] for t in texts(about, name) if t), None)


def _words(about: Mapping[str, tuple[Value, ...]], name: str) -> tuple[str, ...]:
    return tuple(t.lower()[:255] for t in texts(about, name) if t)[:MOST_WORDS]


def _octets(about: Mapping[str, tuple[Value, ...]], name: str) -> tuple[str, ...]:
    """An octetString that makers fill with text or with bytes: text where it can be read, hex where not."""
    found = [v[:64] for v in about.get(name, ()) if isinstance(v, bytes)]  # PWG 5100.13: 64 octets at most
    return tuple(v.decode() if v.isascii() and v.decode().isprintable() else v.hex() for v in found)[:8]


def uri(line: DeviceLink, port: int, path: str, tls: SSLContext | None) -> str:
    host = f"[{line.address}]" if ":" in line.address else line.address
    return f"{'ipps' if tls else 'ipp'}://{host}:{port + line.port_offset}{path}"


def places(asked: ProbeContext) -> Iterator[tuple[int, bool, bool]]:
    """Where IPP may be spoken: port, over TLS or not, and whether the port is IPP's."""
    declared = (
        {s.port for s in asked.listed.services if s.protocol in ("ipp", "ipps")} if asked.listed else set()
    )
    web = {o.endpoint.port: o.facts for o in reversed(asked.of(HttpAnswer)) if o.endpoint}
    for heard in asked.accepting():
        port, page = heard.port, web.get(heard.port)
        if not heard.waits or page is None:
            continue
        tls = asked.at(TlsPort, port)
        assigned = port == IPP or port in declared
        if not assigned and page.status is None:
            continue
        if tls is not None and tls.facts.speaks:
            yield port, True, assigned
        if asked.line.speaks(port, "http"):
            yield port, False, assigned


def _likely(asked: ProbeContext, port: int, paths: tuple[str, ...]) -> tuple[str, ...]:
    """What is tried on a web port: the likeliest path, and the first page's, unless that only leads elsewhere."""
    page = next((o.facts for o in asked.of(HttpAnswer) if o.endpoint and o.endpoint.port == port), None)
    leads = page is not None and page.location is not None
    return paths[:1] if leads else (*paths[:1], "/")


def published(printers: Iterable[Observation[IppPrinter]]) -> tuple[str, ...]:
    """The paths of the addresses that print services tell; they are asked on this device, whatever host they name."""
    found = dict.fromkeys(_path(one.uri) for printer in printers for one in printer.facts.uris)
    return tuple(path for path in found if path)[:MOST_PUBLISHED]


def _path(uri: str) -> str:
    with suppress(ValueError):
        path = urlsplit(uri).path
        if path.startswith("/") and path.isascii() and path.isprintable() and len(path) < 256:
            return path
    return ""


async def _ask(asked: ProbeContext) -> AsyncIterator[Observation[Any]]:
    """Ports that are IPP's first, since they tell the paths that the others are asked for as well."""
    paths = asked.plan.web.ipp
    if not paths:
        return
    told: set[int] = set()
    for port, over_tls, assigned in sorted(places(asked), key=lambda place: not place[2]):
        tls = lenient_context() if over_tls else None
        with asked.trying("ipp", (IppPrinter, IppJobs), port):
            usual = paths if assigned else _likely(asked, port, paths)
            tried = tuple(dict.fromkeys((*usual, *published(asked.of(IppPrinter)))))
            printer = await ask_printer(asked.line, port, tried, tls, assigned=assigned)
            yield printer
            if not printer.facts.served or port in told or not asked.wants(IppJobs):
                continue
            told.add(port)
            for which in WHICH_JOBS:
                jobs = await ask_jobs(asked.line, port, printer.facts.path, tls, which)
                yield jobs
                if jobs.facts.names or jobs.facts.users:
                    break


PROBE = Probe(name="ipp", produces=(IppPrinter, IppJobs), ask=_ask)
