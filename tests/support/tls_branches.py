"""What every TLS check must say of a port without TLS, and every check of a flaw of what its probe found, for tests."""

from __future__ import annotations

import pytest

from hardenprobe.facts import TlsFlaws, TlsPort
from hardenprobe.model import State
from support.tls import seen_tls

_CLOSES, _SILENT = (seen_tls(TlsPort(speaks=False, fault=fault)) for fault in ("closed", "silent"))
_OTHER = seen_tls(TlsPort(speaks=False, fault="not TLS", answer="HTTP/1.1 400"))

WITHOUT_TLS = pytest.mark.parametrize(
    ("seen", "word"),
    [
        pytest.param(seen_tls(ports={443: State.REFUSING}), "notapplicable", id="refused"),
        pytest.param(seen_tls(ports={443: State.SILENT}), "unknown", id="silent"),
        pytest.param(_CLOSES, "unknown", id="closes at a hello"),
        pytest.param(_SILENT, "unknown", id="silent to a hello"),
        pytest.param(_OTHER, "notapplicable", id="something else"),
    ],
)


def each_finding(flaw: str) -> pytest.MarkDecorator:
    """Run a test with the `facts` of every finding of a probe, and the `word` and `reason` that they come to.

    Args:
        flaw: A field of TlsFlaws.
    """

    def found(state: str, second: str | None = None) -> tuple[TlsFlaws, ...]:
        return (TlsFlaws(**{flaw: state}, second={flaw: second} if second else {}),)

    return pytest.mark.parametrize(
        ("facts", "word", "reason"),
        [
            (found("vulnerable"), "fail", None),
            (found("sound"), "pass", None),
            ((TlsFlaws(**{flaw: "unknown"}, unknown_why="ceiling"),), "unknown", "ceiling"),
            ((TlsFlaws(unknown_why="crashed"),), "unknown", "crashed"),
            (found("sound", "vulnerable"), "error", "inconclusive"),
            (found("vulnerable", "sound"), "error", "inconclusive"),
            (found("sound", "unknown"), "pass", None),
            ((), "unknown", "reach"),
        ],
    )
