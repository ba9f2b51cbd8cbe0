"""What it costs to learn a port's suites, beside the TLS library's own enumeration of the same server in the same run.

    python tests/benchmarks/tls_cost.py

Connections are counted by a relay in front of the server. Neither side pauses between connections; the library asks
five at a time, as it does by default, and we one. The last line is about the first server, which accepts everything
that its certificate allows.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives.asymmetric import ec, rsa

from hardenprobe.checking.views.tls import disagreements
from hardenprobe.facts import VERSIONS, TlsSecondOpinion, TlsSuites
from hardenprobe.probes.pki.certificates import TrustAnchors
from hardenprobe.probes.tls.second_opinion_child import answer

sys.path.insert(0, str(Path(__file__).parents[1]))
from support.tls_servers import CountingRelay, issue, line_to, openssl_server, probe_tls

EVERYTHING = ("-min_protocol", "TLSv1", "-cipher", "ALL:@SECLEVEL=0")

# With an RSA certificate about twice as many suites are accepted as with an EC one, and each costs a connection.
SERVERS = {
    "everything, EC certificate": ("ec", EVERYTHING),
    "everything, RSA certificate": ("rsa", EVERYTHING),
    "stock suites, TLS 1.0 to 1.3": ("rsa", ("-min_protocol", "TLSv1", "-cipher", "DEFAULT:@SECLEVEL=0")),
    "six suites": ("rsa", ("-min_protocol", "TLSv1.2", "-cipher", "ECDHE+AESGCM:ECDHE+CHACHA20")),
}


def measured(target: int, run: Callable[[int], Any]) -> tuple[Any, int, float]:
    """Run against a counted port; return result, connections and seconds."""
    with CountingRelay(target) as relay:
        began = time.perf_counter()
        result = run(relay.port)
        return result, relay.connections, time.perf_counter() - began


def ours(depth: str) -> Callable[[int], TlsSuites]:
    def run(port: int) -> TlsSuites:
        seen = asyncio.run(probe_tls(line_to(port), port, anchors=TrustAnchors(), depth=depth))
        facts: TlsSuites = seen[-1].facts
        return facts

    return run


def theirs(port: int) -> TlsSecondOpinion:
    found = answer(port, list(VERSIONS), 5.0, at_once=5)
    return TlsSecondOpinion(
        suites={version: tuple(item["accepted"]) for version, item in found.items()},
        asked={version: tuple(item["asked"]) for version, item in found.items()},
    )


def main() -> int:
    """Print a line a server and the line that counts; return 1 where the sets differ."""
    warnings.simplefilter("ignore")
    lines: list[tuple[float, float, bool]] = []
    with tempfile.TemporaryDirectory() as folder:
        credentials = {
            "ec": issue(Path(folder), "ec", key=ec.generate_private_key(ec.SECP256R1())),
            "rsa": issue(Path(folder), "rsa", key=rsa.generate_private_key(65537, 2048)),
        }
        for name, (key, arguments) in SERVERS.items():
            with openssl_server(credentials[key], *arguments) as port:
                suites, count, seconds = measured(port, ours("suites"))
                _, sheet, _ = measured(port, ours("full"))
                second, many, longer = measured(port, theirs)
            accepted = sum(map(len, suites.suites.values()))
            same = not disagreements(suites, second)
            lines.append((many / count, longer / seconds, same))
            print(
                f"{name}: {accepted} accepted; {count} connections in {seconds:.2f} s (fact sheet {sheet}) against "
                f"{many} in {longer:.2f} s: {many / count:.1f}x fewer, {longer / seconds:.1f}x less time"
            )
    equal = all(same for _, _, same in lines)
    fewer, less, _ = lines[0]
    print(f"connections {fewer:.1f}x fewer, time {less:.1f}x less, sets equal: {'yes' if equal else 'no'}")
    return 0 if equal else 1


if __name__ == "__main__":
    sys.exit(main())
