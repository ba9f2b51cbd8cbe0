"""A certificate matches none of the device's names.

Fails when
    No subjectAltName matches a name that people use for the device: of the inventory, or given as target.
Passes when
    One of them matches. The common name of the subject is not a name.
Unknown when
    No certificate came, or it cannot be read. No name known to compare with, or a self-signed certificate that nothing
    trusts, which tls-certificate-untrusted counts: informational.
Reach
    ask: the certificate is read from the hellos for the versions.
Why it matters
    Users learn to dismiss the warning, so that a man in the middle with any certificate is not noticed.
Sources
    RFC 9525 section 6; RFC 5280 section 4.2.1.6
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, note, passed
from hardenprobe.checking.views.names import matches_any, names_in_use
from hardenprobe.checking.views.tls import leaves, unanswered
from hardenprobe.facts import DeclaredDevice, HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_CERTIFICATE

EXPECTED = "a subjectAltName of the certificate is a name in use for the device"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Compare every name of the certificate with every name in use."""
    yield from unanswered(seen, EXPECTED)
    found, missing = leaves(seen, EXPECTED)
    yield from missing
    used = names_in_use(seen)
    for at, chain, leaf in found:
        subject = chain.label or None
        value = {"names": list(leaf.names), "used": list(used)}
        shown = ", ".join(leaf.names[:5]) or "no subjectAltName"
        if not used:
            yield note(at, f"names {shown}; no name in use is known", EXPECTED, value=value, subject=subject)
            continue
        matched = [name for name in used if matches_any(leaf.names, name)]
        if not matched and leaf.self_signed and not chain.path.trusted:
            text = f"names {shown}, and self-signed: counted by tls-certificate-untrusted"
            yield note(at, text, EXPECTED, value=value, subject=subject)
        elif matched:
            yield passed(at, f"names {', '.join(matched[:5])}", EXPECTED, value=value, subject=subject)
        else:
            text = f"names {shown}; in use are {', '.join(used[:5])}"
            yield fail(at, text, EXPECTED, value=value, subject=subject)


CHECK = Check(
    id="tls-name-mismatch",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer, DeclaredDevice),
    identifies=(HttpAnswer,),
    judge=judge,
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=TLS_CERTIFICATE,
    controls=("SC-17", "IA-3"),
    version="2",
)
