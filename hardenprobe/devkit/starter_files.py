"""The files to start from: a scope, an inventory and a baseline, each with comments that say what to write."""

from __future__ import annotations

from datetime import date, timedelta
from importlib.resources import files
from pathlib import Path
from string import Template

from hardenprobe.errors import UsageError

NAMES = ("scope.yaml", "inventory.yaml", "baseline.yaml")
AUTHORISED_FOR = timedelta(days=90)


def write(folder: Path, today: date) -> tuple[Path, ...]:
    """Write the files into a folder, which is made where there is none. All of them, or none.

    Raises:
        UsageError: One is there already, or the folder cannot be written.
    """
    there = [name for name in NAMES if (folder / name).is_symlink() or (folder / name).exists()]
    if there:
        raise UsageError(
            f"{folder} has {', '.join(there)} already; nothing is overwritten, name another folder"
        )
    words = {"today": today.isoformat(), "until": (today + AUTHORISED_FOR).isoformat()}
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in NAMES:
            text = files("hardenprobe.templates").joinpath(name).read_text(encoding="utf-8")
            with (folder / name).open("x", encoding="utf-8") as out:
                written.append(folder / name)
                out.write(Template(text).substitute(words))
    except OSError as exc:
        for path in written:
            path.unlink(missing_ok=True)
        raise UsageError(f"{folder} cannot be written: {exc.strerror}") from exc
    return tuple(written)
