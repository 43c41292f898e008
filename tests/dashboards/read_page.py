"""A page's markup as a test asks it: without the marks of explained words and without the list of contents."""

from __future__ import annotations

import re


def plain(page: str) -> str:
    """The markup, each sentence of it in one piece and each heading once."""
    page = re.sub(r'<div class="contents noprint".*?</div>', "", page, count=1, flags=re.DOTALL)
    return re.sub(r"</?dfn[^>]*>", "", page)
