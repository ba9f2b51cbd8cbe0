"""What the IPP checks read: print services that gave their attributes, and the outcomes of those that did not."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import SplitResult, urlsplit

from hardenprobe.checking.absence import no_service
from hardenprobe.checking.check import DeviceView, Outcome, fail, passed, unknown
from hardenprobe.checking.views.names import is_own
from hardenprobe.checking.views.web import by_port, no_http
from hardenprobe.facts import IppPrinter, IppService, PrinterUri
from hardenprobe.model import Observation, Reason

PORT = 631  # IANA: ipp and ipps
ABSENT = (0x0406, 0x0501)  # not-found, operation-not-supported
REFUSALS = (0x0401, 0x0402, 0x0403)  # RFC 8011 appendix B: forbidden, not-authenticated, not-authorized


def serving(seen: DeviceView, expected: str) -> tuple[list[Observation[IppPrinter]], list[Outcome]]:
    """One answer for each port that gave its attributes, and an outcome for each that did not, or for none at all."""
    found: list[Observation[IppPrinter]] = []
    missing: list[Outcome] = []
    for answers in by_port(seen.of(IppPrinter)).values():
        told = next((one for one in answers if one.facts.served), None)
        if told is not None:
            found.append(told)
        elif any(one.facts.assigned or one.facts.status is not None for one in answers):
            missing.append(_untold(answers[0], expected))
    asked = {(o.endpoint.address, o.endpoint.port) for o in seen.of(IppPrinter) if o.endpoint}
    for port in seen.accepting:
        where = port.endpoint
        if (
            where
            and where.port == PORT
            and (where.address, where.port) not in asked
            and not port.facts.closed
        ):
            missing.append(unknown(port, "IPP was not probed", expected))
    if not found and not missing:
        missing.append(no_service(seen, expected, "IPP", (PORT,)))
    return found, missing


def _untold(answer: Observation[IppPrinter], expected: str) -> Outcome:
    facts = answer.facts
    if facts.status is not None:
        return unknown(answer, f"attributes were refused with IPP status 0x{facts.status:04x}", expected)
    reasons = {"closed": Reason.DROPPED, "silent": Reason.SILENT}
    reason = (
        Reason.DROPPED if facts.http_status == 403 else reasons.get(facts.fault or "", Reason.INCONCLUSIVE)
    )
    return unknown(answer, f"no IPP answer: {facts.fault}", expected, reason=reason)


def judge_service(seen: DeviceView, name: str, expected: str, reads: str) -> Iterator[Outcome]:
    """One result for each port about an IPP service that must not be open.

    Args:
        name: Its word in IppService.
        reads: What a stranger reads there, as the end of a sentence.
    """
    asked = [o for o in seen.of(IppService) if o.facts.service == name]
    for answer in asked:
        facts = answer.facts
        if facts.served and facts.itself:
            yield fail(answer, f"{facts.path} tells {reads} without credentials", expected, value=facts.path)
        elif facts.served:
            yield unknown(answer, f"{facts.path} answers, and not as a service for {name}", expected)
        elif facts.http_status in (401, 403) or facts.status in REFUSALS:
            yield passed(answer, f"{facts.path} asks for credentials", expected)
        elif facts.http_status == 404 or facts.status in ABSENT:
            yield passed(answer, f"nothing is served at {facts.path}", expected)
        elif facts.http_status is None:
            yield no_http(answer, expected)
        else:
            yield unknown(answer, f"{facts.path}: no IPP attributes: {facts.fault}", expected)
    if not asked:
        yield no_service(seen, expected, "IPP", (PORT,))


def own_uris(seen: DeviceView, answer: Observation[IppPrinter]) -> dict[str, PrinterUri]:
    """The addresses of the device's own among those that it tells, by scheme and path: "ipps /ipp/print".

    Own is what names a host that is known to be the device, or the path that was asked. An address that is told again with other
    security or authentication is told apart by that.
    """
    found: dict[str, PrinterUri] = {}
    for one in answer.facts.uris:
        parts = _split(one.uri)
        if parts is None:
            continue
        host = parts.hostname or ""
        if is_own(seen, host) or (parts.path or "/") == answer.facts.path:
            key = f"{parts.scheme.lower()} {parts.path or '/'}"[:120]
            known = found.setdefault(key, one)
            if (known.security, known.authentication) != (one.security, one.authentication):
                found.setdefault(f"{key}, {one.security}, {one.authentication}"[:200], one)
    return found


def _split(uri: str) -> SplitResult | None:
    try:
        parts = urlsplit(uri)
        parts.hostname  # noqa: B018 - a broken host is found out only now
    except ValueError:
        return None
    return parts
