"""Fuzz the TLS parsers with coverage guidance.

    python tests/fuzz/fuzz_tls.py -max_total_time=60

Needs atheris, which is no dependency of the project. The same property runs with hypothesis in tests/probes/test_tls_codec.py.
"""

from __future__ import annotations

import contextlib
import sys

from hardenprobe.errors import MalformedReply
from hardenprobe.probes.certificates import TrustAnchors, describe_chain
from hardenprobe.probes.tls_codec import CHAIN_LIMIT, FLIGHT_LIMIT, read_chain, read_flight
from hardenprobe.probes.tls_ssl2 import read_server_hello

_HELLO = bytes.fromhex("160303002a020000260303") + bytes(32) + bytes.fromhex("00c02f00")


def one_input(data: bytes) -> None:
    """Nothing but MalformedReply leaves a parser, and nothing grows beyond what came in."""
    for flight_bytes in (data, _HELLO + data):
        with contextlib.suppress(MalformedReply):
            flight = read_flight(flight_bytes)
            assert sum(map(len, flight.chain)) <= min(len(flight_bytes), FLIGHT_LIMIT)
            assert len(flight.chain) <= CHAIN_LIMIT
    with contextlib.suppress(MalformedReply):
        read_server_hello(data)
    with contextlib.suppress(MalformedReply):
        read_chain(data, thirteen=bool(data[:1] > b"\x80"))
    describe_chain([data], TrustAnchors())


def main() -> None:
    """Hand over to atheris."""
    try:
        import atheris
    except ImportError:
        sys.exit("atheris is not installed: python -m pip install atheris")
    atheris.instrument_all()
    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
