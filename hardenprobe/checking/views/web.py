"""What the web checks look at: answers in clear, answers over TLS, and what to say where none came."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from typing import Any, TypeVar
from urllib.parse import urlsplit

from hardenprobe.checking.absence import off_tcp
from hardenprobe.checking.check import DeviceView, Outcome, unknown
from hardenprobe.checking.views.names import is_own
from hardenprobe.facts import HttpAnswer, IppPrinter, SettingsPageAnswer
from hardenprobe.model import Observation, Reason

F = TypeVar("F")

IPP = 631  # IANA: ipp and ipps
REDIRECTS = (301, 302, 303, 307, 308)  # RFC 9110 section 15.4, those that name one place to go


def by_port(found: Iterable[Observation[F]]) -> dict[tuple[str, int], list[Observation[F]]]:
    """Group observations by address and port, in the order they were made."""
    groups: dict[tuple[str, int], list[Observation[F]]] = {}
    for one in found:
        if one.endpoint:
            groups.setdefault((one.endpoint.address, one.endpoint.port), []).append(one)
    return groups


def in_clear(seen: DeviceView) -> dict[tuple[str, int], list[Observation[Any]]]:
    """Every answer to a question over plain HTTP, by address and port."""
    asked: tuple[Observation[Any], ...] = (
        *seen.of(HttpAnswer),
        *seen.of(SettingsPageAnswer),
        *seen.of(IppPrinter),
    )
    return by_port(o for o in asked if not o.facts.tls and not _only_tried(o))


def _only_tried(one: Observation[Any]) -> bool:
    """A print service may refuse clear text, which is no web server that does not answer."""
    facts = one.facts
    return isinstance(facts, IppPrinter) and facts.http_status is None


def mute(answers: Iterable[Observation[Any]], expected: str) -> Outcome | None:
    """An outcome for the first question of a port that drew no HTTP, None where each drew some."""
    silent = next((one for one in answers if not one.facts.recognised), None)
    return no_http(silent, expected) if silent else None


def no_http(one: Observation[Any], expected: str) -> Outcome:
    """Not determined, because there is no HTTP answer."""
    fault = one.facts.fault
    reasons = {"closed": Reason.DROPPED, "silent": Reason.SILENT}
    return unknown(one, f"no HTTP answer: {fault}", expected, reason=reasons.get(fault, Reason.INCONCLUSIVE))


def unanswered(pages: Iterable[Observation[HttpAnswer]], expected: str) -> list[Outcome]:
    """One outcome for each port of which a page was asked and the answer is not HTTP."""
    found = (mute(answers, expected) for answers in by_port(pages).values())
    return [outcome for outcome in found if outcome is not None]


def nothing_in_clear(seen: DeviceView, expected: str) -> Outcome:
    """No port was asked over plain HTTP."""
    return off_tcp(seen, expected)


def leads_to_https(facts: Any) -> bool:
    """A redirect whose Location is an https address."""
    status = facts.http_status if isinstance(facts, IppPrinter) else facts.status
    return status in REDIRECTS and (facts.location or "").strip().lower().startswith("https:")


def reaches_https(facts: HttpAnswer, answers: Iterable[Observation[HttpAnswer]]) -> bool:
    """The redirect leads to https, or to a path of this port that does."""
    if leads_to_https(facts):
        return True
    steps = [o.facts for o in answers if o.facts.path in facts.links[:1] and o.facts.path != facts.path]
    return any(leads_to_https(step) for step in steps)


def sends_to_https(seen: DeviceView, facts: HttpAnswer) -> bool:
    """A page whose only effect is to send a browser to https of the same device, by itself and not by a redirect."""
    if not (facts.leads_to and 200 <= (facts.status or 0) < 300) or facts.form or facts.password_field:
        return False
    with suppress(ValueError):
        target = urlsplit(facts.leads_to.strip())
        further = set(facts.links) - {target.path or "/"}
        return target.scheme.lower() == "https" and is_own(seen, target.hostname or "") and not further
    return False


def administers(page: Observation[HttpAnswer]) -> bool:
    """The page is one to administer a device with; at the port of IPP only where it plainly asks for something."""
    facts = page.facts
    asks = facts.form or facts.password_field or facts.status == 401
    if page.endpoint is None or page.endpoint.port == IPP:
        return asks
    return asks or 200 <= (facts.status or 0) < 300
