"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

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


def no_plugins(command: Command) -> Command:
    return click.option("--no-plugins", is_flag=True, help="Leave third-party checks out.")(command)
