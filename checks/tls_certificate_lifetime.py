"""A certificate's validity period is too long.

Fails when
    It is valid for more days than the baseline's limit. Public limits do not bind a private authority. A self-signed
    certificate that nothing trusts is informational here: tls-certificate-untrusted counts it.
Passes when
    The validity period is within the limit.
Unknown when
    No certificate came, or it cannot be read.
Reach
    ask: the certificate is read from the hellos for the versions.
Why it matters
    A disclosed key stays usable until the certificate expires; the key of an office device changes hands with the device.
Sources
    CA/Browser Forum ballot SC-081v3 (public authorities only); RFC 5280 section 4.1.2.5
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from annotated_types import Ge

from hardenprobe import Check, DeviceView, Outcome, fail, note, passed
from hardenprobe.checking.views.tls import leaves, unanswered
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_CERTIFICATE


@dataclass(frozen=True, kw_only=True)
class Settings:
    """How long is too long.

    Attributes:
        max_days: The longest lifetime that will do.
    """

    max_days: Annotated[int, Ge(1)]


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Count days of 86,400 seconds, both ends included."""
    expected = f"a validity period of at most {expect.max_days} days"
    yield from unanswered(seen, expected)
    found, missing = leaves(seen, expected)
    yield from missing
    for at, chain, leaf in found:
        span = datetime.fromisoformat(leaf.not_after) - datetime.fromisoformat(leaf.not_before)
        seconds = int(span.total_seconds()) + 1
        days = -(-seconds // 86400)
        subject = chain.label or None
        if days > expect.max_days and leaf.self_signed and not chain.path.trusted:
            text = f"valid for {days} days, and self-signed: counted by tls-certificate-untrusted"
            yield note(at, text, expected, value=days, subject=subject)
        elif days > expect.max_days:
            text = f"valid for {days} days; limits of public authorities do not bind a private one"
            yield fail(at, text, expected, value=days, wanted=expect.max_days, subject=subject)
        else:
            yield passed(at, f"valid for {days} days", expected, value=days, subject=subject)


CHECK = Check(
    id="tls-certificate-lifetime",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:P"},
    remedy=TLS_CERTIFICATE,
    controls=("SC-12", "SC-17"),
    worse="larger",
    version="2",
)
