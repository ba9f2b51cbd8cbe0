"""Scans are sent to destinations without encryption.

Fails when
    The IPP scan service tells destinations that are ready, and one of them has the scheme ftp, http or tftp.
Passes when
    It tells destinations and each of them has the scheme ftps, https, ipps or sftp, or it tells schemes and none of them is clear.
    Where a clear scheme is supported and no such destination is ready, that is informational.
Unknown when
    No scan service tells destinations or schemes, or a destination has a scheme that does not show whether it is encrypted
    (smb, mailto, ipp).
Reach
    ask: the request for attributes of ipp-scan-service-open. Destinations are counted by scheme; none is kept.
Why it matters
    What people scan, often the papers that are not mailed, crosses the network readable, and so does the folder's password.
Sources
    PWG 5100.17, destination-uri-ready; PWG 5100.15, destination-uri-schemes-supported; RFC 7472 (ipps is IPP over TLS); NIST SP 800-53 Rev. 5, SC-8(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, note, passed, unknown
from hardenprobe.checking.absence import no_service
from hardenprobe.facts import HttpAnswer, IppPrinter, IppService, TcpPort, TlsPort
from hardenprobe.remediation.web import SCAN_DESTINATIONS

EXPECTED = "scans leave by schemes that encrypt"
CLEAR, ENCRYPTED = {"ftp", "http", "tftp"}, {"ftps", "https", "ipps", "sftp"}


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the counts of each scan service, else from the schemes that it supports."""
    asked = [o for o in seen.of(IppService) if o.facts.service == "scan"]
    for answer in asked:
        ready, schemes = answer.facts.destinations, set(answer.facts.schemes)
        clear = {scheme: count for scheme, count in ready.items() if scheme in CLEAR}
        open_ones = sum(count for scheme, count in ready.items() if scheme not in CLEAR | ENCRYPTED)
        if clear:
            told = ", ".join(f"{count} by {scheme}" for scheme, count in sorted(clear.items()))
            yield fail(answer, f"destinations in clear: {told}", EXPECTED, value=clear)
        elif open_ones:
            yield unknown(
                answer, f"{open_ones} destinations by schemes that may be in clear or not", EXPECTED
            )
        elif ready:
            yield passed(answer, f"{sum(ready.values())} destinations, all encrypted", EXPECTED)
        elif schemes & CLEAR:
            text = f"supports {', '.join(sorted(schemes & CLEAR))}; no destination is listed"
            yield note(answer, text, EXPECTED, value=sorted(schemes & CLEAR))
        elif schemes and schemes <= ENCRYPTED:
            yield passed(answer, f"supports {', '.join(sorted(schemes))} alone", EXPECTED)
        else:
            yield unknown(answer, "the scan service tells no destination", EXPECTED)
    if not asked:
        yield no_service(seen, EXPECTED, "IPP", (631,))


CHECK = Check(
    id="scan-destinations-in-clear",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter, IppService),
    judge=judge,
    # As IPP in clear: documents read and changed on the way; the folder's account beside them.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A"},
    remedy=SCAN_DESTINATIONS,
    controls=("SC-8(1)",),
    version="2",
)
