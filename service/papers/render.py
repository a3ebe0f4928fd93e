"""Papers as HTML, and as PDF where the library for it can be loaded."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from service.errors import NoPdfError

STYLE = Path(__file__).resolve().parent.parent / "web" / "static" / "css" / "paper.css"
_ENVIRONMENT = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=select_autoescape(),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


def render_html(paper: str, language: str, content: dict[str, Any], *, is_page: bool = True) -> str:
    """A paper as HTML; a page of its own finds its style sheet at `/static/css/paper.css`."""
    return _ENVIRONMENT.get_template(f"{paper}.html").render(language=language, is_page=is_page, **content)


def render_pdf(html: str) -> bytes:
    """The same as PDF; nothing is fetched.

    Raises
    ------
    NoPdfError
        If WeasyPrint or a library that it needs can't be loaded.
    """
    page, style_sheet, fetcher = _load_weasyprint()
    document = page(string=html, url_fetcher=fetcher(allowed_protocols=("data",)))
    pdf: bytes = document.write_pdf(stylesheets=[style_sheet(string=STYLE.read_text("utf-8"))])
    return pdf


def _load_weasyprint() -> Any:
    try:
        import weasyprint
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as err:
        raise NoPdfError(
            "A PDF can't be made on this machine: WeasyPrint or its library Pango is missing (Debian: "
            "apt-get install libpangoft2-1.0-0 libharfbuzz-subset0). Print the page in your browser instead."
        ) from err
    return weasyprint.HTML, weasyprint.CSS, URLFetcher
