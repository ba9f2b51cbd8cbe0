"""A certificate has no certification path to a trust anchor.

Fails when
    The certificate is self-signed or has no path to the given anchors, and no accepted pin names its key.
Passes when
    There is a path, or the inventory pins the key and the baseline accepts pins. Revocation is not checked.
Unknown when
    No certificate came, or it cannot be read.
Reach
    ask: the certificate is read from the hellos for the versions.
Why it matters
    Clients cannot distinguish the device from a man in the middle with a certificate of his own.
Sources
    RFC 5280 section 6.1; RFC 9525; NIST SP 800-53 Rev. 5, SC-17
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hardenprobe import Check, DeviceView, Outcome, fail, passed
from hardenprobe.checking.views.tls import leaves, unanswered
from hardenprobe.facts import DeclaredDevice, HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_CERTIFICATE


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What may stand for a trust anchor.

    Attributes:
        accept_pins: A key that the inventory pins is as good as a path.
    """

    accept_pins: bool


EXPECTED = "a certification path to a trust anchor, or the key that the inventory pins"


def judge(seen: DeviceView, expect: Settings) -> Iterable[Outcome]:
    """Path first, pin second; validity periods are judged by tls-certificate-dates."""
    yield from unanswered(seen, EXPECTED)
    found, missing = leaves(seen, EXPECTED)
    yield from missing
    pinned = seen.listed.pinned_key.lower() if seen.listed and seen.listed.pinned_key else None
    for at, chain, leaf in found:
        subject = chain.label or None
        value = {"issuer": leaf.issuer, "spki_sha256": leaf.spki_sha256, "error": chain.path.error}
        if chain.path.trusted:
            text = f"path to {chain.path.anchor}; revocation not checked"
            yield passed(at, text, EXPECTED, value=value, subject=subject)
        elif pinned == leaf.spki_sha256 and expect.accept_pins:
            text = f"{chain.path.error}; the inventory pins this key; revocation not checked"
            yield passed(at, text, EXPECTED, value=value, subject=subject)
        elif pinned and pinned != leaf.spki_sha256:
            text = f"{chain.path.error}; and its key is not the one that the inventory pins"
            yield fail(at, text, EXPECTED, value=value, subject=subject, vector="other key")
        else:
            yield fail(
                at, f"{chain.path.error}; revocation not checked", EXPECTED, value=value, subject=subject
            )


CHECK = Check(
    id="tls-certificate-untrusted",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer, DeclaredDevice),
    identifies=(HttpAnswer,),
    judge=judge,
    settings=Settings,
    # A key other than the pinned one may be a machine in between already.
    vectors={
        "": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        "other key": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
    },
    remedy=TLS_CERTIFICATE,
    controls=("SC-17", "IA-3"),
    version="2",
)
