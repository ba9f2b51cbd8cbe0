"""Keys that a name decides: real keys, and the same in every process."""

from __future__ import annotations

import subprocess
import sys

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding

from hardenprobe.demo_lab import named_keys
from hardenprobe.demo_lab.named_keys import dsa_named, rsa_named


def test_an_rsa_key_of_a_name_signs_and_is_no_other_ones() -> None:
    key = rsa_named("T-1", 1024)
    key.public_key().verify(
        key.sign(b"x", padding.PKCS1v15(), hashes.SHA256()), b"x", padding.PKCS1v15(), hashes.SHA256()
    )

    assert key.key_size == 1024
    assert key.public_key().public_numbers() != rsa_named("T-2", 1024).public_key().public_numbers()


def test_a_dsa_key_of_a_name_signs() -> None:
    key = dsa_named("T-1")
    key.public_key().verify(key.sign(b"x", hashes.SHA1()), b"x", hashes.SHA1())
    assert key.key_size == 1024
    assert dsa_named("T-2").public_key() != key.public_key()


def test_the_key_is_the_same_in_every_process() -> None:
    code = "from hardenprobe.demo_lab.named_keys import rsa_named; print(rsa_named('T-1', 1024).public_key().public_numbers().n)"
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert int(other) == rsa_named("T-1", 1024).public_key().public_numbers().n


@pytest.mark.slow
def test_every_noted_key_is_an_rsa_key_by_the_librarys_own_check() -> None:
    for label in named_keys.FOUND:
        name, _, part = label.rpartition(" ")
        if part == "p" and name != "DSA":
            name, _, bits = name.rpartition(" ")
            rsa_named(name, int(bits)).private_numbers().private_key()
    assert all(map(named_keys.is_prime, reversed(named_keys._dsa_group())))


@pytest.mark.slow
@pytest.mark.parametrize("label", [label for label in named_keys.FOUND if label != "DSA p"][::7])
def test_what_is_noted_is_where_a_search_ends(label: str, monkeypatch: pytest.MonkeyPatch) -> None:
    bits = 160 if label == "DSA q" else int(label.split()[-2]) // 2
    noted = named_keys._prime(label, bits)
    monkeypatch.setattr(named_keys, "FOUND", {})
    assert named_keys._prime(label, bits) == noted
