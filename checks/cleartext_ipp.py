"""The print service answers without TLS.

Fails when
    A well-formed IPP message answers in cleartext, whatever its status, or the IPP port asks for credentials in cleartext. Another
    subject, "advertised": the service advertises an address of the device with security none.
Passes when
    In clear it redirects to https, demands an upgrade (426) or forbids, or a port that speaks TLS hangs up or says 400; every
    address of the device is advertised with TLS.
Unknown when
    No path that is asked speaks IPP, or nothing answers.
Reach
    ask: one Get-Printer-Attributes at each path of the baseline and each that the service publishes until one answers, in
    clear and over TLS.
Why it matters
    Documents, user names and, with Basic, passwords cross the network readable.
Sources
    RFC 8010, sections 4 and 8; RFC 8011, sections 5.4.1 to 5.4.3; NIST SP 800-53 Rev. 5, SC-8(1)
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from hardenprobe import Check, DeviceView, NoSettings, Observation, Outcome, fail, off_tcp, passed, unknown
from hardenprobe.checking.views.ipp import PORT, own_uris
from hardenprobe.checking.views.tls import speaking
from hardenprobe.checking.views.web import by_port, leads_to_https, no_http
from hardenprobe.facts import DeclaredDevice, HttpAnswer, IppPrinter, TcpPort, TlsPort
from hardenprobe.remediation.web import IPP_TLS

EXPECTED = "IPP over TLS only"
ADVERTISED = "advertised"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each port, and one for the addresses that it advertises."""
    tls = {(o.endpoint.address, o.endpoint.port) for o in speaking(seen) if o.endpoint}
    found = False
    for where, answers in by_port(seen.of(IppPrinter)).items():
        for one in answers:
            if not one.facts.tls and (one.facts.assigned or one.facts.status is not None):
                found = True
                yield _in_clear(one, where in tls)
        told = next((one for one in answers if one.facts.served), None)
        if told is not None:
            found = True
            yield from _advertised(seen, told)
    asked = by_port(seen.of(IppPrinter))
    for port in seen.accepting:
        at = port.endpoint
        if at and at.port == PORT and (at.address, at.port) not in asked and not port.facts.closed:
            found = True
            yield unknown(port, "IPP was not probed", EXPECTED)
    if not found:
        yield off_tcp(seen, EXPECTED, ports=(PORT,))


def _in_clear(answer: Observation[IppPrinter], tls: bool) -> Outcome:
    facts = answer.facts
    if facts.status is not None:
        text = f"IPP is answered without TLS at {facts.path}, status 0x{facts.status:04x}"
        return fail(answer, text, EXPECTED, value=facts.path)
    if facts.http_status == 401:
        return fail(
            answer, f"credentials are asked for without TLS at {facts.path}", EXPECTED, value=facts.path
        )
    if facts.http_status in (403, 426) or leads_to_https(facts):
        return passed(answer, f"{facts.http_status} in cleartext", EXPECTED, value=facts.http_status)
    # Servers of TLS hang up on clear text, alert, or say so in cleartext.
    if tls and (facts.http_status == 400 or (facts.http_status is None and facts.fault != "silent")):
        return passed(answer, f"speaks TLS; in cleartext: {facts.fault}", EXPECTED, value=facts.fault)
    if facts.http_status is None:
        return no_http(answer, EXPECTED)
    return unknown(answer, f"no IPP at the paths asked: {facts.fault}", EXPECTED)


def _advertised(seen: DeviceView, answer: Observation[IppPrinter]) -> Iterator[Outcome]:
    own = own_uris(seen, answer)
    told = {key: one.security for key, one in own.items()}
    bare = [key for key, security in told.items() if security == "none"]
    if not told:
        why = answer.facts.unpaired or "the service lists no address of the device"
        yield unknown(answer, why, EXPECTED, subject=ADVERTISED)
    elif bare:
        text = f"{', '.join(bare)} is advertised with security none"
        yield fail(answer, text, EXPECTED, value=told, subject=ADVERTISED, vector=ADVERTISED)
    else:
        text = f"advertised with security: {', '.join(f'{k} {v}' for k, v in told.items())}"
        yield passed(answer, text, EXPECTED, value=told, subject=ADVERTISED)


CHECK = Check(
    id="cleartext-ipp",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, IppPrinter, DeclaredDevice),
    judge=judge,
    service="ipp",
    # Advertised, it still takes a client that chooses the address.
    vectors={
        "": "AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:U/EM:A",
        ADVERTISED: "AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:U/EM:A",
    },
    remedy=IPP_TLS,
    controls=("SC-8(1)", "CM-7"),
    version="2",
)
