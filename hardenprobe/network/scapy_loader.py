"""The one place where scapy is imported: late, since that takes a second, and without its warnings and its largest table."""

from __future__ import annotations

import logging
import sys
from functools import cache
from importlib import import_module
from types import ModuleType


def scapy_module(name: str) -> ModuleType:
    """Import a module of scapy, such as "layers.dns"."""
    logging.getLogger("scapy").setLevel(logging.CRITICAL + 1)
    _forget_makers()
    return import_module(f"scapy.{name}")


@cache
def _forget_makers() -> None:
    """Empty the table of who makes which network card: 15 MB that no message needs."""
    import_module("scapy.data").MANUFDB.d.clear()
    sys.modules.pop("scapy.libs.manuf", None)
