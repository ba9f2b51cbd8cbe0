"""A PostgreSQL server of Debian's package, run by an account without privilege, on a socket in a folder of its own."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from urllib.parse import quote

import psycopg

FOLDERS = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: float(path.parent.name))
QUICK = (
    "fsync=off",
    "full_page_writes=off",
    "shared_buffers=16MB",
    "listen_addresses=",
)
_NUMBERS = count(1)


@dataclass(frozen=True)
class Server:
    """A server that runs.

    Attributes:
        folder: Of its socket and its data.
        account: Who runs it, and may do everything.
    """

    folder: Path
    account: str

    def url(self, database: str, account: str | None = None) -> str:
        return f"postgresql+psycopg://{account or self.account}@/{database}?host={quote(str(self.folder))}"

    def run(self, program: str, *words: str, check: bool = True) -> str:
        """Run a program of the package as the server's account; what it says."""
        # The server is left behind by pg_ctl, and would keep a pipe open.
        with tempfile.TemporaryFile() as said:
            ended = subprocess.run(
                [FOLDERS[-1] / program, *words],
                check=False,
                stdin=subprocess.DEVNULL, stdout=said, stderr=said, cwd=self.folder, timeout=50,
                user=self.account if os.getuid() == 0 else None,
                env={"PGHOST": str(self.folder), "PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
            )  # fmt: skip
            said.seek(0)
            text = said.read().decode()
        assert not (check and ended.returncode), text
        return text

    def make(self) -> str:
        """The URL of a new schema that is empty: to whoever uses it a database of its own, in a fraction of the time."""
        name = f"store{next(_NUMBERS)}"
        with psycopg.connect(
            f"host={self.folder} user={self.account} dbname=postgres", autocommit=True
        ) as db:
            db.execute(f"create schema {name}")  # type: ignore[arg-type]  # a text of ours
        return f"{self.url('postgres')}&options=-csearch_path%3D{name}"

    def sql(self, statement: str, database: str = "postgres") -> str:
        return self.run("psql", "-XAtq", "-v", "ON_ERROR_STOP=1", "-d", database, "-c", statement)

    def start(self) -> None:
        options = " ".join(f"-c {one}" for one in (*QUICK, f"unix_socket_directories={self.folder}"))
        self.run(
            "pg_ctl", "start", "-w", "-D", f"{self.folder}/data", "-l", f"{self.folder}/log", "-o", options
        )

    def stop(self) -> None:
        self.run("pg_ctl", "stop", "-m", "immediate", "-D", f"{self.folder}/data", check=False)


@contextmanager
def running() -> Iterator[Server]:
    """Make a cluster, start it, and take both away again."""
    account = "nobody" if os.getuid() == 0 else pwd.getpwuid(os.getuid()).pw_name
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))  # a socket's path is short
    if os.getuid() == 0:
        shutil.chown(folder, account)
    server = Server(folder, account)
    try:
        server.run("initdb", "--no-sync", "-A", "trust", "-U", account, "-D", f"{folder}/data")
        server.start()
        yield server
    finally:
        server.stop()
        shutil.rmtree(folder, ignore_errors=True)
