"""hardenprobe.checks.tls_name_mismatch"""

from __future__ import annotations

from dataclasses import replace

import pytest
from support.tls import chain, seen_tls, tls_port
from support.tls_branches import WITHOUT_TLS

from hardenprobe.checking.check import DeviceView
from hardenprobe.checks.tls_name_mismatch import CHECK
from hardenprobe.model import Identity

NONE = CHECK.settings()


@pytest.mark.parametrize(
    ("names", "used", "word"),
    [
        (("printer-1.office.test",), ("printer-1.office.test",), "pass"),
        (("PRINTER-1.office.test.",), ("printer-1.Office.Test",), "pass"),
        (("*.office.test",), ("printer-1.office.test",), "pass"),
        (("*.office.test",), ("a.printer-1.office.test",), "fail"),
        (("*.test",), ("printer-1.test",), "fail"),
        (("pr*.office.test",), ("printer-1.office.test",), "fail"),
        (("192.0.2.7",), ("192.0.2.7",), "pass"),
        (("2001:DB8::7",), ("2001:db8:0::7",), "pass"),
        # Section 6.3: a U-label is compared as the A-label that certificates carry.
        (("xn--bcher-kva.office.test",), ("bücher.office.test",), "pass"),
        (("*.office.test",), ("bücher.office.test",), "pass"),
        (("bucher.office.test",), ("bücher.office.test",), "fail"),
        (("printer-1.office.test",), ("\udcff.office.test",), "fail"),
        ((), ("printer-1.office.test",), "fail"),
        (("other.test",), (), "informational"),
    ],
)
def test_names_by_rfc_9525(names: tuple[str, ...], used: tuple[str, ...], word: str) -> None:
    port = tls_port("TLS 1.2", chains=(chain(names=names, subject="CN=printer-1.office.test"),))
    [outcome] = CHECK.judge(seen_tls(port, names=used), NONE)

    assert str(outcome.word) == word


def test_a_name_that_only_the_device_claims_is_not_one_that_people_use() -> None:
    """sysName agrees with whatever certificate the device made for itself."""
    claims = Identity(kind="name", value="printer-1.office.test", source="snmp", strength="weak")
    seen = seen_tls(tls_port("TLS 1.2", chains=(chain(names=("printer-1.office.test",)),)))
    seen.device = replace(seen.device, names=("printer-1.office.test",), identity=(claims,))
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == ["informational"]

    # It was also asked for by that name.
    seen.device = replace(seen.device, identity=(claims, replace(claims, source="target")))
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == ["pass"]


def test_a_self_signed_certificate_is_one_finding_of_tls_certificate_untrusted() -> None:
    own = chain(trusted=False, self_signed=True, names=("factory.test",))
    seen = seen_tls(tls_port("TLS 1.2", chains=(own,)), names=("printer-1.office.test",))
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == ["informational"]
    anchored = chain(trusted=True, self_signed=True, names=("factory.test",))
    seen = seen_tls(tls_port("TLS 1.2", chains=(anchored,)), names=("printer-1.office.test",))
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == ["fail"]


@WITHOUT_TLS
def test_without_tls_nothing_passes(seen: DeviceView, word: str) -> None:
    assert [str(o.word) for o in CHECK.judge(seen, NONE)] == [word]
