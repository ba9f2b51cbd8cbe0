"""One HTML file that needs nothing else: no request leaves it, and what a device wrote is only ever text in it.

Lists of devices and findings are packed into the file and drawn up by its script as far as somebody reads, so that a page
of ten thousand devices opens like one of ten.
"""

from __future__ import annotations

import base64
import hashlib
from typing import BinaryIO

from hardenprobe.reports import page_data
from hardenprobe.reports.render import context, own, read, template
from hardenprobe.reports.source import Source
from hardenprobe.reports.survey import Survey


def write(source: Source, out: BinaryIO) -> None:
    """Write the page as UTF-8."""
    survey = Survey(source)
    css, js = read("page.css"), read("page.js")
    parts = template("page.html").generate(
        **context(survey),
        policy=_policy(css, js),
        css=css,
        js=js,
        outcomes=page_data.OUTCOMES,
        networks=page_data.networks(survey),
        owners=page_data.said_by(survey, "owner"),
        places=page_data.said_by(survey, "place"),
        kept=page_data.kept_bytes(len(survey.review.devices)),
        index=own(page_data.pack(page_data.index(survey))),
        blocks=((one.findings, own(one.packed)) for one in page_data.blocks(survey)),
        paper=False,
    )
    out.writelines(part.encode("utf-8") for part in parts)


def _policy(css: str, js: str) -> str:
    def source(content: str) -> str:
        return "'sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode() + "'"

    return (
        f"default-src 'none'; style-src {source(css)}; script-src {source(js)}; "
        "base-uri 'none'; form-action 'none'"
    )
