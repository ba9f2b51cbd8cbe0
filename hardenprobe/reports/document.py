"""The review as its JSON document."""

from __future__ import annotations

import json
from typing import BinaryIO

from hardenprobe.codec import to_document
from hardenprobe.records import Review


def write(review: Review, out: BinaryIO) -> None:
    """Write the document `hardenprobe.review/1`.

    Everything outside ASCII is escaped: the document may be printed to a terminal, and device text must do nothing
    there.
    """
    out.write(
        json.dumps(to_document(review), indent=1, allow_nan=False)
        .encode("ascii")
        .replace(b"\x7f", b"\\u007f")
    )
    out.write(b"\n")
