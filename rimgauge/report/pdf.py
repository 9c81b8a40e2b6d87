"""Pages as the bytes of a PDF that are the same each time."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from rimgauge.report.palette import our_style


def pdf_bytes(pages: Sequence[Figure], *, when: datetime, title: str, software: str) -> bytes:
    """Write figures as the pages of one vector PDF; equal figures and `when` give equal bytes."""
    paper = io.BytesIO()
    facts = {"Title": title, "Creator": software, "CreationDate": when}
    with our_style(), PdfPages(paper, metadata=facts) as document:
        for page in pages:
            document.savefig(page)
    return paper.getvalue()
