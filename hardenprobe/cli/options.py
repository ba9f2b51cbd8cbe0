"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from hardenprobe.errors import UsageError, clip

if TYPE_CHECKING:
    from hardenprobe.plugins.registry import Registry

Command = TypeVar("Command", bound=Callable[..., Any])

FILE = click.Path(path_type=Path, dir_okay=False)


def baseline(help: str) -> Callable[[Command], Command]:
    return click.option(
        "--baseline",
        "baseline_name",
        metavar="NAME|FILE",
        help=f"{help} A shipped baseline or a file.",
    )


def store(command: Command) -> Command:
    return click.option(
        "--store", "store_url", metavar="URL", help="Where reviews are kept; a file or a database URL."
    )(command)


def details(command: Command) -> Command:
    return click.option(
        "--details", is_flag=True, help="Print all of it: the whole plan, every device, coverage."
    )(command)


def vantages(command: Command) -> Command:
    return click.option(
        "--vantage", "vantage_names", multiple=True, metavar="NAME",
        help="Name of the vantage point; one for each --source, or each that asks with --cluster.",
    )(command)  # fmt: skip


def certificates(command: Command) -> Command:
    return click.option(
        "--certificates",
        "folder",
        type=click.Path(path_type=Path, file_okay=False),
        required=True,
        help="The folder that `hardenprobe vantage certificates` made for this party.",
    )(command)


def place(command: Command) -> Command:
    """`--place`: where traffic was seen, which decides what it can show."""
    said = "Where it was seen, such as 'mirror port of the print server'."
    return click.option("--place", metavar="TEXT", default="a place not stated", help=said)(command)


def trust_anchors(command: Command) -> Command:
    return click.option(
        "--trust-anchor", multiple=True, type=FILE, help="CA certificates (PEM) to trust; repeatable."
    )(command)


def words(option: str, text: str, known: Sequence[str]) -> tuple[str, ...]:
    """Split an option that lists words.

    Raises:
        UsageError: A word that is not known, or none.
    """
    found = tuple(word.strip() for word in text.split(",") if word.strip())
    unknown = next((word for word in found if word not in known), None)
    if unknown is not None or not found:
        raise UsageError(f"{option} has {clip(unknown or '')}, expected some of {', '.join(known)}")
    return found


def write_json(document: Any, to: str) -> None:
    """Write a document of plain JSON types to standard output (-) or to a file, fit to be shown on a terminal.

    Raises:
        UsageError: The file cannot be written.
    """
    from hardenprobe.reports import json_stream

    text = json_stream.inert(document, indent=1)
    if to == "-":
        click.echo(text)
        return
    try:
        Path(to).write_text(text + "\n", encoding="utf-8")
    except OSError as exc:
        raise UsageError(f"--json {to}: {exc.strerror}") from exc


def checks_from(command: Command) -> Command:
    return click.option(
        "--checks-from",
        multiple=True,
        type=click.Path(path_type=Path, file_okay=False),
        help="Take checks from the Python files of this folder too; this runs their code. Repeatable.",
    )(command)


@dataclass(frozen=True)
class Plugins:
    """Which checks there are, beside the built-in ones.

    Attributes:
        installed: Those of installed packages.
        folders: Whose Python files are checks too.
    """

    installed: bool
    folders: tuple[Path, ...]

    def registry(self) -> Registry:
        """Load all of them.

        Raises:
            UsageError: There is no such folder.
        """
        from hardenprobe.plugins import registry

        return registry.load(self.installed, self.folders)


def plugins(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the parameter `plugins`, made of two options."""

    @wraps(command)
    def with_plugins(*, no_plugins: bool, checks_from: tuple[Path, ...], **rest: Any) -> Any:
        return command(plugins=Plugins(not no_plugins, checks_from), **rest)

    none = click.option("--no-plugins", is_flag=True, help="Leave the checks of installed packages out.")
    return checks_from(none(with_plugins))
