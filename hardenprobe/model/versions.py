"""Versions of the code that a verdict rests on."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

from hardenprobe import __version__


def versions() -> dict[str, str]:
    """Versions of the code that a verdict rests on."""
    found = {"hardenprobe": __version__, "python": platform.python_version()}
    for package in ("cryptography", "httpx", "pysnmp", "scapy", "sslyze"):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = "absent"
    return found
