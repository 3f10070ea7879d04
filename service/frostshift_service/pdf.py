"""A page of ours as PDF, by WeasyPrint: the same HTML and the same print styles that a browser prints.

WeasyPrint needs Pango, a library of the system, and is an optional part (`frostshift[pdf]`): it is loaded when the
first PDF is asked for. Nothing is fetched: our own static files are read from the package, everything else is refused.
"""

from __future__ import annotations

import logging
import re
from functools import cache
from importlib import resources
from typing import Any, Final, Literal

from frostshift_service.store.records import ShowUnits

Paper = Literal["a4", "letter"]
NO_PDF: Final = (
    "PDFs cannot be made here: WeasyPrint or the Pango library of the system is missing. Print the page from the "
    "browser instead; it prints the same."
)
_SIZES: Final[dict[Paper, str]] = {"a4": "A4", "letter": "Letter"}
_BASE: Final = "https://frostshift.invalid/"
"""What paths of ours are read against: a name that nobody can have, and nobody is asked."""
_STATIC: Final = re.compile(
    r"https://frostshift\.invalid/static/((?:[a-z_]+/)?[a-z0-9_]+\.(?:css|svg))(?:\?v=[0-9a-f]+)?"
)
_KINDS: Final = {"css": "text/css", "svg": "image/svg+xml"}
_ONLY_HERE: Final = """
@page { size: %s }
html { font-family: "DejaVu Sans", sans-serif !important }
a { -weasy-link: none }
"""
MOST_ROWS: Final = 300
"""Lines of tables and lists that one PDF may have, our choice: a morning sheet of 293 took 11 to 14 s of one core, a
process of 190 MB at its peak, on a machine whose two cores were shared: 40 s on the clock (`tests/bench/bench_pdf.py`).
"""
_ROW: Final = re.compile(r"<(?:tr|li)[ >]")


class NoPdf(Exception):
    """No PDF can be made on this machine; the message is for people."""


class TooLong(Exception):
    """A page has more lines than a PDF is made of here; the message is for people."""


class NotOurs(Exception):
    """A print asks for a file that is not one of ours."""


def paper_for(units: ShowUnits, zone: str) -> Paper:
    """The paper people have: Letter where a site shows US units or lies in the Americas' time zones, else A4."""
    return "letter" if units != "si" or zone.startswith(("America/", "US/", "Canada/")) else "a4"


def rows_of(html: str) -> int:
    """Lines of its tables and lists."""
    return len(_ROW.findall(html))


def page_pdf(html: str, paper: Paper) -> bytes:
    """A page of ours as PDF on this paper; it takes one core, some 14 s of it for `MOST_ROWS`.

    Raises:
        TooLong: it has more lines than that.
        NoPdf: WeasyPrint or its libraries are missing.
    """
    rows = rows_of(html)
    if rows > MOST_ROWS:
        raise TooLong(
            f"This print has {rows} lines, and a PDF of more than {MOST_ROWS} takes this machine too long. Ask for one "
            "crew or for fewer shifts, or print the page from the browser; it prints the same."
        )
    weasyprint = _library()
    fetcher = _fetcher()
    style = weasyprint.CSS(string=_ONLY_HERE % _SIZES[paper], url_fetcher=fetcher)
    page = weasyprint.HTML(string=html, base_url=_BASE, url_fetcher=fetcher, media_type="print")
    made: bytes = page.write_pdf(stylesheets=[style])
    return made


def static_file(url: str) -> tuple[bytes, str]:
    """One of our static files and its media type.

    Raises:
        NotOurs: anything else, whatever it is.
    """
    found = _STATIC.fullmatch(url)
    if found is None:
        raise NotOurs(f"a print asks for {url[:200]!r}, which is not one of our files")
    name = found[1]
    content = resources.files("frostshift_service").joinpath("static", *name.split("/")).read_bytes()
    return content, _KINDS[name.rpartition(".")[2]]


def check_pdf() -> None:
    """Load what PDFs need.

    Raises:
        NoPdf: WeasyPrint or its libraries are missing.
    """
    _library()


@cache
def _library() -> Any:
    try:
        import weasyprint
    except (ImportError, OSError) as error:  # OSError: a library of the system is not there
        raise NoPdf(NO_PDF) from error
    # It knows less of CSS than browsers do, and would say so for every rule that is for them.
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    return weasyprint


def _fetcher() -> Any:
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class OursOnly(URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, headers: dict[str, str] | None = None) -> Any:  # noqa: ARG002
            content, kind = static_file(url)
            return URLFetcherResponse(url, content, {"Content-Type": f"{kind}; charset=utf-8"})

    return OursOnly()
