"""A certificate is used outside its permitted purposes.

Fails when
    The certificate has extended key usages and serverAuth is none of them, or an issuer that is sent, below the trust anchor,
    is no certification authority by its basicConstraints; each is a subject of its own.
Passes when
    The certificate may be a server's, and every issuer that is sent may issue.
Unknown when
    No certificate came, it cannot be read, or its extensions were not read.
Reach
    ask: the certificates are read from the hellos for the versions.
Why it matters
    Clients that verify refuse the chain; others would accept a chain made with the key of any certificate.
Sources
    RFC 5280 sections 4.2.1.9, 4.2.1.12 and 6.1; NIST SP 800-53 Rev. 5, SC-17
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, passed, unknown
from hardenprobe.checking.views.tls import leaves, served_below_anchor, unanswered
from hardenprobe.facts import HttpAnswer, TcpPort, TlsPort, TlsSuites
from hardenprobe.remediation.tls import TLS_CERTIFICATE

EXPECTED = "a server certificate, and issuers that are certification authorities"
SERVER_AUTH, ANY_PURPOSE = "1.3.6.1.5.5.7.3.1", "2.5.29.37.0"  # RFC 5280 section 4.2.1.12


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Look at the purposes of the leaf, and at who issued."""
    yield from unanswered(seen, EXPECTED)
    found, missing = leaves(seen, EXPECTED)
    yield from missing
    for at, chain, leaf in found:
        where = f"{chain.label}, " if chain.label else ""
        issuers = served_below_anchor(chain)
        wrong = [n for n, one in enumerate(issuers, 1) if one.authority is False]
        unread = [one for one in (leaf, *issuers) if one.authority is None]
        bound = leaf.purposes is not None and not {SERVER_AUTH, ANY_PURPOSE} & set(leaf.purposes)
        if bound:
            text = f"for {', '.join(leaf.purposes or ())[:200] or 'nothing'}, and not for servers"
            yield fail(at, text, EXPECTED, value=list(leaf.purposes or ()), subject=f"{where}not for servers")
        for number in wrong:
            text = f"issuer {number} is no certification authority by its basicConstraints"
            yield fail(at, text, EXPECTED, subject=f"{where}issuer {number}")
        if unread:
            yield unknown(at, "the extensions were not read", EXPECTED, subject=chain.label or None)
        elif not bound and not wrong:
            text = f"for servers; {len(issuers)} issuers sent below the anchor"
            yield passed(at, text, EXPECTED, subject=chain.label or None)


CHECK = Check(
    id="tls-chain-defects",
    document=__doc__,
    reads=(TcpPort, TlsPort, TlsSuites, HttpAnswer),
    judge=judge,
    # Whoever stands between needs a client that does not check, or people who click on.
    vectors={"": "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=TLS_CERTIFICATE,
    controls=("SC-17",),
    version="2",
)
