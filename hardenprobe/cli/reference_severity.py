"""The page of the handbook on severity: the logic, every vector, and the one that it replaced."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from hardenprobe.plugins import registry
from hardenprobe.standards.ccss import score, severity

LOGIC = """
A finding has a base score of CCSS (NIST IR 7502) and the rating that the NVD has for CVSS version 2: low below 4.0, medium
below 7.0, high from there. The score belongs to an outcome, not to a check: three questions decide its vector. How the
questions are answered is common practice (no published requirement); a test holds every vector of the catalogue to it.

## What does the attacker gain?

| gain | confidentiality, integrity, availability | privilege level |
|---|---|---|
| the administrator's control: the password of the settings, or a community that writes | complete, as far as the protocol goes | R, root |
| a user's rights, or what users send and store: documents, jobs, folders, sessions | partial | U, user |
| what one service tells or does: names, counters, a request passed on | partial | A, application |
| harm to others or to the service alone, such as a flood | availability partial, the others none | not defined |

An account whose rights are not known counts as a user's. The same gain has the same impact, however it is reached: printing
for anyone is one exposure over the raw port, LPD and IPP; an administrator's password in clear is one exposure in Telnet, on
a page, in a form and in Basic. A finding that only prepares an attack or records a gap (EM:P) gains no privilege.

## From where?

| place | access vector |
|---|---|
| any network that reaches the device, or the path to it | N, network |
| the link of the device: discovery protocols that are made for one link, a second network | A, adjacent network |
| records that disagree, where nothing is attacked | L, local |

A discovery protocol of one link that answers a source on another link counts as network.

## Flaws of an implementation

`tls-heartbleed`, `tls-early-ccs`, `tls-rsa-padding-oracle` and `ssh-prefix-truncation` are flaws and no configurations, for which
CCSS is made. Their vectors are of CVSS version 2, as the NVD publishes them for CVE-2014-0160, CVE-2014-0224 and CVE-2017-13099,
read in its records, and are labelled so; the equation is the same, so that they can be ranked beside the others. For CVE-2023-48795
the NVD publishes no vector of version 2, which it has not assigned since July 2022: that one answers the questions of this page.

## By what work?

| work | access complexity |
|---|---|
| sending requests, at any time | L, low |
| waiting on the path until somebody signs in or prints; or a port that accepts and cannot be confirmed, since nothing may be said to it | M, medium |
| standing between two parties and changing what they say; or breaking a cipher, key or signature, or waiting for a mistake | H, high |

An algorithm that is broken at once (no encryption, export sizes, RSA of 768 bits, MD5 signatures, SSL) is M where its better
kin is H. An attack that is feared and not known (kinds called dated) gains confidentiality alone.

## One cause, one finding

A self-signed certificate that nothing trusts is counted by `tls-certificate-untrusted`. Its name and its lifetime are
informational: all three end with one new certificate. Dates and key sizes stand for themselves.

## Answers that are larger than the question

A reply longer than the request lets an attacker who forges the sender flood others: availability partial, access complexity low. A
reply that is no longer is scored for what it tells.
"""

# What each outcome was scored by until all were held to one logic: check, outcome, vector.
_BEFORE = """
allow-list-ipv6-bypass||AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:ND/EM:A
allow-list-locks-out||AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P
allow-list-malformed|unreadable|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:P
allow-list-malformed|form|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:P
allow-list-malformed|ipv6|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:P
allow-list-malformed|repeated|AV:N/AC:H/Au:S/C:N/I:P/A:N/PL:ND/EM:P
allow-list-malformed|swallowed|AV:N/AC:H/Au:S/C:N/I:P/A:N/PL:ND/EM:P
allow-list-not-enforced||AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:ND/EM:A
allow-list-too-wide||AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
basic-auth-in-clear||AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A
channel-contradiction||AV:N/AC:H/Au:N/C:N/I:N/A:P/PL:ND/EM:P
cleartext-ftp||AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
cleartext-http-management||AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A
cleartext-ipp||AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
cleartext-ipp|advertised|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
cleartext-print-lpd||AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:ND/EM:A
cleartext-print-raw||AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:ND/EM:A
cleartext-remote-shell||AV:N/AC:H/Au:N/C:P/I:P/A:P/PL:ND/EM:A
cleartext-small-services||AV:N/AC:M/Au:N/C:N/I:N/A:P/PL:ND/EM:A
cleartext-telnet||AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A
cleartext-tftp||AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
clock-skew||AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P
device-bridges-networks|forwarding|AV:A/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
device-bridges-networks|interfaces|AV:A/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:P
device-not-listed||AV:A/AC:L/Au:N/C:P/I:P/A:N/PL:ND/EM:P
device-not-seen||AV:L/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:P
discovery-credentials|password|AV:N/AC:L/Au:N/C:C/I:P/A:P/PL:ND/EM:A
discovery-credentials|user|AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
discovery-llmnr||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
discovery-mdns||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
discovery-netbios||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
discovery-slp||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
discovery-ssdp||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
discovery-ws-discovery||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
firmware-below-floor||AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A
ftp-anonymous||AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:ND/EM:A
http-cookie-flags||AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
http-redirect-leaves-device||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
http-redirect-leaves-device|in clear|AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
http-strict-transport||AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
ipp-job-disclosure||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
ipp-no-authentication||AV:A/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:A
ipp-print-by-reference||AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A
login-form-in-clear||AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A
management-encryption-missing||AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A
ntp-control-reply||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
ntp-control-reply|amplified|AV:N/AC:L/Au:N/C:P/I:N/A:P/PL:ND/EM:A
remote-screen-open||AV:N/AC:L/Au:N/C:P/I:P/A:P/PL:ND/EM:A
scan-service-open||AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A
segment-reach|forbidden|AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
segment-reach|needed|AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:P
settings-page-open||AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:ND/EM:A
smb-signing-not-required||AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
smb1-dialect||AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A
snmp-amplification||AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:A
snmp-cleartext-version||AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A
snmp-default-community-read||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
snmp-default-community-write||AV:N/AC:L/Au:N/C:P/I:C/A:C/PL:ND/EM:A
snmp-known-community-write||AV:N/AC:M/Au:N/C:P/I:C/A:C/PL:ND/EM:A
snmp-personal-data|contact|AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A
snmp-personal-data|operator|AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A
snmp-personal-data|service person|AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A
snmp-personal-data|job owner|AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
snmp-shared-engine-id||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
snmp-v3-below-authpriv|noAuthNoPriv|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
snmp-v3-below-authpriv|authNoPriv|AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
snmp-v3-missing||AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
snmp-v3-weak-algorithms||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
snmp-v3-weak-algorithms|MD5|AV:A/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P
snmp-v3-weak-algorithms|SHA-1|AV:A/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P
snmp-v3-weak-algorithms|DES|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
snmp-v3-weak-algorithms|AES-128|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
snmp-v3-weak-algorithms|SHA-224|AV:A/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P
snmp-v3-weak-algorithms|SHA-256|AV:A/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P
snmp-v3-weak-algorithms|SHA-384|AV:A/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P
snmp-v3-weak-algorithms|SHA-512|AV:A/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:P
ssh-legacy-protocol||AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
ssh-prefix-truncation||AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:A
ssh-shared-host-key||AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
ssh-weak-cipher|none|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
ssh-weak-cipher|weak|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
ssh-weak-cipher|dated|AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
ssh-weak-host-key|weak|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
ssh-weak-host-key|dated|AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
ssh-weak-key-exchange|weak|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
ssh-weak-key-exchange|dated|AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
ssh-weak-mac|none|AV:N/AC:M/Au:N/C:N/I:P/A:N/PL:ND/EM:A
ssh-weak-mac|weak|AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:A
ssh-weak-mac|dated|AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:A
statement-contradicted||AV:L/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:P
tls-certificate-dates|expired|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-certificate-dates|not yet valid|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-certificate-dates|ending soon|AV:N/AC:H/Au:N/C:N/I:N/A:P/PL:ND/EM:P
tls-certificate-lifetime||AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:P
tls-certificate-untrusted||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-certificate-untrusted|other key|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-compression||AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
tls-current-version-missing||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-deprecated-version|ssl|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-deprecated-version||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-early-ccs||AV:N/AC:M/Au:N/C:P/I:P/A:P/PL:ND/EM:A
tls-heartbleed||AV:N/AC:L/Au:N/C:P/I:N/A:N/PL:ND/EM:A
tls-insecure-renegotiation||AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:A
tls-name-mismatch||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-no-forward-secrecy||AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
tls-rsa-padding-oracle||AV:N/AC:M/Au:N/C:P/I:N/A:N/PL:ND/EM:A
tls-shared-key||AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-weak-cipher|none|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-weak-cipher|weak|AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-weak-cipher|dated|AV:N/AC:H/Au:N/C:P/I:N/A:N/PL:ND/EM:A
tls-weak-key|very short|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-weak-key||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-weak-parameters|export|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-weak-parameters||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-weak-signature|md|AV:N/AC:M/Au:N/C:P/I:P/A:N/PL:ND/EM:A
tls-weak-signature||AV:N/AC:H/Au:N/C:P/I:P/A:N/PL:ND/EM:A
udp-small-services||AV:N/AC:M/Au:N/C:N/I:N/A:P/PL:ND/EM:A
udp-small-services|amplified|AV:N/AC:L/Au:N/C:N/I:N/A:P/PL:ND/EM:A
unexpected-service||AV:N/AC:H/Au:N/C:N/I:P/A:N/PL:ND/EM:A
"""


def before() -> dict[tuple[str, str], str]:
    """The vectors that were replaced, by check and outcome."""
    rows = (line.split("|") for line in _BEFORE.strip().splitlines())
    return {(id, outcome): vector for id, outcome, vector in rows}


def page(cell: Callable[[object], str], note: str) -> Iterator[str]:
    """The page's lines.

    Args:
        cell: Text to a cell of a table.
        note: What stands under the title.
    """
    yield from ("# Severity", "", note, "", *LOGIC.strip().splitlines(), "", "## Every vector", "")
    yield "The last column is the vector before all of them were held to this logic, on 30 November 2026."
    yield from ("", "| check | outcome | score | vector | before |", "|---|---|---|---|---|")
    earlier = before()
    for id, check in sorted(registry.load(plugins=False).checks.items()):
        for outcome, vector in check.vectors.items():
            old = earlier.get((id, outcome))
            was = "new" if old is None else "the same" if old == vector else f"{_scored(old)}, `{old}`"
            place = f"[`{id}`](checks.md#{id}) | {cell(outcome)}"
            yield f"| {place} | {_scored(vector)} | `{vector}` | {was} |"


def _scored(vector: str) -> str:
    base = score(vector).base
    return f"{base} {severity(base)}"
