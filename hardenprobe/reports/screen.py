"""What all screens share: headings, lines and tables, with text from outside made harmless."""

from __future__ import annotations

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from hardenprobe.reports.text import visible

ACCENT = "cyan"
_LEAST = {"name": 16, "text": None, "word": None, "number": 3}
"""Characters that each kind of column keeps when the screen is narrow."""


class Screen:
    """A console that a report is printed on."""

    def __init__(self, console: Console) -> None:
        self.console = console

    def _text(self, value: object, style: str = "", limit: int = 2000) -> Text:
        """Device text made harmless, in what the terminal's encoding can show."""
        encoding = self.console.encoding
        shown = visible(value, limit).encode(encoding, "backslashreplace").decode(encoding)
        return Text(shown, style=style)

    def _line(
        self, value: object, style: str = "", indent: int = 0, *, hang: int = 0, folded: bool = True
    ) -> None:
        """Print a line.

        Args:
            indent: Columns before it.
            hang: Further columns before what goes on below.
            folded: Break it where the screen ends; a command is left whole, so that it can be copied.
        """
        if not folded:
            for part in str(value).split("\n"):
                self.console.print(self._text(part, style), highlight=False, soft_wrap=True)
            return
        text: Text | Padding = self._text(value, style)
        if hang and isinstance(text, Text) and text.cell_len > self.console.width:
            lines = text.wrap(self.console, max(1, self.console.width - hang))
            first, *rest = lines or [Text()]
            self.console.print(first, highlight=False)
            for line in rest:
                self.console.print(Padding(line, (0, 0, 0, hang), expand=False), highlight=False)
            return
        self.console.print(
            Padding(text, (0, 0, 0, indent), expand=False) if indent else text, highlight=False
        )

    def _heading(self, title: str) -> None:
        self.console.print()
        self.console.print(Text(title, style=f"bold {ACCENT}"))
        if not self.console.is_terminal:
            self.console.print("-" * len(title), highlight=False)

    def _table(self, *columns: tuple[str, str]) -> Table:
        """A table; each column is a title and "text", "name", "word" (never broken) or "number"."""
        table = Table(
            box=SIMPLE_HEAD, pad_edge=False, header_style="bold", show_edge=False, padding=(0, 1, 0, 0)
        )
        for title, kind in columns:
            table.add_column(
                title,
                justify="right" if kind == "number" else "left",
                no_wrap=kind == "word",
                min_width=_LEAST[kind],
                max_width=8 if kind == "number" else None,
                overflow="fold",
            )
        return table
