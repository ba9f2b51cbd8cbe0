"""The SSH checks, against OpenSSH and Dropbear; and the lab's SSH servers, against OpenSSH's client."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.serialization import load_pem_parameters

from hardenprobe.demo_lab.process import RunningLab, running_lab
from hardenprobe.facts import SshHostKey, SshIdentification
from hardenprobe.model import Review
from hardenprobe.probes.ssh import groups

pytestmark = [pytest.mark.peer, pytest.mark.slow]

PRIVILEGE_SEPARATION = Path("/run/sshd")  # Debian's sshd wants it when it is root's


def run(*command: str | Path) -> None:
    subprocess.run(command, check=True, capture_output=True, timeout=30)


@pytest.fixture(scope="module")
def keygen(program: Any, folder: Any) -> Callable[[str, int], Path]:
    """Make a host key in OpenSSH's format, once for each type and size."""
    made: dict[tuple[str, int], Path] = {}

    def make(kind: str, bits: int) -> Path:
        if (kind, bits) not in made:
            file = folder("key") / f"{kind}_{bits}"
            run(
                program("ssh-keygen", "openssh-client"),
                "-q",
                "-t",
                kind,
                "-b",
                str(bits),
                "-N",
                "",
                "-f",
                file,
            )
            made[kind, bits] = file
        return made[kind, bits]

    return make


@pytest.fixture(scope="module")
def sshd(address: Any, folder: Any, program: Any, start: Any, port_offset: int) -> Callable[..., str]:
    """Start OpenSSH's server with the given host keys and settings, and nothing of the machine's own."""

    def serve(keys: list[Path], *settings: str) -> str:
        host, where, daemon = address(), folder("sshd"), program("sshd", "openssh-server")
        if os.getuid() == 0:
            PRIVILEGE_SEPARATION.mkdir(mode=0o755, exist_ok=True)
        lines = [f"ListenAddress {host}:{22 + port_offset}", "UsePAM no", f"PidFile {where / 'pid'}"]
        lines += [f"HostKey {key}" for key in keys]
        (where / "sshd_config").write_text("\n".join([*lines, *settings]) + "\n")
        start((daemon, "-D", "-e", "-f", where / "sshd_config"), where, accepts=(host, 22))
        return str(host)

    return serve


@pytest.fixture(scope="module")
def dropbear(address: Any, folder: Any, program: Any, start: Any, port_offset: int) -> Callable[..., str]:
    """Start Dropbear with new host keys of the given types."""

    def serve(*kinds: str) -> str:
        host, where, daemon = address(), folder("dropbear"), program("dropbear", "dropbear-bin")
        options: list[str | Path] = []
        for kind in kinds:
            file = where / kind
            run(program("dropbearkey", "dropbear-bin"), "-t", kind, "-f", file)
            options += ["-r", file]
        pid = ("-P", where / "pid")
        start(
            (daemon, "-F", "-E", *pid, "-p", f"{host}:{22 + port_offset}", *options),
            where,
            accepts=(host, 22),
        )
        return str(host)

    return serve


@pytest.fixture(scope="module")
def hosts(sshd: Any, dropbear: Any, keygen: Any) -> dict[str, str]:
    old = [keygen("rsa", 1024), keygen("dsa", 1024)]
    return {
        "current": sshd([keygen("rsa", 2048), keygen("ecdsa", 256), keygen("ed25519", 256)]),
        "old": sshd(
            old,
            "KexAlgorithms diffie-hellman-group1-sha1,diffie-hellman-group-exchange-sha1",
            "HostKeyAlgorithms ssh-rsa,ssh-dss",
            "Ciphers 3des-cbc,aes128-cbc",
            "MACs hmac-md5,hmac-sha1-96,hmac-sha1",
            "RequiredRSASize 1024",
        ),
        # The same Ed25519 key as on `current`; other key exchange methods.
        "copy": sshd([keygen("ed25519", 256)], "KexAlgorithms diffie-hellman-group-exchange-sha256"),
        "large": sshd([keygen("ecdsa", 384)], "KexAlgorithms diffie-hellman-group16-sha512"),
        "curve": sshd([keygen("ecdsa", 521)], "KexAlgorithms ecdh-sha2-nistp521"),
        # No client can use these MACs, since every cipher authenticates by itself (RFC 5647 section 5.1).
        "MACs beside GCM": sshd(
            [keygen("rsa", 2560)],
            "Ciphers aes256-gcm@openssh.com,chacha20-poly1305@openssh.com",
            "MACs hmac-md5,hmac-sha1-96",
        ),
        "dropbear": dropbear("ed25519", "ecdsa", "rsa"),
    }


# A method that a server has alone, to the program that has it. RFC 8268 section 3 has the groups 15 and 17 too, OpenSSH has not.
OPENSSH = (
    "curve25519-sha256",
    "curve25519-sha256@libssh.org",
    "ecdh-sha2-nistp256",
    "ecdh-sha2-nistp384",
    "ecdh-sha2-nistp521",
    "diffie-hellman-group1-sha1",
    "diffie-hellman-group14-sha1",
    "diffie-hellman-group14-sha256",
    "diffie-hellman-group16-sha512",
    "diffie-hellman-group18-sha512",
    "diffie-hellman-group-exchange-sha1",
    "diffie-hellman-group-exchange-sha256",
)
ASYNCSSH = ("diffie-hellman-group15-sha512", "diffie-hellman-group17-sha512")
GROUP_EXCHANGE = "diffie-hellman-group-exchange-sha256"  # OpenSSH chooses 2048 bits or more, asyncssh 1024 where they will do
HYBRID = "sntrup761x25519-sha512@openssh.com"  # it wants a key pair of its own kind, which we cannot make
SERVE = """
import asyncio, sys
import asyncssh

async def main(host, port, key, method):
    await asyncssh.listen(host, port, server_host_keys=[key], kex_algs=[method])
    await asyncio.Event().wait()

asyncio.run(main(sys.argv[1], int(sys.argv[2]), *sys.argv[3:]))
"""


@pytest.fixture(scope="module")
def single(sshd: Any, keygen: Any, address: Any, folder: Any, start: Any, port_offset: int) -> dict[str, str]:
    """A server for each key exchange method, which has no other; all with one host key."""
    key = keygen("rsa", 3072)
    hosts = {method: sshd([key], f"KexAlgorithms {method}") for method in (*OPENSSH, HYBRID)}
    for name, method in {**{method: method for method in ASYNCSSH}, "small groups": GROUP_EXCHANGE}.items():
        host = hosts[name] = address()
        command = (sys.executable, "-c", SERVE, host, str(22 + port_offset), key, method)
        start(command, folder("asyncssh"), accepts=(host, 22))
    return hosts


@pytest.fixture(scope="module")
def review(hosts: dict[str, str], single: dict[str, str], scan: Callable[..., Review]) -> Review:
    return scan(*hosts.values(), *single.values())


def keys(review: Review, host: str) -> dict[str, SshHostKey]:
    """Key type to the newest fact about it."""
    return {
        seen.facts.key_type: seen.facts
        for device in review.observations.values()
        for seen in device
        if isinstance(seen.facts, SshHostKey) and seen.endpoint and seen.endpoint.address == host
    }


def subjects(said: Any, review: Review, host: str, check: str, word: str = "fail") -> set[str | None]:
    return {subject for _, subject, told in said(review, host, check) if told == word}


def failing(review: Review, host: str) -> set[str]:
    """The SSH checks that fail at an address."""
    return {
        r.check
        for r in review.results
        if r.check.startswith("ssh-") and r.stands and r.endpoint and r.endpoint.address == host
    }


def test_a_current_server_fails_nothing_but_the_key_that_is_copied(hosts: Any, review: Review) -> None:
    assert failing(review, hosts["current"]) == {"ssh-shared-host-key"}


def test_an_old_configuration_fails_in_each_way(hosts: Any, review: Review, said: Any) -> None:
    host = hosts["old"]

    assert subjects(said, review, host, "ssh-weak-key-exchange") == {
        "group of 1024 bits with SHA-1",
        "group exchange with SHA-1",
    }
    assert subjects(said, review, host, "ssh-weak-cipher") == {"DES or 3DES", "CBC"}
    assert subjects(said, review, host, "ssh-weak-mac") == {"MD5", "MAC of 96 bits"}
    assert subjects(said, review, host, "ssh-weak-mac", "informational") == {"SHA-1"}
    assert subjects(said, review, host, "ssh-weak-host-key") == {
        "DSA",
        "SHA-1 signatures only",
        "RSA below 2048 bits",
    }
    assert failing(review, host) == {
        "ssh-weak-key-exchange",
        "ssh-weak-cipher",
        "ssh-weak-mac",
        "ssh-weak-host-key",
    }


def test_a_mac_that_no_cipher_uses_is_no_finding(
    hosts: Any, review: Review, said: Any, program: Any, port_offset: int, tmp_path: Path
) -> None:
    """OpenSSH's client agrees on no MAC either, though it offers the same ones."""
    host = hosts["MACs beside GCM"]
    client = subprocess.run(
        (program("ssh", "openssh-client"), "-v", "-p", str(22 + port_offset), "-F", "none", "-oBatchMode=yes",
         "-oMACs=hmac-md5,hmac-sha1-96", "-oStrictHostKeyChecking=no", f"-oUserKnownHostsFile={tmp_path / 'known'}",
         f"nobody@{host}", "true"),
        capture_output=True, text=True, timeout=15, check=False,
    )  # fmt: skip
    assert client.stderr.count("MAC: <implicit>") == 2
    assert said(review, host, "ssh-weak-mac") == {("tcp/22", None, "pass")}
    assert failing(review, host) == set()


def test_every_key_of_every_server_is_proven(hosts: Any, review: Review) -> None:
    proven = {
        name: {
            kind: (key.bits, key.method, key.signature)
            for kind, key in keys(review, host).items()
            if key.proven
        }
        for name, host in hosts.items()
    }
    curve = "curve25519-sha256"
    assert proven == {
        "current": {
            "ssh-rsa": (2048, curve, "rsa-sha2-512"),
            "ecdsa-sha2-nistp256": (256, curve, "ecdsa-sha2-nistp256"),
            "ssh-ed25519": (256, curve, "ssh-ed25519"),
        },
        "old": {
            "ssh-rsa": (1024, "diffie-hellman-group1-sha1", "ssh-rsa"),
            "ssh-dss": (1024, "diffie-hellman-group1-sha1", "ssh-dss"),
        },
        "copy": {"ssh-ed25519": (256, "diffie-hellman-group-exchange-sha256", "ssh-ed25519")},
        "large": {"ecdsa-sha2-nistp384": (384, "diffie-hellman-group16-sha512", "ecdsa-sha2-nistp384")},
        "curve": {"ecdsa-sha2-nistp521": (521, "ecdh-sha2-nistp521", "ecdsa-sha2-nistp521")},
        "MACs beside GCM": {"ssh-rsa": (2560, curve, "rsa-sha2-512")},
        "dropbear": {
            "ssh-rsa": (2048, curve, "rsa-sha2-256"),
            "ecdsa-sha2-nistp256": (256, curve, "ecdsa-sha2-nistp256"),
            "ssh-ed25519": (256, curve, "ssh-ed25519"),
        },
    }


@pytest.mark.parametrize("method", [*OPENSSH, *ASYNCSSH])
def test_a_host_key_is_proven_by_each_method_alone(method: str, single: Any, review: Review) -> None:
    key = keys(review, single[method])["ssh-rsa"]
    assert (key.proven, key.method, key.bits, key.fault) == (True, method, 3072, None)


def test_a_server_of_hybrid_methods_alone_is_unknown_and_says_why(
    single: Any, review: Review, said: Any
) -> None:
    host = single[HYBRID]
    key = keys(review, host)["ssh-rsa"]

    assert (key.proven, key.bits) == (False, None)
    assert (
        key.fault
        == f"no key exchange method in common with this scan's; it offers {HYBRID}, kex-strict-s-v00@openssh.com"
    )
    unknown = "unknown, inconclusive"
    assert said(review, host, "ssh-shared-host-key") == {("tcp/22", "ssh-rsa", unknown)}
    assert ("tcp/22", "RSA key", unknown) in said(review, host, "ssh-weak-host-key")
    assert "pass" not in {word for *_, word in said(review, host, "ssh-weak-host-key")}


@pytest.mark.parametrize("bits", [2048, 3072, 4096, 6144, 8192])
def test_a_group_is_the_one_that_openssl_has(bits: int, program: Any) -> None:
    command = (
        program("openssl", "openssl"),
        "genpkey",
        "-genparam",
        "-algorithm",
        "DH",
        "-pkeyopt",
        f"group:modp_{bits}",
    )
    printed = subprocess.run(command, check=True, capture_output=True, timeout=30).stdout
    group = load_pem_parameters(printed).parameter_numbers()
    assert (group.p, group.g) == (groups.prime(bits), 2)


def test_a_digest_is_the_fingerprint_that_openssh_prints(
    hosts: Any, review: Review, keygen: Any, program: Any
) -> None:
    import base64

    command = (program("ssh-keygen", "openssh-client"), "-l", "-E", "sha256", "-f", keygen("rsa", 2048))
    printed = subprocess.run(command, check=True, capture_output=True, text=True, timeout=30).stdout.split()[
        1
    ]
    digest = keys(review, hosts["current"])["ssh-rsa"].sha256

    assert digest
    assert printed == "SHA256:" + base64.b64encode(bytes.fromhex(digest)).decode().rstrip("=")


def test_two_servers_with_one_key_are_found_and_their_own_keys_pass(
    hosts: Any, review: Review, said: Any
) -> None:
    assert said(review, hosts["current"], "ssh-shared-host-key") == {
        ("tcp/22", "ssh-ed25519", "fail"),
        ("tcp/22", "ssh-rsa", "pass"),
        ("tcp/22", "ecdsa-sha2-nistp256", "pass"),
    }
    assert said(review, hosts["copy"], "ssh-shared-host-key") == {("tcp/22", "ssh-ed25519", "fail")}
    assert {word for *_, word in said(review, hosts["dropbear"], "ssh-shared-host-key")} == {"pass"}


def test_dropbear_is_read_like_any_other(hosts: Any, review: Review, said: Any) -> None:
    host = hosts["dropbear"]

    for check in ("ssh-legacy-protocol", "ssh-weak-key-exchange", "ssh-weak-cipher", "ssh-prefix-truncation"):
        assert "pass" in {word for *_, word in said(review, host, check)}, check
    assert said(review, host, "ssh-legacy-protocol") == {("tcp/22", None, "pass")}


def test_identifications_name_the_programs(hosts: Any, review: Review) -> None:
    software = {
        seen.endpoint.address: seen.facts.software
        for device in review.observations.values()
        for seen in device
        if isinstance(seen.facts, SshIdentification) and seen.endpoint
    }
    assert {name: software[host].partition("_")[0] for name, host in hosts.items()} == {
        name: "dropbear" if name == "dropbear" else "OpenSSH" for name in hosts
    }


# ---- the lab's servers, as OpenSSH's client sees them


@pytest.fixture(scope="module")
def lab() -> Iterator[RunningLab]:
    with running_lab() as running:
        yield running


@pytest.mark.parametrize(
    ("address", "options", "says"),
    [
        ("127.77.0.70", [], "SSH2_MSG_NEWKEYS sent"),
        ("127.77.0.23", ["-oHostKeyAlgorithms=ssh-ed25519"], "SSH2_MSG_NEWKEYS sent"),
        ("127.77.0.38", ["-oKexAlgorithms=ecdh-sha2-nistp256"], "SSH2_MSG_NEWKEYS sent"),
        (
            "127.77.0.21",
            ["-oKexAlgorithms=diffie-hellman-group1-sha1", "-oHostKeyAlgorithms=ssh-rsa", "-oCiphers=3des-cbc",
             "-oMACs=hmac-md5", "-oRequiredRSASize=1024"],
            "SSH2_MSG_NEWKEYS sent",
        ),
        (
            "127.77.0.21",
            ["-oKexAlgorithms=diffie-hellman-group1-sha1", "-oHostKeyAlgorithms=ssh-dss", "-oCiphers=aes128-cbc",
             "-oMACs=hmac-sha1"],
            "SSH2_MSG_NEWKEYS sent",
        ),
        ("127.77.0.71", [], "incorrect signature"),
    ],
    ids=["current", "1.99", "nistp256", "old, RSA", "old, DSA", "a key that it does not hold"],
)  # fmt: skip
def test_the_lab_exchanges_keys_with_openssh(
    address: str, options: list[str], says: str, lab: RunningLab, program: Any, tmp_path: Path
) -> None:
    client = program("ssh", "openssh-client")
    command = [client, "-v", "-F", "none", "-oBatchMode=yes", "-oStrictHostKeyChecking=no", "-oConnectTimeout=10",
               f"-oUserKnownHostsFile={tmp_path / 'known'}", *options, "-p", str(22 + lab.port_offset),
               f"nobody@{address}"]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)

    assert done.returncode != 0, "nobody signs in"
    assert says in done.stderr


def test_a_group_exchange_is_judged_by_the_group_that_is_chosen(
    review: Review, single: dict[str, str], said: Any
) -> None:
    check = "ssh-weak-group-exchange"
    assert said(review, single["small groups"], check) == {("tcp/22", None, "fail")}
    assert said(review, single[GROUP_EXCHANGE], check) == {("tcp/22", None, "pass")}
    assert said(review, single["curve25519-sha256"], check) == {("tcp/22", None, "pass")}
