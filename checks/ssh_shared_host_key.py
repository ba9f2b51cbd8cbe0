"""Two devices hold the same SSH host key.

Fails when
    This device and another of this review prove possession of the same host key; one result a key type.
Passes when
    No other device proves it. Two addresses of one device are one device.
Unknown when
    No key came, as from a server whose key exchange methods are all post-quantum hybrids, or the server did not make the
    signature that proves it.
Reach
    ask: one key exchange for each key type; nothing more is sent for the comparison.
Why it matters
    An attacker who extracts the key from one device, or from its firmware, can impersonate all of them.
Sources
    RFC 4253 section 8; RFC 4251 section 4.1, which permits one key for several hosts; that each device has its own: NIST SP
    800-53 Rev. 5, SC-12, and common practice (no published requirement)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, Reason, fail, passed, unknown
from hardenprobe.checking.check import SharedValue
from hardenprobe.checking.views.ssh import offers, why
from hardenprobe.facts import HttpAnswer, SshHostKey, SshOffer, TcpPort, TlsPort
from hardenprobe.remediation.ssh import SSH_HOST_KEY

EXPECTED = "no other device has the same host key"


def _proven(facts: SshHostKey) -> list[str]:
    return [facts.sha256] if facts.proven and facts.sha256 else []


KEY = SharedValue(facts=(SshHostKey,), values=_proven)


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Compare proven keys by device, so that two addresses of one device are never two."""
    known, missing = offers(seen, EXPECTED)
    yield from missing
    for offer in known:
        keys = [o for o in seen.of(SshHostKey) if o.endpoint == offer.endpoint]
        if not keys:
            yield unknown(offer, "its host keys were not asked for", EXPECTED, reason=Reason.CEILING)
        for key in keys:
            facts = key.facts
            if facts.sha256 is None or not facts.proven:
                text = f"its {facts.key_type} key is not proven: {facts.fault}"
                yield unknown(key, text, EXPECTED, reason=why(facts.fault), subject=facts.key_type)
                continue
            others = seen.fleet.others(KEY, facts.sha256, seen.device.id)
            value = {"sha256": facts.sha256, "devices": others[:50]}
            if others:
                plural = "device holds" if len(others) == 1 else "devices hold"
                text = f"{len(others)} other {plural} the {facts.key_type} key {facts.sha256[:16]} as well"
                yield fail(key, text, EXPECTED, value=value, subject=facts.key_type)
            else:
                count = max(len(seen.fleet.labels), 1)
                text = f"the key {facts.sha256[:16]} is the device's own among {count} in this review"
                yield passed(key, text, EXPECTED, value=value, subject=facts.key_type)


CHECK = Check(
    id="ssh-shared-host-key",
    document=__doc__,
    # The last two tell what else a port speaks.
    reads=(TcpPort, SshOffer, SshHostKey, HttpAnswer, TlsPort),
    identifies=(HttpAnswer, TlsPort),
    judge=judge,
    compares=(KEY,),
    # The key of one opened device serves against every other.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=SSH_HOST_KEY,
    controls=("SC-12", "IA-3"),
    version="2",
)
