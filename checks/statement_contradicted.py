"""An attestation is contradicted by an observation.

Fails when
    An attestation in force says yes, or not applicable, and an observation of the device, or its use, contradicts it.
Passes when
    Observations concern the attestation, and all of them agree.
Unknown when
    The attestation can be tested over the network, and no observation shows its subject.
Reach
    none: attestations, observations and the kept evidence of use are compared, nothing more is sent.
Why it matters
    A wrong attestation hides the exposure, which is a finding of its own check.
Sources
    NIST SP 800-53 Rev. 5, CA-2 and CA-7; NIST SP 800-53A Rev. 5, assessment methods examine, interview, test
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from hardenprobe import Check, DeviceView, NoSettings, Observation, Outcome, Reason, Word, fail, inapplicable
from hardenprobe.checking.views.attestations import BEARING, USED, contradicted_by_use
from hardenprobe.facts import (
    FtpSession,
    HttpAnswer,
    IppJobs,
    RfbSecurity,
    ServiceUsed,
    SettingsPageAnswer,
    SnmpAnswer,
    StatementMade,
    TcpPort,
    TelnetGreeting,
    TftpAnswer,
)
from hardenprobe.model import Said
from hardenprobe.remediation.fleet import STATEMENT_RENEWED

EXPECTED = "attestations and observations agree"
CLAIMS = ("yes", "not applicable")  # "no" and "partly" own up to what may be seen


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Compare each attestation that claims something with the observations."""
    tested = {*BEARING, *USED}
    claims = [o for o in seen.of(StatementMade) if o.facts.answer in CLAIMS and o.facts.control in tested]
    for claim in claims:
        made = claim.facts
        shown = list(BEARING[made.control](seen)) if made.control in BEARING else []
        yield from _one(claim, [*shown, *contradicted_by_use(made.control, made.made, seen)])
    if not claims:
        yield inapplicable("no attestation of this device can be tested over the network", EXPECTED)


def _one(claim: Observation[StatementMade], bearing: list[tuple[Observation[Any], str]]) -> Iterator[Outcome]:
    made = claim.facts
    says = f"{made.by} states {made.answer!r} of {made.control} ({made.statement}, {made.made})"
    against = {o.endpoint: (o, text) for o, text in reversed(bearing) if text}
    for seen, text in reversed(against.values()):
        outcome = fail(seen, f"{says}; {text}", EXPECTED, value=text, subject=made.control)
        yield Outcome(**{**vars(outcome), "proof": (claim.id, seen.id)})
    if against:
        return
    agrees = [o.id for o, _ in bearing]
    yield Outcome(
        word=Word.PASS if agrees else Word.UNKNOWN,
        observed=Said(
            text=f"{says}; " + ("the observations agree" if agrees else "no observation concerns it")
        ),
        expected=Said(text=EXPECTED),
        subject=made.control,
        reason=None if agrees else Reason.INCONCLUSIVE,
        proof=(claim.id, *agrees),
    )


CHECK = Check(
    id="statement-contradicted",
    document=__doc__,
    reads=(StatementMade, TcpPort, TelnetGreeting, FtpSession, TftpAnswer, SnmpAnswer, HttpAnswer, SettingsPageAnswer, IppJobs,
           RfbSecurity, ServiceUsed),
    judge=judge,
    # The exposure has a score of its own; this one is that the control is no longer checked.
    vectors={"": "AV:L/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:P"},
    remedy=STATEMENT_RENEWED,
    controls=("CA-2", "CA-7"),
    reach=None,
    version="3",
)  # fmt: skip
