"""The print service discloses names of jobs or users without authentication.

Fails when
    Get-Jobs, asked without a name or credentials, brings a job name or a user name other than anonymous.
Passes when
    It is refused.
Unknown when
    No job is listed, or one without names, which does not show what the next one holds; or no IPP answer on its port.
Reach
    ask: one Get-Jobs for waiting and one for finished jobs, limited to one job; only counts are kept.
Why it matters
    Document titles beside user names disclose personal and confidential matters.
Sources
    RFC 8011, sections 4.2.6, 5.3.5 and 5.3.6; that names of jobs are private: common practice (no published requirement); NIST SP 800-53 Rev. 5, AC-3 and AC-14
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Observation, Outcome, fail, passed, unknown
from hardenprobe.checking.views.ipp import REFUSALS, serving
from hardenprobe.checking.views.web import by_port
from hardenprobe.facts import HttpAnswer, IppJobs, IppPrinter, TcpPort, TlsPort
from hardenprobe.remediation.web import JOB_PRIVACY

EXPECTED = "names of jobs and users are not shown without authentication"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port."""
    found, missing = serving(seen, EXPECTED)
    yield from missing
    jobs = by_port(seen.of(IppJobs))
    for printer in found:
        where = printer.endpoint
        answers = jobs.get((where.address, where.port), []) if where else []
        yield _one(answers) if answers else unknown(printer, "was not asked for jobs", EXPECTED)


def _one(answers: list[Observation[IppJobs]]) -> Outcome:
    telling = next((o for o in answers if o.facts.names or o.facts.users), None)
    if telling is not None:
        facts = telling.facts
        value = {"which": facts.which, "job names": facts.names, "user names": facts.users}
        text = f"of {facts.jobs} {facts.which} job: {facts.names} job name, {facts.users} user name"
        return fail(telling, text, EXPECTED, value=value)
    listed = next((o for o in answers if o.facts.jobs), None)
    if listed is not None:
        text = f"one {listed.facts.which} job comes without names, which proves nothing about others"
        return unknown(listed, text, EXPECTED)
    if all(o.facts.status in REFUSALS or o.facts.http_status in (401, 403) for o in answers):
        return passed(answers[0], "the list of jobs is refused", EXPECTED)
    return unknown(answers[0], "no job is listed, so disclosure is not determined", EXPECTED)


CHECK = Check(
    id="ipp-job-disclosure",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter, IppJobs),
    judge=judge,
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:U/EM:A"},
    remedy=JOB_PRIVACY,
    controls=("AC-3", "AC-14"),
    version="2",
    worse={"job names": "larger", "user names": "larger"},
)
