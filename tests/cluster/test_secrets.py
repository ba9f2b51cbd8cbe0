"""cluster: the fleet's secrets reach the one worker whose devices need them, and leave no trace anywhere else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st
from support.cluster import cluster

from hardenprobe.cluster.sealing import seal, unseal
from hardenprobe.demo_lab.process import INVENTORY, running_lab
from hardenprobe.devices.credentials import Community, Secret, Secrets, User

CANARY = "canary-4f1d9b27c3"
SECRETS = Secrets(
    users=(User(name="watch", auth="SHA-256", auth_password=Secret(CANARY), priv="AES-128", priv_password=Secret(CANARY)),),
    communities=(Community(label="fleet", community=Secret(CANARY)),),
    stopped={"old": "192.0.2.7"},
)  # fmt: skip


def test_only_the_worker_and_only_for_the_job_can_open_what_was_sealed() -> None:
    mine, other = X25519PrivateKey.generate(), X25519PrivateKey.generate()
    sealed = seal(SECRETS, mine.public_key().public_bytes_raw(), "job")
    opened = unseal(sealed, mine, "job")

    assert CANARY.encode() not in sealed
    assert opened.labels == SECRETS.labels
    assert opened.stopped == SECRETS.stopped
    assert opened.communities[0].community.reveal() == CANARY.encode()
    assert opened.users[0].priv_password is not None
    assert opened.users[0].priv_password.reveal() == CANARY.encode()
    for key, job in ((other, "job"), (mine, "another")):
        with pytest.raises(ValueError, match="sealed for another"):
            unseal(sealed, key, job)


@given(st.data())
def test_what_was_changed_on_the_way_is_not_opened(data: st.DataObject) -> None:
    key = X25519PrivateKey.generate()
    sealed = bytearray(seal(SECRETS, key.public_key().public_bytes_raw(), "job"))
    sealed[data.draw(st.integers(0, len(sealed) - 1))] ^= data.draw(st.integers(1, 255))
    with pytest.raises(ValueError):
        unseal(bytes(sealed), key, "job")


def memory(pid: int) -> bytes:
    """All that a process holds, by the kernel."""
    found = []
    with open(f"/proc/{pid}/mem", "rb", 0) as held:
        for line in Path(f"/proc/{pid}/maps").read_text().splitlines():
            place, rights, *_ = line.split()
            if "r" not in rights or line.endswith(("[vvar]", "[vsyscall]", "[vdso]")):
                continue
            first, last = (int(end, 16) for end in place.split("-"))
            try:
                held.seek(first)
                found.append(held.read(last - first))
            except (OSError, ValueError, OverflowError):
                continue
    return b"".join(found)


@pytest.mark.slow
@pytest.mark.timeout(150)
def test_a_canary_is_in_no_log_no_file_no_scheduler_and_no_worker_that_does_not_need_it(
    tmp_path: Path,
) -> None:
    """While the scheduler still runs: its whole memory is searched, and so is every file that a party wrote."""
    with running_lab(INVENTORY) as lab, cluster(tmp_path / "c", ["office", "annex"]) as running:
        secrets = tmp_path / "secrets.yaml"
        secrets.write_text(
            'secrets: "hardenprobe.secrets/1"\n'
            f'communities: [{{label: "fleet", community: {CANARY!r}}}]\n'
            f'users: [{{name: "watch", auth: "SHA-256", auth_password: {CANARY!r}}}]\n'
        )
        secrets.chmod(0o600)
        done = subprocess.run(
            [sys.executable, "-m", "hardenprobe", "scan", "127.77.0.21", "127.77.0.23", "127.77.0.24",
             "--inventory", str(lab.inventory), "--port-offset", str(lab.port_offset), "--secrets", str(secrets),
             "--scope", str(running.folder / "scope.yaml"), "--only", "snmp-v3-below-authpriv", "--ports", "80",
             "--no-plugins", "--cluster", running.address, "--certificates", str(running.folder / "scan"),
             "--vantage", "office", "--store", str(tmp_path / "reviews.db"), "--json", str(tmp_path / "review.json")],
            capture_output=True, text=True, timeout=100, check=False, env={**os.environ, "TMPDIR": str(tmp_path)},
        )  # fmt: skip
        assert done.returncode in (0, 1, 3), done.stderr
        review = json.loads((tmp_path / "review.json").read_text())
        used = memory(running.scanner(0))
        held = {
            "scheduler": memory(running.scheduler.pid),
            "office": memory(running.workers[0][1].pid),
            "annex": memory(running.workers[1][1].pid),
            "scanner of annex": memory(running.scanner(1)),
        }
        written = [
            file
            for folder in (tmp_path, *Path(tempfile.gettempdir()).glob("hardenprobe-vantage-*"))
            for file in folder.rglob("*")
            if file.is_file() and file != secrets
        ]
        found = [str(file) for file in written if CANARY.encode() in file.read_bytes()]

    assert review["observations"]
    assert CANARY.encode() in used  # the search finds it where it must be
    assert [name for name, all_of_it in held.items() if CANARY.encode() in all_of_it] == []
    assert found == []
    assert CANARY not in done.stdout + done.stderr
