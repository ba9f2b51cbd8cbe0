"""The child process of second_opinion: reads one wish from standard input, writes one answer, ends.

It limits itself before anything foreign is imported: address space and processor time by rlimit, the network by an
audit hook that knows one loopback port.
"""

from __future__ import annotations

import json
import resource
import sys
import warnings
from importlib import import_module
from typing import Any


def hold_to(port: int) -> None:
    """Refuse every connection, bind and name look-up of this process but to one loopback port. Cannot be undone."""

    def hook(event: str, args: tuple[Any, ...]) -> None:
        if event in ("socket.connect", "socket.sendto", "socket.sendmsg"):
            if not isinstance(args[1], tuple) or args[1][:2] != ("127.0.0.1", port):
                raise PermissionError(f"{event} {args[1]!r} is outside what this process may reach")
        elif event in ("socket.bind", "socket.gethostbyname", "socket.gethostbyaddr"):
            raise PermissionError(f"{event} {args[-1]!r}: this process only connects")
        elif event == "socket.getaddrinfo" and args[0] not in ("127.0.0.1", b"127.0.0.1"):
            raise PermissionError(f"{event} {args[0]!r}: this process looks nothing up")
        elif event in ("subprocess.Popen", "os.exec", "os.posix_spawn", "os.fork"):
            raise PermissionError(f"{event}: this process starts nothing")

    sys.addaudithook(hook)


def main() -> None:
    """Do as the wish says: port, questions, memory in bytes, seconds, wait in seconds."""
    wish = json.load(sys.stdin)
    seconds = int(wish["seconds"]) + 1
    resource.setrlimit(resource.RLIMIT_AS, (wish["memory"], wish["memory"]))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    hold_to(int(wish["port"]))
    warnings.simplefilter("ignore")
    print(json.dumps(answer(int(wish["port"]), wish["questions"], float(wish["wait"]))))


def answer(port: int, questions: list[str], wait: float, at_once: int = 1) -> dict[str, Any]:
    """Run the library over one port.

    Args:
        at_once: Connections at a time; the library's own default is 5, a device gets one.
    """
    # Late, after the limits hold; by name, since the library's type hints hide what it exports.
    sslyze: Any = import_module("sslyze")
    ScanCommand = sslyze.ScanCommand
    commands = {
        "SSL 2.0": ScanCommand.SSL_2_0_CIPHER_SUITES,
        "SSL 3.0": ScanCommand.SSL_3_0_CIPHER_SUITES,
        "TLS 1.0": ScanCommand.TLS_1_0_CIPHER_SUITES,
        "TLS 1.1": ScanCommand.TLS_1_1_CIPHER_SUITES,
        "TLS 1.2": ScanCommand.TLS_1_2_CIPHER_SUITES,
        "TLS 1.3": ScanCommand.TLS_1_3_CIPHER_SUITES,
        "heartbleed": ScanCommand.HEARTBLEED,
        "early_ccs": ScanCommand.OPENSSL_CCS_INJECTION,
        "padding_oracle": ScanCommand.ROBOT,
    }
    request = sslyze.ServerScanRequest(
        server_location=sslyze.ServerNetworkLocation("127.0.0.1", port, "127.0.0.1"),
        network_configuration=sslyze.ServerNetworkConfiguration(
            tls_server_name_indication="localhost", network_timeout=int(wait), network_max_retries=1
        ),
        scan_commands={commands[question] for question in questions},
    )
    scanner = sslyze.Scanner(per_server_concurrent_connections_limit=at_once, concurrent_server_scans_limit=1)
    scanner.queue_scans([request])
    [result] = list(scanner.get_results())
    if result.scan_result is None:
        return {question: {"state": "unknown", "how": "no connection"} for question in questions}
    found = {}
    for question in questions:
        attempt = getattr(result.scan_result, commands[question].value)
        if attempt.result is None:
            found[question] = {"state": "unknown", "how": str(attempt.error_reason or attempt.status)}
        else:
            found[question] = _READ.get(question, _suites)(attempt.result)
    return found


def _suites(result: Any) -> dict[str, Any]:
    accepted = [item.cipher_suite.name for item in result.accepted_cipher_suites]
    refused = [item.cipher_suite.name for item in result.rejected_cipher_suites]
    return {"state": "done", "accepted": accepted, "asked": accepted + refused}


def _heartbleed(result: Any) -> dict[str, Any]:
    return {"state": "vulnerable" if result.is_vulnerable_to_heartbleed else "sound"}


def _early_ccs(result: Any) -> dict[str, Any]:
    return {"state": "vulnerable" if result.is_vulnerable_to_ccs_injection else "sound"}


def _padding_oracle(result: Any) -> dict[str, Any]:
    name = result.robot_result.name
    state = "unknown" if name.startswith("UNKNOWN") else "sound" if name.startswith("NOT_") else "vulnerable"
    how = {
        "VULNERABLE_WEAK_ORACLE": "weak oracle",
        "VULNERABLE_STRONG_ORACLE": "strong oracle",
        "NOT_VULNERABLE_RSA_NOT_SUPPORTED": "no RSA key transport",
        "UNKNOWN_INCONSISTENT_RESULTS": "inconsistent answers",
    }
    return {"state": state, "how": how.get(name, "no oracle")}


_READ = {"heartbleed": _heartbleed, "early_ccs": _early_ccs, "padding_oracle": _padding_oracle}

if __name__ == "__main__":
    main()
