"""A mail or directory server on the device takes passwords in clear.

Fails when
    The mail server offers AUTH by PLAIN, LOGIN or a bearer token before TLS (subject "mail"), or the directory server has no
    StartTLS (subject "directory").
Passes when
    Neither is there, or the mail server offers no such AUTH before TLS. A directory server with StartTLS is informational:
    whether it takes a password without is not tried.
Unknown when
    A server leaves, is silent or breaks its protocol, or nothing of the device answers.
Reach
    ask: one EHLO to a mail server, one StartTLS request to a directory server; no sign-in is tried.
Why it matters
    Passwords are sent readable, often those of the directory; a mail server on a device also sends for others.
Sources
    RFC 3207, section 4; RFC 4954, section 4; RFC 7628; RFC 4513, sections 3 and 5.1.2; NIST SP 800-53 Rev. 5, CM-7 and IA-5(1)
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import Check, DeviceView, NoSettings, Outcome, fail, note, off_tcp, passed, unknown
from hardenprobe.facts import MailServer, TcpPort, TlsPort
from hardenprobe.remediation.general import MAIL_DIRECTORY_TLS

PORTS = (25, 389, 587)  # IANA: smtp, ldap, submission
# RFC 4616; RFC 7628, whose token is as good as a password; and two mechanisms that no standard has.
PLAINTEXT = {"PLAIN", "LOGIN", "OAUTHBEARER", "XOAUTH2"}
EXPECTED = "no mail or directory server that takes passwords in clear"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """One result for each server."""
    directories = [o for o in seen.of(TlsPort) if o.facts.reached == "ldap"]
    for server in seen.of(MailServer):
        facts = server.facts
        clear = sorted(PLAINTEXT.intersection(facts.mechanisms))
        if not facts.greeted:
            yield unknown(server, f"EHLO is not answered: {facts.fault}", EXPECTED, subject="mail")
        elif clear:
            also = "STARTTLS is offered too" if "STARTTLS" in facts.extensions else "STARTTLS is not offered"
            yield fail(
                server, f"AUTH {' '.join(clear)} before TLS; {also}", EXPECTED, value=clear, subject="mail"
            )
        else:
            yield passed(server, "no AUTH by password or token before TLS", EXPECTED, subject="mail")
    for directory in directories:
        if directory.facts.speaks:
            text = "StartTLS is offered; whether it takes a password without was not tried"
            yield note(directory, text, EXPECTED, subject="directory")
        elif directory.facts.plain_ldap:
            yield fail(directory, "no StartTLS, so passwords cross in clear", EXPECTED, subject="directory")
        else:
            yield unknown(directory, "StartTLS is not answered in LDAP", EXPECTED, subject="directory")
    if not directories and not seen.of(MailServer):
        yield off_tcp(seen, EXPECTED, ports=PORTS)


CHECK = Check(
    id="mail-directory-login-in-clear",
    document=__doc__,
    reads=(TcpPort, TlsPort, MailServer),
    judge=judge,
    # A password in clear of an account whose rights are not known, as FTP.
    vectors={"": "AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:U/EM:A"},
    remedy=MAIL_DIRECTORY_TLS,
    controls=("CM-7", "IA-5(1)"),
    version="2",
)
