"""Two devices serve the same key.

Fails when
    Another device of this review serves the same public key.
Passes when
    No other device of this review does.
Unknown when
    No certificate came, or it cannot be read.
Reach
    ask: the certificate is read from the hellos for the versions; nothing more is sent for the comparison.
Why it matters
    An attacker who extracts the key from one device, or from its firmware, has the key of all of them.
Sources
    NIST SP 800-57 Part 1 Rev. 5 section 5.2; NIST SP 800-53 Rev. 5, SC-12
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed
from hardenprobe.checking.check import SharedValue
from hardenprobe.checking.views.tls import leaves, unanswered
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_CERTIFICATE

EXPECTED = "no other device serves the same key"


def _keys(facts: TlsPort | TlsSuites) -> list[str]:
    return [chain.certificates[0].spki_sha256 for chain in facts.chains if chain.certificates]


KEY = SharedValue(facts=(TlsPort, TlsSuites), values=_keys)


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Compare public keys by device, so that two addresses of one device are never two."""
    yield from unanswered(seen, EXPECTED)
    found, missing = leaves(seen, EXPECTED)
    yield from missing
    for at, chain, leaf in found:
        others = seen.fleet.others(KEY, leaf.spki_sha256, seen.device.id)
        subject = chain.label or None
        value = {"spki_sha256": leaf.spki_sha256, "devices": others[:50]}
        if others:
            plural = "device serves" if len(others) == 1 else "devices serve"
            text = f"{len(others)} other {plural} the key {leaf.spki_sha256[:16]} as well"
            yield fail(at, text, EXPECTED, value=value, subject=subject)
        else:
            count = len(seen.fleet.labels)
            text = f"the key {leaf.spki_sha256[:16]} is the device's own among {max(count, 1)} in this review"
            yield passed(at, text, EXPECTED, value=value, subject=subject)


CHECK = Check(
    id="tls-shared-key",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer),
    identifies=(HttpAnswer,),
    judge=judge,
    compares=(KEY,),
    # The key of one opened device serves against every other.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=TLS_CERTIFICATE,
    controls=("SC-12", "SC-17"),
    version="2",
)
