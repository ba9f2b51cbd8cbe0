"""The time service answers control queries.

Fails when
    A mode 6 (control) or mode 7 (private) query to 123/udp gets a reply, an error among them.
Passes when
    The port is unreachable, or it is silent from here and answers another vantage point.
Unknown when
    The port is silent, or the response is inconclusive. A server
    that serves the time and ignores control queries looks like one that is off.
Reach
    ask: two datagrams of 12 and 8 bytes, half a second each; the list of recent clients, which is long, is never requested.
Why it matters
    Replies disclose version and system; those longer than the query also allow amplification, and score higher.
Sources
    RFC 9327, sections 2 and 3; RFC 5905, section 7.3; US-CERT alert TA14-017A; NIST SP 800-53 Rev. 5, CM-7 and SC-5
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome
from hardenprobe.checking.views.discovery import answered
from hardenprobe.facts import NtpControlAnswer
from hardenprobe.remediation.discovery import NTP_CONTROL_OFF

EXPECTED = "no reply to NTP modes 6 and 7"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide from the answers to unicast questions."""
    return answered(seen, NtpControlAnswer, EXPECTED, "an NTP control query", amplified="amplified")


CHECK = Check(
    id="ntp-control-reply",
    document=__doc__,
    reads=(NtpControlAnswer,),
    judge=judge,
    # A reply no longer than the request cannot feed a flood; it tells that, and often which, service answers.
    vectors={
        "": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:A/EM:A",
        "amplified": "AV:N/AC:L/Au:N/C:P/I:N/A:P/PL:A/EM:A",
    },
    remedy=NTP_CONTROL_OFF,
    controls=("CM-7", "SC-5"),
    version="2",
)
