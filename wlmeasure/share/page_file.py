"""A page as the contents of a file: HTML or PDF by the ending of its name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import PurePath

from wlmeasure.errors import CaseError
from wlmeasure.share.html import html_page
from wlmeasure.share.page import Page, PageFile

__all__ = ["page_file"]


def page_file(name: str, make: Callable[[], Page]) -> PageFile:
    """The page that `make` gives, written as the ending of `name` asks; the ending is checked first.

    Raises
    ------
    CaseError
        Another ending than .html, .htm or .pdf.
    """
    ending = PurePath(name).suffix.lower()
    if ending not in (".html", ".htm", ".pdf"):
        raise CaseError(f"a page's name must end in .html or .pdf: {PurePath(name).name}")
    if ending == ".pdf":
        from wlmeasure.share.pdf import pdf_page  # a tenth of a second that a page on a screen does not need

        return pdf_page(make())
    return PageFile(html_page(make()).encode())
