"""The rule sets and baselines that come with hardenprobe, and how a rule set is read."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Protocol, TypeVar

from hardenprobe.errors import UnknownName
from hardenprobe.model.yaml_file import load_yaml, parse


class Rules(Protocol):
    """What every rule set says of itself."""

    @property
    def rules(self) -> str:
        """Its name, which is its file's."""
        ...


R = TypeVar("R", bound=Rules)


def shipped(topic: str = "*") -> dict[str, Path]:
    """Name to file of the rule sets that come with hardenprobe, for one topic ("tls", "ssh") or all."""
    folder = Path(str(files("hardenprobe.baselines")))
    return {p.stem: p for p in sorted(folder.glob(f"rules-{topic}-*.yaml"))}


def shipped_baselines() -> dict[str, Path]:
    """Name to file of every baseline that comes with hardenprobe."""
    folder = Path(str(files("hardenprobe.baselines")))
    return {
        p.stem: p for p in sorted(folder.glob("*.yaml")) if not p.stem.startswith(("rules-", "controls-"))
    }


def read(name: str, topic: str, into: type[R]) -> R:
    """Read a shipped rule set.

    Raises:
        UnknownName: There is none of that name.
        FileInvalid: It breaks its format.
    """
    known = shipped(topic)
    if name not in known:
        raise UnknownName("rule set", name, known)
    document = load_yaml(known[name])
    found = parse(document, into)
    if found.rules != name:
        raise document.fault(("rules",), f"the file is {name!r} and says {found.rules!r}")
    return found
