"""A settings page opens without credentials.

Fails when
    A page that the baseline names shows its marker, without a password field beside it.
Passes when
    It is answered with 401, 403 or a sign-in form without the marker, or redirects to https, where it is asked again.
Unknown when
    The marker is absent or beside a password field; a path that cannot exist shows the same marker or form; the
    baseline lists no page; or no HTTP comes back.
Reach
    ask: one GET for each page that the baseline declares safe, and one for a random path on a web port that shows a marker
    or a form; nothing that they lead to.
Why it matters
    Anyone who reaches the device reads its settings, and on many models changes them, without a password.
Sources
    NIST SP 800-53 Rev. 5, AC-3, AC-14 and IA-2; RFC 9110, section 15.5.2
"""

from __future__ import annotations

from collections.abc import Iterable

from hardenprobe import (
    Check,
    DeviceView,
    NoSettings,
    Observation,
    Outcome,
    Reason,
    fail,
    no_service,
    passed,
    unknown,
)
from hardenprobe.checking.views.web import by_port, leads_to_https, no_http, unanswered
from hardenprobe.facts import ControlPageAnswer, HttpAnswer, SettingsPageAnswer, TcpPort, TlsPort
from hardenprobe.remediation.web import SETTINGS_SIGN_IN

EXPECTED = "the listed settings pages ask for credentials"


def judge(seen: DeviceView, expect: NoSettings) -> Iterable[Outcome]:
    """Decide page by page."""
    pages = seen.of(SettingsPageAnswer)
    over_tls = any(page.facts.tls and page.facts.status is not None for page in pages)
    controls = by_port(seen.of(ControlPageAnswer))
    for page in pages:
        where = page.endpoint
        control = controls.get((where.address, where.port), []) if where else []
        yield _one(page, over_tls, control[0].facts if control else None)
    if not pages:
        served = [o for o in seen.of(HttpAnswer) if o.facts.status is not None]
        if served:
            yield unknown(served[0], "no settings page was asked for", EXPECTED)
        elif missing := unanswered(seen.of(HttpAnswer), EXPECTED):
            yield from missing
        else:
            yield no_service(seen, EXPECTED, "HTTP")


def _one(page: Observation[SettingsPageAnswer], over_tls: bool, control: ControlPageAnswer | None) -> Outcome:
    facts = page.facts
    if facts.status is None:
        return no_http(page, EXPECTED)
    if facts.marker_found and facts.password_field:
        return unknown(page, "the marker is beside a password field: settings or a sign-in form", EXPECTED)
    if facts.marker_found and control and facts.marker in control.markers:
        return unknown(page, "a path that cannot exist shows the marker as well", EXPECTED)
    if facts.marker_found and 200 <= facts.status < 300:
        return fail(
            page, f"{facts.path} shows {facts.marker!r} without credentials", EXPECTED, value=facts.path
        )
    if facts.status in (401, 403):
        return passed(page, f"{facts.path} is answered with {facts.status}", EXPECTED, value=facts.status)
    if facts.password_field and control and control.password_field:
        return unknown(page, f"{facts.path} shows a form, as a path that cannot exist does", EXPECTED)
    if facts.password_field:
        return passed(page, f"{facts.path} is answered with a sign-in form", EXPECTED, value=facts.status)
    if leads_to_https(facts) and over_tls:
        return passed(page, f"{facts.path} redirects to https", EXPECTED, value=facts.location)
    text = f"{facts.path} is answered with {facts.status} and without the marker"
    return unknown(page, text, EXPECTED, reason=Reason.INCONCLUSIVE)


CHECK = Check(
    id="settings-page-open",
    document=__doc__,
    reads=(TcpPort, HttpAnswer, TlsPort, SettingsPageAnswer, ControlPageAnswer),
    judge=judge,
    # Reading is proven; that settings can be changed is likely and never tried.
    vectors={"": "AV:N/AC:L/Au:N/C:P/I:P/A:N/PL:R/EM:A"},
    remedy=SETTINGS_SIGN_IN,
    controls=("AC-3", "AC-14", "IA-2"),
    version="2",
)
