"""A certificate is outside its validity period, or about to expire.

Fails when
    The certificate, or an issuer that is sent with it, has expired, is not yet valid, or ends within the baseline's days;
    each is a subject of its own.
Passes when
    The certificate is valid for longer than the baseline's days; an issuer that is not counts beside it.
Unknown when
    The scanner's clock is not verified, no certificate came, or it cannot be read.
Reach
    ask: the certificate is read from the hellos for the versions.
Why it matters
    Users learn to dismiss warnings, and then dismiss the one that is an attack; clients that verify stop printing.
Sources
    RFC 5280 sections 4.1.2.5 and 6.1.3; NIST SP 800-53 Rev. 5, SC-17
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from annotated_types import Ge

from hardenprobe import Check, DeviceView, Outcome, fail, passed, unknown
from hardenprobe.checking.views.tls import leaves, served_below_anchor, served_issuers, unanswered
from hardenprobe.facts import Certificate, HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_CERTIFICATE


@dataclass(frozen=True, kw_only=True)
class Settings:
    """How early to warn.

    Attributes:
        ending_days: A certificate that ends within so many days is a finding.
    """

    ending_days: Annotated[int, Ge(0)]


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Compare dates with the scanner's clock, if that can be trusted."""
    expected = f"the certificate is valid now and for {expect.ending_days} more days"
    yield from unanswered(seen, expected)
    found, missing = leaves(seen, expected)
    yield from missing
    now = datetime.fromisoformat(seen.clock.now)
    for at, chain, leaf in found:
        dates = f"{leaf.not_before} to {leaf.not_after}"
        value = {"not_before": leaf.not_before, "not_after": leaf.not_after}
        if not seen.clock.proven:
            text = f"valid {dates}; the scanner's clock is not verified ({seen.clock.how})"
            yield unknown(at, text, expected, subject=chain.label or None)
            continue
        if (fault := _fault(leaf, now, expect.ending_days)) is None:
            yield passed(at, f"valid {dates}", expected, value=value, subject=chain.label or None)
        served = [(fault, leaf, chain.label)]
        below = served_below_anchor(chain)
        for number, issuer in enumerate(served_issuers(chain), 1):
            # Clients have the anchor; what else is sent under its name, such as a cross-certificate, is not on their path.
            if issuer not in below and not issuer.self_signed:
                continue
            where = f"{chain.label}, issuer {number}".removeprefix(", ")
            served.append((_fault(issuer, now, expect.ending_days), issuer, where))
        for wrong, certificate, where in served:
            if wrong is not None:
                vector, text = wrong
                subject = f"{vector}, {where}" if where else vector
                value = {"not_before": certificate.not_before, "not_after": certificate.not_after}
                yield fail(at, text, expected, value=value, subject=subject, vector=vector)


def _fault(certificate: Certificate, now: datetime, ending_days: int) -> tuple[str, str] | None:
    """The outcome that names what is wrong with its dates, and a text; None where nothing is."""
    left = datetime.fromisoformat(certificate.not_after) - now
    if left.total_seconds() < 0:
        return "expired", f"expired {certificate.not_after}"
    if datetime.fromisoformat(certificate.not_before) > now:
        return "not yet valid", f"valid from {certificate.not_before} only"
    if left.days < ending_days:
        return "ending soon", f"ends {certificate.not_after}, in {left.days} days"
    return None


CHECK = Check(
    id="tls-certificate-dates",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    # Outside its dates it proves nothing to people who click on; about to end, only service is at stake.
    vectors={
        "expired": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "not yet valid": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "ending soon": "AV:N/AC:H/Au:N/C:N/I:N/A:P/PL:ND/EM:P",
    },
    remedy=TLS_CERTIFICATE,
    controls=("SC-17", "SC-12"),
    version="3",
)
