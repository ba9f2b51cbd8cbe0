"""The one place where scapy is imported: late, since that takes a second, and without its warnings."""

from __future__ import annotations

import logging
from importlib import import_module
from types import ModuleType


def scapy_module(name: str) -> ModuleType:
    """Import a module of scapy, such as "layers.dns"."""
    logging.getLogger("scapy").setLevel(logging.CRITICAL + 1)
    return import_module(f"scapy.{name}")
